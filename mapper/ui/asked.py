"""What is asked now: the open meetings that keep a lead in the plate which could come out now.

Leads that lie free all along come first: one press says that one does, or that it does not. Only
where none does, and nothing is offered, it is asked how far each may be lifted from its exit: to
the first place where something lies on it.

Where a person says that something lies on a lead, or that it can't be seen there, this is kept
with the open meeting: nobody is asked about that lead there again before a new photo is fitted or
a lead that meets it has been moved. The meeting stays open and holds both leads all the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from mapper.pulling import (
    LookAt,
    LooksNow,
    LookToLift,
    MayBeFree,
    looks_now,
    looks_to_lift,
    seen_at,
)
from mapper.records import JudgedEntry
from mapper.records.changes import Changes, judged_entry
from mapper.records.document import key_of
from mapper.routes import Crossing

if TYPE_CHECKING:
    from mapper.ui.findings import Findings

__all__ = [
    "ALONG",
    "LOOKED_ALONG",
    "Asked",
    "asked_of",
    "hidden_changes",
    "meeting_key",
    "said_hidden",
    "told_along",
]

ALONG = "along "  # begins the name of a lead all along, where that of a meeting may stand too
LOOKED_ALONG = "along"  # extra of a judgement: the lead that was looked along
HIDDEN = "hidden"  # extra of a judgement: {HERE, SOMEWHERE, "photos", "log"}
HERE, SOMEWHERE = "here", "somewhere"  # leads that something lies on: at this place, or at some

Place = tuple[frozenset[str], float, float]


def meeting_key(meeting: Crossing | LookAt) -> str:
    """Text that names a meeting as long as its leads are not traced anew."""
    first, second = sorted((meeting.a, meeting.b))
    return f"{first}|{second}|{meeting.kind}|{meeting.x_mm:.3f}|{meeting.y_mm:.3f}"


@dataclass(frozen=True)
class Asked:
    """`now`: the leads that answers can bring out and the open meetings to look at for that. Where
    none can be brought out: those that answers let be lifted farther, the longest lift first, and
    the look along each by its lead (`to_lift`)."""

    now: LooksNow
    to_lift: Mapping[str, LookToLift] = field(default_factory=dict)


def asked_of(findings: Findings) -> Asked:
    """What is asked now: as far as the leads were seen and nobody has said that something lies
    on them. Where no look along a lead can bring one out, what is offered is done first; when
    nothing is, it is asked how far the leads may be lifted, beside places where one meets itself:
    whoever can't tell there must not be stuck."""
    now = looks_now(findings.planned_on, findings.done, _may_be_free(findings, exact=False))
    if findings.offered.steps or any(one.a != one.b for one in now.meetings):
        return Asked(now)
    looks = looks_to_lift(findings.planned_on, findings.done, _may_be_free(findings, exact=True))
    looks = [one for one in looks if one.lead in findings.traced.leads_by_id]
    leads = dict.fromkeys([*now.leads, *(one.lead for one in looks)])
    asked = [*now.meetings, *(meeting for one in looks for meeting in one.meetings)]
    meetings = {meeting_key(meeting): meeting for meeting in asked}
    # where a lead meets itself is no matter of a look along it
    along = {one.lead: one for one in looks if any(m.a != m.b for m in one.meetings)}
    return Asked(LooksNow(tuple(leads), tuple(meetings.values())), along)


def _may_be_free(findings: Findings, exact: bool) -> MayBeFree:
    hidden, told = said_hidden(findings, exact), told_along(findings)
    leads = findings.planned_on.leads_by_id

    def may_be_free(meeting: Crossing, lead: str) -> bool:
        key = meeting_key(meeting)
        asked = meeting.top is None or key in told
        return asked and seen_at(leads[lead], meeting) and (key, lead) not in hidden

    return may_be_free


