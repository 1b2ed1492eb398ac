"""The record of a response test of a job, as a sheet to print and as a table of all rises."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np
import streamlit as st

from mapper.bench.response import Response
from mapper.errors import MapperError, shown
from mapper.records import Job
from mapper.sheets import (
    PAPERS_MM,
    RecordedLog,
    ResponseRecord,
    response_sheet,
    scene_to_svg,
    scenes_to_pdf,
)
from mapper.ui import looks

__all__ = [
    "TYPED",
    "kept_logs",
    "kept_tests",
    "record_download",
    "record_files",
    "response_sheet_panel",
    "rises_csv",
]

TYPED = "typed by hand"
INVENTED = "The readings of this demonstration job are invented."


def kept_tests(job: Job) -> list[str]:
    """Names of the kept tests, the newest first."""
    return sorted(job.names("response"), reverse=True)


def kept_logs(entry: Mapping[str, Any]) -> list[dict[str, str]]:
    """The logs a kept test was read from; of an old entry only what it tells."""
    logs = entry.get("logs")
    if isinstance(logs, list):
        return [
            {key: str(one.get(key) or "") for key in ("name", "sha256", "at", "by")}
            for one in logs
            if isinstance(one, Mapping)
        ]
    if not entry.get("source"):
        return []
    return [{key: str(entry.get(of) or "") for key, of in _OLD.items()}]


_OLD = {"name": "source", "sha256": "", "at": "at", "by": "by"}


def record_of(job: Job, name: str) -> tuple[Response, ResponseRecord]:
    """The outcome of a kept test and what the record says of it. Raises BenchError."""
    entry = job.value(f"response/{name}", {})
    logs = tuple(
        RecordedLog(shown(one["name"], 120), one["sha256"], _local(one["at"]), shown(one["by"], 60))
        for one in kept_logs(entry)
    )
    corrected = entry.get("corrections")
    said = tuple(shown(one, 300) for one in corrected) if isinstance(corrected, list) else ()
    if entry.get("corrected") and not said:
        said = ("The zone table was corrected from this test; in what was not kept.",)
    number = int(name) if name.isdigit() else 0
    note = INVENTED if job.about.get("demo") else ""
    return Response.from_dict(entry), ResponseRecord(number, logs, said, note)


def _local(at: str) -> str:
    """The time of an entry as people here read it; as it stands when it is no time."""
    try:
        return f"{datetime.fromisoformat(at).astimezone():%Y-%m-%d %H:%M}"
    except ValueError:
        return shown(at, 40)


def rises_csv(result: Response) -> bytes:
    """All rises as a table: heater, then one column per sensor, in °C."""
    text = io.StringIO(newline="")
    rows = csv.writer(text)
    rows.writerow(["heater", *(_harmless(name) for name in result.sensors)])
    for name, rises in zip(result.heaters, result.rise_c, strict=True):
        cells = ["" if np.isnan(rise) else f"{rise:.2f}" for rise in rises]
        rows.writerow([_harmless(name), *cells])
    return text.getvalue().encode("utf-8-sig")


def _harmless(name: str) -> str:
    """A name that a spreadsheet would take for a formula gets an apostrophe."""
    return f"'{name}" if name[:1] in "=+-@\t" else name


def record_files(job: Job, stem: str) -> dict[str, bytes]:
    """The records and tables of all kept tests by file name, for the job pack."""
    files = {}
    for name in kept_tests(job):
        try:
            result, record = record_of(job, name)
            scenes = response_sheet(result, record, _title(job), datetime.now())
        except MapperError:  # a damaged entry is told on the page Response test
            continue
        files[f"{stem} response test {record.number}.pdf"] = scenes_to_pdf(scenes)
        files[f"{stem} response test {record.number}.csv"] = rises_csv(result)
    return files


def _title(job: Job) -> str:
    return job.name or "Job without a name"


@st.cache_data(show_spinner="Drawing the record", max_entries=4)
def _record(
    job_id: str, revision: int, name: str, paper: str, _job: Job
) -> tuple[bytes, tuple[str, ...]]:
    result, record = record_of(_job, name)
    scenes = response_sheet(result, record, _title(_job), datetime.now(), paper)
    return scenes_to_pdf(scenes), tuple(scene_to_svg(scene) for scene in scenes[:2])


def record_download(job: Job, name: str) -> None:
    """A button that gives the record of one test to print."""
    try:
        pdf, _ = _record(job.id, job.revision, name, "A4", job)
    except MapperError as error:
        looks.note(f"The record can't be made: {shown(error, 300)}", "stop")
        return
    st.download_button(
        "Record to print and sign (PDF)",
        pdf,
        f"response test {name}.pdf",
        "application/pdf",
        on_click="ignore",
    )


def response_sheet_panel(job: Job, stem: str) -> None:
    """The record of a chosen test on a chosen paper, as a picture and as PDF."""
    kept = kept_tests(job)
    if not kept:
        looks.note("No response test is kept yet: put one in on the page Response test.", "calm")
        return
    with st.container(horizontal=True, vertical_alignment="bottom"):
        name = kept[0]
        if len(kept) > 1:
            name = st.selectbox("Test", kept, format_func=lambda one: f"Test {one.lstrip('0')}")
        paper = st.segmented_control(
            "Paper", list(PAPERS_MM), default="A4", required=True, key="record paper"
        )
        try:
            pdf, pictures = _record(job.id, job.revision, name, paper, job)
        except MapperError as error:
            looks.note(f"The record can't be made: {shown(error, 300)}", "stop")
            return
        st.download_button(
            "Response test (PDF)",
            pdf,
            f"{stem} response test {name.lstrip('0')}.pdf",
            "application/pdf",
            type="primary",
            on_click="ignore",
        )
    for number, svg in enumerate(pictures, start=1):
        st.image(svg, width="stretch", alt=f"The record, page {number}")
