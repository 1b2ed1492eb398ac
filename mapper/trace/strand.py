"""A traced path measured from a crossing, and how wide the lead is there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mapper.trace.ground import Ground
from mapper.trace.model import TraceError
from mapper.trace.snap import agree, candidates_at

__all__ = ["Strand", "checked_path", "lead_width"]

NEAR_PX = 60.0  # a path that stays farther from the place than this does not cross there
WIDTH_AT_PX = (14.0, 25.0, 38.0)
WIDTH_REACH_PX = 3.0
THIN_EXCESS_PX = 0.7


def checked_path(path: object, name: str) -> np.ndarray:
    """`path` as (N, 2) float photo pixels, repeated points left out. Raises TraceError."""
    try:
        points = np.asarray(path, dtype=float)
    except (TypeError, ValueError):
        points = np.zeros((0, 0))
    if points.ndim != 2 or points.shape[0] < 2 or points.shape[1] != 2:
        raise TraceError(f"Path {name} must be at least two points, x and y in photo pixels.")
    if not np.isfinite(points).all():
        raise TraceError(f"Path {name} holds a number that isn't finite; trace it again.")
    step = np.hypot(*np.diff(points, axis=0).T)
    points = points[np.concatenate([[True], step > 1e-9])]
    if len(points) < 2:
        raise TraceError(f"Path {name} has no length; trace it again.")
    return points


@dataclass(frozen=True, eq=False)
class Strand:
    """A path measured from its point nearest the crossing: `at` (N,) px of arc, 0 there."""

    points: np.ndarray
    at: np.ndarray
    direction: np.ndarray

    @classmethod
    def near(cls, path: np.ndarray, place: np.ndarray, name: str) -> Strand:
        """Raises TraceError when the path stays away from `place`."""
        step = np.diff(path, axis=0)
        length = np.hypot(*step.T)
        part = np.clip(np.einsum("ij,ij->i", place - path[:-1], step) / length**2, 0, 1)
        foot = path[:-1] + part[:, None] * step
        away = np.hypot(*(foot - place).T)
        k = int(np.argmin(away))
        if away[k] > NEAR_PX:
            raise TraceError(f"Path {name} does not come near the crossing; trace it again.")
        at = np.concatenate([[0.0], np.cumsum(length)])
        at = at - (at[k] + part[k] * length[k])
        ends = [np.interp([-8.0, 8.0], at, path[:, c]) for c in (0, 1)]
        along = np.array([ends[0][1] - ends[0][0], ends[1][1] - ends[1][0]])
        return cls(path, at, along / max(float(np.hypot(*along)), 1e-9))

    def moved(self, offset: np.ndarray) -> Strand:
        return Strand(self.points + offset, self.at, self.direction)

    def place(self, at: np.ndarray) -> np.ndarray:
        return np.stack([np.interp(at, self.at, self.points[:, c]) for c in (0, 1)], -1)


def lead_width(ground: Ground, strand: Strand) -> float | None:
    """Width of the lead in photo pixels, from places to either side of the crossing."""
    places = strand.place(np.array([side * away for away in WIDTH_AT_PX for side in (-1, 1)]))
    at = np.array([side * away for away in WIDTH_AT_PX for side in (-1, 1)])
    there = (at >= strand.at[0]) & (at <= strand.at[-1])
    there &= (places >= 0).all(1) & (places < (ground.width_px, ground.height_px)).all(1)
    found = agree([candidates_at(ground, p, WIDTH_REACH_PX) for p in places[there]])
    widths = [snap.width_px for snap in found if snap is not None]
    if not widths:
        return None
    width = float(np.percentile(widths, 30))
    # Blur makes leads of a few pixels look wider than they are.
    return width - THIN_EXCESS_PX * float(np.clip((6.0 - width) / 3.0, 0.0, 1.0))
