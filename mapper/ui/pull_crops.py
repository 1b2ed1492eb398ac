"""The pull order with crops of a job: cards of steps and open questions with their photos."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.fit.crops import photo_scale_px_per_mm
from mapper.pulling import Cover, Step, cover_outlines
from mapper.records import Job, PhotoEntry
from mapper.sheets import (
    PAPERS_MM,
    PlacePhoto,
    QuestionCard,
    StepCard,
    StepPlace,
    picture_shape,
    place_photo,
    pull_cards,
    scene_to_svg,
    scenes_to_pdf,
    stage_rank,
    step_place,
    waits_of,
)
from mapper.sheets.scene import Scene
from mapper.ui import looks
from mapper.ui.findings import Findings, findings_of
from mapper.ui.parts_panel import part_how
from mapper.ui.session import Context, open_store
from mapper.ui.tiles import SHELF

__all__ = ["cards_of", "pull_crops_panel", "pull_crops_pdf"]

MOST_QUESTIONS = 10
QUESTION_HALF_MM = 22.0
LEAST_PX_PER_MM = 2.0  # a thin lead is then 3 pixels wide; a newer photo that is coarser gives way
WHOLE = 0.9  # of a crop that its photo covers
Pixels = Callable[[str], np.ndarray]


def cards_of(findings: Findings, pixels: Pixels, paper: str) -> tuple[list, list, list[str]]:
    """(Cards of steps, cards of open questions, notes) of the plan as it is offered.

    `pixels(sha256)` gives the upright pixels (H, W, 3) of a photo. Raises MapperError when there
    is nothing to plan.
    """
    plan = findings.offered
    if plan is None:
        raise MapperError("no lead is traced.")
    photos = _Photos(findings, pixels, picture_shape(paper))
    questions = [
        QuestionCard(
            number,
            look.a,
            look.b,
            place := StepPlace(look.x_mm, look.y_mm, QUESTION_HALF_MM),
            look.frees,
            look.kind == "crossing",
            photos.of(place, _depth_mm(findings, place)),
        )
        for number, look in enumerate(findings.to_look_at[:MOST_QUESTIONS], start=1)
    ]
    route_map = findings.planned_on
    present = {lead.id for lead in route_map.leads if lead.id not in findings.out}
    present -= set(findings.parts) | findings.untraced
    waits = waits_of(route_map, plan.steps, findings.done)
    lifted = {one.wire for one in findings.done if not (isinstance(one, Step) and not one.past)}
    steps = []
    for number, step in enumerate(plan.steps, start=1):
        part = findings.parts.get(step.wire)
        outlines = cover_outlines(route_map, part) if isinstance(part, Cover) else ()
        place = step_place(route_map, step, present, outlines, picture_shape(paper))
        depth = 0.0 if part is not None else _depth_mm(findings, place)
        steps.append(
            StepCard(
                number,
                step,
                findings.act(step),
                _how(findings, step),
                place,
                frozenset(present),
                waits[number - 1],
                tuple(outlines),
                photos.of(place, depth),
                frozenset(lifted),
            )
        )
        if step.action == "peel":
            lifted.add(step.wire)
        if step.action == "pull":
            present.discard(step.wire)
    return steps, questions, _notes(findings)


def _how(findings: Findings, step: Step) -> str:
    if step.wire in findings.parts:
        return part_how(findings, step.wire)
    lead = findings.planned_on.leads_by_id[step.wire]
    how = f"{lead.kind} of {lead.drop}, free end at {lead.exit or 'the exit'}"
    if step.action == "peel":
        return f"{how}; lift it to just past ({step.past[0]:.0f}, {step.past[1]:.0f}) mm, let hang"
    if step.wire in findings.hanging:
        return f"{how}; {part_how(findings, step.wire)}"
    return how


def _notes(findings: Findings) -> list[str]:
    plan = findings.offered
    notes = list(findings.contradictions)
    left = len(findings.leads_left)
    pulls = sum(one.action == "pull" and one.wire not in findings.parts for one in plan.steps)
    if plan.status == "complete":
        notes.append(f"All {left} leads that remain come out in this order.")
    else:
        notes.append(f"{pulls} of {left} leads come out in this order; the rest waits.")
    more = len(findings.to_look_at) - MOST_QUESTIONS
    if more > 0:
        notes.append(f"{more} more open questions stand on the page Crossings.")
    for locked in plan.locked:
        notes.append(f"Locked together: {', '.join(locked.wires)}. See the pull sheet.")
    return [*notes, *findings.job.warnings()]


def _depth_mm(findings: Findings, place: StepPlace) -> float:
    plate = findings.planned_on.plate
    return float(plate.lead_depth_mm(np.array([[place.x_mm, place.y_mm]]))[0])


class _Photos:
    """The fitted photos of a job; finds the one that shows a place best."""

    def __init__(self, findings: Findings, pixels: Pixels, shape: float) -> None:
        self.job = findings.job
        self.doubtful = frozenset(findings.doubtful)
        self.pixels, self.shape = pixels, shape

    def of(self, place: StepPlace, depth_mm: float) -> PlacePhoto | None:
        """The crop from the newest photo that shows the place well; None when none does."""
        best: PlacePhoto | None = None
        for entry in self._best_first(place, depth_mm):
            try:
                pixels = self.pixels(entry.sha256)
            except (MapperError, OSError):  # an original that is gone: the next photo
                continue
            name = f"{shown(entry.name, 40)}, {entry.stage}"
            doubtful = entry.sha256 in self.doubtful
            fit = self.job.fits[entry.sha256]
            found = place_photo(pixels, fit, place, depth_mm, name, doubtful, self.shape)
            if found is not None and (best is None or found.shown > best.shown):
                best = found
            if best is not None and best.shown >= WHOLE:
                break
        return best

    def _best_first(self, place: StepPlace, depth_mm: float) -> list[PhotoEntry]:
        """Sure fits before doubtful ones, later stages before earlier; of one stage the finest."""
        found = []
        for entry in self.job.photos:
            fit = self.job.fits.get(entry.sha256)
            if fit is None:
                continue
            at = np.asarray(fit.photo_from_plate([[place.x_mm, place.y_mm]], depth_mm))[0]
            size = (entry.width_px or np.inf, entry.height_px or np.inf)
            if not (np.isfinite(at).all() and (at >= 0).all() and (at < size).all()):
                continue
            scale = photo_scale_px_per_mm(fit, place.x_mm, place.y_mm, depth_mm)
            found.append((entry, scale))

        def order(item: tuple[PhotoEntry, float]):
            entry, scale = item
            sure, fine = entry.sha256 not in self.doubtful, scale >= LEAST_PX_PER_MM
            stage = stage_rank(entry.stage)
            return sure, stage[0] >= 0, fine, stage, scale

        return [entry for entry, _ in sorted(found, key=order, reverse=True)]


def _scenes(job: Job, findings: Findings, paper: str) -> list[Scene]:
    ctx = Context(open_store(), job)
    steps, questions, notes = cards_of(
        findings, lambda sha256: SHELF.pixels(ctx.opened(sha256).token), paper
    )
    title = job.name or "Job without a name"
    return pull_cards(findings.planned_on, steps, questions, title, datetime.now(), paper, notes)


@st.cache_data(show_spinner="Cutting the places out of the photos", max_entries=3)
def _cards(job_id: str, revision: int, paper: str, _job: Job) -> tuple[bytes, int, tuple[str, ...]]:
    scenes = _scenes(_job, findings_of(_job), paper)
    return scenes_to_pdf(scenes), len(scenes), tuple(scene_to_svg(one) for one in scenes[:2])


def pull_crops_pdf(job: Job, paper: str = "A4") -> bytes:
    """The sheet as PDF. Raises MapperError when there is nothing to plan."""
    return _cards(job.id, job.revision, paper, job)[0]


def pull_crops_panel(job: Job, stem: str) -> None:
    """The pull order with crops on a chosen paper: the first pages as pictures, all as PDF."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        paper = st.segmented_control(
            "Paper", list(PAPERS_MM), default="A4", required=True, key="cards paper"
        )
        try:
            pdf, pages, pictures = _cards(job.id, job.revision, paper, job)
        except MapperError as error:
            looks.note(f"The sheet can't be made yet: {shown(error, 300)}", "stop")
            return
        st.download_button(
            f"Pull order with crops (PDF, {looks.counted(pages, 'page')})",
            pdf,
            f"{stem} pull order with crops.pdf",
            "application/pdf",
            type="primary",
            on_click="ignore",
        )
    for number, svg in enumerate(pictures, start=1):
        st.image(svg, width="stretch", alt=f"The pull order with crops, page {number}")
