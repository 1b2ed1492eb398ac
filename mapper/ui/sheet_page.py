"""Page "Sheet": the pull sheet as PDF and SVG, and the route map as a file."""

from __future__ import annotations

import csv
import io
import re
from datetime import datetime

import streamlit as st

from mapper.errors import MapperError, shown
from mapper.exchange import FORMS
from mapper.pulling import Cover, cover_outlines
from mapper.records import Job, export_route_map, job_to_share, readable_copies, write_pack
from mapper.sheets import PAPERS_MM, pull_sheet_pdf, pull_sheet_svg
from mapper.ui import jobbar, looks
from mapper.ui.findings import findings_of
from mapper.ui.parts_panel import part_how
from mapper.ui.print_panels import route_map_pdf, route_sheet_panel, wire_tags_panel
from mapper.ui.pull_crops import pull_crops_panel, pull_crops_pdf
from mapper.ui.response_record import record_files, response_sheet_panel
from mapper.ui.session import go, open_store

__all__ = ["file_stem", "show"]

SHEETS = ("Pull sheet", "Pull order with crops", "Route map to scale", "Wire tags", "Response test")


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("sheet")
    if ctx is None:
        return
    job = ctx.job
    st.subheader("Sheet to print")
    if job.plate is None:
        looks.note("There is no plate yet, so there is nothing to print.", "calm")
        if st.button("Go to Plate", type="primary"):
            go("plate")
        return
    stem = file_stem(job.name)
    left, right = st.columns([3, 1], gap="large")
    with right:
        _route_map(job, stem)
        _job_pack(job, stem)
        looks.cautions()
    with left:
        chosen = st.segmented_control(
            "Sheet to look at", SHEETS, default=SHEETS[0], required=True, key="sheet shown"
        )
        panels = {
            "Pull order with crops": pull_crops_panel,
            "Route map to scale": route_sheet_panel,
            "Wire tags": wire_tags_panel,
            "Response test": response_sheet_panel,
        }
        panels.get(chosen, _pull_sheet)(job, stem)


def _pull_sheet(job: Job, stem: str) -> None:
    """The pull sheet on a chosen paper, as a picture, as PDF and as SVG."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        paper = st.segmented_control(
            "Paper", list(PAPERS_MM), default="A4", required=True, key="pull paper"
        )
        try:
            pdf, svg = _sheets(job.id, job.revision, paper, job)
        except MapperError as error:
            looks.note(f"The sheet can't be made yet: {shown(error, 300)}", "stop")
            return
        st.download_button(
            "Pull sheet (PDF)",
            pdf,
            f"{stem} pull sheet.pdf",
            "application/pdf",
            type="primary",
            on_click="ignore",
        )
        st.download_button(
            "Pull sheet (SVG)",
            svg,
            f"{stem} pull sheet.svg",
            "image/svg+xml",
            on_click="ignore",
        )
    if "on the next pages" in svg:
        st.caption("The list goes on on more pages of the PDF.")
    st.image(svg, width="stretch", alt="The pull sheet")


def _route_map(job: Job, stem: str) -> None:
    try:
        data = export_route_map(job)
    except MapperError as error:
        looks.note(f"The route map can't be written yet: {shown(error, 300)}", "stop")
        if st.button("Go to Plate", width="stretch"):
            go("plate")
        return
    st.download_button(
        "Route map (JSON)",
        data,
        f"{stem} route map.json",
        "application/json",
        on_click="ignore",
        width="stretch",
    )
    with st.expander("The same map in other forms"):
        for ending, (words, media_type, write, _) in FORMS.items():
            st.download_button(
                words,
                lambda write=write: write(job_to_share(job)),
                f"{stem} route map{ending}",
                media_type,
                on_click="ignore",
                width="stretch",
            )
    st.caption(
        "The route map is an open file: plate, routes and judgements in millimetres. "
        "It can be taken in again on the page Jobs, in each of its forms."
    )


def _job_pack(job: Job, stem: str) -> None:
    st.download_button(
        "Job pack (ZIP)",
        lambda: _pack(job, stem),
        f"{stem} job pack.zip",
        "application/zip",
        on_click="ignore",
        width="stretch",
    )
    st.caption(
        "The pack holds the whole job with its photos, fits and log, for another machine or for "
        "the shelf: take it in on the page Jobs there."
    )


def _pack(job: Job, stem: str) -> bytes:
    """The whole job in one ZIP, with copies that other programs read."""
    readable = readable_copies(job, f"{stem} route map")
    try:
        pdf, svg = _sheets(job.id, job.revision, "A4", job)
        readable |= {f"{stem} pull sheet.pdf": pdf, f"{stem} pull sheet.svg": svg.encode()}
        readable[f"{stem} pull order with crops.pdf"] = pull_crops_pdf(job)
    except MapperError:  # no lead is traced yet: the pack goes without a sheet
        pass
    for paper in ("A4", "A3"):
        try:
            readable[f"{stem} route map to scale.pdf"] = route_map_pdf(job, paper)
            break
        except MapperError:  # the plate is too large for this paper
            continue
    readable |= record_files(job, stem)
    if job.done:
        readable[f"{stem} teardown log.csv"] = _log_table(job)
    buffer = io.BytesIO()
    write_pack(open_store(), job.id, buffer, readable)
    return buffer.getvalue()


def _log_table(job: Job) -> bytes:
    text = io.StringIO(newline="")
    rows = csv.writer(text)
    rows.writerow(("number", "at", "by", "action", "wire", "past x mm", "past y mm", "reason"))
    for number, step in enumerate(job.done, 1):
        past = step.past or ("", "")
        rows.writerow((number, step.at, step.by, step.action, step.wire, *past, step.reason or ""))
    return text.getvalue().encode()


def file_stem(name: str) -> str:
    """A job's name made fit for a file name on any system."""
    plain = re.sub(r"[^\w\- ]+", " ", name, flags=re.ASCII)
    return re.sub(r"\s+", " ", plain).strip()[:60] or "job"


@st.cache_data(show_spinner="Drawing the sheet", max_entries=4)
def _sheets(job_id: str, revision: int, paper: str, _job: Job) -> tuple[bytes, str]:
    findings = findings_of(_job)
    plan = findings.offered
    if plan is None:
        raise MapperError("no lead is traced.")
    guessed = _job.provisional_ids()
    more = {"out": findings.out, "guessed": guessed, "warnings": _job.warnings(), "paper": paper}
    more["covers"] = {
        name: cover_outlines(findings.planned_on, part)
        for name, part in findings.parts.items()
        if isinstance(part, Cover) and name not in findings.out
    }
    form = plan.to_dict()
    for step, said in zip(plan.steps, form["steps"], strict=True):
        if step.wire in findings.parts or step.wire in findings.hanging:
            said["words"] = f"{findings.step_words(step)} ({part_how(findings, step.wire)})"
    form["lifts"] = [findings.step_words(lift.step) for lift in findings.lifts]
    made_at = datetime.now()
    title = _job.name or "Job without a name"
    drawn = (findings.drawn, form, title, made_at)
    return pull_sheet_pdf(*drawn, **more), pull_sheet_svg(*drawn, **more)
