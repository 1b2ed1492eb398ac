"""A part of a lead drawn by hand, where the tracer follows the wrong one.

A *stroke* is the way of the mouse, pen or finger over the photo. It takes the place of the part
of the line between its ends; the rest of the lead stays as it is, to the last digit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely

from mapper.errors import MapperError, shown
from mapper.plate import Plate
from mapper.records import Stretch, TracedLead
from mapper.ui.leads_bridging import tuples
from mapper.ui.leads_sight import Pixel, Sight
from mapper.ui.leads_split import first_part, last_part, nearest_on
from mapper.ui.leads_tracing import begin, joints, settled, thinned

__all__ = ["drawn"]

REACHES = 2.5  # how far an end of a stroke may be off the line, in reaches of a click
LONGER_COSTS = 0.2  # px; between places of one line that passes twice: a like length counts
SMOOTH_PX = 6.0  # the tremor of a hand is shorter than that on the photo
LEAST_PX = 3.0  # a shorter way is a click
FREE_END_MM = 12.0  # beside the pocket or the exit: a stroke may begin or end there off the line


def drawn(lead: TracedLead, sight: Sight, points_px: Sequence[Pixel]) -> TracedLead:
    """The lead with a stroke in place of what lay between its ends.

    A stroke from the line past its open end draws the lead on; one that begins at the pocket or
    ends at the exit replaces that end of the line too. Its direction does not matter.

    Raises
    ------
    MapperError
        The stroke is a mere click, or an end of it lies neither on the line nor where the lead
        may begin or end.
    """
    stroke = _smoothed(np.array(points_px, dtype=float).reshape(-1, 2))
    if len(stroke) < 2:
        raise MapperError("Draw along the lead with the button or the finger down.")
    if not lead.stretches or len(joints(lead)) < 2:
        return _first_stroke(lead, sight, stroke)
    first, last = _on_line(lead, sight, stroke)
    if first is None and last is None and _from_drop_to_exit(lead, sight, stroke):
        return _first_stroke(lead, sight, stroke)
    if first is None and last is None:
        raise MapperError(
            f"Begin and end the stroke on the line of {shown(lead.id, 40)}: the part between is "
            "replaced."
        )
    ends = _length_px(sight, lead)
    if first is not None and last is not None:
        if first[0] > last[0]:
            first, last, stroke = last, first, stroke[::-1]
    else:
        # one end is free: it is the drop's end or the exit's, whichever lies there
        if last is not None:
            first, last, stroke = last, None, stroke[::-1]
        to_drop = _free_at_drop(lead, sight, stroke[-1])
        if to_drop:
            first, last, stroke = None, first, stroke[::-1]
        elif lead.finished and not _free_at_exit(sight, stroke[-1]):
            raise MapperError(
                f"The stroke ends beside the line of {shown(lead.id, 40)}: end it on the line, or "
                "where the lead leaves the plate."
            )
    before = () if first is None else _cut_off(lead, sight, first, keep="head")
    after = () if last is None or last[0] >= ends else _cut_off(lead, sight, last, keep="tail")
    stretch = _stretch(sight, stroke, before, after)
    new = replace(lead, stretches=(*before, stretch, *after))
    if after:
        return new
    return settled(replace(new, exit=None, finished=False), sight.plate)


def _first_stroke(lead: TracedLead, sight: Sight, stroke: np.ndarray) -> TracedLead:
    """A lead that is nothing yet, or its first click only."""
    drop = next((one for one in sight.plate.drops if one.id == lead.drop), None)
    if drop is not None:
        at = sight.photo_from_mm(np.array([(drop.x_mm, drop.y_mm)]), 0.0)[0]
        if math.dist(stroke[-1], at) < math.dist(stroke[0], at):
            stroke = stroke[::-1]
    exactly = replace(sight, snap=lambda click, reach: None)
    begun = begin(replace(lead, stretches=()), exactly, tuple(map(float, stroke[0])))
    before = () if len(begun.stretches[0].points_mm) == 1 else begun.stretches
    stretch = _stretch(sight, stroke, before, ())
    return settled(replace(begun, stretches=(*before, stretch)), sight.plate)


# ---- the stroke on the line

Place = tuple[float, int, int, float]  # px along the line; stretch, segment, part of it


def _lines(lead: TracedLead, sight: Sight) -> list[np.ndarray]:
    return [sight.photo_from_stretch(one) for one in lead.stretches]


def _length_px(sight: Sight, lead: TracedLead) -> float:
    return sum(_steps(line).sum() for line in _lines(lead, sight)) - 1e-6


def _steps(line: np.ndarray) -> np.ndarray:
    return np.hypot(*np.diff(line, axis=0).T)


def _on_line(
    lead: TracedLead, sight: Sight, stroke: np.ndarray
) -> tuple[Place | None, Place | None]:
    """Where the ends of a stroke lie on the line of the lead; None for an end beside it.

    Where the line passes there twice, the two places count that lie about as far apart as the
    stroke is long.
    """
    reach = REACHES * sight.reach_px
    near = [_places(lead, sight, end, reach) for end in (stroke[0], stroke[-1])]
    if not near[0] or not near[1]:
        return tuple(min(found)[1] if found else None for found in near)
    long = _steps(stroke).sum()
    _, first, last = min(
        (away + off + LONGER_COSTS * abs(abs(a[0] - b[0]) - long), a, b)
        for away, a in near[0]
        for off, b in near[1]
    )
    return first, last


def _places(
    lead: TracedLead, sight: Sight, point: np.ndarray, reach: float
) -> list[tuple[float, Place]]:
    """(distance, place) of each pass of the line within reach of a point."""
    found: list[tuple[float, Place]] = []
    along = 0.0
    for index, line in enumerate(_lines(lead, sight)):
        steps = _steps(line)
        starts = along + np.concatenate([[0.0], np.cumsum(steps)])[:-1]
        parts, away = nearest_on(line, point)
        for at in np.flatnonzero(away <= reach).tolist():
            place = (float(starts[at] + parts[at] * steps[at]), index, at, float(parts[at]))
            found.append((float(away[at]), place))
        along += float(steps.sum())
    best: list[tuple[float, Place]] = []
    for away, place in sorted(found):  # one place of each pass: neighbours belong together
        if all(abs(place[0] - other[0]) > 2 * reach for _, other in best):
            best.append((away, place))
    return best


def _free_at_drop(lead: TracedLead, sight: Sight, end_px: np.ndarray) -> bool:
    drop = next((one for one in sight.plate.drops if one.id == lead.drop), None)
    if drop is None:
        return False
    mm = sight.plate_from_line(end_px[None])[0][0]
    return math.dist(mm, (drop.x_mm, drop.y_mm)) < drop.bore_diameter_mm / 2 + FREE_END_MM


def _from_drop_to_exit(lead: TracedLead, sight: Sight, stroke: np.ndarray) -> bool:
    """Whether a stroke is a whole lead, in either direction."""
    ends = (stroke[0], stroke[-1])
    return any(
        _free_at_drop(lead, sight, one) and _free_at_exit(sight, other)
        for one, other in (ends, ends[::-1])
    )


def _free_at_exit(sight: Sight, end_px: np.ndarray) -> bool:
    mm = sight.plate_from_line(end_px[None])[0][0]
    if any(math.dist(mm, (one.x_mm, one.y_mm)) < FREE_END_MM for one in sight.plate.exits):
        return True
    return _outside(sight.plate, mm)


def _outside(plate: Plate, mm: np.ndarray) -> bool:
    return not shapely.Polygon(plate.outline_mm).contains(shapely.Point(mm))


def _cut_off(lead: TracedLead, sight: Sight, place: Place, keep: str) -> tuple[Stretch, ...]:
    """The stretches of the lead before a place ("head") or after it ("tail")."""
    _, index, at, part = place
    if keep == "head":
        kept = first_part(lead.stretches[index], at, part)
        return (*lead.stretches[:index], *([] if kept is None else [kept]))
    kept = last_part(lead.stretches[index], at, part)
    return (*([] if kept is None else [kept]), *lead.stretches[index + 1 :])


# ---- the stroke as a stretch


def _smoothed(points: np.ndarray) -> np.ndarray:
    """A stroke without tremor, its ends kept; repeated points are left out."""
    if len(points) < 2 or not np.isfinite(points).all():
        return points[:0]
    new = np.concatenate([[True], _steps(points) > 1e-6])
    points = points[new]
    s = np.concatenate([[0.0], np.cumsum(_steps(points))])
    if len(points) < 2 or s[-1] < LEAST_PX:
        return points[:0]
    even = np.linspace(0.0, s[-1], max(3, int(s[-1]) + 1))
    line = np.column_stack([np.interp(even, s, points[:, k]) for k in (0, 1)])
    half = max(1, round(SMOOTH_PX * (len(even) - 1) / s[-1] / 2))
    kernel = np.ones(2 * half + 1) / (2 * half + 1)
    # Turned round at its ends, so that they stay where they are.
    padded = np.vstack(
        [2 * line[0] - line[half:0:-1], line, 2 * line[-1] - line[-2 : -half - 2 : -1]]
    )
    if len(padded) < len(line) + 2 * half:
        return line
    return np.column_stack([np.convolve(padded[:, k], kernel, "valid") for k in (0, 1)])


def _stretch(
    sight: Sight, stroke: np.ndarray, before: tuple[Stretch, ...], after: tuple[Stretch, ...]
) -> Stretch:
    """The stroke as a stretch that was seen, tied to the stretches on both sides."""
    points_px = stroke[thinned(stroke)]
    start = None if not before else sight.photo_from_stretch(before[-1])[-1]
    end = None if not after else sight.photo_from_stretch(after[0])[0]
    points_px = np.vstack(
        [
            *([] if start is None else [start[None]]),
            points_px[slice(start is not None and math.dist(start, points_px[0]) < 3, None)],
        ]
    )
    if end is not None:
        keep = len(points_px) - (math.dist(end, points_px[-1]) < 3 and len(points_px) > 1)
        points_px = np.vstack([points_px[:keep], end[None]])
    points_mm, depth_mm = sight.plate_from_line(points_px)
    if before:
        points_mm[0] = before[-1].points_mm[-1]
    if after:
        points_mm[-1] = after[0].points_mm[0]
    return Stretch(
        points_mm=tuples(points_mm),
        seen=True,
        photo=sight.sha256,
        points_px=tuples(points_px),
        depth_mm=tuple(round(float(one), 3) for one in depth_mm),
        confidence=1.0,
    )
