"""A whole job made from a rendered plate and its truth, for tests of the pages."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np

from mapper.fit import Camera, PhotoFit
from mapper.records import JobStore, PhotoEntry, Stretch, TracedLead, fit_changes, lead_changes
from mapper.routes import Crossing
from tests.truth import lead_id, true_leads, true_plate, truth_of

__all__ = ["full_job", "true_fit"]

POINT_STEP = 4  # every so many-th point of the truth's leads is enough for the pages


def true_fit(photo: dict, width_px: int = 2400, height_px: int = 1800) -> PhotoFit:
    """The fit that the truth of a rendered photo tells."""
    lens = np.array(photo["K"], float)
    camera = Camera(
        float(lens[0, 0]),
        (float(lens[0, 2]), float(lens[1, 2])),
        np.array(photo["R"], float),
        np.array(photo["t"], float).ravel(),
        float(np.ravel(photo["dist"])[0]) if np.size(photo["dist"]) else 0.0,
    )
    return PhotoFit(
        camera,
        width_px,
        height_px,
        np.eye(8) * 1e-8,
        "good",
        (),
        "truth",
        np.array([0.03, 0.05]),
        ("D01", "D02"),
    )


def full_job(
    store: JobStore,
    folder: Path,
    missing: tuple[str, ...] = (),
    open_every: int = 6,
    fit_photos: bool = True,
    runs_apart: bool = False,
) -> str:
    """Make a job of a plate: photos added and fitted, leads traced, most crossings judged.

    `missing` leads are left out; of the true crossings every `open_every`-th is left open.
    `runs_apart` judges touching places and shared runs, which the truth does not list, as apart.
    Returns the job's id.
    """
    truth = truth_of(folder)
    plate = true_plate(truth)
    job_id = store.create(f"{truth['name']}, invented", {"mould": "lid", "resin": "PP"})
    changes: dict = {"plate": plate.to_mapping()}
    for n, photo in enumerate(truth["photos"]):
        sha256 = store.add_photo((folder / photo["file"]).read_bytes(), ".jpg")
        stage = {"before": "before", "during": "during 1", "clear": "cleared"}[photo["stage"]]
        taken = datetime(2026, 3, 1 + n, 9, 30)
        entry = PhotoEntry(sha256, photo["file"], stage, taken, 26.0, 2400, 1800)
        changes[f"photo/{sha256}"] = entry.to_mapping()
    job = store.edit(job_id, "Enter the plate and add photos", changes)
    for lead in true_leads(truth):
        if lead.id in missing:
            continue
        # The truth goes on to the cut end outside the plate; people trace to the exit.
        inside = lead.points_mm[lead.points_mm[:, 1] >= -2.0]
        points = np.vstack([inside[:-1:POINT_STEP], inside[-1:]])
        stretch = Stretch(tuple((float(x), float(y)) for x, y in points))
        traced = TracedLead(
            lead.id, lead.kind, lead.drop, lead.exit, (stretch,), lead.diameter_mm, finished=True
        )
        job = store.edit(job_id, f"Trace {lead.id}", lead_changes(traced))
    if fit_photos:
        for photo in truth["photos"]:
            entry = next(p for p in job.photos if p.name == photo["file"])
            fit = fit_changes(job, entry.sha256, true_fit(photo))
            job = store.edit(job_id, f"Fit {entry.name}", fit)
    _judge(store, job_id, truth, open_every, runs_apart)
    return job_id


def _judge(store: JobStore, job_id: str, truth: dict, open_every: int, runs_apart: bool) -> None:
    """Judge the meetings that lie at a true crossing of the same pair."""
    job = store.job(job_id)
    meetings = job.route_map(provisional=False).crossings
    changes = {}
    for n, true in enumerate(truth["crossings"]):
        if n % open_every == open_every - 1 or true.get("self"):
            continue
        a, b, over = lead_id(true["a"]), lead_id(true["b"]), lead_id(true["over"])
        near = [
            (np.hypot(m.x_mm - true["x"], m.y_mm - true["y"]), m)
            for m in meetings
            if {m.a, m.b} == {a, b}
        ]
        if near:
            distance, meeting = min(near, key=lambda item: item[0])
            if distance < 3:
                top = "a" if over == meeting.a else "b"
                changes[f"judged/{n:032x}"] = _judged(meeting, top)
    for n, meeting in enumerate(meetings):
        if runs_apart and meeting.kind != "crossing":
            changes[f"judged/{n + 1000:032x}"] = _judged(meeting, "apart")
    store.edit(job_id, "Judge crossings", changes)


def _judged(meeting: Crossing, top: str) -> dict:
    return {
        "a": meeting.a,
        "b": meeting.b,
        "x": meeting.x_mm,
        "y": meeting.y_mm,
        "top": top,
        "by": "KL",
        "at": "2026-03-05T10:00:00+00:00",
        "photo": None,
    }
