"""Buried runs that a newer photo may show bare: where tracing again is worth a look."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from mapper.fit import PhotoFit
from mapper.plate import Plate
from mapper.records import Job, PhotoEntry, Stretch, TracedLead
from mapper.ui.leads_bridging import length_mm

__all__ = ["SecondLook", "left_unseen", "run_points_px", "second_looks"]

SHORT_RUN_MM = 4.0  # shorter runs are not worth the walk
INSIDE = 0.9  # of a run's points that the photo must show
EDGE = 0.01  # of the photo's width and height: what lies nearer to its edge does not count


@dataclass(frozen=True)
class SecondLook:
    """An unseen stretch (`index` in its lead), and the newest photo that has its place in it.

    Whether the lead lies bare there, only a person can say who looks.
    """

    lead: str
    index: int
    photo: str
    length_mm: float


@lru_cache(maxsize=4)
def second_looks(job: Job) -> tuple[SecondLook, ...]:
    """Unseen stretches that a photo newer than the one they were drawn on has in it.

    Photos of the rebuilt plate show other wiring and don't count, nor does one whose fit is
    doubtful, nor one on which somebody looked already and left the run unseen. A stretch that
    was drawn on no photo is as old as the newest of the two stretches beside it; one that is
    tied to no photo at all is older than every photo.
    """
    if job.plate is None:
        return ()
    order = {photo.sha256: i for i, photo in enumerate(job.photos)}
    newest_first = [photo for photo in reversed(job.photos) if _counts(job, photo)]
    found = []
    for lead in job.leads:
        for index, stretch in enumerate(lead.stretches):
            if stretch.seen or len(stretch.points_mm) < 2:
                continue
            run_mm = length_mm(np.array(stretch.points_mm, dtype=float))
            if run_mm < SHORT_RUN_MM:
                continue
            age = _age(lead, index, order)
            for photo in newest_first:
                if order[photo.sha256] <= max(age, order.get(stretch.looked or "", -1)):
                    break
                if _has(job.fits[photo.sha256], job.plate, stretch):
                    found.append(SecondLook(lead.id, index, photo.sha256, run_mm))
                    break
    return tuple(found)


def left_unseen(lead: TracedLead, look: SecondLook) -> TracedLead:
    """A person looked at the run on that photo, and it stays unseen: a newer photo asks again."""
    one = replace(lead.stretches[look.index], looked=look.photo)
    stretches = (*lead.stretches[: look.index], one, *lead.stretches[look.index + 1 :])
    return replace(lead, stretches=stretches)


def run_points_px(fit: PhotoFit, plate: Plate, stretch: Stretch) -> np.ndarray:
    """Points (N, 2) px of a stretch on a photo that it was not drawn on."""
    points_mm = np.array(stretch.points_mm, dtype=float)
    depth_mm = stretch.depth_mm
    if depth_mm is None:
        depth_mm = plate.lead_depth_mm(points_mm)
    return fit.photo_from_plate(points_mm, np.asarray(depth_mm, dtype=float))


def _counts(job: Job, photo: PhotoEntry) -> bool:
    fitted = photo.sha256 in job.fits and photo.sha256 not in job.doubted_photos
    return fitted and not photo.stage.startswith("rebuilt")


def _age(lead: TracedLead, index: int, order: dict[str, int]) -> int:
    """Place in time of the photo on which the stretch was last drawn; -1: none is known."""
    own = order.get(lead.stretches[index].photo or "", -1)
    if own >= 0:
        return own
    # Several buried stretches may follow each other: the next one that was drawn on a photo.
    ages = []
    for side in (reversed(lead.stretches[:index]), lead.stretches[index + 1 :]):
        known = (order[one.photo] for one in side if one.photo in order)
        ages.append(next(known, -1))
    return max(ages)


def _has(fit: PhotoFit, plate: Plate, stretch: Stretch) -> bool:
    x, y = run_points_px(fit, plate, stretch).T
    with np.errstate(invalid="ignore"):
        inside = (np.abs(x / (fit.width_px - 1) - 0.5) <= 0.5 - EDGE) & (
            np.abs(y / (fit.height_px - 1) - 0.5) <= 0.5 - EDGE
        )
    return bool(inside.mean() >= INSIDE)
