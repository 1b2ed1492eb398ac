"""Where to look for a step of the pull plan: the place, what lies there, what comes before."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from mapper.pulling import Freed, Step, check_order
from mapper.routes import Crossing, Lead, RouteMap

__all__ = ["Mark", "StepPlace", "marks_of", "pull_way", "stage_rank", "step_place", "waits_of"]

HALF_MM = 38.0  # half the height of the place of a pull on the plate
PEEL_HALF_MM = 30.0
FROM_EXIT_MM = 45.0  # where a lead is shown that meets nothing
PART_MARGIN_MM = 12.0
MOST_PART_MM = 90.0
NEAR_MM = 0.5  # a meeting so near to the place of a peel is the one peeled past


@dataclass(frozen=True)
class StepPlace:
    """The middle of what is shown of the plate, and half its height, in plate mm."""

    x_mm: float
    y_mm: float
    half_mm: float


@dataclass(frozen=True)
class Mark:
    """How the step's lead lies to another at a meeting. `word` is "over", "freed" (the other was
    lifted off it there by an earlier step), "under", "open" or "beside"."""

    x_mm: float
    y_mm: float
    word: str
    other: str


def stage_rank(stage: str) -> tuple[int, int]:
    """Sort key of stages by what a photo of them shows now: later comes higher, "during 10" above
    "during 2"; a photo of the rebuilt plate shows other leads and comes last."""
    word, _, number = stage.partition(" ")
    rank = {"before": 0, "during": 1, "cleared": 2, "rebuilt": -1}.get(word, 0)
    return rank, int(number) if number.isdigit() else 0


def pull_way(points_mm: np.ndarray, at_mm: np.ndarray) -> np.ndarray:
    """Unit vector (2,) along a lead (N, 2), drop to exit, towards its free end, at its segment
    nearest to a place (2,)."""
    middles = (points_mm[1:] + points_mm[:-1]) / 2
    near = int(np.argmin(np.linalg.norm(middles - at_mm, axis=1)))
    if np.array_equal(at_mm, points_mm[-1]):
        near = len(middles) - 1
    along = points_mm[near + 1] - points_mm[near]
    return along / max(float(np.linalg.norm(along)), 1e-9)


def step_place(
    route_map: RouteMap,
    step: Step,
    present: Collection[str],
    outlines: Sequence[np.ndarray] = (),
    wide: float = 1.6,
) -> StepPlace:
    """The place that tells most about a step.

    A peel: where it ends. A pull: where most of its meetings with the leads of `present` lie, the
    one nearest the free end of such; without any, just inside the exit. A part with `outlines`
    ((N, 2) plate mm each): all of it, as far as MOST_PART_MM allows. `wide` is width by height of
    the picture.
    """
    if step.past is not None:
        return StepPlace(*map(float, step.past), PEEL_HALF_MM)
    lead = route_map.leads_by_id[step.wire]
    if outlines:
        points = np.concatenate(list(outlines))
        low, high = points.min(axis=0), points.max(axis=0)
        half = max((high - low)[1], (high - low)[0] / wide) / 2 + PART_MARGIN_MM
        middle = (low + high) / 2
        return StepPlace(float(middle[0]), float(middle[1]), float(min(half, MOST_PART_MM)))
    found = _meetings(route_map, step.wire, present)
    # what only lies beside the lead tells little
    found = [one for one in found if one.top != "apart"] or found
    if not found:
        at = lead.point_at_mm(max(lead.length_mm - FROM_EXIT_MM, lead.length_mm / 2))
        return StepPlace(float(at[0]), float(at[1]), HALF_MM)
    places = np.array([(one.x_mm, one.y_mm) for one in found])
    reach = np.array([0.85 * HALF_MM * wide, 0.85 * HALF_MM])
    count = (np.abs(places[:, None] - places[None]) <= reach).all(axis=2).sum(axis=1)
    arcs = np.array([_arc_mm(one, step.wire) for one in found])
    best = max(range(len(found)), key=lambda k: (count[k], arcs[k]))
    return StepPlace(float(places[best, 0]), float(places[best, 1]), HALF_MM)


def _meetings(route_map: RouteMap, wire: str, present: Collection[str]) -> list[Crossing]:
    return [
        one
        for one in route_map.crossings
        if wire in (one.a, one.b) and {one.a, one.b} <= {*present, wire}
    ]


def _arc_mm(one: Crossing, wire: str) -> float:
    """How far from the drop along a lead a meeting lies; of two passes the outer one."""
    return max(
        span[1] for name, span in ((one.a, one.a_span_mm), (one.b, one.b_span_mm)) if name == wire
    )


def marks_of(
    route_map: RouteMap, step: Step, present: Collection[str], lifted: Collection[str] = ()
) -> tuple[Mark, ...]:
    """How the lead of a step lies to each lead of `present` that it meets; `lifted` are those of
    them that an earlier step or the log has peeled."""
    passed_mm = 0.0
    if step.past is not None:
        passed_mm = _arc_of(route_map.leads_by_id[step.wire], step.past) - NEAR_MM
    marks = []
    for one in _meetings(route_map, step.wire, present):
        other = one.b if one.a == step.wire else one.a
        passed = _arc_mm(one, step.wire) >= passed_mm
        if one.top == "apart":
            word = "beside"
        elif one.a == one.b:
            word = "open" if one.top is None else "over" if one.top == "b" else "under"
        elif one.top is not None and (one.top == "a") == (one.a == step.wire):
            word = "over"
        elif passed and other in lifted:
            word = "freed"  # by the rule: no step passes a place that still holds it
        else:
            word = "open" if one.top is None else "under"
        marks.append(Mark(one.x_mm, one.y_mm, word, other))
    return tuple(marks)


def _arc_of(lead: Lead, place: tuple[float, float]) -> float:
    """Arc length from the drop of the point of a lead nearest to a place."""
    start, along = lead.points_mm[:-1], np.diff(lead.points_mm, axis=0)
    length = np.maximum((along**2).sum(axis=1), 1e-12)
    share = np.clip(((np.asarray(place) - start) * along).sum(axis=1) / length, 0.0, 1.0)
    off = np.linalg.norm(start + share[:, None] * along - place, axis=1)
    k = int(np.argmin(off))
    return float(lead.arc_mm[k] + share[k] * np.sqrt(length[k]))


def waits_of(
    route_map: RouteMap, steps: Sequence[Step], done: Sequence[Step | Freed] = ()
) -> list[tuple[int, ...]]:
    """For each step of a plan the numbers, from 1, of the earlier steps that have to come first.

    Those are the last earlier steps of whatever holds its lead while nothing of the plan is done,
    and of the lead itself.
    """
    last: dict[str, int] = {}
    waits = []
    for number, step in enumerate(steps, start=1):
        held = check_order(route_map, [step], done)
        before = {last[one] for one in (*(h.over for h in held), step.wire) if one in last}
        waits.append(tuple(sorted(before)))
        last[step.wire] = number
    return waits
