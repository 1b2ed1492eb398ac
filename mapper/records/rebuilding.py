"""What a job keeps of its rebuild: wishes and settings, the as-built map, notes between shifts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from mapper.bench import PinExits, exits_by_pins
from mapper.errors import MapperError, shown
from mapper.rebuild import RebuildError, RebuildPlan, RebuildSettings, WantedLead
from mapper.records.document import UNSEEN_ERROR_MM, moment, number, required, text
from mapper.records.errors import RecordsError
from mapper.routes import RouteMap, route_map_from_mapping, route_map_to_mapping

if TYPE_CHECKING:
    from mapper.records.job import Job

__all__ = [
    "AsBuilt",
    "Correction",
    "RebuildEntry",
    "ShiftNote",
    "as_built_of",
    "as_built_of_job",
    "pin_exits",
    "wanted_leads",
]

DIAMETERS_MM = {"heater": 2.5, "thermocouple": 2.0, "other": 2.0}  # common practice, no source
MAX_NOTE = 4000


@dataclass(frozen=True)
class RebuildEntry:
    """The ``rebuild`` entry: what the planner is asked for.

    `channels`, `exits`: lead id -> where it has to run, or leave. `diameters_mm`: by kind, what
    was typed here for leads without a thickness of their own; `usual_mm` where nothing was.
    """

    settings: RebuildSettings = RebuildSettings()
    channels: Mapping[str, str] = field(default_factory=dict)
    exits: Mapping[str, str] = field(default_factory=dict)
    diameters_mm: Mapping[str, float] = field(default_factory=dict)
    usual_mm: Mapping[str, float] = field(default_factory=lambda: dict(DIAMETERS_MM))

    @classmethod
    def from_mapping(
        cls, mapping: Mapping[str, Any], entered_mm: Mapping[str, float] | None = None
    ) -> RebuildEntry:
        """Read the entry; `entered_mm`: how thick the job says that all leads of a kind are."""
        kept = _part(mapping, "settings")
        known = RebuildSettings.__dataclass_fields__
        try:
            settings = RebuildSettings(
                **{k: number(v, f"rebuild: {k}") for k, v in kept.items() if k in known}
            )
        except RebuildError as error:
            raise RecordsError(str(error)) from None
        wishes = [
            {str(k): text(v, f"rebuild: {k}") for k, v in _part(mapping, part).items()}
            for part in ("channels", "exits")
        ]
        diameters = {}
        for kind, value in _part(mapping, "diameters_mm").items():
            diameters[kind] = number(value, f"rebuild: diameter of {kind}")
            if diameters[kind] <= 0:
                raise RecordsError(f"The diameter of a {shown(kind)} lead should be above 0 mm.")
        return cls(settings, *wishes, diameters, {**DIAMETERS_MM, **(entered_mm or {})})

    def diameter_mm(self, kind: str) -> float:
        """How thick a lead of that kind is planned that has no thickness of its own."""
        return self.diameters_mm.get(kind) or self.usual_mm[kind]

    def to_mapping(self) -> dict[str, Any]:
        return {
            "settings": asdict(self.settings),
            "channels": dict(self.channels),
            "exits": dict(self.exits),
            "diameters_mm": dict(self.diameters_mm),
        }


@dataclass(frozen=True)
class Correction:
    """That somebody gave a lead of the as-built map another route, how, and when."""

    wire: str
    how: str = ""
    by: str = ""
    at: datetime | None = None

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Correction:
        where = "as-built: correction"
        return cls(
            text(required(mapping, "wire", where), where),
            text(mapping.get("how", ""), where),
            text(mapping.get("by", ""), where),
            moment(mapping.get("at"), where),
        )

    def to_mapping(self) -> dict[str, Any]:
        at = None if self.at is None else self.at.isoformat()
        return {"wire": self.wire, "how": self.how, "by": self.by, "at": at}


@dataclass(frozen=True)
class AsBuilt:
    """The ``as-built`` entry: the routes that were laid, in which order and how long.

    `laid_map` is what was planned or traced. `confirmed`: somebody said that it was laid exactly
    like this. Until then nobody has seen the wiring, so `route_map` gives every stretch as unseen
    and every meeting as open: a plan must never tell the next person that a lead is free.
    `install`: (lead id, cut length in mm or None) in the order of laying; may be empty for a map
    that came from elsewhere. `source`: where it came from, in words. `corrections`: leads that
    were given another route since, oldest first.
    """

    laid_map: RouteMap
    install: tuple[tuple[str, float | None], ...] = ()
    source: str = ""
    by: str = ""
    at: datetime | None = None
    confirmed: bool = False
    corrections: tuple[Correction, ...] = ()

    @property
    def route_map(self) -> RouteMap:
        """The map as far as somebody has seen it."""
        if self.confirmed:
            return self.laid_map
        leads = tuple(
            replace(lead, seen=(False,) * (len(lead.points_mm) - 1)) for lead in self.laid_map.leads
        )
        unseen_mm = max(UNSEEN_ERROR_MM, self.laid_map.unseen_error_mm)
        return replace(self.laid_map, leads=leads, judged=(), unseen_error_mm=unseen_mm)

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> AsBuilt:
        where = "as-built"
        try:
            laid_map = route_map_from_mapping(required(mapping, "laid_map", where))
        except MapperError as error:
            raise RecordsError(f"The as-built map can't be read: {shown(error, 200)}") from None
        install = []
        for one in mapping.get("install") or ():
            length = one.get("cut_length_mm") if isinstance(one, Mapping) else None
            wire = text(required(one, "wire", where), f"{where}: wire")
            install.append((wire, None if length is None else number(length, f"{where}: length")))
        corrections = mapping.get("corrections") or ()
        if not isinstance(corrections, list | tuple):
            raise RecordsError(f"{where}: corrections should be a list: take the map anew.")
        return cls(
            laid_map,
            tuple(install),
            text(mapping.get("source", ""), f"{where}: source"),
            text(mapping.get("by", ""), f"{where}: by"),
            moment(mapping.get("at"), f"{where}: at"),
            mapping.get("confirmed") is True,
            tuple(map(Correction.from_mapping, corrections)),
        )

    def to_mapping(self) -> dict[str, Any]:
        return {
            "laid_map": route_map_to_mapping(self.laid_map),
            "install": [{"wire": wire, "cut_length_mm": mm} for wire, mm in self.install],
            "source": self.source,
            "by": self.by,
            "at": None if self.at is None else self.at.isoformat(),
            "confirmed": self.confirmed,
            "corrections": [one.to_mapping() for one in self.corrections],
        }


@dataclass(frozen=True)
class ShiftNote:
    """A ``note/<id>`` entry: what somebody wants the next shift to know."""

    id: str
    text: str
    by: str = ""
    at: datetime | None = None

    @classmethod
    def from_mapping(cls, id: str, mapping: Mapping[str, Any]) -> ShiftNote:
        words = text(required(mapping, "text", "note"), "note: text")
        if not words.strip() or len(words) > MAX_NOTE:
            raise RecordsError(f"A note should have 1 to {MAX_NOTE} letters.")
        by = text(mapping.get("by", ""), "note: by")
        return cls(id, words, by, moment(mapping.get("at"), "note: at"))

    def to_mapping(self) -> dict[str, Any]:
        at = None if self.at is None else self.at.isoformat()
        return {"text": self.text, "by": self.by, "at": at}


def wanted_leads(job: Job) -> list[WantedLead]:
    """Return every lead of the job, traced or not, with what the rebuild entry wishes for it.

    Wishes for channels or exits that the plate no longer has are left out. An exit that nobody
    fixed is the one of the lead's connector, where the pin table says so.
    """
    if job.plate is None:
        return []
    entry, by_pins = job.rebuild, pin_exits(job).exits
    drops = {drop.id for drop in job.plate.drops}
    channels = {channel.id for channel in job.plate.channels}
    exits = {exit_.id for exit_ in job.plate.exits}
    named = _named_leads(job)
    places = {one.id: k for k, one in enumerate(job.expected_leads())}
    wanted = []
    for name in sorted(named, key=lambda one: (places.get(one, len(places)), one)):
        kind, drop, diameter_mm = named[name]
        if drop in drops:
            wish = entry.channels.get(name), entry.exits.get(name)
            wanted.append(
                WantedLead(
                    name,
                    kind,
                    drop,
                    diameter_mm or entry.diameter_mm(kind),
                    exit=wish[1] if wish[1] in exits else by_pins.get(name),
                    channel=wish[0] if wish[0] in channels else None,
                )
            )
    return wanted


def _named_leads(job: Job) -> dict[str, tuple[str, str, float | None]]:
    """Lead id -> (kind, drop, diameter in mm where measured) of every lead, traced or not."""
    named = {one.id: (one.kind, one.drop, None) for one in job.missing_leads()}
    return named | {one.id: (one.kind, one.drop, one.diameter_mm) for one in job.leads}


def pin_exits(job: Job) -> PinExits:
    """Return by which exit each lead has to leave as its connector says, with what contradicts
    itself and where a person fixed a lead otherwise, in sentences. Without a pin table: nothing."""
    if job.plate is None:
        return PinExits()
    known = {exit_.id for exit_ in job.plate.exits}
    zones = {zone.id: zone.data for zone in job.zones}
    leads = [(name, kind) for name, (kind, _, _) in sorted(_named_leads(job).items())]
    found = exits_by_pins(leads, zones, job.connectors, known)
    otherwise = tuple(
        f"{shown(lead)} is fixed to exit {shown(own)} by hand, but its connector is at exit "
        f"{shown(found.exits[lead])}: planned as fixed. Free it, or mend the pin table."
        for lead, own in sorted(job.rebuild.exits.items())
        if own in known and found.exits.get(lead, own) != own
    )
    return replace(found, conflicts=(*found.conflicts, *otherwise))


def as_built_of(plan: RebuildPlan, by: str, at: datetime) -> AsBuilt:
    """Return a plan as the as-built map that a person then corrects, or confirms."""
    install = tuple((one.lead.id, one.cut_length_mm) for one in plan.leads)
    return AsBuilt(plan.route_map, install, "the rebuild plan", by, at)


def as_built_of_job(other: Job, by: str, at: datetime) -> AsBuilt:
    """Return the traced routes of another job as the as-built map, as seen by whoever traced them.

    Raises RecordsError when a lead there is not traced to its end, or not at all: the map would
    end where somebody stopped, and what lies beyond would count for nothing on the next rebuild.
    """
    if other.plate is None or not other.leads:
        raise RecordsError("That job has no traced leads: choose another.")
    open_leads = sorted(other.provisional_ids())
    if open_leads:
        more = f" and {len(open_leads) - 3} more" if len(open_leads) > 3 else ""
        raise RecordsError(
            f"{shown(', '.join(open_leads[:3]), 200)}{more} of that job is not traced to its end "
            "on a trusted photo: finish it there first."
        )
    source = f"the job {other.name}"
    return AsBuilt(other.route_map(provisional=False), (), source, by, at, confirmed=True)


def _part(mapping: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    """The object under a key of an entry; empty where it is missing."""
    value = mapping.get(key) or {}
    if not isinstance(value, Mapping):
        raise RecordsError(f"rebuild: {key} should be an object, not {shown(value)}.")
    return value
