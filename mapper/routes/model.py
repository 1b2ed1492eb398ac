"""The route map: a plate, its leads, and what somebody saw where they meet."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from mapper.plate import Plate
from mapper.routes.judging import JUDGED_WITHIN_MM, apply_judgements, place_distance_mm
from mapper.routes.lead import (
    TRACING_ERROR_MM,
    Crossing,
    Judged,
    Lead,
    LeadKind,
    MeetingKind,
    Top,
)
from mapper.routes.meeting import find_crossings

__all__ = [
    "TRACING_ERROR_MM",
    "Crossing",
    "Judged",
    "Lead",
    "LeadKind",
    "MeetingKind",
    "RouteMap",
    "Top",
    "with_judged",
    "with_judgement",
]


@dataclass(frozen=True)
class RouteMap:
    """A plate, its leads and the judgements; `crossings` are found from the points.

    `tracing_error_mm`: how far apart two traced lines may seem that in truth touch.
    `unseen_error_mm`: added to the limit for each of two segments that nobody has seen.
    """

    plate: Plate
    leads: tuple[Lead, ...]
    judged: tuple[Judged, ...] = ()
    tracing_error_mm: float = TRACING_ERROR_MM
    extra: Mapping[str, Any] = field(default_factory=dict)
    unseen_error_mm: float = 0.0

    @cached_property
    def leads_by_id(self) -> dict[str, Lead]:
        """The leads by their id."""
        return {lead.id: lead for lead in self.leads}

    @cached_property
    def found(self) -> tuple[Crossing, ...]:
        """All meetings found from the points, without any judgement."""
        return tuple(find_crossings(self.leads, self.tracing_error_mm, self.unseen_error_mm))

    @cached_property
    def crossings(self) -> tuple[Crossing, ...]:
        """All meetings, each with the judgement that belongs to it (judging.py); else open."""
        return apply_judgements(self.found, self.judged, self.leads_by_id)


def with_judgement(route_map: RouteMap, crossing: Crossing, top: Top) -> RouteMap:
    """Return the map with `crossing` (one of `route_map.crossings`) judged as `top`.

    What was listed before at the same place for this meeting gives way; `None` makes it open.
    Raises ValueError for "apart" at a true crossing.
    """
    if top == "apart" and crossing.kind == "crossing":
        raise ValueError("two leads that truly cross can't lie apart")
    leads = route_map.leads_by_id
    pair = {crossing.a, crossing.b}
    kept = tuple(
        one
        for one in route_map.judged
        if {one.a, one.b} != pair or not _serves(one, crossing, route_map.found, leads)
    )
    new = Judged(crossing.a, crossing.b, crossing.x_mm, crossing.y_mm, top)
    return with_judged(route_map, (*kept, new))


def with_judged(route_map: RouteMap, judged: Iterable[Judged]) -> RouteMap:
    """Return the map with other judgements in place of all it had."""
    changed = replace(route_map, judged=tuple(judged))
    # The routes are the same, so are the meetings.
    changed.__dict__["found"] = route_map.found
    return changed


def _serves(one: Judged, crossing: Crossing, found: tuple[Crossing, ...], leads) -> bool:
    """Whether a listed judgement is nearest to this meeting of all meetings of the pair."""
    own = place_distance_mm(crossing, one.x_mm, one.y_mm, leads)
    others = (
        place_distance_mm(other, one.x_mm, one.y_mm, leads)
        for other in found
        if {other.a, other.b} == {crossing.a, crossing.b}
    )
    return own <= JUDGED_WITHIN_MM and own <= min(others, default=own)
