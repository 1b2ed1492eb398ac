"""Page "As found, as built": what differs between two route maps, as a list and a picture."""

from __future__ import annotations

import json
from html import escape

import streamlit as st

from mapper.errors import MapperError, shown
from mapper.plate import Plate
from mapper.rebuild import RouteDifference, route_difference, why_not_comparable
from mapper.records import (
    Fates,
    Job,
    JobStore,
    RecordsError,
    fates_of,
    fates_told,
    tables_difference,
)
from mapper.routes import RouteMap
from mapper.ui import jobbar, looks
from mapper.ui.as_built_correct import correct_panel
from mapper.ui.compare_picture import SIGNS, difference_svg
from mapper.ui.session import Context, go
from mapper.ui.sheet_page import file_stem

__all__ = ["show"]

FOUND, BUILT = "this job, as found (traced)", "this job, as built"
OTHER_FOUND, OTHER_BUILT = "other job, as found (traced)", "other job, as built"
NONE = "no other job"


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("compare")
    if ctx is None:
        return
    st.subheader("As found against as built")
    if ctx.job.plate is None:
        looks.note("There is no plate yet, so there is nothing to compare.", "calm")
        if st.button("Go to Plate", type="primary"):
            go("plate")
        return
    same, others = _other_jobs(ctx)
    maps = _maps(ctx.job, FOUND, BUILT)
    other = _other_job(ctx, same, others, bool(maps) and BUILT not in maps)
    if other is not None:
        maps |= _maps(other, OTHER_FOUND, OTHER_BUILT)
    if len(maps) < 2:
        _too_few(bool(same or others))
    else:
        _compared(ctx, other, maps)
    if ctx.job.as_built is not None:
        correct_panel(ctx, ctx.job.as_built)
    _takeouts(ctx, same)


def _too_few(others: bool) -> None:
    looks.note(
        "There is only one map so far. Keep an as-built map on the page Rebuild, "
        + ("or choose another job above." if others else "or map the plate in another job."),
        "calm",
    )
    if st.button("Go to Rebuild", type="primary"):
        go("rebuild")


# --- which jobs ---------------------------------------------------------------------


def _other_jobs(ctx: Context) -> tuple[dict[str, str], dict[str, str]]:
    """Other jobs with a plate, job id -> words: on this plate, and on another one."""
    listed = [one for one in ctx.store.jobs() if one.id != ctx.job_id]
    key = tuple((one.id, one.revision) for one in listed)
    why = _why_not(repr(ctx.job.plate), key, ctx.job.plate, ctx.store)
    words = {
        one.id: f"{one.name or 'Job without a name'} · {one.created_at.astimezone():%Y-%m-%d} "
        f"({one.id[:6]})"
        for one in listed
        if one.id in why
    }
    same = {job_id: text for job_id, text in words.items() if why[job_id] is None}
    return same, {job_id: text for job_id, text in words.items() if why[job_id] is not None}


@st.cache_data(show_spinner=False, max_entries=4)
def _why_not(
    plate_key: str, jobs: tuple[tuple[str, int], ...], _plate: Plate, _store: JobStore
) -> dict[str, str | None]:
    """Job id -> why its plate is another one, None for this one; jobs without a plate are out."""
    found = {}
    wanted = {job_id for job_id, _ in jobs}
    for job_id, mapping in _store.values("plate").items():
        if job_id in wanted:
            try:
                found[job_id] = why_not_comparable(_plate, Plate.from_mapping(mapping))
            except MapperError as error:
                found[job_id] = str(error)
    return found


@st.cache_resource(show_spinner="Reading the other job", max_entries=12)
def _view(folder: str, job_id: str, revision: int, _store: JobStore) -> Job:
    return _store.job(job_id)


def _read(ctx: Context, job_id: str) -> Job:
    return _view(str(ctx.store.folder), job_id, ctx.store.revision(job_id), ctx.store)


def _other_job(
    ctx: Context, same: dict[str, str], others: dict[str, str], wanted: bool
) -> Job | None:
    """The other job that is chosen, when it is of this plate."""
    if not same and not others:
        return None
    words = {NONE: None}
    words |= {f"this plate: {text}": job_id for job_id, text in same.items()}
    words |= {f"another plate: {text}": job_id for job_id, text in others.items()}
    start = 1 if wanted and same else 0
    chosen = words.get(st.selectbox("Other job", list(words), start, key="compare job"))
    if chosen is None:
        return None
    try:
        job = _read(ctx, chosen)
    except RecordsError as error:
        looks.note(str(error), "stop")
        return None
    why = None if job.plate is None else why_not_comparable(ctx.job.plate, job.plate)
    if why is not None or job.plate is None:
        looks.note(why or "That job has no plate any more.", "stop")
        return None
    if not _maps(job, OTHER_FOUND, OTHER_BUILT):
        looks.note("That job has no traced leads and no as-built map.", "calm")
        return None
    return job


def _maps(job: Job, found: str, built: str) -> dict[str, tuple[Job, RouteMap]]:
    """What a job can be compared by: words -> (job, map)."""
    maps = {}
    if job.leads:
        maps[found] = job, job.route_map(provisional=False)
    if job.as_built is not None:
        maps[built] = job, job.as_built.route_map
    return maps


# --- what differs -------------------------------------------------------------------


