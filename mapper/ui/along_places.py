"""One lead all along: the open places of a lead, in parts short enough for a picture each.

Where a lead is in sight without a break, nothing lies on it. So one look along a lead tells what
many places of two leads ask, and the leads that lie free on top are found first. Where nothing
lies on either of two leads that run along each other, they lie apart.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

import numpy as np

from mapper.pulling import seen_over
from mapper.records import Job, judgements_changes
from mapper.records.changes import Changes
from mapper.routes import Crossing, crossing_reach_mm
from mapper.ui.asked import said_hidden
from mapper.ui.findings import Findings, meeting_key

__all__ = ["Along", "Part", "along_of", "changes_of", "leads_asked", "leads_in_turn"]

ALONG = "along"  # extra of a judgement: the lead that was looked along
THICK_MM = 3.0  # a lead without a diameter, here
PART_MM = 100.0  # of a lead in one picture
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
    that are judged already, a look along the other lead said that nothing lies on that one."""

    lead: str
    places: tuple[Crossing, ...]
    unseen: tuple[Crossing, ...]
    parts: tuple[Part, ...]
    spans_mm: tuple[tuple[float, float], ...] = ()  # of `places`, on the lead

    @property
    def open(self) -> tuple[Crossing, ...]:
        """The places that nobody has judged."""
        return tuple(one for one in self.places if one.top is None)

    def other(self, meeting: Crossing) -> str:
        """The other lead of a place."""
        return meeting.b if meeting.a == self.lead else meeting.a


def along_of(findings: Findings, name: str) -> Along:
    """The open places of a lead with other leads, from the drop to the exit."""
    lead = findings.traced.leads_by_id[name]
    other_told = told_along(findings)
    own = [one for one in findings.open_meetings if name in (one.a, one.b) and one.a != one.b]
    own += [
        one
        for one in findings.meetings
        if name in (one.a, one.b) and other_told.get(meeting_key(one), name) != name
    ]
    spans = sorted(((_span_mm(findings, name, one), n) for n, one in enumerate(own)))
    seen = [(span, own[n]) for span, n in spans if seen_over(lead, span)]
    unseen = [own[n] for span, n in spans if own[n].top is None and not seen_over(lead, span)]
    return Along(
        name,
        tuple(one for _, one in seen),
        tuple(unseen),
        _parts([span for span, _ in seen], lead.length_mm),
        tuple(span for span, _ in seen),
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


def told_along(findings: Findings) -> dict[str, str]:
    """Touching places and shared runs that were answered by a look along one of the two leads ->
    that lead, on which nothing lies there. Leads that are out are left out."""
    said = {
        (frozenset((one.a, one.b)), round(one.x_mm, 3), round(one.y_mm, 3)): str(one.extra[ALONG])
        for one in findings.job.judged
        if one.top in ("a", "b") and ALONG in one.extra
    }
    found = {}
    for one in findings.meetings:
        place = (frozenset((one.a, one.b)), round(one.x_mm, 3), round(one.y_mm, 3))
        upper = one.a if one.top == "a" else one.b
        beside = one.kind != "crossing" and one.top in ("a", "b") and said.get(place) == upper
        if beside and not {one.a, one.b} & findings.out:
            found[meeting_key(one)] = upper
    return found


def _parts(spans: Sequence[tuple[float, float]], length_mm: float) -> tuple[Part, ...]:
    """The lead in even parts; those without an open place are left out."""
    count = max(1, int(np.ceil(length_mm / PART_MM)))
    edges = np.linspace(0.0, length_mm, count + 1)
    parts = []
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        numbers = tuple(
            n for n, (start, end) in enumerate(spans, start=1) if start <= high and end >= low
        )
        if numbers:
            parts.append(Part(float(low), float(high), numbers))
    return tuple(parts)


def leads_in_turn(findings: Findings) -> list[str]:
    """Leads with open places, those that may lie free on top first.

    First those that answers can bring out now; then those that lie under no other lead as far
    as is known, are seen at all their open places, and have the fewest of them. Leads that are
    out ask nothing.
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
    hidden = Counter(lead for _, lead in said_hidden(findings, exact=False))
    found.sort(
        key=lambda one: (
            one.lead not in now,
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
    now, hidden = set(findings.asked.now.leads), said_hidden(findings, findings.asked.in_parts)
    return [
        along.lead
        for along in _alongs_in_turn(findings)
        if along.lead in now
        and any((meeting_key(one), along.lead) not in hidden for one in along.open)
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
            extra = {ALONG: along.lead} | ({} if crossing else {"confidence": SURE_OF_RUNS})
            if some:
                changes |= judgements_changes(job, some, side, by, at, extra)
    return changes
