"""Leads where nobody has traced them, so that a plan can't overlook what it does not know.

An expected lead that is not traced, and the rest of one that is traced in part, could lie
on top of anything in the channels it must use. Here they get a *provisional* run: unseen,
along the channels from the drop to each exit it may leave by; where channels form a ring, in
every channel. A lead with such a run counts as so much thicker that whatever shares a channel
with it meets it openly; all other leads meet each other exactly as without it.
Where no channel leads to an exit, a provisional run crosses the free end of every other
lead: then nothing can be called free, which is the truth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from mapper.plate import Plate
from mapper.records.completing import Completion
from mapper.records.document import JudgedEntry, Settings
from mapper.records.expected import ExpectedLead
from mapper.records.leads import SAME_POINT_MM, TracedLead
from mapper.records.thickness import with_diameters
from mapper.routes import Crossing, Lead, RouteMap, with_judged
from mapper.routes.judging import JUDGED_WITHIN_MM, place_distance_mm

__all__ = ["Provisional", "provisional_leads"]


@dataclass(frozen=True)
class Provisional:
    """The leads of a job, completed; `runs_mm` are the provisional stretches of each lead
    that has some, as (from, to) arc length from its drop."""

    leads: tuple[Lead, ...] = ()
    runs_mm: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    @property
    def ids(self) -> frozenset[str]:
        return frozenset(self.runs_mm)

    def route_map(
        self,
        plate: Plate,
        judged: Sequence[JudgedEntry],
        settings: Settings,
        extra: Mapping[str, Any],
    ) -> RouteMap:
        """The completed route map. A judgement does not count for a meeting that a
        provisional run takes part in: nobody has seen that run there."""
        route_map = RouteMap(
            plate=plate,
            leads=self.leads,
            tracing_error_mm=settings.tracing_error_mm,
            unseen_error_mm=settings.unseen_error_mm,
            extra=extra,
        )
        kept = tuple(one.to_judged() for one in judged)
        if self.runs_mm and kept:
            unsure: dict[frozenset[str], list[Crossing]] = {}
            for meeting in route_map.found:
                if self._has_run(meeting.a, meeting.a_span_mm) or self._has_run(
                    meeting.b, meeting.b_span_mm
                ):
                    unsure.setdefault(frozenset((meeting.a, meeting.b)), []).append(meeting)
            kept = tuple(
                one
                for one in kept
                if not any(
                    place_distance_mm(meeting, one.x_mm, one.y_mm, route_map.leads_by_id)
                    <= JUDGED_WITHIN_MM + SAME_POINT_MM
                    for meeting in unsure.get(frozenset((one.a, one.b)), ())
                )
            )
        return with_judged(route_map, kept)

    def _has_run(self, lead: str, span_mm: tuple[float, float]) -> bool:
        low, high = min(span_mm) - SAME_POINT_MM, max(span_mm) + SAME_POINT_MM
        return any(low <= end and start <= high for start, end in self.runs_mm.get(lead, ()))


def provisional_leads(
    plate: Plate | None,
    traced: Sequence[TracedLead],
    missing: Sequence[ExpectedLead],
    settings: Settings,
) -> Provisional:
    """Complete the traced leads and add the missing ones; see the head of this module."""
    if plate is None:
        return Provisional(
            warnings=("No plate is entered, so nothing can be planned: enter it first.",),
        )
    work = Completion(plate, traced, missing, settings.diameters_mm)
    runs_mm = {draft.id: draft.runs_mm() for draft in work.drafts.values() if draft.runs_mm()}
    leads = with_diameters((draft.lead() for draft in work.drafts.values()), work.diameters_mm)
    # An unseen run may lie `unseen_error_mm` beside where it is drawn, a provisional one as far
    # as the channel is wide; what is missing to that is given to the lead as thickness.
    widest_mm = max((channel.width_mm for channel in plate.channels), default=0.0)
    berth_mm = 2 * max(widest_mm - settings.unseen_error_mm, 0.0)
    return Provisional(
        leads=tuple(
            replace(lead, diameter_mm=lead.diameter_mm + berth_mm) if lead.id in runs_mm else lead
            for lead in leads
        ),
        runs_mm=runs_mm,
        warnings=tuple(work.warnings()),
    )
