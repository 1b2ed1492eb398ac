"""Another name for a lead, in everything of the job that names it, as one edit.

A lead pulled under the wrong name is a lead pulled too early. So a name is refused that is, or
looks like, one that the job knows already, and the renamed job must say of every meeting, of
the teardown log and of what is missing exactly what the job said before.
"""

from __future__ import annotations

import unicodedata
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from mapper.errors import shown
from mapper.pulling import Heater, Nozzle, piece_ids
from mapper.records.document import key_of
from mapper.records.errors import RecordsError
from mapper.records.job import Job
from mapper.records.leads import MAX_ID_LENGTH
from mapper.records.rebuilding import AsBuilt

__all__ = ["RENAME_DEPENDS_ON", "rename_changes"]

# What a rename was checked against: `depends_on` of its edit.
RENAME_DEPENDS_ON = (
    *("plate", "settings", "lead", "judged", "done", "cover", "takeout", "zone"),
    *("rebuild", "as-built"),
)


def rename_changes(job: Job, old: str, new: str) -> dict[str, Any]:
    """Give the lead `old` the name `new`: changes for one edit with `RENAME_DEPENDS_ON`.

    Judgements, the teardown log, the wishes for the rebuild and the as-built map go with it.
    Notes and reasons that people wrote stay as they wrote them.

    Raises
    ------
    RecordsError
        The name can't be kept, is or looks like one in use, or belongs to another drop's zone;
        the lead has no line yet, or broke; or the job would not say the same afterwards.
    """
    new = unicodedata.normalize("NFC", new).strip()
    _check_name(new)
    lead = next((one for one in job.leads if one.id == old), None)
    if lead is None or lead.to_lead() is None:
        raise RecordsError(f"{shown(old, 40)} has no line yet: trace it, then rename it.")
    if new == old:
        raise RecordsError(f"The lead is called {shown(new, 40)} already: enter another name.")
    _check_place(job, old, new)
    for where, name in _names(job, old):
        if _look(name) == _look(new):
            raise RecordsError(
                f"{shown(new, 40)} can't be told from {shown(name, 40)}, which {where} names "
                "already: choose another name."
            )
    if any(_look(part) in {_look(one.id) for one in job.leads} for part in piece_ids(new)):
        raise RecordsError(f"If {shown(new, 40)} broke, a piece of it would be called like a lead.")
    if any(step.wire == old and step.action == "broke" for step in job.done):
        raise RecordsError(
            f"The log says that {shown(old, 40)} broke, and names its pieces after it: it has to "
            "keep its name."
        )
    changes = {
        key_of("lead", old): None,
        key_of("lead", new): {**job.value(key_of("lead", old)), "id": new},
        **_carried(job, old, new),
    }
    values = {**job.to_mapping(), **changes}
    renamed = Job.from_mapping({key: one for key, one in values.items() if one is not None})
    if job.plate is not None and _account(job, {old: new}) != _account(renamed, {}):
        raise RecordsError(
            f"Under the name {shown(new, 40)} the job would not say the same of its crossings or "
            "its log: keep the old name, or try another."
        )
    return changes


def _check_name(name: str) -> None:
    if not name or len(name) > MAX_ID_LENGTH:
        raise RecordsError(f"A lead's name has 1 to {MAX_ID_LENGTH} letters: enter another.")
    # All of Unicode's "other" categories: control characters, and signs that nobody can see.
    if any(unicodedata.category(ch)[0] == "C" or ch in "\u2028\u2029" for ch in name):
        raise RecordsError("The name holds a sign that can't be seen: type it again.")


