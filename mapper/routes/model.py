"""Leads, the places where they meet, and the route map that holds them.

Words. *lead*: one wire or bundle that is pulled as one. *route*: its path in plate
millimetres from the drop (fixed end) to the exit (free end). *crossing*: two routes truly
cross in plan view. *touching*: they come closer than their diameters and the tracing error
allow to tell apart. *shared run*: they do so over a stretch. *judgement*: what somebody saw
there: which lead lies on top, that they lie apart, or nothing yet (*open*).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from mapper.plate import Plate

__all__ = ["TRACING_ERROR_MM", "Crossing", "Judged", "Lead", "RouteMap"]

TRACING_ERROR_MM = 0.5  # how far a traced centre line may be off (design.md, section 5)

Top = Literal["a", "b", "apart"] | None
LeadKind = Literal["heater", "thermocouple", "other"]
MeetingKind = Literal["crossing", "touching", "shared run"]


@dataclass(frozen=True, eq=False)
class Lead:
    """One lead. `points_mm` (N, 2) runs from the drop to the exit, N >= 2.

    `seen` has one entry per segment (N - 1) or is None (all seen). A lead without
    `diameter_mm` is an ideal line. Two leads are equal when all of that is equal.
    """

    id: str
    kind: LeadKind
    drop: str
    exit: str
    points_mm: np.ndarray
    diameter_mm: float | None = None
    seen: tuple[bool, ...] | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Judged:
    """One entry of the file's `crossings`: what somebody saw at a place of a pair."""

    a: str
    b: str
    x_mm: float
    y_mm: float
    top: Top
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Crossing:
    """A place where two leads meet (a == b: a lead meets itself), as found from the routes.

    `a_span_mm`, `b_span_mm`: the stretch of each lead that takes part, as arc length from
    its drop, low to high; both ends are equal for a crossing of ideal lines.
    (`x_mm`, `y_mm`) is the place that names the meeting: the crossing point, or for a
    touching place or shared run the middle of the stretch. For a self-crossing span a is the
    pass nearer the drop.
    """

    a: str
    b: str
    x_mm: float
    y_mm: float
    kind: MeetingKind
    a_span_mm: tuple[float, float]
    b_span_mm: tuple[float, float]
    angle_rad: float
    top: Top = None


@dataclass(frozen=True)
class RouteMap:
    """A plate, its leads and the judgements; `crossings` are found from the points."""

    plate: Plate
    leads: tuple[Lead, ...]
    judged: tuple[Judged, ...] = ()
    tracing_error_mm: float = TRACING_ERROR_MM
    extra: Mapping[str, Any] = field(default_factory=dict)
