"""One lead all along: the open places of a lead, in parts short enough for a picture each.

Where a lead is in sight without a break, nothing lies on it. So one look along a lead tells what
many places of two leads ask, and the leads that lie free on top are found first. Where nothing
lies on either of two leads that run along each other, they lie apart.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

import numpy as np

from mapper.pulling import seen_over
from mapper.records import Job, judgements_changes
from mapper.records.changes import Changes
from mapper.routes import Crossing, crossing_reach_mm
from mapper.ui.asked import LOOKED_ALONG, said_hidden, told_along
from mapper.ui.findings import Findings, meeting_key

__all__ = ["Along", "Part", "along_of", "changes_of", "leads_asked", "leads_in_turn"]

THICK_MM = 3.0  # a lead without a diameter, here
PART_MM = 100.0  # of a lead in one picture
SHORT_MM = 10.0  # a lead hidden for less is followed by eye, under one that crosses it steeply
BESIDE_MM = 5.0  # of a run that has to be in sight on both sides of such a lead
SURE_OF_RUNS = 0.9  # a run said to lie under a lead that is seen: it may only lie beside it


@dataclass(frozen=True)
class Part:
    """A part of the lead, from `low_mm` to `high_mm` of its arc, and the open places in it by
    their number."""

    low_mm: float
    high_mm: float
    numbers: tuple[int, ...]


@dataclass(frozen=True)
class Along:
    """A lead with its open places. `places` can be answered together, numbered from 1 in this
    order; at `unseen` of them nobody saw the lead itself, so they stay open. At those of `places`
    that are judged already, a look along the other lead said that nothing lies on that one.
    `to_lift`: the places run from the exit inwards, as far as the lead may be lifted at best."""

    lead: str
    places: tuple[Crossing, ...]
    unseen: tuple[Crossing, ...]
    parts: tuple[Part, ...]
    spans_mm: tuple[tuple[float, float], ...] = ()  # of `places`, on the lead
    to_lift: bool = False

    @property
    def open(self) -> tuple[Crossing, ...]:
        """The places that nobody has judged."""
        return tuple(one for one in self.places if one.top is None)

    def other(self, meeting: Crossing) -> str:
        """The other lead of a place."""
        return meeting.b if meeting.a == self.lead else meeting.a

    def free_of(self, marked: Collection[int]) -> list[int]:
        """The places, by their number, at which nothing lies on the lead where something does at
        those that are `marked`: all that none of these hides; to lift it, all between the exit and
        the nearest one."""
        numbers = [n for n in range(1, len(self.places) + 1) if n not in marked]
        if self.to_lift and marked:
            end_mm = max(self.spans_mm[n - 1][1] for n in marked)
            return [n for n in numbers if self.spans_mm[n - 1][0] >= end_mm]
        return [n for n in numbers if not any(self._hides(mark, n) for mark in marked)]

    def _hides(self, mark: int, number: int) -> bool:
        """Whether nobody can tell what lies on the lead at a place, as something does at `mark`.

        That is so wherever the two reach each other, as the lead is hidden there; but not for a run
        beside it that goes on to both sides of a lead that only crosses."""
        low, high = self.spans_mm[number - 1]
        start, end = self.spans_mm[mark - 1]
        if high <= start or low >= end:
            return False
        only_crosses = self.places[mark - 1].kind == "crossing" and end - start <= SHORT_MM
        goes_on = low <= start - BESIDE_MM and high >= end + BESIDE_MM
        return not (only_crosses and goes_on and self.places[number - 1].kind != "crossing")


def along_of(findings: Findings, name: str) -> Along:
    """The open places of a lead with other leads, from the drop to the exit; from the exit inwards
    where it is asked how far the lead may be lifted."""
    lead = findings.traced.leads_by_id[name]
    to_lift = findings.asked.to_lift.get(name)
    down_to_mm = None if to_lift is None else to_lift.down_to_mm
    other_told = told_along(findings)
    own = [one for one in findings.open_meetings if name in (one.a, one.b) and one.a != one.b]
    own += [
        one
        for one in findings.meetings
        if name in (one.a, one.b) and other_told.get(meeting_key(one), name) != name
    ]
    if to_lift is not None:
        holding = {meeting_key(one) for one in to_lift.meetings}
        own = [one for one in own if meeting_key(one) in holding]
    spans = sorted(
        ((_span_mm(findings, name, one), n) for n, one in enumerate(own)),
        key=lambda one: (one[0][::-1], one[1]) if down_to_mm is not None else one,
        reverse=down_to_mm is not None,
    )
    seen = [(span, own[n]) for span, n in spans if seen_over(lead, span)]
    unseen = [own[n] for span, n in spans if own[n].top is None and not seen_over(lead, span)]
    return Along(
        name,
        tuple(one for _, one in seen),
        tuple(unseen),
        _parts([span for span, _ in seen], lead.length_mm, down_to_mm),
        tuple(span for span, _ in seen),
        down_to_mm is not None,
    )


def _span_mm(findings: Findings, name: str, meeting: Crossing) -> tuple[float, float]:
    """The stretch of a lead on which something may lie at a meeting, as arc length.

    Lines that are drawn a little beside the leads may cross far from where the leads do when the
    angle is flat. So a crossing takes in as much of the lead as belongs to it (`find_crossings`).
    """
    low, high = meeting.a_span_mm if meeting.a == name else meeting.b_span_mm
    if meeting.kind != "crossing":
        return low, high
    leads = findings.traced.leads_by_id
    thick_mm = [leads[one].diameter_mm or THICK_MM for one in (meeting.a, meeting.b)]
    limit_mm = sum(thick_mm) / 2 + findings.traced.tracing_error_mm
    half_mm = float(crossing_reach_mm(limit_mm, meeting.angle_rad))
    return max(0.0, low - half_mm), min(leads[name].length_mm, high + half_mm)


def _parts(
    spans: Sequence[tuple[float, float]], length_mm: float, down_to_mm: float | None
) -> tuple[Part, ...]:
    """The lead in even parts, from its exit down to a place if one is given; those without an
    open place are left out."""
    from_mm = max(0.0, min([low for low, _ in spans] + [down_to_mm or 0.0]))
    count = max(1, int(np.ceil((length_mm - from_mm) / PART_MM)))
    edges = np.linspace(from_mm, length_mm, count + 1)
    parts = []
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        numbers = tuple(
            n for n, (start, end) in enumerate(spans, start=1) if start <= high and end >= low
        )
        if numbers:
            parts.append(Part(float(low), float(high), numbers))
    return tuple(parts if down_to_mm is None else parts[::-1])


def leads_in_turn(findings: Findings) -> list[str]:
    """Leads with open places, those that may lie free on top first.

    First those that answers can bring out now, or let be lifted, the longest lift first; then
    those that lie under no other lead as far as is known, are seen at all their open places, and
    have the fewest of them. Leads that are out ask nothing.
    """
    return [one.lead for one in _alongs_in_turn(findings)]


@lru_cache(maxsize=2)  # of the newest findings: a page asks for both lists in one run
def _alongs_in_turn(findings: Findings) -> tuple[Along, ...]:
    beside = told_along(findings)
    under = {
        meeting.b if meeting.top == "a" else meeting.a
        for meeting in findings.meetings
        if meeting.top in ("a", "b")
        and meeting_key(meeting) not in beside
        and not {meeting.a, meeting.b} & findings.out
    }
    names = sorted({name for one in findings.open_meetings for name in (one.a, one.b)})
    found = [along_of(findings, name) for name in names]
    found = [one for one in found if one.open]
    now = set(findings.asked.now.leads)
    turn = {lead: number for number, lead in enumerate(findings.asked.to_lift)}
    hidden = Counter(lead for _, lead in said_hidden(findings, exact=False))
    found.sort(
        key=lambda one: (
            one.lead not in now,
            turn.get(one.lead, 0),
            hidden[one.lead] > 0,  # it was said already: others first
            one.lead in under,
            len(one.unseen),
            len(one.open),
            one.lead,
        )
    )
    return tuple(found)


def leads_asked(findings: Findings) -> list[str]:
    """Those of `leads_in_turn` that may come out now, and of which not everything was said yet."""
    now, hidden = set(findings.asked.now.leads), said_hidden(findings, bool(findings.asked.to_lift))
    return [
        along.lead
        for along in _alongs_in_turn(findings)
        if along.lead in now
        and any((meeting_key(one), along.lead) not in hidden for one in along.places)
    ]


def changes_of(
    job: Job,
    along: Along,
    looked_at: Sequence[tuple[Crossing, str | None]],
    by: str,
    at: datetime | None = None,
) -> Changes:
    """Keep that nothing lies on the lead at these places: it is on top of whatever meets it.

    On top, also where the two may lie side by side: that lets this lead go and still holds the
    other one until it is out. Such a run is kept as a little less sure, so that it is looked at
    again first where leads should hold each other. Where the same was said of the other lead, the
    two lie apart.
    """
    changes: Changes = {}
    both = [(one, photo) for one, photo in looked_at if one.top is not None]
    if both:
        changes |= judgements_changes(job, both, "apart", by, at)
    looked_at = [(one, photo) for one, photo in looked_at if one.top is None]
    for side in ("a", "b"):
        for crossing in (True, False):
            some = [
                (one, photo)
                for one, photo in looked_at
                if (one.a == along.lead) == (side == "a") and (one.kind == "crossing") == crossing
            ]
            extra = {LOOKED_ALONG: along.lead} | ({} if crossing else {"confidence": SURE_OF_RUNS})
            if some:
                changes |= judgements_changes(job, some, side, by, at, extra)
    return changes
