"""A stretch of a traced lead divided at a place of its line."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from mapper.records import Stretch

__all__ = ["first_part", "last_part", "nearest_on"]

SAME = 1e-3  # parts of a segment nearer than this to its end are at its end


def nearest_on(line: np.ndarray, point: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Per segment of a line (N, 2): the part 0..1 of the way along it that lies nearest to a
    point, and how far off that is; (N - 1,) each."""
    start, along = line[:-1], np.diff(line, axis=0)
    square = np.maximum((along**2).sum(axis=1), 1e-12)
    part = np.clip(((point - start) * along).sum(axis=1) / square, 0, 1)
    return part, np.hypot(*(start + part[:, None] * along - point).T)


def first_part(stretch: Stretch, at: int, part: float) -> Stretch | None:
    """The stretch up to a place (segment, part of it); None when that is its very start."""
    if at + part < SAME:
        return None
    return _map(
        stretch, lambda one: (*one[: at + 1 if part > SAME else at], _between(one, at, part))
    )


def last_part(stretch: Stretch, at: int, part: float) -> Stretch | None:
    """The stretch from a place (segment, part of it) on; None when that is its very end."""
    if at + part > len(stretch.points_mm) - 1 - SAME:
        return None
    after = at + 1 if part < 1 - SAME else at + 2
    return _map(stretch, lambda one: (_between(one, at, part), *one[after:]))


def _map(stretch: Stretch, cut: Any) -> Stretch:
    depth = stretch.depth_mm
    return replace(
        stretch,
        points_mm=cut(stretch.points_mm),
        points_px=None if stretch.points_px is None else cut(stretch.points_px),
        depth_mm=cut(depth) if isinstance(depth, tuple) else depth,
    )


def _between(values: Any, at: int, part: float) -> Any:
    a, b = np.array(values[at], dtype=float), np.array(values[at + 1], dtype=float)
    middle = a + part * (b - a)
    return float(middle) if middle.ndim == 0 else tuple(float(v) for v in middle)