def told_along(findings: Findings) -> dict[str, str]:
    """Touching places and shared runs that were answered by a look along one of the two leads ->
    that lead, on which nothing lies there. Leads that are out are left out."""
    said = {
        _place(one): str(one.extra[LOOKED_ALONG])
        for one in findings.job.judged
        if one.top in ("a", "b") and LOOKED_ALONG in one.extra
    }
    found = {}
    for one in findings.meetings:
        upper = one.a if one.top == "a" else one.b
        beside = one.kind != "crossing" and one.top in ("a", "b") and said.get(_place(one)) == upper
        if beside and not {one.a, one.b} & findings.out:
            found[meeting_key(one)] = upper
    return found


def said_hidden(findings: Findings, exact: bool = True) -> frozenset[tuple[str, str]]:
    """(key of a meeting, lead): somebody said that something lies on that lead there, or that it
    can't be seen, and nothing has changed since that would show more. Open meetings, and those
    of `told_along`. Unless `exact`, also where it was only said that something lies on that lead
    somewhere."""
    said, told = _said(findings, exact), told_along(findings)
    return frozenset(
        (meeting_key(one), lead)
        for one in findings.meetings
        if one.top is None or meeting_key(one) in told
        for lead in said.get(_place(one), ())
    )


def hidden_changes(
    findings: Findings,
    lead: str,
    looked_at: Sequence[tuple[Crossing, str | None]],
    by: str,
    at: datetime | None = None,
    somewhere: bool = False,
) -> Changes:
    """Keep that something lies on a lead at open meetings, or that it can't be seen there;
    `looked_at`: each with the photo that was shown. With `somewhere` it is at one or more of
    them, nobody said which. What was said of the other lead stays, and so does a judgement."""
    job, exact, all_said = findings.job, _said(findings, True), _said(findings, False)
    places = {_place(one) for one, _ in looked_at}
    changes: Changes = {
        key_of("judged", one.id): None
        for one in job.judged
        if one.top is None and HIDDEN in one.extra and _place(one) in places
    }
    since = {"photos": sorted(job.fits), "log": len(job.done)}
    for meeting, photo in looked_at:
        place = _place(meeting)
        here = exact.get(place, set()) | (set() if somewhere else {lead})
        unsure = (all_said.get(place, set()) | {lead}) - here
        said = {HIDDEN: {HERE: sorted(here), SOMEWHERE: sorted(unsure), **since}}
        if meeting.top is None:
            changes |= judged_entry(meeting, None, by, at, photo, said)
            continue
        for one in job.judged:
            if one.top is not None and _place(one) == place:
                entry = replace(one, extra={**one.extra, **said})
                changes[key_of("judged", one.id)] = entry.to_mapping()
    return changes


def _place(one: Crossing | JudgedEntry) -> Place:
    return frozenset((one.a, one.b)), round(one.x_mm, 3), round(one.y_mm, 3)


def _said(findings: Findings, exact: bool) -> dict[Place, set[str]]:
    """What still holds of what was said: place of a meeting -> leads that are hidden."""
    job, found = findings.job, {}
    fitted, moved, partners = set(job.fits), _moved(findings), findings.partners
    for one in job.judged:
        said = one.extra.get(HIDDEN)
        if not isinstance(said, Mapping):
            continue
        leads = _names(said, HERE) | (set() if exact else _names(said, SOMEWHERE))
        log = said.get("log")
        if fitted <= _names(said, "photos") and isinstance(log, int):
            since = moved[max(log, 0) :]
            leads = {lead for lead in leads if partners.get(lead, {lead}).isdisjoint(since)}
            found.setdefault(_place(one), set()).update(leads & {one.a, one.b})
    return found


def _names(said: Mapping[str, Any], key: str) -> set[str]:
    """A list of names, or nothing: a file may hold anything there."""
    names = said.get(key)
    return (
        {one for one in names if isinstance(one, str)} if isinstance(names, list | tuple) else set()
    )


def _moved(findings: Findings) -> list[str]:
    """The lead of each event of the teardown log, in order."""
    return [findings.job.teardown.lead_of(step.wire) for step in findings.job.done]
