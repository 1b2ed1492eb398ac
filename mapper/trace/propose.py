"""Leads offered without a click between: from every drop to every exit, only what is certain.

A line is offered when it is seen nearly all the way, comes out the same traced from either
end, and nothing speaks for another answer: no second line from the same start or to the same
end is seen half the way, and no other certain line runs along it. All else is left to the user.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from mapper.trace.ground import Ground, as_ground
from mapper.trace.model import LAB_WEIGHTS, Trace, TraceError
from mapper.trace.snap import Snap, checked_point, look_at
from mapper.trace.tracing import trace_between

__all__ = ["Proposal", "propose"]

SEEN_FROM = 0.5  # confidence of a stretch on which the lead itself was seen
MOST_GAP = 5.0  # widths at one go
MOST_BRIDGED = 0.12  # of the length, under leads on top
CERTAIN_FROM = 0.8
RIVAL_FROM = 0.5  # share seen from which a line is another answer, certain or not
MOST_SHARED = 0.08  # of the length that may lie on another offered line: a crossing, no more
SNAP_REACH_PX = 12.0
UNLIKE_COLOUR = 25.0  # Lab units
UNLIKE_WIDTH = 0.5  # in log width
MIN_WIDTHS = 6.0  # a shorter line is no lead from a drop to an exit


@dataclass(frozen=True, eq=False)
class Proposal:
    """A lead from `starts_px[start]` to `ends_px[end]` that is certain; `confidence` 0..1."""

    start: int
    end: int
    trace: Trace
    confidence: float


def propose(
    image_or_ground: np.ndarray | Ground,
    starts_px: Sequence[object],
    ends_px: Sequence[object],
    reach_px: float = SNAP_REACH_PX,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Proposal, ...]:
    """Certain leads between places where leads start (drops) and end (exits), surest first.

    `starts_px`, `ends_px`: photo pixels (K, 2), on the leads or within `reach_px` of them; a
    drop with two leads is two places. A place without a lead is passed over. `progress` is
    called with (starts done, starts in all) as it goes on; what it raises ends the search.
    Raises TraceError for places outside the picture.
    """
    ground = as_ground(image_or_ground)
    starts = [checked_point(ground, p, f"start {i + 1}") for i, p in enumerate(starts_px)]
    ends = [checked_point(ground, p, f"end {i + 1}") for i, p in enumerate(ends_px)]
    if not np.isfinite(reach_px) or reach_px < 0:
        raise TraceError("The reach must be a number of pixels, zero or more.")
    there = [look_at(ground, p, float(reach_px)) for p in starts]
    here = [look_at(ground, p, float(reach_px)) for p in ends]
    found: list[tuple[Proposal, float]] = []
    likely = np.zeros((len(there), len(here)), bool)
    for i, start in enumerate(there):
        if progress is not None:
            progress(i, len(there))
        for j, end in enumerate(here):
            if start is None or end is None or not _may_be_one(start, end):
                continue
            width = min(start.width_px, end.width_px)
            trace = trace_between(ground, start.xy_px, end.xy_px)
            likely[i, j] = _share_seen(trace) >= RIVAL_FROM
            if _belief(trace, width) >= CERTAIN_FROM and _same_back(ground, start, end, trace):
                found.append((Proposal(i, j, trace, _belief(trace, width)), width))
    alone = [p for p in found if likely[p[0].start].sum() == likely[:, p[0].end].sum() == 1]
    keep = [p for p in alone if not any(_at_odds(p, q) for q in found if q is not p)]
    return tuple(sorted((p for p, _ in keep), key=lambda p: -p.confidence))


def _may_be_one(start: Snap, end: Snap) -> bool:
    """Whether the two places look like one lead at all; saves the tracing of what does not."""
    off = (start.colour - end.colour) * LAB_WEIGHTS
    stretch = abs(np.log(start.width_px / end.width_px))
    return bool(np.hypot.reduce(off) < UNLIKE_COLOUR and stretch < UNLIKE_WIDTH)


def _same_back(ground: Ground, start: Snap, end: Snap, there: Trace) -> bool:
    """Whether the line from the end back to the start takes the same course."""
    width = min(start.width_px, end.width_px)
    if np.hypot(*(start.xy_px - end.xy_px)) < MIN_WIDTHS * width:
        return False
    back = trace_between(ground, end.xy_px, start.xy_px)
    return _belief(back, width) >= CERTAIN_FROM and _apart(there.points, back.points) <= 0.5 * width


def _share_seen(trace: Trace) -> float:
    """Share of the line on which a lead was seen."""
    length = np.hypot(*np.diff(trace.points, axis=0).T)
    return float(length[trace.confidence >= SEEN_FROM].sum() / max(length.sum(), 1e-9))


def _belief(trace: Trace, width: float) -> float:
    """Mean confidence where the lead is seen; 0 where it is hidden too long or too often.

    A lead under another one is hidden for a few widths, also where it is crossed at a slant.
    """
    length = np.hypot(*np.diff(trace.points, axis=0).T)
    seen = trace.confidence >= SEEN_FROM
    if not seen.any() or length[~seen].sum() > MOST_BRIDGED * length.sum():
        return 0.0
    gap = np.zeros(len(length) + 1)
    for k in range(len(length)):
        gap[k + 1] = 0.0 if seen[k] else gap[k] + length[k]
    if gap.max() > MOST_GAP * width:
        return 0.0
    return float(np.average(trace.confidence[seen], weights=length[seen]))


def _apart(line: np.ndarray, other: np.ndarray) -> float:
    """Largest distance of the points of either line from the points of the other."""
    return float(max(cKDTree(other).query(line)[0].max(), cKDTree(line).query(other)[0].max()))


def _at_odds(one: tuple[Proposal, float], two: tuple[Proposal, float]) -> bool:
    """Whether both can't be offered: one start or end, or a shared course."""
    (a, width_a), (b, width_b) = one, two
    if a.start == b.start or a.end == b.end:
        return True
    away, _ = cKDTree(b.trace.points).query(a.trace.points)
    back, _ = cKDTree(a.trace.points).query(b.trace.points)
    near = 0.5 * min(width_a, width_b)
    return bool((away < near).mean() > MOST_SHARED or (back < near).mean() > MOST_SHARED)
