"""Leads as they are traced: stretches on photos, chained from the drop to the exit.

A *stretch* is a piece of a lead that was drawn in one go: on a photo (points in its pixels,
with the depth that was assumed there) or straight in plate millimetres (`photo` None: a
buried run, or an imported route). A buried run is not seen. When a photo is fitted anew,
the stretches on it are projected again from their pixels.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from mapper.errors import shown
from mapper.records.document import extras, number, required, text
from mapper.records.errors import RecordsError
from mapper.routes import Lead

if TYPE_CHECKING:
    from mapper.fit import PhotoFit

__all__ = ["Stretch", "TracedLead", "refit_stretches"]

SAME_POINT_MM = 1e-3  # nearer than this, two points of a route are one
MAX_ID_LENGTH = 64  # design of the route-map file

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Stretch:
    """A piece of a lead, in the direction from the drop to the exit.

    Parameters
    ----------
    points_mm : (N, 2) plate millimetres.
    seen : whether somebody saw the lead here; False where it was still buried.
    photo, points_px : sha256 of the photo and (N, 2) points on it, or None and None.
    depth_mm : depth below the face that `points_mm` was projected with, >= 0: one for all,
        one per point, or None (taken as 0, the face).
    confidence : 0..1, the tracer's.
    looked : sha256 of the newest photo on which somebody looked for an unseen stretch and left
        it unseen; None while nobody did.
    """

    points_mm: Points
    seen: bool = True
    photo: str | None = None
    points_px: Points | None = None
    depth_mm: float | tuple[float, ...] | None = None
    confidence: float = 1.0
    looked: str | None = None

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any], where: str = "stretch") -> Stretch:
        points_mm = _points(required(mapping, "points_mm", where), f"{where}: points_mm")
        points_px = mapping.get("points_px")
        if points_px is not None:
            points_px = _points(points_px, f"{where}: points_px")
            if len(points_px) != len(points_mm):
                raise RecordsError(f"{shown(where)} has not as many pixels as mm: trace it again.")
        depth_mm = mapping.get("depth_mm")
        if isinstance(depth_mm, (list, tuple)):
            depth_mm = tuple(number(one, f"{where}: depth_mm") for one in depth_mm)
            if len(depth_mm) != len(points_mm):
                raise RecordsError(f"{shown(where)} has not one depth per point: trace it again.")
        elif depth_mm is not None:
            depth_mm = number(depth_mm, f"{where}: depth_mm")
        photo, looked = mapping.get("photo"), mapping.get("looked")
        return cls(
            points_mm=points_mm,
            seen=bool(mapping.get("seen", True)),
            photo=None if photo is None else text(photo, f"{where}: photo"),
            points_px=points_px,
            depth_mm=depth_mm,
            confidence=number(mapping.get("confidence", 1.0), f"{where}: confidence"),
            looked=None if looked is None else text(looked, f"{where}: looked"),
        )

    def to_mapping(self) -> dict[str, Any]:
        looked = {} if self.looked is None else {"looked": self.looked}
        return {
            "photo": self.photo,
            "points_px": None if self.points_px is None else [list(p) for p in self.points_px],
            "depth_mm": list(self.depth_mm) if isinstance(self.depth_mm, tuple) else self.depth_mm,
            "points_mm": [list(p) for p in self.points_mm],
            "seen": self.seen,
            "confidence": self.confidence,
            **looked,
        }


@dataclass(frozen=True)
class TracedLead:
    """One lead of the job; `finished` when its route reaches the exit.

    `exit` is None while nobody has said where it leaves the plate. `diameter_from` is "entered"
    where a person entered the diameter of this very lead; None where it came with a file.
    """

    id: str
    kind: str  # "heater" | "thermocouple" | "other"
    drop: str
    exit: str | None = None
    stretches: tuple[Stretch, ...] = ()
    diameter_mm: float | None = None
    colour: str | None = None
    finished: bool = False
    diameter_from: str | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any], where: str = "lead") -> TracedLead:
        """Read the value of a ``lead/<id>`` entry.

        Raises
        ------
        RecordsError
            Something is missing or of the wrong kind; the sentence names it.
        """
        id = text(required(mapping, "id", where), f"{where}: id")
        if not id or len(id) > MAX_ID_LENGTH:
            raise RecordsError(
                f"The lead name {shown(id)} should have 1 to {MAX_ID_LENGTH} letters."
            )
        where = f"lead {shown(id)}"
        kind = required(mapping, "kind", where)
        if kind not in ("heater", "thermocouple", "other"):
            raise RecordsError(f"{where}: kind should be heater, thermocouple or other.")
        diameter_mm = mapping.get("diameter_mm")
        if diameter_mm is not None:
            diameter_mm = number(diameter_mm, f"{where}: diameter_mm")
            if diameter_mm <= 0:
                raise RecordsError(f"{where}: the diameter should be above 0 mm.")
        stretches = mapping.get("stretches", ())
        if not isinstance(stretches, (list, tuple)):
            raise RecordsError(f"{where}: stretches should be a list: trace it again.")
        colour, exit = mapping.get("colour"), mapping.get("exit")
        known_from = mapping.get("diameter_from")
        return cls(
            id=id,
            kind=kind,
            drop=text(required(mapping, "drop", where), f"{where}: drop"),
            exit=None if exit is None else text(exit, f"{where}: exit"),
            stretches=tuple(
                Stretch.from_mapping(one, f"{where}, stretch {i}")
                for i, one in enumerate(stretches, start=1)
            ),
            diameter_mm=diameter_mm,
            colour=None if colour is None else text(colour, f"{where}: colour"),
            finished=bool(mapping.get("finished", False)),
            diameter_from=None
            if known_from is None
            else text(known_from, f"{where}: diameter_from"),
            extra=extras(mapping.get("extra"), f"{where}: extra"),
        )

    def to_mapping(self) -> dict[str, Any]:
        """The value of a ``lead/<id>`` entry."""
        mapping: dict[str, Any] = {
            "id": self.id,
            "kind": self.kind,
            "drop": self.drop,
            "exit": self.exit,
            "diameter_mm": self.diameter_mm,
            "stretches": [one.to_mapping() for one in self.stretches],
            "finished": self.finished,
        }
        if self.diameter_from is not None:
            mapping["diameter_from"] = self.diameter_from
        if self.colour is not None:
            mapping["colour"] = self.colour
        if self.extra:
            mapping["extra"] = dict(self.extra)
        return mapping

    @cached_property
    def _route(self) -> tuple[np.ndarray, tuple[bool, ...]]:
        points: list[tuple[float, float]] = []
        seen: list[bool] = []
        before = True  # whether the stretch that ended last was seen
        for stretch in self.stretches:
            for i, point in enumerate(stretch.points_mm):
                if points and _same(points[-1], point):
                    continue
                if points:
                    # A gap between two stretches is seen only where both of them are.
                    seen.append(stretch.seen if i else stretch.seen and before)
                points.append(point)
            before = stretch.seen
        return np.array(points, dtype=float).reshape(-1, 2), tuple(seen)

    @property
    def points_mm(self) -> np.ndarray:
        """The route so far (N, 2) in plate millimetres, without doubled points; N may be 0."""
        return self._route[0].copy()

    @property
    def seen(self) -> tuple[bool, ...]:
        """One entry per segment of `points_mm`."""
        return self._route[1]

    @property
    def length_mm(self) -> float:
        """Length of the route so far."""
        return float(np.linalg.norm(np.diff(self._route[0], axis=0), axis=1).sum())

    def to_lead(self) -> Lead | None:
        """The lead as the route map wants it; None while it has fewer than two points."""
        points_mm, seen = self._route
        if len(points_mm) < 2:
            return None
        return Lead(
            id=self.id,
            kind=self.kind,
            drop=self.drop,
            exit=self.exit or "",
            points_mm=points_mm.copy(),
            diameter_mm=self.diameter_mm,
            seen=seen,
            extra=dict(self.extra),
        )


def _same(p: tuple[float, float], q: tuple[float, float]) -> bool:
    return abs(p[0] - q[0]) <= SAME_POINT_MM and abs(p[1] - q[1]) <= SAME_POINT_MM


def _points(value: Any, where: str) -> Points:
    if not isinstance(value, (list, tuple)):
        raise RecordsError(f"{shown(where)} should be a list of points: trace it again.")
    points = []
    for one in value:
        if not isinstance(one, (list, tuple)) or len(one) != 2:
            raise RecordsError(f"{shown(where)}: {shown(one)} is no point: trace it again.")
        points.append((number(one[0], where), number(one[1], where)))
    return tuple(points)


def refit_stretches(
    traced: Iterable[TracedLead], sha256: str, fit: PhotoFit
) -> tuple[TracedLead, ...]:
    """Return the leads with every stretch on photo `sha256` projected anew through `fit`.

    A neighbouring stretch without a photo that was joined to a moved end follows it; one on
    another photo stays, and the route then has a short joint there. Leads without a stretch
    on that photo come back as they are (the same object).
    """
    return tuple(
        _refit(lead, sha256, fit)
        if any(one.photo == sha256 and one.points_px for one in lead.stretches)
        else lead
        for lead in traced
    )


def _refit(lead: TracedLead, sha256: str, fit: PhotoFit) -> TracedLead:
    old = lead.stretches
    new = list(old)
    for i, one in enumerate(old):
        if one.photo == sha256 and one.points_px:
            depth_mm = 0.0 if one.depth_mm is None else one.depth_mm
            if isinstance(depth_mm, tuple):
                depth_mm = np.array(depth_mm, dtype=float)
            points_mm = fit.plate_from_photo(np.array(one.points_px, dtype=float), depth_mm)
            new[i] = replace(one, points_mm=tuple((float(x), float(y)) for x, y in points_mm))
    for i, one in enumerate(old):
        if one.photo is not None or not one.points_mm:
            continue
        points = list(new[i].points_mm)
        if i > 0 and old[i - 1].points_mm and _same(old[i - 1].points_mm[-1], points[0]):
            points[0] = new[i - 1].points_mm[-1]
        if (
            i + 1 < len(old)
            and old[i + 1].points_mm
            and _same(old[i + 1].points_mm[0], one.points_mm[-1])
            and len(points) > 1
        ):
            points[-1] = new[i + 1].points_mm[0]
        new[i] = replace(new[i], points_mm=tuple(points))
    return replace(lead, stretches=tuple(new))
