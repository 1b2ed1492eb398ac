"""Covers, clips, nozzles and heaters of a job, and the parts that the plan makes of them.

``cover/<id>``: {"kind": "cover" or "clip", "over": [{"channel", "from_mm", "to_mm", "ends"}] or
"outline": [[x, y], ...], "note"}. A stretch without numbers is the whole channel. "ends" are
the two places where it began and ended when it was entered: a channel drawn anew moves no cover.

``takeout/<drop id>``: {"nozzle": true or false, "heater": true or false, "thermocouple":
"with the nozzle" or "at the front"}. A drop without an entry takes no part out. The default is
with the nozzle: the careful choice, since its lead then hangs until the nozzle is out.

In doubt a cover holds more: one that can't be placed on the plate any more holds every lead.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import shapely

from mapper.errors import shown
from mapper.plate import Plate
from mapper.pulling import ChannelStretch, Cover, Heater, Nozzle, Part
from mapper.records.document import number, place, required, text
from mapper.records.errors import RecordsError
from mapper.routes import RouteMap

__all__ = [
    "CoverEntry",
    "JobParts",
    "Over",
    "TakeoutEntry",
    "job_parts",
    "next_cover_id",
    "parts_from_file",
    "parts_in_file",
    "parts_to_file",
]

MAX_ID = 64
MAX_POINTS = 1000
WAYS_OUT = ("with the nozzle", "at the front")
_FAR_MM = 1000.0  # leads end well within this far outside the plate
_END_MM = 0.5  # a stretch may reach this far past the end of its channel
_MOVED_MM = 3.0  # a stretch whose ends lie further from where they were is not where it was
IN_FILE = "parts_to_take_out"  # our own key in a route-map file


@dataclass(frozen=True)
class Over:
    """A stretch of a channel that a cover lies on; None: from or to the channel's end."""

    channel: str
    from_mm: float | None = None
    to_mm: float | None = None
    ends_mm: tuple[tuple[float, float], tuple[float, float]] | None = None  # plate mm

    @classmethod
    def on(cls, plate: Plate, channel: str, from_mm: float, to_mm: float) -> Over:
        """A stretch as it lies on the plate now. Raises RecordsError without that channel, and
        for a stretch that is not on it."""
        found = next((one for one in plate.channels if one.id == channel), None)
        if found is None:
            raise RecordsError(f"The plate has no channel {shown(channel)}: choose another.")
        line = shapely.LineString(found.points_mm)
        if not -_END_MM <= from_mm <= to_mm <= line.length + _END_MM:
            raise RecordsError(
                f"Channel {shown(channel)} is {line.length:.0f} mm long: the cover has to begin "
                "and end on it."
            )
        ends = [line.interpolate(mm).coords[0] for mm in (from_mm, to_mm)]
        return cls(channel, from_mm, to_mm, (ends[0], ends[1]))

    @classmethod
    def from_mapping(cls, mapping: Any, where: str) -> Over:
        channel = text(required(mapping, "channel", where), f"{where}: channel")
        ends = [
            None if mapping.get(key) is None else number(mapping[key], f"{where}: {key}")
            for key in ("from_mm", "to_mm")
        ]
        if None not in ends and ends[0] > ends[1]:
            raise RecordsError(f"{shown(where)}: from_mm should not be more than to_mm.")
        places = mapping.get("ends")
        if places is not None:
            if not isinstance(places, list | tuple) or len(places) != 2 or None in places:
                raise RecordsError(f"{shown(where)}: ends should be two places (x, y), in mm.")
            places = tuple(place(one, f"{where}: ends") for one in places)
        return cls(channel, *ends, places)

    def to_mapping(self) -> dict[str, Any]:
        mapping = {"channel": self.channel, "from_mm": self.from_mm, "to_mm": self.to_mm}
        if self.ends_mm is not None:
            mapping["ends"] = [list(one) for one in self.ends_mm]
        return mapping


