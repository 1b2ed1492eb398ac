"""What is asked now: the open meetings that keep a lead in the plate which could come out now.

Leads that lie free all along come first: one press says that one does, or that it does not. Only
where none does it is asked where.

Where a person says that something lies on a lead, or that it can't be seen there, this is kept
with the open meeting: nobody is asked about that lead there again before a new photo is fitted or
a lead that meets it has been moved. The meeting stays open and holds both leads all the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from mapper.pulling import LookAt, LooksNow, looks_now, seen_at
from mapper.records import JudgedEntry
from mapper.records.changes import Changes, judged_entry
from mapper.records.document import key_of
from mapper.routes import Crossing

if TYPE_CHECKING:
    from mapper.ui.findings import Findings

__all__ = ["ALONG", "Asked", "asked_of", "hidden_changes", "meeting_key", "said_hidden"]

ALONG = "along "  # begins the name of a lead all along, where that of a meeting may stand too
HIDDEN = "hidden"  # extra of an open judgement: {HERE, SOMEWHERE, "photos", "log"}
HERE, SOMEWHERE = "here", "somewhere"  # leads that something lies on: at this place, or at some

Place = tuple[frozenset[str], float, float]


def meeting_key(meeting: Crossing | LookAt) -> str:
    """Text that names a meeting as long as its leads are not traced anew."""
    first, second = sorted((meeting.a, meeting.b))
    return f"{first}|{second}|{meeting.kind}|{meeting.x_mm:.3f}|{meeting.y_mm:.3f}"


@dataclass(frozen=True)
class Asked:
    """`now`: the leads that answers can bring out and the open meetings to look at for that.
    `in_parts`: no lead lies free all along, so it has to be said where something lies on each."""

    now: LooksNow
    in_parts: bool = False


def asked_of(findings: Findings) -> Asked:
    """What is asked now: as far as the leads were seen and nobody has said that something lies
    on them. Where that brings no lead out, what is offered is done first; when nothing is, the
    leads are asked about of which nobody has said where something lies on them."""
    asked = Asked(_answers_now(findings, exact=False))
    if asked.now.leads or findings.offered.steps:
        return asked
    return Asked(_answers_now(findings, exact=True), True)


def _answers_now(findings: Findings, exact: bool) -> LooksNow:
    hidden, leads = said_hidden(findings, exact), findings.planned_on.leads_by_id

    def may_be_free(meeting: Crossing, lead: str) -> bool:
        return seen_at(leads[lead], meeting) and (meeting_key(meeting), lead) not in hidden

    return looks_now(findings.planned_on, findings.done, may_be_free)


def said_hidden(findings: Findings, exact: bool = True) -> frozenset[tuple[str, str]]:
    """(key of an open meeting, lead): somebody said that something lies on that lead there, or
    that it can't be seen, and nothing has changed since that would show more. Unless `exact`,
    also where it was only said that something lies on that lead somewhere."""
    said = _said(findings, exact)
    return frozenset(
        (meeting_key(one), lead)
        for one in findings.meetings
        if one.top is None
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
    them, nobody said which. What was said of the other lead stays."""
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
        changes |= judged_entry(meeting, None, by, at, photo, said)
    return changes


def _place(one: Crossing | JudgedEntry) -> Place:
    return frozenset((one.a, one.b)), round(one.x_mm, 3), round(one.y_mm, 3)


def _said(findings: Findings, exact: bool) -> dict[Place, set[str]]:
    """What still holds of what was said: place of an open meeting -> leads that are hidden."""
    job, found = findings.job, {}
    fitted, moved = set(job.fits), _moved(findings)
    for one in job.judged:
        said = one.extra.get(HIDDEN) if one.top is None else None
        if not isinstance(said, Mapping):
            continue
        leads = _names(said, HERE) | (set() if exact else _names(said, SOMEWHERE))
        log = said.get("log")
        if fitted <= _names(said, "photos") and isinstance(log, int):
            since = moved[max(log, 0) :]
            leads = {lead for lead in leads if not _meets(findings, lead, since)}
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


def _meets(findings: Findings, lead: str, others: Iterable[str]) -> bool:
    """Whether a lead is one of others, or meets one of them anywhere."""
    others = set(others)
    return lead in others or any(
        lead in (one.a, one.b) and others & {one.a, one.b} for one in findings.meetings
    )
