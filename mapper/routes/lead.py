"""A lead's route, a judgement somebody made, and a meeting found from the routes.

Words. *lead*: one wire or bundle that is pulled as one. *route*: its path in plate
millimetres from the drop (fixed end) to the exit (free end). *crossing*: two routes truly
cross in plan view. *touching*: they come closer than their diameters and the tracing error
allow to tell apart. *shared run*: they do so over a stretch. *judgement*: what somebody saw
there: which lead lies on top, that they lie apart, or nothing yet (*open*).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

import numpy as np

__all__ = ["TRACING_ERROR_MM", "Crossing", "Judged", "Lead", "LeadKind", "MeetingKind", "Top"]

TRACING_ERROR_MM = 0.5  # how far a traced centre line may be off, unless the job says otherwise

Top = Literal["a", "b", "apart"] | None
LeadKind = Literal["heater", "thermocouple", "other"]
MeetingKind = Literal["crossing", "touching", "shared run"]


@dataclass(frozen=True, eq=False)
class Lead:
    """One lead. `points_mm` (N, 2) runs from the drop to the exit, N >= 2.

    `seen` has one entry per segment (N - 1) or is None (all seen). A lead without
    `diameter_mm` is an ideal line. Two leads are equal when all of that is equal.
    The points are copied and read-only. Raises ValueError for points of another shape, for
    points or a diameter that are not finite, and for `seen` of another length.
    """

    id: str
    kind: LeadKind
    drop: str
    exit: str
    points_mm: np.ndarray
    diameter_mm: float | None = None
    seen: tuple[bool, ...] | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        points = np.array(self.points_mm, dtype=np.float64)
        if points.ndim != 2 or points.shape[1] != 2 or len(points) < 2:
            raise ValueError(f"points_mm must be (N, 2) with N >= 2, not {points.shape}")
        if not np.isfinite(points).all():
            raise ValueError("points_mm must be finite")
        points.setflags(write=False)
        object.__setattr__(self, "points_mm", points)
        if self.diameter_mm is not None:
            diameter = float(self.diameter_mm)
            if not 0 < diameter < float("inf"):
                raise ValueError("diameter_mm must be a positive finite number or None")
            object.__setattr__(self, "diameter_mm", diameter)
        if self.seen is not None:
            seen = tuple(bool(one) for one in self.seen)
            if len(seen) != len(points) - 1:
                raise ValueError(f"seen must have {len(points) - 1} entries, not {len(seen)}")
            object.__setattr__(self, "seen", seen)

    @cached_property
    def arc_mm(self) -> np.ndarray:
        """(N,) arc length from the drop to each point, read-only."""
        steps = np.diff(self.points_mm, axis=0)
        arc = np.concatenate([[0.0], np.cumsum(np.hypot(steps[:, 0], steps[:, 1]))])
        arc.setflags(write=False)
        return arc

    @property
    def length_mm(self) -> float:
        """Length of the route from the drop to the exit."""
        return float(self.arc_mm[-1])

    def point_at_mm(self, s_mm: float | np.ndarray) -> np.ndarray:
        """Return the point(s) at arc length `s_mm` from the drop, (2,) or (M, 2).

        Positions before the drop or past the free end give that end.
        """
        s = np.asarray(s_mm, dtype=np.float64)
        x = np.interp(s, self.arc_mm, self.points_mm[:, 0])
        y = np.interp(s, self.arc_mm, self.points_mm[:, 1])
        return np.stack([x, y], axis=-1)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Lead):
            return NotImplemented
        return (
            (self.id, self.kind, self.drop, self.exit, self.diameter_mm, self.seen)
            == (other.id, other.kind, other.drop, other.exit, other.diameter_mm, other.seen)
            and np.array_equal(self.points_mm, other.points_mm)
            and dict(self.extra) == dict(other.extra)
        )

    def __hash__(self) -> int:
        return hash((self.id, self.kind, self.drop, self.exit, len(self.points_mm)))


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
    its drop, low to high. Both ends are equal for a crossing at a point; a crossing hidden in
    an exact overlap (the pair swaps sides along it) spans the overlap.
    (`x_mm`, `y_mm`) is the place that names the meeting: the crossing point, or for a
    touching place or shared run the middle of the stretch. For a self-crossing span a is the
    pass nearer the drop. `angle_rad` is the acute angle between the two leads there, 0 to
    pi / 2. `a` comes before `b` in the order of ids.
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
