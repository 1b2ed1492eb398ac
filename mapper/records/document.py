"""One job as a flat document: key -> JSON value, and the small records read from it.

Keys
----
=================  ==================================================================
``about``          {"name", "mould", "resin", "person", "note"}
``plate``          the plate mapping of the route-map file
``settings``       {"tracing_error_mm", "unseen_error_mm", "leads_per_drop", "not_there",
                   "diameters_mm": {kind: mm}}
``photo/<sha>``    {"name", "stage", "taken_at", "focal35_mm", "width_px", "height_px"}
``fit/<sha>``      {"fit": PhotoFit.to_dict() or null, "clicks": [...]}
``lead/<id>``      a traced lead, see `mapper.records.leads`
``judged/<uuid>``  {"a", "b", "x", "y", "top", "by", "at", "photo"}
``cover/<id>``      a cover or clip, see `mapper.records.parts`
``takeout/<drop>``  what is taken out of a drop, see there
``done/<0001>``    {"action", "wire", "past", "at", "by", "reason", "reached"}: the log
``zone/<id>``      data and bench readings of a zone, see `mapper.bench.Zone`
``response/<0001>`` a response test, see `mapper.bench.response`
``warmup/<0001>``  a warm-up that was watched, see `mapper.bench.warmup`
``limits``         limits set anew for this job, see `mapper.bench.Limits`
``pins``           {"spare": text, "connectors": {connector: exit}}: pins left free on
                   purpose; by which exit the leads of a connector leave
``costs``          what the user enters of cost, see `mapper.bench.salvage.Costs`
``rebuild``        wishes and settings of the rebuild, see `mapper.records.rebuilding`
``as-built``       the routes that were laid, see there
``note/<uuid>``    {"text", "by", "at"}: a note for the next shift
=================  ==================================================================

Values are kept as canonical JSON text (sorted keys, ASCII), so that two values are the
same exactly when their texts are, and so that a view of a job can't be changed in place.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np

from mapper.errors import shown
from mapper.records.errors import RecordsError
from mapper.routes.model import TRACING_ERROR_MM, Judged

__all__ = [
    "DoneStep",
    "JudgedEntry",
    "PhotoEntry",
    "Settings",
    "check_key",
    "extras",
    "key_of",
    "moment",
    "number",
    "place",
    "required",
    "text",
    "text_of",
    "value_of",
]

MAX_KEY_LENGTH = 200  # a kind, a slash and an id of 64 characters, with room
UNSEEN_ERROR_MM = 4.0  # how far a buried run may lie from where it was drawn
KINDS_WITH_ID = (
    *("photo", "fit", "lead", "judged", "done", "zone", "cover", "takeout", "note"),
    *("response", "warmup"),
)
KINDS_ALONE = ("about", "plate", "settings", "limits", "pins", "costs", "rebuild", "as-built")
LOG_ACTIONS = ("pull", "peel", "broke", "put back", "took off")
_SHA256 = re.compile(r"[0-9a-f]{64}\Z")
_STAGE_ORDER = {"before": 0, "during": 1, "cleared": 2, "rebuilt": 3}


def text_of(value: Any) -> str:
    """Return the canonical JSON text of a value; numpy scalars and arrays count as numbers.

    Raises
    ------
    ValueError, TypeError
        A number is not finite, or something is no JSON: a mistake of the caller.
    """
    return json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False, default=_plain)


def _plain(value: Any) -> Any:
    if isinstance(value, (np.ndarray, np.generic)):
        return value.tolist()
    raise TypeError(f"{type(value).__name__} can't be kept in a job")


def value_of(text: str) -> Any:
    """Return a fresh copy of the value whose canonical text this is."""
    return json.loads(text)


def key_of(kind: str, name: str) -> str:
    """Return the key of an entry of that kind: ``key_of("lead", "Z07-H")`` is ``lead/Z07-H``."""
    return f"{kind}/{name}"


def check_key(key: str) -> tuple[str, str]:
    """Return (kind, id) of a key; the id may itself hold slashes.

    Raises
    ------
    RecordsError
        The key is of no known kind, too long, or holds control characters.
    """
    kind, slash, name = key.partition("/")
    known = (kind in KINDS_WITH_ID and name != "") if slash else kind in KINDS_ALONE
    if not known:
        raise RecordsError(f"A job has no entry {shown(key)}: check the file it came from.")
    if len(key) > MAX_KEY_LENGTH:
        raise RecordsError(f"The name {shown(name)} is too long: use at most 64 characters.")
    if any(ord(ch) < 32 or ord(ch) == 127 or 0xD800 <= ord(ch) < 0xE000 for ch in key):
        raise RecordsError(f"The name {shown(name)} holds a character that can't be kept: retype.")
    if kind in ("photo", "fit") and not _SHA256.match(name):
        raise RecordsError(f"{shown(name)} names no photo: add the photo again.")
    return kind, name


def required(mapping: Any, key: str, where: str) -> Any:
    """Return ``mapping[key]`` or say, with the place, that it is missing."""
    if not isinstance(mapping, Mapping) or key not in mapping:
        raise RecordsError(f"{shown(where)} lacks {key}: the job file is damaged or incomplete.")
    return mapping[key]


def number(value: Any, where: str) -> float:
    """Return a finite float or say, with the place, that it is none."""
    try:
        if not isinstance(value, bool) and isinstance(value, (int, float)):
            made = float(value)
            if math.isfinite(made):
                return made
    except OverflowError:  # a whole number of hundreds of digits
        pass
    raise RecordsError(f"{shown(where)} should be a number, not {shown(value)}.")


def text(value: Any, where: str) -> str:
    """Return a string or say, with the place, that it is none."""
    if not isinstance(value, str):
        raise RecordsError(f"{shown(where)} should be text, not {shown(value)}.")
    return value


def extras(value: Any, where: str) -> dict[str, Any]:
    """Return the keys that this version does not know, or say that they are no object."""
    if value is not None and not isinstance(value, Mapping):
        raise RecordsError(f"{shown(where)} should be an object, not {shown(value)}.")
    return dict(value or {})


def place(value: Any, where: str) -> tuple[float, float] | None:
    """Return (x, y), or None for None, or say, with the place, that it is none."""
    if value is None:
        return None
    if not isinstance(value, (list, tuple)) or len(value) != 2:
        raise RecordsError(f"{shown(where)} should be a place (x, y), not {shown(value)}.")
    return number(value[0], where), number(value[1], where)


def moment(value: Any, where: str) -> datetime | None:
    """Return a time from its ISO text, None for none, or say that it is no date."""
    if value is None:
        return None
    try:
        return datetime.fromisoformat(text(value, where))
    except ValueError:
        raise RecordsError(f"{shown(where)} should be a date, not {shown(value)}.") from None


@dataclass(frozen=True)
class PhotoEntry:
    """One photo of the job. `sha256` names the untouched original in the store."""

    sha256: str
    name: str
    stage: str  # "before", "during 1", ..., "cleared", "rebuilt"
    taken_at: datetime | None = None
    focal35_mm: float | None = None
    width_px: int | None = None
    height_px: int | None = None

    @classmethod
    def from_mapping(cls, sha256: str, mapping: Mapping[str, Any]) -> PhotoEntry:
        where = f"photo {sha256[:8]}"
        optional = {
            key: None if mapping.get(key) is None else number(mapping[key], f"{where}: {key}")
            for key in ("focal35_mm", "width_px", "height_px")
        }
        return cls(
            sha256=sha256,
            name=text(required(mapping, "name", where), f"{where}: name"),
            stage=text(required(mapping, "stage", where), f"{where}: stage"),
            taken_at=moment(mapping.get("taken_at"), f"{where}: taken_at"),
            focal35_mm=optional["focal35_mm"],
            width_px=None if optional["width_px"] is None else int(optional["width_px"]),
            height_px=None if optional["height_px"] is None else int(optional["height_px"]),
        )

    def to_mapping(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "stage": self.stage,
            "taken_at": None if self.taken_at is None else self.taken_at.isoformat(),
            "focal35_mm": self.focal35_mm,
            "width_px": self.width_px,
            "height_px": self.height_px,
        }

    @property
    def order(self) -> tuple[Any, ...]:
        """Sort key: stage, round, time taken, name."""
        word, _, round_number = self.stage.partition(" ")
        return (
            _STAGE_ORDER.get(word, len(_STAGE_ORDER)),
            int(round_number) if round_number.isdecimal() else 0,
            "" if self.taken_at is None else self.taken_at.isoformat(),
            self.name,
            self.sha256,
        )


@dataclass(frozen=True)
class JudgedEntry:
    """What somebody saw at a meeting of two leads: who, when, on which photo."""

    id: str
    a: str
    b: str
    x_mm: float
    y_mm: float
    top: str | None  # "a", "b", "apart", None (open)
    by: str = ""
    at: datetime | None = None
    photo: str | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def from_mapping(cls, id: str, mapping: Mapping[str, Any]) -> JudgedEntry:
        where = f"judgement {id[:8]}"
        top = required(mapping, "top", where)
        if top not in ("a", "b", "apart", None):
            raise RecordsError(f"{where}: top should be a, b, apart or null, not {shown(top)}.")
        photo = mapping.get("photo")
        return cls(
            id=id,
            a=text(required(mapping, "a", where), f"{where}: a"),
            b=text(required(mapping, "b", where), f"{where}: b"),
            x_mm=number(required(mapping, "x", where), f"{where}: x"),
            y_mm=number(required(mapping, "y", where), f"{where}: y"),
            top=top,
            by=text(mapping.get("by", ""), f"{where}: by"),
            at=moment(mapping.get("at"), f"{where}: at"),
            photo=None if photo is None else text(photo, f"{where}: photo"),
            extra=extras(mapping.get("extra"), f"{where}: extra"),
        )

    def to_mapping(self) -> dict[str, Any]:
        mapping = {
            "a": self.a,
            "b": self.b,
            "x": self.x_mm,
            "y": self.y_mm,
            "top": self.top,
            "by": self.by,
            "at": None if self.at is None else self.at.isoformat(),
            "photo": self.photo,
        }
        return {**mapping, "extra": dict(self.extra)} if self.extra else mapping

    def to_judged(self) -> Judged:
        """The judgement as the route map wants it."""
        return Judged(self.a, self.b, self.x_mm, self.y_mm, self.top, self.extra)


@dataclass(frozen=True)
class DoneStep:
    """One event of the teardown log; `mapper.pulling.read_log` reads it as it is.

    `past`: place in plate mm that the lead was peeled past, or where it broke.
    """

    number: str  # "0001": the order of the ticks
    action: str  # "pull", "peel", "broke", "put back", or "took off" of a part
    wire: str
    past: tuple[float, float] | None = None
    at: datetime | None = None
    by: str = ""
    reason: str = ""  # why it was taken although it was not free, or how it came to it
    reached: tuple[float, float] | None = None  # where on its route a peel ended, as traced then

    @classmethod
    def from_mapping(cls, number_: str, mapping: Mapping[str, Any]) -> DoneStep:
        where = f"tick {number_}"
        if not (number_.isascii() and number_.isdecimal()):
            raise RecordsError(f"{shown(number_)} is no number of a tick: tick the step again.")
        action = required(mapping, "action", where)
        if action not in LOG_ACTIONS:
            raise RecordsError(
                f"{shown(where)}: action should be pull, peel, broke, put back or took off, "
                f"not {shown(action)}."
            )
        return cls(
            number=number_,
            action=action,
            wire=text(required(mapping, "wire", where), f"{where}: wire"),
            past=place(mapping.get("past"), f"{where}: past"),
            at=moment(mapping.get("at"), f"{where}: at"),
            by=text(mapping.get("by") or "", f"{where}: by"),
            reason=text(mapping.get("reason") or "", f"{where}: reason"),
            reached=place(mapping.get("reached"), f"{where}: reached"),
        )

    def to_mapping(self) -> dict[str, Any]:
        mapping = {
            "action": self.action,
            "wire": self.wire,
            "past": None if self.past is None else list(self.past),
            "at": None if self.at is None else self.at.isoformat(),
            "by": self.by,
        }
        if self.reason:
            mapping["reason"] = self.reason
        if self.reached is not None:
            mapping["reached"] = list(self.reached)
        return mapping


@dataclass(frozen=True)
class Settings:
    """What the job says about its leads.

    `leads_per_drop` are the suffixes of the leads that every drop has; `not_there` are
    leads that somebody says do not exist, so that nobody waits for them. `diameters_mm`: how
    thick all leads of a kind are, where somebody entered it.
    """

    tracing_error_mm: float = TRACING_ERROR_MM
    unseen_error_mm: float = UNSEEN_ERROR_MM
    leads_per_drop: tuple[str, ...] = ("H", "T")
    not_there: tuple[str, ...] = ()
    diameters_mm: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Settings:
        if not isinstance(mapping, Mapping):
            raise RecordsError("The settings of the job are damaged: enter them again.")
        plain = cls()
        errors_mm = []
        for key in ("tracing_error_mm", "unseen_error_mm"):
            value_mm = number(mapping.get(key, getattr(plain, key)), f"settings: {key}")
            if value_mm < 0:
                raise RecordsError(f"settings: {key} should not be below 0, as {value_mm:g} is.")
            errors_mm.append(value_mm)
        lists = []
        for key in ("leads_per_drop", "not_there"):
            value = mapping.get(key, getattr(plain, key))
            if not isinstance(value, (list, tuple)):
                raise RecordsError(f"settings: {key} should be a list, not {shown(value)}.")
            lists.append(tuple(text(item, f"settings: {key}") for item in value))
        diameters_mm = mapping.get("diameters_mm") or {}
        if not isinstance(diameters_mm, Mapping):
            raise RecordsError(
                f"settings: diameters_mm should be an object, not {shown(diameters_mm)}."
            )
        entered_mm = {
            str(kind): number(value, f"settings: diameter of {shown(kind)}")
            for kind, value in diameters_mm.items()
        }
        for kind, value_mm in entered_mm.items():
            if value_mm <= 0:
                raise RecordsError(f"settings: diameter of {shown(kind)} should be above 0 mm.")
        return cls(errors_mm[0], errors_mm[1], lists[0], lists[1], entered_mm)

    def to_mapping(self) -> dict[str, Any]:
        mapping = {
            "tracing_error_mm": self.tracing_error_mm,
            "unseen_error_mm": self.unseen_error_mm,
            "leads_per_drop": list(self.leads_per_drop),
            "not_there": list(self.not_there),
        }
        entered_mm = dict(self.diameters_mm)
        return {**mapping, "diameters_mm": entered_mm} if entered_mm else mapping