@dataclass(frozen=True)
class CoverEntry:
    """A cover or clip; it lies over stretches of channels or over an outline in plate mm."""

    id: str
    kind: str = "cover"
    over: tuple[Over, ...] = ()
    outline_mm: tuple[tuple[float, float], ...] = ()
    note: str = ""
    extra: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def from_mapping(cls, id: str, mapping: Mapping[str, Any]) -> CoverEntry:
        where = f"cover {id}"
        if not isinstance(mapping, Mapping):
            raise RecordsError(f"{shown(where)} is damaged: enter it again.")
        if len(id) > MAX_ID:
            raise RecordsError(f"The name {shown(id)} is too long: use at most {MAX_ID} letters.")
        kind = mapping.get("kind", "cover")
        if kind not in ("cover", "clip"):
            raise RecordsError(f"{shown(where)}: kind should be cover or clip, not {shown(kind)}.")
        over, outline = mapping.get("over"), mapping.get("outline")
        for name, value in (("over", over), ("outline", outline)):
            if value is not None and not (
                isinstance(value, list | tuple) and 0 < len(value) <= MAX_POINTS
            ):
                raise RecordsError(f"{shown(where)}: {name} should be a list that is not empty.")
        if (over is None) == (outline is None):
            raise RecordsError(
                f"{shown(where)} should lie over channels or over an outline: give one of them."
            )
        corners = []
        for corner in outline or ():
            if not isinstance(corner, list | tuple) or len(corner) != 2:
                raise RecordsError(f"{shown(where)}: a corner should be (x, y), in mm.")
            corners.append(tuple(number(value, f"{where}: corner") for value in corner))
        if outline is not None and len(corners) < 3:
            raise RecordsError(f"{shown(where)} needs an outline of three corners or more.")
        known = {"kind", "over", "outline", "note"}
        return cls(
            id,
            kind,
            tuple(Over.from_mapping(one, where) for one in over or ()),
            tuple(corners),
            text(mapping.get("note", ""), f"{where}: note"),
            {key: value for key, value in mapping.items() if key not in known},
        )

    def to_mapping(self) -> dict[str, Any]:
        lies: dict[str, Any] = {"over": [one.to_mapping() for one in self.over]}
        if self.outline_mm:
            lies = {"outline": [list(corner) for corner in self.outline_mm]}
        return {**self.extra, "kind": self.kind, **lies, "note": self.note}


@dataclass(frozen=True)
class TakeoutEntry:
    """What is taken out of a drop, and how its thermocouple leaves."""

    drop: str
    nozzle: bool = False
    heater: bool = False
    thermocouple: str = "with the nozzle"
    extra: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def from_mapping(cls, drop: str, mapping: Mapping[str, Any]) -> TakeoutEntry:
        where = f"takeout of {drop}"
        if not isinstance(mapping, Mapping):
            raise RecordsError(f"{shown(where)} is damaged: enter it again.")
        flags = []
        for key in ("nozzle", "heater"):
            value = mapping.get(key, False)
            if not isinstance(value, bool):
                raise RecordsError(
                    f"{shown(where)}: {key} should be yes or no, not {shown(value)}."
                )
            flags.append(value)
        way = mapping.get("thermocouple", "with the nozzle")
        if way not in WAYS_OUT:
            raise RecordsError(
                f"{shown(where)}: the thermocouple leaves with the nozzle or at the front, "
                f"not {shown(way)}."
            )
        known = {"nozzle", "heater", "thermocouple"}
        extra = {key: value for key, value in mapping.items() if key not in known}
        return cls(drop, flags[0], flags[1], way, extra)

    def to_mapping(self) -> dict[str, Any]:
        return {
            **self.extra,
            "nozzle": self.nozzle,
            "heater": self.heater,
            "thermocouple": self.thermocouple,
        }


@dataclass(frozen=True)
class JobParts:
    """The parts for the plan, and what is wrong with the entries, in plain sentences."""

    parts: tuple[Part, ...] = ()
    warnings: tuple[str, ...] = ()


