"""One job as the pages see it: a frozen view of the flat document, no database behind it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from mapper.bench import BenchError, Limits, Zone, read_connectors
from mapper.bench.pins import read_spare
from mapper.bench.response import Response
from mapper.bench.salvage import Costs
from mapper.bench.warmup import WarmUp
from mapper.plate import Plate
from mapper.pulling import LogReading, read_log, refusals, with_parts
from mapper.records.document import (
    DoneStep,
    JudgedEntry,
    PhotoEntry,
    Settings,
    check_key,
    extras,
    key_of,
    text,
    text_of,
    value_of,
)
from mapper.records.errors import RecordsError
from mapper.records.expected import ExpectedLead, expected_leads, missing_leads
from mapper.records.leads import TracedLead
from mapper.records.parts import CoverEntry, JobParts, TakeoutEntry, job_parts
from mapper.records.provisional import Provisional, provisional_leads
from mapper.records.rebuilding import AsBuilt, RebuildEntry, ShiftNote
from mapper.records.thickness import thickest_mm, with_diameters, with_kinds
from mapper.routes import RouteMap

if TYPE_CHECKING:
    from mapper.fit import PhotoFit

__all__ = ["Job", "check_entry"]


def check_entry(key: str, value: Any) -> None:
    """Say at once, before anything is kept, when a value can't be read back as what it is.

    Raises
    ------
    RecordsError
        The key is of no known kind, or the value is not what its kind needs.
    """
    kind, name = check_key(key)
    if not isinstance(value, Mapping):
        raise RecordsError(f"The entry {kind} of the job is damaged: enter it again.")
    if kind == "about":
        text(value.get("name", ""), "about: name")
        extras(value.get("extra"), "about: extra")
    elif kind == "plate":
        Plate.from_mapping(value)
    elif kind == "settings":
        Settings.from_mapping(value)
    elif kind in ("limits", "pins", "costs"):
        _check_bench(kind, value)
    elif kind == "photo":
        PhotoEntry.from_mapping(name, value)
    elif kind == "fit":
        _fit_of(value)
        if not isinstance(value.get("clicks", []), list | tuple):
            raise RecordsError("The clicks of a fit should be a list: set them again.")
    elif kind == "judged":
        JudgedEntry.from_mapping(name, value)
    elif kind == "done":
        DoneStep.from_mapping(name, value)
    elif kind == "zone":
        try:
            Zone.from_mapping(name, value)
        except BenchError as error:
            raise RecordsError(str(error)) from None
    elif kind in ("response", "warmup"):
        _check_watched(kind, value)
    elif kind == "cover":
        CoverEntry.from_mapping(name, value)
    elif kind == "takeout":
        TakeoutEntry.from_mapping(name, value)
    elif kind == "rebuild":
        RebuildEntry.from_mapping(value)
    elif kind == "as-built":
        AsBuilt.from_mapping(value)
    elif kind == "note":
        ShiftNote.from_mapping(name, value)
    elif kind == "lead" and TracedLead.from_mapping(value).id != name:
        raise RecordsError("A lead is kept under another name than its own: rename it.")


def _check_bench(kind: str, value: Mapping[str, Any]) -> None:
    try:
        if kind == "limits":
            Limits.from_mapping(value)
        elif kind == "costs":
            Costs.from_mapping(value)
        else:
            read_spare(text(value.get("spare", ""), "pins: spare"))
            read_connectors(value.get("connectors"))
    except BenchError as error:
        raise RecordsError(str(error)) from None


def _check_watched(kind: str, value: Mapping[str, Any]) -> None:
    try:
        (Response if kind == "response" else WarmUp).from_dict(value)
    except BenchError as error:
        raise RecordsError(str(error)) from None


def _fit_of(value: Mapping[str, Any]) -> PhotoFit | None:
    # Imported here: a program that only plans should not have to load the image libraries.
    from mapper.fit import PhotoFit

    return None if value.get("fit") is None else PhotoFit.from_dict(value["fit"])


@dataclass(frozen=True, eq=False)
class Job:
    """A job as it stood at `revision`.

    Everything here is computed from `texts` (key -> canonical JSON) when first asked for.
    `undo_label` and `redo_label` name the edit that undo or redo would act on, or are None.
    Values handed out are fresh copies: change them freely and give them to `JobStore.edit`.
    """

    id: str
    revision: int
    texts: Mapping[str, str]
    undo_label: str | None = None
    redo_label: str | None = None
    created_at: datetime | None = None
    changed_at: datetime | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "texts", MappingProxyType(dict(self.texts)))

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any], id: str = "", revision: int = 0) -> Job:
        """A job from key -> JSON value, without a store; every entry is checked."""
        for key, value in values.items():
            check_entry(key, value)
        return cls(id, revision, {key: text_of(value) for key, value in values.items()})

    # --- the document ---------------------------------------------------------------

    def value(self, key: str, default: Any = None) -> Any:
        """A fresh copy of the value under `key`, or `default`."""
        return value_of(self.texts[key]) if key in self.texts else default

    def names(self, kind: str) -> tuple[str, ...]:
        """Ids of the entries of a kind, sorted: ``job.names("lead")``."""
        start = f"{kind}/"
        return tuple(sorted(key[len(start) :] for key in self.texts if key.startswith(start)))

    def to_mapping(self) -> dict[str, Any]:
        """The whole document as key -> JSON value; `JobStore.import_job` takes it back."""
        return {key: value_of(self.texts[key]) for key in sorted(self.texts)}

    # --- what it says ---------------------------------------------------------------

    @property
    def name(self) -> str:
        """The job's name, "" when it has none."""
        return self.about.get("name", "")

    @property
    def about(self) -> dict[str, Any]:
        """{"name", "mould", "resin", "person", "note"}; missing ones are missing."""
        return self.value("about", {})

    @cached_property
    def settings(self) -> Settings:
        return Settings.from_mapping(self.value("settings", {}))

    @cached_property
    def plate(self) -> Plate | None:
        """The plate, or None while none is entered."""
        mapping = self.value("plate")
        return None if mapping is None else Plate.from_mapping(mapping)

    @cached_property
    def photos(self) -> tuple[PhotoEntry, ...]:
        """Photos by stage, then round, time and name."""
        found = (PhotoEntry.from_mapping(n, self.value(f"photo/{n}")) for n in self.names("photo"))
        return tuple(sorted(found, key=lambda photo: photo.order))

    @cached_property
    def fits(self) -> Mapping[str, PhotoFit]:
        """sha256 -> fit of each fitted photo."""
        fits = {name: _fit_of(self.value(f"fit/{name}")) for name in self.names("fit")}
        return MappingProxyType({name: fit for name, fit in fits.items() if fit is not None})

    def clicks(self, sha256: str) -> list[Any]:
        """The clicks that were set on a photo for its fit, as they were kept."""
        return self.value(key_of("fit", sha256), {}).get("clicks") or []

    @cached_property
    def leads(self) -> tuple[TracedLead, ...]:
        """Leads as traced so far, in the order in which people count (Z2 before Z10)."""
        found = (TracedLead.from_mapping(self.value(f"lead/{n}")) for n in self.names("lead"))
        return tuple(sorted(found, key=lambda lead: counting_order(lead.id)))

    @cached_property
    def thick_leads(self) -> tuple[TracedLead, ...]:
        """`leads`, those without a diameter of their own with that entered for their kind."""
        return with_kinds(self.leads, self.settings.diameters_mm)

    @cached_property
    def judged(self) -> tuple[JudgedEntry, ...]:
        """Judgements, oldest first."""
        found = (
            JudgedEntry.from_mapping(n, self.value(f"judged/{n}")) for n in self.names("judged")
        )
        return tuple(sorted(found, key=lambda one: (one.at.isoformat() if one.at else "", one.id)))

    @cached_property
    def done(self) -> tuple[DoneStep, ...]:
        """The teardown log in order, as it was written; `teardown` follows it."""
        found = (DoneStep.from_mapping(n, self.value(f"done/{n}")) for n in self.names("done"))
        return tuple(sorted(found, key=lambda step: int(step.number)))

    @cached_property
    def covers(self) -> tuple[CoverEntry, ...]:
        """Covers and clips, in the order in which people count."""
        names = sorted(self.names("cover"), key=counting_order)
        return tuple(CoverEntry.from_mapping(n, self.value(f"cover/{n}")) for n in names)

    @cached_property
    def takeouts(self) -> Mapping[str, TakeoutEntry]:
        """What is taken out, by drop; a drop that is not there takes nothing out."""
        names = sorted(self.names("takeout"), key=counting_order)
        return MappingProxyType(
            {n: TakeoutEntry.from_mapping(n, self.value(f"takeout/{n}")) for n in names}
        )

    @cached_property
    def parts(self) -> JobParts:
        """Covers, nozzles and heaters as the plan takes them. Without a plate there are none."""
        if self.plate is None or not (self.covers or self.takeouts):
            return JobParts()
        leads = self.route_map().leads_by_id
        return job_parts(self.plate, self.covers, tuple(self.takeouts.values()), leads)

    @cached_property
    def map_with_parts(self) -> RouteMap:
        """``route_map(provisional=True)`` with covers, nozzles and heaters in it: the map that
        the log, the plan and every check go by. Raises RecordsError without a plate."""
        return with_parts(self.route_map(), self.parts.parts)

    def refusals(self, event: Any) -> list[str]:
        """Why an event should not be logged as it is, see `mapper.pulling.refusals`."""
        return refusals(self.map_with_parts, self.done, event, self.judged)

    @cached_property
    def teardown(self) -> LogReading:
        """The plate as the teardown log leaves it: plan, check and explain from this one's
        `route_map` and `done`. What in the log no longer fits is told in its `findings`.

        A judgement made after a lead was put back counts for how it lies there now. A piece of
        a broken lead is provisional when its ``lead_of(piece)`` is. Raises RecordsError
        without a plate.
        """
        return read_log(self.map_with_parts, self.done, self.judged)

    @cached_property
    def zones(self) -> tuple[Zone, ...]:
        """Every zone of the plate with its data and bench readings, entered or not; then those
        entered beyond the plate's drops (a manifold zone has none)."""
        named = [one.id.rpartition("-")[0] for one in self.expected_leads()]
        kept = sorted(self.names("zone"), key=counting_order)
        return tuple(
            Zone.from_mapping(name, self.value(key_of("zone", name), {}))
            for name in dict.fromkeys([*named, *kept])
        )

    @cached_property
    def limits(self) -> Limits:
        """The limits of bench verdicts, with those that this job sets anew."""
        return Limits.from_mapping(self.value("limits", {}))

    @cached_property
    def costs(self) -> Costs:
        """What is entered of the cost of cleaning in-house and of sending out."""
        return Costs.from_mapping(self.value("costs", {}))

    @property
    def spare_pins(self) -> tuple[str, ...]:
        """Connector pins left free on purpose."""
        return read_spare(self.value("pins", {}).get("spare", ""))

    @property
    def connectors(self) -> dict[str, str]:
        """Connector -> exit by which its leads leave the plate, where somebody said so."""
        return read_connectors(self.value("pins", {}).get("connectors"))

    @cached_property
    def rebuild(self) -> RebuildEntry:
        """What the rebuild planner is asked for."""
        return RebuildEntry.from_mapping(self.value("rebuild", {}), self.settings.diameters_mm)

    @cached_property
    def as_built(self) -> AsBuilt | None:
        """The routes that were laid, or None while nobody accepted any."""
        value = self.value("as-built")
        return None if value is None else AsBuilt.from_mapping(value)

    @cached_property
    def notes(self) -> tuple[ShiftNote, ...]:
        """Notes for the next shift, newest first."""
        found = (ShiftNote.from_mapping(n, self.value(f"note/{n}")) for n in self.names("note"))
        order = sorted(found, key=lambda one: (one.at.isoformat() if one.at else "", one.id))
        return tuple(reversed(order))

    # --- what is still missing ------------------------------------------------------

    def expected_leads(self) -> tuple[ExpectedLead, ...]:
        """The leads that the plate's drops must have: D07 -> Z07-H and Z07-T."""
        return () if self.plate is None else expected_leads(self.plate, self.settings)

    def missing_leads(self) -> tuple[ExpectedLead, ...]:
        """Expected leads of which no point is traced yet."""
        return missing_leads(self.expected_leads(), self.leads)

    @cached_property
    def doubted_photos(self) -> frozenset[str]:
        """Photos whose fit is doubtful and was confirmed by nobody: what was traced there may
        lie somewhere else on the plate."""
        entries = {name: self.value(f"fit/{name}") for name in self.names("fit")}
        return frozenset(
            name
            for name, entry in entries.items()
            if entry.get("fit") and entry["fit"].get("verdict") != "good"
            if not entry.get("confirmed")
        )

    @cached_property
    def _provisional(self) -> Provisional:
        # A route from a doubted photo is no route: the plan takes that lead as not traced.
        doubted = {
            lead.id
            for lead in self.leads
            if any(one.photo in self.doubted_photos for one in lead.stretches)
        }
        leads = tuple(
            replace(lead, stretches=(), finished=False) if lead.id in doubted else lead
            for lead in self.thick_leads
        )
        found = provisional_leads(self.plate, leads, self.missing_leads(), self.settings)
        if not doubted:
            return found
        names = ", ".join(sorted(doubted)[:3]) + (" and more" if len(doubted) > 3 else "")
        sentence = (
            f"{names} was traced on a photo whose fit is doubtful, and does not count as traced: "
            "confirm that fit, or mend it."
        )
        return replace(found, warnings=(sentence, *found.warnings))

    def provisional_ids(self) -> frozenset[str]:
        """Leads of ``route_map(provisional=True)`` that run, in whole or in part, where nobody
        traced them: draw them as a question, and never offer one as a step."""
        return self._provisional.ids

    def untraced_runs_mm(self) -> Mapping[str, tuple[tuple[float, float], ...]]:
        """The provisional stretches of each such lead, as (from, to) arc length from its drop
        along its route in ``route_map(provisional=True)``."""
        return self._provisional.runs_mm

    def warnings(self) -> tuple[str, ...]:
        """Plain sentences on what keeps a pull plan from being right or useful."""
        return (*self._provisional.warnings, *self.parts.warnings)

    def route_map(self, provisional: bool = True) -> RouteMap:
        """The job's plate, leads and judgements.

        With `provisional`, what nobody has traced yet is there too, as unseen leads along
        the channels, so that a plan can't call free what may lie under them: plan from this
        one. Without, only what was traced: draw and judge from this one. Meetings of leads
        that are traced from end to end are the same in both.

        Raises
        ------
        RecordsError
            No plate is entered yet.
        """
        if self.plate is None:
            raise RecordsError("The job has no plate yet: enter it on the plate page first.")
        return self._planned_map if provisional else self._traced_map

    @cached_property
    def _planned_map(self) -> RouteMap:
        extra = self.about.get("extra") or {}
        return self._provisional.route_map(self.plate, self.judged, self.settings, extra)

    @cached_property
    def _traced_map(self) -> RouteMap:
        drawn = (one.to_lead() for one in self.thick_leads)
        leads = tuple(lead for lead in drawn if lead is not None)
        return RouteMap(
            plate=self.plate,
            leads=with_diameters(leads, thickest_mm(self.leads, self.settings.diameters_mm)),
            judged=tuple(one.to_judged() for one in self.judged),
            tracing_error_mm=self.settings.tracing_error_mm,
            unseen_error_mm=self.settings.unseen_error_mm,
            extra=self.about.get("extra") or {},
        )


def counting_order(name: str) -> tuple[Any, ...]:
    """Sort key that counts numbers inside a name."""
    parts = re.split(r"([0-9]+)", name)
    return tuple((1, int(part), "") if i % 2 else (0, 0, part) for i, part in enumerate(parts))