def _compared(ctx: Context, other: Job | None, maps: dict[str, tuple[Job, RouteMap]]) -> None:
    first_column, second_column, third_column = st.columns([2, 2, 1], vertical_alignment="bottom")
    names = list(maps)
    start = _start(names)
    key = "" if other is None else other.id
    first = first_column.selectbox("From", names, start[0], key=f"compare first {key}")
    second = second_column.selectbox("To", names, start[1], key=f"compare second {key}")
    moved_mm = third_column.number_input(
        "Moved counts from mm", 1.0, 200.0, 10.0, 1.0, format="%g", key="compare moved"
    )
    jobs = [maps[name][0] for name in (first, second)]
    two = [maps[name][1] for name in (first, second)]
    why = why_not_comparable(two[0].plate, two[1].plate)
    if why is not None:  # an as-built map from a file has a plate of its own
        looks.note(why, "stop")
        return
    for name in dict.fromkeys((first, second)):
        job = maps[name][0]
        if name in (BUILT, OTHER_BUILT) and not job.as_built.confirmed:
            st.caption(
                f"{name[:1].upper()}{name[1:]}: nobody has confirmed yet that it was laid so."
            )
    found = route_difference(two[0], two[1], moved_mm)
    tables = tables_difference(*jobs) if jobs[0].id != jobs[1].id else {}
    _summary(found, tables)
    left, right = st.columns([2, 3], gap="medium")
    with left:
        _list(found, tables)
        st.download_button(
            "Differences (JSON)",
            json.dumps({**found.to_dict(), **_json(tables)}, ensure_ascii=False, indent=1),
            f"{file_stem(ctx.job.name)} differences.json",
            "application/json",
            on_click="ignore",
            width="stretch",
        )
    with right:
        st.image(
            difference_svg(two[1].plate, two, found),
            width="stretch",
            alt="Leads that moved and crossings that changed",
        )
        st.caption(
            "Dashed grey: where a moved lead lay before. Bold: where it lies now. "
            "+ new crossing, – crossing that is gone, ⇅ the other lead on top (told only where "
            "somebody saw it in both); a number counts those that lie close together."
        )


def _start(names: list[str]) -> tuple[int, int]:
    """What is compared first: the older wiring with the newer one."""
    for pair in ((FOUND, BUILT), (OTHER_BUILT, FOUND), (OTHER_FOUND, FOUND)):
        if set(pair) <= set(names):
            return names.index(pair[0]), names.index(pair[1])
    return 0, 1


def _json(tables: dict[str, list[str]]) -> dict[str, list[str]]:
    return {name.lower(): sentences for name, sentences in tables.items()}


def _summary(found: RouteDifference, tables: dict[str, list[str]]) -> None:
    if found.same and not any(tables.values()):
        looks.note("Nothing differs.", "calm")
        return
    count = {
        "moved": len(found.moved),
        "changed in kind, thickness, drop or exit": len({one.id for one in found.changed}),
        "gone": len(found.gone),
        "new": len(found.new),
    }
    leads = ", ".join(f"{number} {word}" for word, number in count.items() if number) or "as before"
    changes = [one.change for one in found.crossings]
    crossings = (
        ", ".join(f"{changes.count(word)} {word}" for word in SIGNS if word in changes)
        or "as before"
    )
    rest = "".join(
        f" {name}: {looks.counted(len(sentences), 'change') if sentences else 'as before'}."
        for name, sentences in tables.items()
    )
    looks.note(f"Leads: {leads}. Crossings: {crossings}.{rest}")


def _list(found: RouteDifference, tables: dict[str, list[str]]) -> None:
    parts = {"Routes and crossings": found.sentences(), **tables}
    rows = "".join(
        f"<b>{escape(name)}</b><ul>"
        + "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)
        + "</ul>"
        for name, sentences in parts.items()
        if sentences
    )
    if rows:
        with st.container(height=430):
            st.html(rows)


# --- several takeouts ---------------------------------------------------------------


@st.cache_data(show_spinner="Reading the other takeouts", max_entries=24)
def _fates(folder: str, job_id: str, revision: int, _job: Job) -> Fates:
    return fates_of(_job)


def _takeouts(ctx: Context, same: dict[str, str]) -> None:
    """Which leads had to be replaced at which takeout of this plate."""
    found = []
    for job_id in (ctx.job_id, *same):
        try:
            job = ctx.job if job_id == ctx.job_id else _read(ctx, job_id)
            fates = _fates(str(ctx.store.folder), job_id, job.revision, job)
        except MapperError as error:
            looks.note(f"{same.get(job_id, 'This job')} was left out: {shown(error, 200)}", "calm")
            continue
        if fates.by_lead:
            found.append(fates)
    if not found:
        return
    st.subheader("Over the takeouts of this plate")
    told = fates_told(found)
    st.caption(
        f"{looks.counted(len(found), 'job')} on this plate with readings or a teardown log. A lead "
        "that broke takes its heater or thermocouple along."
    )
    if not told:
        looks.note("No heater or thermocouple had to be replaced.", "calm")
        return
    with st.container(height=min(430, 40 + 30 * len(told))):
        st.html("<ul>" + "".join(f"<li>{escape(one)}</li>" for one in told) + "</ul>")
    with st.expander("As a table"):
        st.dataframe(_table(found), hide_index=True, width="stretch")


def _table(found: list[Fates]) -> list[dict[str, str]]:
    ordered = sorted(found, key=lambda one: (one.day, one.job_id))
    names = dict.fromkeys(lead for one in ordered for lead in one.by_lead)
    heads = [f"{one.day} {shown(one.name, 24)} ({one.job_id[:4]})" for one in ordered]
    return [
        {
            "Lead": lead,
            **{head: one.by_lead.get(lead, "") for head, one in zip(heads, ordered, strict=True)},
        }
        for lead in sorted(names)
    ]