def _look(name: str) -> str:
    """The name as tired eyes take it: no difference of case, width or spaces."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def _check_place(job: Job, old: str, new: str) -> None:
    """A name that the plate gives to a zone or lead of its own must belong to this lead."""
    lead = next(one for one in job.leads if one.id == old)
    for one in job.expected_leads():
        zone = one.id.rpartition("-")[0]
        of_zone = _look(new.rpartition("-")[0]) == _look(zone) or _look(new) == _look(zone)
        if of_zone and one.drop != lead.drop:
            raise RecordsError(
                f"{shown(new, 40)} would be a lead of {shown(one.drop, 40)}, but this one comes "
                f"from {shown(lead.drop, 40)}: choose a name that says so."
            )
        if _look(new) == _look(one.id) and (new, lead.kind) != (one.id, one.kind):
            raise RecordsError(
                f"{shown(one.id, 40)} is the {one.kind} lead of {shown(one.drop, 40)}, and this "
                f"is a {lead.kind} lead: choose another name."
            )


def _names(job: Job, old: str) -> Iterator[tuple[str, str]]:
    """Every name that the job knows beside the lead's own, with who names it."""
    for lead in job.leads:
        if lead.id != old:
            yield "the list of leads", lead.id
            yield from (("a piece of a lead", piece) for piece in piece_ids(lead.id))
    yield from (("the settings", name) for name in job.settings.not_there)
    yield from (("the list of covers", name) for name in job.names("cover"))
    if job.plate is not None:
        yield from (("the list of parts", part.id) for part in job.parts.parts)
        for drop in job.plate.drops:
            yield "the list of parts", Nozzle(drop.id).id
            yield "the list of parts", Heater(drop.id).id
        yield from (("the log", piece) for piece in job.teardown.pieces)
    yield from (("the log", step.wire) for step in job.done if step.wire != old)
    # Also of leads that are gone: their answers must not come to count for this one.
    for one in job.judged:
        yield from (("a judgement", name) for name in (one.a, one.b) if name != old)
    for wish in (job.rebuild.channels, job.rebuild.exits):
        yield from (("a wish for the rebuild", name) for name in wish if name != old)
    if job.as_built is not None:
        laid = [lead.id for lead in job.as_built.laid_map.leads]
        laid += [name for name, _ in job.as_built.install]
        laid += [one.wire for one in job.as_built.corrections]
        yield from (("the as-built map", name) for name in laid if name != old)


def _carried(job: Job, old: str, new: str) -> dict[str, Any]:
    """Changes of everything but the lead itself that names it."""

    def name(one: str) -> str:
        return new if one == old else one

    # The values as they are kept, so that nothing else in them changes.
    changes: dict[str, Any] = {}
    for one in job.judged:
        if old in (one.a, one.b):
            key = key_of("judged", one.id)
            changes[key] = {**job.value(key), "a": name(one.a), "b": name(one.b)}
    for step in job.done:
        if step.wire == old:
            key = key_of("done", step.number)
            changes[key] = {**job.value(key), "wire": new}
    wishes = job.value("rebuild", {})
    for part in ("channels", "exits"):
        if old in (wishes.get(part) or {}):
            renamed = {name(lead): wish for lead, wish in wishes[part].items()}
            changes["rebuild"] = {**changes.get("rebuild", wishes), part: renamed}
    if job.as_built is not None:
        carried = _as_built(job.as_built, name)
        if carried.to_mapping() != job.as_built.to_mapping():
            changes["as-built"] = carried.to_mapping()
    return changes


def _as_built(entry: AsBuilt, name: Any) -> AsBuilt:
    laid = entry.laid_map
    leads = tuple(replace(lead, id=name(lead.id)) for lead in laid.leads)
    judged = tuple(replace(one, a=name(one.a), b=name(one.b)) for one in laid.judged)
    install = tuple((name(wire), length_mm) for wire, length_mm in entry.install)
    corrections = tuple(replace(one, wire=name(one.wire)) for one in entry.corrections)
    laid = replace(laid, leads=leads, judged=judged)
    return replace(entry, laid_map=laid, install=install, corrections=corrections)


def _account(job: Job, names: dict[str, str]) -> tuple[Any, ...]:
    """What the job says of its meetings, its log and what is missing, under other names."""

    def name(one: str) -> str:
        return names.get(one, one)

    def top_of(one: Any) -> str | None:
        return {"a": name(one.a), "b": name(one.b)}.get(one.top, one.top)

    reading = job.teardown
    meetings = [
        Counter(
            (frozenset((name(one.a), name(one.b))), one.kind, top_of(one))
            for one in found.crossings
        )
        for found in (job.route_map(provisional=False), job.map_with_parts, reading.route_map)
    ]
    done = Counter(
        (name(getattr(one, "wire", one)), round(getattr(one, "down_to_mm", 0.0), 3))
        for one in reading.done
    )
    missing = Counter((one.drop, one.kind) for one in job.missing_leads())
    out = frozenset(name(one) for one in reading.out)
    unsure = frozenset(name(one) for one in job.provisional_ids())
    built = []
    if job.as_built is not None:
        built = [
            Counter(
                (frozenset((name(one.a), name(one.b))), one.kind, top_of(one))
                for one in job.as_built.laid_map.crossings
            )
        ]
    return meetings, done, missing, out, unsure, len(reading.findings), built
