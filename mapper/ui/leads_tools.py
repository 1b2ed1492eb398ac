"""Tools for leads that are drawn already: doubts looked through, cut, joined, given away."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np

from mapper.errors import MapperError, shown
from mapper.plate import Plate
from mapper.records import Job, Stretch, TracedLead, lead_changes
from mapper.records.document import key_of
from mapper.ui.leads_bridging import bridged
from mapper.ui.leads_sight import Sight
from mapper.ui.leads_split import first_part, nearest_on
from mapper.ui.leads_tracing import exit_at, find_stretch, joints, stretch_id

__all__ = ["confirm", "cut", "doubtful", "doubts", "given_to", "join_changes", "joined"]

SAME_END_MM = 1.0  # ends that lie nearer to each other are joined without a run between
DOUBTFUL = 0.6  # below this confidence of the tracer a person should look again


def doubtful(stretch: Stretch) -> bool:
    """Whether the tracer was unsure of a stretch that is drawn as seen."""
    return stretch.seen and stretch.photo is not None and stretch.confidence < DOUBTFUL


def doubts(leads: Iterable[TracedLead]) -> list[tuple[TracedLead, int]]:
    """Every doubtful stretch, as (lead, index), in the order of the leads."""
    return [
        (lead, index)
        for lead in leads
        for index, stretch in enumerate(lead.stretches)
        if len(stretch.points_mm) > 1 and doubtful(stretch)
    ]


def confirm(lead: TracedLead, stretch: str | None) -> TracedLead:
    """A person looked: the stretch (None: the first doubtful one) is right as it is drawn."""
    if stretch is None:
        found = doubts([lead])
        if not found:
            raise MapperError(f"{shown(lead.id, 40)} has no doubtful stretch.")
        stretch = stretch_id(lead, found[0][1])
    index = find_stretch(lead, stretch)
    if not doubtful(lead.stretches[index]):
        raise MapperError("This stretch is not in doubt; point at one that is thin and marked ?.")
    sure = replace(lead.stretches[index], confidence=1.0)
    return replace(lead, stretches=(*lead.stretches[:index], sure, *lead.stretches[index + 1 :]))


def cut(
    lead: TracedLead, sight: Sight, stretch: str | None, at_px: tuple[float, float] | None
) -> TracedLead:
    """Cut the lead at the place nearest to `at_px` on a stretch; the rest is taken away.

    The lead is open again then, so that it can be traced on from the cut.
    """
    if stretch is None or at_px is None:
        raise MapperError("Point at the lead where it should be cut, then press X.")
    index = find_stretch(lead, stretch)
    old = lead.stretches[index]
    line = sight.photo_from_stretch(old)
    parts, away = nearest_on(line, np.array(at_px, dtype=float))
    at = int(np.argmin(away))
    part = float(parts[at])
    head = first_part(old, at, part)
    if head is None and index == 0:
        raise MapperError("That is the very start; remove its point with Delete instead.")
    kept = lead.stretches[:index]
    if head is not None:
        kept = (*kept, head)
    return replace(lead, stretches=kept, exit=None, finished=False)


def given_to(job: Job, lead: TracedLead, id: str, kind: str, drop: str) -> dict[str, Any]:
    """Changes that give the line of a lead to another name, kind and drop; where that lead has
    a line of its own, the two are swapped. Judgements go with the lines.

    Raises MapperError when there is nothing to give, or the teardown log names one of the two.
    """
    if id == lead.id:
        raise MapperError(f"The line is {shown(id, 40)} already; pick another lead.")
    if not lead.stretches:
        raise MapperError(f"{shown(lead.id, 40)} has no line to give away.")
    other = next((one for one in job.leads if one.id == id), None)
    _not_logged(job, lead.id, id)
    new = {id: replace(lead, id=id, kind=kind, drop=drop)}
    if other is not None and other.stretches:
        new[lead.id] = replace(other, id=lead.id, kind=lead.kind, drop=lead.drop)
    changes: dict[str, Any] = dict.fromkeys(lead_changes(lead))
    for one in new.values():
        changes |= lead_changes(one)
    # A judgement is about the wires that somebody saw, so it follows their lines. What was left
    # behind could count for another wire that is traced there later.
    names = {lead.id: id, id: lead.id}
    for one in job.judged:
        if {one.a, one.b} & set(names):
            renamed = replace(one, a=names.get(one.a, one.a), b=names.get(one.b, one.b))
            changes[key_of("judged", one.id)] = renamed.to_mapping()
    return changes


def _not_logged(job: Job, *names: str) -> None:
    for name in names:
        if any(step.wire == name for step in job.done):
            raise MapperError(
                f"The log names {shown(name, 40)}, so its line stays: take the log's entry back "
                "first."
            )


def joined(lead: TracedLead, other: TracedLead, plate: Plate) -> TracedLead:
    """The lead with the other piece at its end: the piece's nearer end comes first.

    What lies between the two goes along the channels, unseen. Raises MapperError when the lead
    is finished or one of the two has no line.
    """
    if other.id == lead.id:
        raise MapperError(f"Pick the other piece, not {shown(lead.id, 40)} itself.")
    if lead.finished:
        raise MapperError(
            f"{shown(lead.id, 40)} is traced to its exit: cut it (X) where the other piece goes on."
        )
    for one in (lead, other):
        if len(one.points_mm) < 2 and (one is other or not one.stretches):
            raise MapperError(f"{shown(one.id, 40)} has no line to join.")
    end = joints(lead)[-1].mm
    first, last = (joints(other)[i].mm for i in (0, -1))
    turned = math.dist(end, last) < math.dist(end, first)
    parts = tuple(_turned(one) for one in reversed(other.stretches)) if turned else other.stretches
    start = last if turned else first
    gap = (bridged(plate, end, start),) if math.dist(end, start) > SAME_END_MM else ()
    own = lead.stretches if len(lead.points_mm) > 1 else ()
    exit_ = exit_at(plate, first if turned else last)
    exit_id = None if exit_ is None else exit_.id
    if other.finished and not turned:
        exit_id = other.exit or exit_id
    # the thicker one's: a lead taken to be thinner than it is meets fewer others
    thick = max(lead, other, key=lambda one: one.diameter_mm or 0.0)
    return replace(
        lead,
        stretches=(*own, *gap, *parts),
        exit=exit_id,
        finished=exit_id is not None,
        diameter_mm=thick.diameter_mm,
        diameter_from=thick.diameter_from,
    )


def join_changes(job: Job, lead: TracedLead, other: TracedLead) -> dict[str, Any]:
    """Changes for `joined`. Judgements that name the other piece go: they are asked again.

    Raises MapperError as `joined` does, and when the teardown log names one of the two.
    """
    new = joined(lead, other, job.plate)
    _not_logged(job, lead.id, other.id)
    judged = [one.id for one in job.judged if other.id in (one.a, one.b)]
    gone = [key_of("lead", other.id), *(key_of("judged", id) for id in judged)]
    return {**dict.fromkeys(gone), **lead_changes(new)}


def _turned(stretch: Stretch) -> Stretch:
    depth = stretch.depth_mm
    return replace(
        stretch,
        points_mm=stretch.points_mm[::-1],
        points_px=None if stretch.points_px is None else stretch.points_px[::-1],
        depth_mm=depth[::-1] if isinstance(depth, tuple) else depth,
    )
