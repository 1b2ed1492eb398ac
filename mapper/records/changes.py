"""The changes that belong together in one edit, for what people do on the pages.

Each function is pure and returns key -> new value (None deletes); give that to
`JobStore.edit` with `expected=job`, the view it was made from.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from mapper.errors import shown
from mapper.pulling import reached_place
from mapper.records.document import DoneStep, JudgedEntry, key_of
from mapper.records.errors import RecordsError
from mapper.records.job import Job
from mapper.records.leads import TracedLead, refit_stretches
from mapper.records.parts import CoverEntry, Over, TakeoutEntry, next_cover_id
from mapper.records.thickness import ENTERED
from mapper.routes import Crossing, with_judged, with_judgement

if TYPE_CHECKING:
    from mapper.fit import PhotoFit

__all__ = [
    "TICK_DEPENDS_ON",
    "cover_changes",
    "fit_changes",
    "judged_entry",
    "judgement_changes",
    "judgements_changes",
    "lead_changes",
    "takeout_changes",
    "thickness_changes",
    "tick_changes",
]

# What the plan was made from that a step is ticked off on: `depends_on` of its edit.
TICK_DEPENDS_ON = ("plate", "settings", "lead", "judged", "done", "cover", "takeout")

Changes = dict[str, Any]


def lead_changes(lead: TracedLead) -> Changes:
    """Keep a lead as it now is."""
    return {key_of("lead", lead.id): lead.to_mapping()}


def thickness_changes(
    job: Job,
    kinds_mm: Mapping[str, float | None],
    leads_mm: Mapping[str, float | None] | None = None,
) -> Changes:
    """Keep how thick all leads of a kind are, and single leads that differ from their kind.

    `kinds_mm`: kind -> diameter in mm; `leads_mm`: id of a lead that is drawn -> diameter. None
    takes an entry back. What is as it was is left out, so the result may be empty.
    Raises RecordsError for a lead that the job does not have.
    """
    changes: Changes = {}
    entered_mm = {**job.settings.diameters_mm, **kinds_mm}
    entered_mm = {kind: value for kind, value in entered_mm.items() if value is not None}
    if entered_mm != job.settings.diameters_mm:
        kept = {k: v for k, v in job.value("settings", {}).items() if k != "diameters_mm"}
        changes["settings"] = {**kept, "diameters_mm": entered_mm} if entered_mm else kept
    drawn = {lead.id: lead for lead in job.leads}
    for name, value_mm in (leads_mm or {}).items():
        if name not in drawn:
            raise RecordsError(f"{shown(name)} is not drawn any more: pick a lead that is.")
        if value_mm != drawn[name].diameter_mm:
            known = None if value_mm is None else ENTERED
            changes |= lead_changes(replace(drawn[name], diameter_mm=value_mm, diameter_from=known))
    return changes


def fit_changes(job: Job, sha256: str, fit: PhotoFit | None, clicks: Sequence[Any] = ()) -> Changes:
    """Keep a photo's new fit and clicks, and project the stretches on that photo anew.

    Without a fit only the clicks are kept (too few to fit yet) and the leads stay.
    """
    value = {"fit": None if fit is None else fit.to_dict(), "clicks": list(clicks)}
    changes: Changes = {key_of("fit", sha256): value}
    if fit is not None:
        for old, new in zip(job.leads, refit_stretches(job.leads, sha256, fit), strict=True):
            if new is not old:
                changes |= lead_changes(new)
    return changes


def judgement_changes(
    job: Job,
    crossing: Crossing,
    top: str | None,
    by: str = "",
    photo: str | None = None,
    at: datetime | None = None,
    confidence: float | None = None,
) -> Changes:
    """Keep what somebody saw at a meeting, in place of earlier judgements that served it.

    `crossing` is one of ``job.route_map(provisional=False).crossings``; `top` is "a", "b" or
    "apart" as it names its leads, or None to open it again. `confidence` (0..1) says how
    sure it is; the release of a locked set begins with the least sure.

    Raises RecordsError for "apart" where the two truly cross.
    """
    extra = {} if confidence is None else {"confidence": confidence}
    return judgements_changes(job, [(crossing, photo)], top, by, at, extra)


def judgements_changes(
    job: Job,
    looked_at: Sequence[tuple[Crossing, str | None]],
    top: str | None,
    by: str = "",
    at: datetime | None = None,
    extra: Mapping[str, Any] | None = None,
) -> Changes:
    """Keep one answer for several meetings, as `judgement_changes` does for one.

    `looked_at`: each meeting with the photo that it was seen on. Raises RecordsError for
    "apart" where two leads truly cross; then nothing is to be kept.
    """
    judged = [one.to_judged() for one in job.judged]
    route_map = with_judged(job.route_map(provisional=False), judged)
    at = at or datetime.now(UTC)
    changes: Changes = {}
    for crossing, photo in looked_at:
        try:
            route_map = with_judgement(route_map, crossing, top)
        except ValueError:
            raise RecordsError(
                f"{shown(crossing.a)} and {shown(crossing.b)} truly cross there, so they can't "
                "lie apart: say which is on top, or trace them anew."
            ) from None
        if top is None:
            continue
        changes |= judged_entry(crossing, top, by, at, photo, extra)
    kept = {id(one) for one in route_map.judged}
    gone = {
        key_of("judged", entry.id): None
        for entry, one in zip(job.judged, judged, strict=True)
        if id(one) not in kept
    }
    return {**gone, **changes}


def judged_entry(
    crossing: Crossing,
    top: str | None,
    by: str,
    at: datetime | None,
    photo: str | None,
    extra: Mapping[str, Any] | None,
) -> Changes:
    """A new entry for a meeting, whatever was said of it before."""
    entry = JudgedEntry(
        id=uuid.uuid4().hex,
        a=crossing.a,
        b=crossing.b,
        x_mm=crossing.x_mm,
        y_mm=crossing.y_mm,
        top=top,
        by=by,
        at=at or datetime.now(UTC),
        photo=photo,
        extra=dict(extra or {}),
    )
    return {key_of("judged", entry.id): entry.to_mapping()}


def tick_changes(
    job: Job,
    action: str,
    wire: str,
    past: tuple[float, float] | None = None,
    by: str = "",
    reason: str = "",
    at: datetime | None = None,
) -> Changes:
    """Add an event to the teardown log, after the last one.

    `action`: "pull", "peel" (`past` is the place), "broke" (`past` is where), "put back", or
    "took off" for a cover, nozzle or heater (a "pull" of one is written as that). Ask
    `Job.refusals` before; a pull or peel that breaks the rule needs a `reason`.
    Raises RecordsError for any other action, and for a peel or break without a place.
    """
    if action in ("peel", "broke") and past is None:
        raise RecordsError(f"Say where {shown(wire)} was peeled past or broke: click the place.")
    if action == "pull" and wire in {part.id for part in job.parts.parts}:
        action = "took off"
    last = max((int(step.number) for step in job.done), default=0)
    step = DoneStep(f"{last + 1:04d}", action, wire, past, at or datetime.now(UTC), by, reason)
    DoneStep.from_mapping(step.number, step.to_mapping())
    if action == "peel" and job.plate is not None:
        reached = reached_place(job.map_with_parts, job.done, step, job.judged)
        step = replace(step, reached=reached)
    entry = step.to_mapping()
    return {key_of("done", step.number): entry}


def cover_changes(
    job: Job,
    kind: str,
    *,
    channels: Sequence[str] = (),
    stretch_mm: tuple[str, float, float] | None = None,
    outline_mm: Sequence[tuple[float, float]] = (),
    note: str = "",
) -> Changes:
    """Add a cover or clip over whole channels, a stretch of one (channel, from, to), or an
    outline in plate mm. It gets a name that no cover of the job ever had in the log.

    Raises RecordsError for a cover over nothing, or over a channel that the plate lacks.
    """
    over = [Over(channel) for channel in channels]
    known = set() if job.plate is None else {channel.id for channel in job.plate.channels}
    if stretch_mm is not None and job.plate is not None:
        over.append(Over.on(job.plate, *stretch_mm))
    for one in over:
        if one.channel not in known:
            raise RecordsError(f"The plate has no channel {shown(one.channel)}: choose another.")
    # Any name that a lead, a part or an event of the log uses is taken.
    taken = {*job.names("cover"), *job.names("lead"), *(step.wire for step in job.done)}
    name = next_cover_id(kind, taken)
    lies = {"outline": [list(corner) for corner in outline_mm]} if outline_mm else {}
    if over or not lies:
        lies = {**lies, "over": [one.to_mapping() for one in over]}
    entry = CoverEntry.from_mapping(name, {"kind": kind, "note": note, **lies})
    return {key_of("cover", name): entry.to_mapping()}


def takeout_changes(
    job: Job, drop: str, *, nozzle: bool, heater: bool, thermocouple: str
) -> Changes:
    """Say what is taken out of a drop and how its thermocouple leaves."""
    old = job.takeouts.get(drop, TakeoutEntry(drop))
    entry = replace(old, nozzle=nozzle, heater=heater, thermocouple=thermocouple)
    TakeoutEntry.from_mapping(drop, entry.to_mapping())
    return {key_of("takeout", drop): entry.to_mapping()}