def job_parts(
    plate: Plate,
    covers: Sequence[CoverEntry],
    takeouts: Sequence[TakeoutEntry],
    lead_ids: Collection[str],
) -> JobParts:
    """Return the parts of a job as they fit its plate now."""
    parts: list[Part] = []
    warnings: list[str] = []
    taken = set(lead_ids)
    drops = {drop.id for drop in plate.drops}
    for entry in takeouts:
        wanted: list[Part] = [Nozzle(entry.drop, entry.thermocouple)] if entry.nozzle else []
        wanted += [Heater(entry.drop)] if entry.heater else []
        for part in wanted:
            if entry.drop not in drops:
                warnings.append(
                    f"The plate has no drop {shown(entry.drop)} any more: its {part.id} is left "
                    "out of the plan."
                )
            elif part.id in taken:
                warnings.append(f"{shown(part.id)} is the name of a lead too: rename that lead.")
            else:
                parts.append(part)
                taken.add(part.id)
    lines = {one.id: shapely.LineString(one.points_mm) for one in plate.channels}
    for entry in covers:
        over: Any = entry.outline_mm
        if not over:
            over = _stretches(entry, lines)
            if over is None:
                over = _everything(plate)
                warnings.append(
                    f"{shown(entry.id)} lies on a channel that the plate does not have there now: "
                    "every lead waits for it until it is off, or entered anew."
                )
        name = entry.id
        while name in taken:
            name += " (part)"
        taken.add(name)
        parts.append(Cover(name, over))
    return JobParts(tuple(parts), tuple(warnings))


def _stretches(
    entry: CoverEntry, lines: Mapping[str, shapely.LineString]
) -> tuple[ChannelStretch, ...] | None:
    found = []
    for one in entry.over:
        line = lines.get(one.channel)
        if line is None:
            return None
        length_mm = line.length
        low_mm = 0.0 if one.from_mm is None else one.from_mm
        high_mm = length_mm if one.to_mm is None else one.to_mm
        if low_mm < -_END_MM or high_mm > length_mm + _END_MM or low_mm > high_mm:
            return None  # the channel was drawn anew: where the cover lies now is not known
        for mm, end in zip((low_mm, high_mm), one.ends_mm or (), strict=False):
            if line.interpolate(mm).distance(shapely.Point(end)) > _MOVED_MM:
                return None
        found.append(ChannelStretch(one.channel, low_mm, high_mm))
    return tuple(found)


def _everything(plate: Plate) -> tuple[tuple[float, float], ...]:
    xs, ys = zip(*plate.outline_mm, strict=True)
    low_x, high_x = min(xs) - _FAR_MM, max(xs) + _FAR_MM
    low_y, high_y = min(ys) - _FAR_MM, max(ys) + _FAR_MM
    return ((low_x, low_y), (high_x, low_y), (high_x, high_y), (low_x, high_y))


def next_cover_id(kind: str, taken: Collection[str]) -> str:
    """Return the next free name, "cover 3". `taken` must hold the names in the teardown log
    too: a new cover under the name of one that came off would count as off."""
    numbers = [re.fullmatch(r"(?:cover|clip) ([0-9]{1,9})(?: \(part\))*", name) for name in taken]
    return f"{kind} {max((int(one.group(1)) for one in numbers if one), default=0) + 1}"


def parts_to_file(covers: Sequence[CoverEntry], takeouts: Sequence[TakeoutEntry]) -> dict[str, Any]:
    """Return what a route-map file says about parts: our own key, or nothing without any."""
    if not covers and not takeouts:
        return {}
    return {
        IN_FILE: {
            "covers": {one.id: one.to_mapping() for one in covers},
            "takeouts": {one.drop: one.to_mapping() for one in takeouts},
        }
    }


def parts_from_file(
    extra: Mapping[str, Any],
) -> tuple[tuple[CoverEntry, ...], tuple[TakeoutEntry, ...]]:
    """Read it again. Raises RecordsError for what is damaged: a cover is never lost silently."""
    value = extra.get(IN_FILE, {})
    groups = []
    for key in ("covers", "takeouts"):
        group = value.get(key, {}) if isinstance(value, Mapping) else None
        if not isinstance(group, Mapping):
            raise RecordsError(f"The file's {IN_FILE} can't be read: write the file anew.")
        groups.append(group)
    return (
        tuple(CoverEntry.from_mapping(name, one) for name, one in groups[0].items()),
        tuple(TakeoutEntry.from_mapping(name, one) for name, one in groups[1].items()),
    )


def parts_in_file(route_map: RouteMap) -> JobParts:
    """Return the parts that a route-map file tells of, for planning from the file."""
    covers, takeouts = parts_from_file(route_map.extra)
    return job_parts(route_map.plate, covers, takeouts, route_map.leads_by_id)
