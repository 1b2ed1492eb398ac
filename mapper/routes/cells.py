"""Geometry of one segment of one lead against one segment of another, for many at once.

A *cell* is such a pair of segments. Over all cells of two leads, the set of positions (s, t)
where the leads come within a limit of each other is the free space of H. Alt and M. Godau,
"Computing the Fréchet distance between two polygonal curves", Int. J. Computational Geometry
& Applications 5 (1995): convex inside each cell, and joined from cell to cell exactly where
the shared vertex lies within the limit of the other segment. One connected part of it is one
stretch where the two leads keep company.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

__all__ = ["Cells", "connect", "end_distances", "within"]


@dataclass(frozen=True, eq=False)
class Cells:
    """K pairs of segments: start points and directions of both, (K,) each."""

    px: np.ndarray
    py: np.ndarray
    ux: np.ndarray
    uy: np.ndarray
    qx: np.ndarray
    qy: np.ndarray
    vx: np.ndarray
    vy: np.ndarray

    def __getitem__(self, pick: np.ndarray) -> Cells:
        return Cells(
            self.px[pick],
            self.py[pick],
            self.ux[pick],
            self.uy[pick],
            self.qx[pick],
            self.qy[pick],
            self.vx[pick],
            self.vy[pick],
        )

    def swapped(self) -> Cells:
        """The same pairs seen from the other lead."""
        return Cells(self.qx, self.qy, self.vx, self.vy, self.px, self.py, self.ux, self.uy)


def end_distances(c: Cells) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Squared distances of start and end of p to q, and of start and end of q to p; (K,) each."""
    wx, wy = c.px - c.qx, c.py - c.qy
    return (
        *_both_ends(wx, wy, c.ux, c.uy, c.vx, c.vy),
        *_both_ends(-wx, -wy, c.vx, c.vy, c.ux, c.uy),
    )


def _both_ends(wx, wy, ux, uy, vx, vy) -> tuple[np.ndarray, np.ndarray]:
    """Squared distances of w and w + u to the segment from the origin to v."""
    vv = vx * vx + vy * vy
    scale = np.divide(1.0, vv, out=np.zeros_like(vv), where=vv > 0)
    along = wx * vx + wy * vy
    t = np.clip(along * scale, 0.0, 1.0)
    dx, dy = wx - t * vx, wy - t * vy
    start = dx * dx + dy * dy
    t = np.clip((along + ux * vx + uy * vy) * scale, 0.0, 1.0)
    dx, dy = wx + ux - t * vx, wy + uy - t * vy
    return start, dx * dx + dy * dy


def within(
    c: Cells, limit: np.ndarray, start_sq: np.ndarray, end_sq: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Share (low, high) of p, 0 to 1, whose points lie within `limit` of q; (K,) each.

    `start_sq`, `end_sq`: squared distances of the ends of p to q. The points within a limit of
    a segment are convex (two discs and the strip between them), so that the share is one
    interval. Where rounding finds none, the nearer end stands for it.
    """
    wx, wy = c.px - c.qx, c.py - c.qy
    uu = c.ux * c.ux + c.uy * c.uy
    vv = c.vx * c.vx + c.vy * c.vy
    limit_sq = limit * limit
    low = np.full(len(wx), np.inf)
    high = np.full(len(wx), -np.inf)
    with np.errstate(divide="ignore", invalid="ignore"):
        for ex, ey in ((wx, wy), (wx - c.vx, wy - c.vy)):
            b = ex * c.ux + ey * c.uy
            # Written by the distance from the line, which keeps its digits when uu is large.
            off = ex * c.uy - ey * c.ux
            rest = limit_sq - off * off / uu
            root = np.sqrt(np.where(rest >= 0, rest, np.nan) * uu)
            low = np.fmin(low, (-b - root) / uu)
            high = np.fmax(high, (-b + root) / uu)
        along, along_step = wx * c.vx + wy * c.vy, c.ux * c.vx + c.uy * c.vy
        across, across_step = wy * c.vx - wx * c.vy, c.uy * c.vx - c.ux * c.vy
        width = limit * np.sqrt(vv)
        in_low, in_high = _clip(along, along_step, np.zeros_like(vv), vv)
        strip_low, strip_high = _clip(across, across_step, -width, width)
        strip_low, strip_high = np.fmax(in_low, strip_low), np.fmin(in_high, strip_high)
        real = strip_low <= strip_high
        low = np.where(real, np.fmin(low, strip_low), low)
        high = np.where(real, np.fmax(high, strip_high), high)
    low, high = np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)
    low = np.where(start_sq <= limit_sq, 0.0, low)
    high = np.where(end_sq <= limit_sq, 1.0, high)
    none = ~(low <= high)
    nearer = (end_sq < start_sq).astype(np.float64)
    return np.where(none, nearer, low), np.where(none, nearer, high)


def _clip(at, step, low, high) -> tuple[np.ndarray, np.ndarray]:
    """Where at + s * step lies in [low, high]: (from, to), empty when from > to."""
    one, other = (low - at) / step, (high - at) / step
    flat = step == 0
    outside = flat & ((at < low) | (at > high))
    first = np.where(flat, np.where(outside, np.inf, -np.inf), np.minimum(one, other))
    last = np.where(flat, np.where(outside, -np.inf, np.inf), np.maximum(one, other))
    return first, last


def connect(
    row: np.ndarray, column: np.ndarray, joins: Sequence[tuple[np.ndarray, int, int]]
) -> np.ndarray:
    """Label cells (row, column) that hang together; (K,) int from 0.

    Each join (mask, row step, column step) says which cells are joined to the neighbour that
    far away (one row or one column); a neighbour that is not listed joins nothing. No
    (row, column) may come twice.
    """
    if not len(row):
        return np.zeros(0, dtype=np.int64)
    width = int(column.max()) + 3
    key = (row + 1) * width + column + 1
    order = np.argsort(key)
    key = key[order]
    # Cells joined along a row lie behind each other: each such run is one node of the graph.
    follows = np.zeros(len(key), dtype=bool)
    other_joins = []
    for joined, row_step, column_step in joins:
        joined = joined[order]
        if row_step:
            other_joins.append((joined, row_step * width))
        elif column_step > 0:
            follows[1:] |= joined[:-1]
        else:
            follows |= joined
    follows[1:] &= key[1:] == key[:-1] + 1
    follows[0] = False
    run = np.cumsum(~follows) - 1
    sources, targets = [], []
    for joined, step in other_joins:
        source = np.flatnonzero(joined)
        wanted = key[source] + step
        at = np.minimum(np.searchsorted(key, wanted), len(key) - 1)
        hit = key[at] == wanted
        source, target = run[source[hit]], run[at[hit]]
        new = np.append(True, (source[1:] != source[:-1]) | (target[1:] != target[:-1]))
        new = new[: len(source)]
        sources.append(source[new])
        targets.append(target[new])
    source, target = np.concatenate(sources), np.concatenate(targets)
    count = int(run[-1]) + 1
    links = coo_array((np.ones(len(source), dtype=np.int8), (source, target)), (count, count))
    label = np.empty(len(key), dtype=np.int64)
    label[order] = connected_components(links, directed=False)[1][run]
    return label
