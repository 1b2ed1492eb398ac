"""What is left of a stretch of company after taking away the surroundings of its crossings.

Two leads that cross at an angle keep company for limit / sin(angle) to both sides of the
crossing: that belongs to it. A pair that goes on lying along each other beyond that is a shared
run of its own, and somebody has to say which lead is on top there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from mapper.routes.cells import Cells, end_distances
from mapper.routes.company import RUN_LIMITS, SHALLOW_RAD, Block, Stretches, stretches
from mapper.routes.segments import Segments

__all__ = ["Surroundings", "crossing_reach_mm", "rests", "surroundings"]

WIDER = 1.1  # a bit more than a straight crossing needs


@dataclass(frozen=True, eq=False)
class Surroundings:
    """K boxes around crossings: the stretch they are in (`label`) and spans on both leads."""

    label: np.ndarray
    s0: np.ndarray
    s1: np.ndarray
    t0: np.ndarray
    t1: np.ndarray

    def __getitem__(self, pick: np.ndarray) -> Surroundings:
        return Surroundings(*(getattr(self, name)[pick] for name in self.__dataclass_fields__))


def crossing_reach_mm(limit_mm, angle_rad):
    """How far along both leads the surroundings of a crossing go to either side, mm: where they
    come nearer to each other than their limit."""
    return WIDER * limit_mm / np.sin(np.maximum(angle_rad, SHALLOW_RAD))


def surroundings(label, s0, s1, t0, t1, limit, angle_rad) -> Surroundings:
    """Boxes around crossings with spans (s0, s1, t0, t1) that meet at `angle_rad`; (K,) each."""
    half = crossing_reach_mm(limit, angle_rad)
    return Surroundings(label, s0 - half, s1 + half, t0 - half, t1 + half)


def rests(
    seg: Segments, found: Stretches, boxes: Surroundings, uneven: bool
) -> tuple[Stretches, np.ndarray] | None:
    """Shared runs left beside the crossings, as (stretches, which of them are long enough).

    None when no stretch has a rest worth looking for.
    """
    count = len(found.s0)
    crowd = np.bincount(boxes.label, minlength=count)
    slack = RUN_LIMITS * found.limit[boxes.label]
    covers = (
        (found.s0[boxes.label] >= boxes.s0 - slack)
        & (found.s1[boxes.label] <= boxes.s1 + slack)
        & (found.t0[boxes.label] >= boxes.t0 - slack)
        & (found.t1[boxes.label] <= boxes.t1 + slack)
    )
    # A single box (of however many) that covers all but a little leaves nothing to find.
    covered = np.zeros(count, dtype=bool)
    covered[boxes.label[covers]] = True
    open_stretch = (crowd > 0) & ~covered
    cells = np.flatnonzero(open_stretch[found.label])
    if not len(cells):
        return None
    boxes = boxes[np.flatnonzero(open_stretch[boxes.label])]
    block, label = _cut(found.block[cells], found.label[cells], boxes)
    outside = np.flatnonzero(~_inside(block, label, boxes))
    block = block[outside]
    ends_sq = np.stack(end_distances(block.cells))
    near = np.flatnonzero(ends_sq.min(axis=0) <= block.limit * block.limit)
    left = stretches(seg, block[near], ends_sq[:, near], uneven)
    long = np.maximum(left.s1 - left.s0, left.t1 - left.t0) > RUN_LIMITS * left.limit
    return left, np.flatnonzero(long)


def _cut(block: Block, label: np.ndarray, boxes: Surroundings) -> tuple[Block, np.ndarray]:
    """Cut all cells at the edges of the boxes of their stretch."""
    rows = _Rows.of(label, block.row, block.s, block.s_len)
    columns = _Rows.of(label, block.column, block.t, block.t_len)
    rows = rows.cut(np.tile(boxes.label, 2), np.concatenate([boxes.s0, boxes.s1]))
    columns = columns.cut(np.tile(boxes.label, 2), np.concatenate([boxes.t0, boxes.t1]))
    row_count, column_count = rows.count[rows.of_cell], columns.count[columns.of_cell]
    many = row_count * column_count
    cell = np.repeat(np.arange(len(many)), many)
    nth = np.arange(len(cell)) - np.repeat(np.cumsum(many) - many, many)
    sub_row = rows.start[rows.of_cell][cell] + nth // column_count[cell]
    sub_column = columns.start[columns.of_cell][cell] + nth % column_count[cell]
    whole = block[cell]
    s, s_end = rows.low[sub_row], rows.high[sub_row]
    t, t_end = columns.low[sub_column], columns.high[sub_column]
    s_scale = np.where(whole.s_len > 0, whole.s_len, 1.0)
    t_scale = np.where(whole.t_len > 0, whole.t_len, 1.0)
    s_at, s_part = (s - whole.s) / s_scale, (s_end - s) / s_scale
    t_at, t_part = (t - whole.t) / t_scale, (t_end - t) / t_scale
    c = whole.cells
    cut = replace(
        whole,
        cells=Cells(
            c.px + s_at * c.ux,
            c.py + s_at * c.uy,
            s_part * c.ux,
            s_part * c.uy,
            c.qx + t_at * c.vx,
            c.qy + t_at * c.vy,
            t_part * c.vx,
            t_part * c.vy,
        ),
        row=rows.rank[sub_row],
        column=columns.rank[sub_column],
        s=s,
        t=t,
        s_len=s_end - s,
        t_len=t_end - t,
        crossed=np.zeros(len(cell), dtype=bool),
        row_ends=np.zeros(len(cell), dtype=bool),  # a gap in the rank ends a lead here
        column_ends=np.zeros(len(cell), dtype=bool),
    )
    return cut, label[cell]


@dataclass(frozen=True, eq=False)
class _Rows:
    """The pieces of one lead in one stretch, cut; pieces of one row lie behind each other."""

    of_cell: np.ndarray  # (cells,) row of each cell
    label: np.ndarray  # (rows,) stretch
    start: np.ndarray  # (rows,) first piece
    count: np.ndarray  # (rows,) pieces
    low: np.ndarray  # (pieces,) arc length
    high: np.ndarray
    rank: np.ndarray  # (pieces,) rises by one from piece to touching piece, else by two

    @classmethod
    def of(cls, label, number, arc, length) -> _Rows:
        """One piece per row (stretch, segment number)."""
        width = int(number.max()) + 1
        _, first, of_cell = np.unique(
            label * width + number, return_index=True, return_inverse=True
        )
        low, rows = arc[first], np.arange(len(first))
        high = low + length[first]
        return cls(of_cell, label[first], rows, np.ones_like(rows), low, high, rows)

    def cut(self, label: np.ndarray, at: np.ndarray) -> _Rows:
        """Cut the rows of stretches `label` at arc lengths `at`."""
        rows = len(self.label)
        order = np.lexsort(
            (
                np.concatenate([np.zeros(rows), np.ones(len(at))]),
                np.concatenate([self.low, at]),
                np.concatenate([self.label, label]),
            )
        )
        is_row = order < rows
        row = np.cumsum(is_row) - 1
        cuts = ~is_row & (row >= 0)
        source, row = order[cuts] - rows, row[cuts]
        good = (
            (self.label[row] == label[source])
            & (self.low[row] < at[source])
            & (at[source] < self.high[row])
        )
        row = np.concatenate([np.arange(rows), row[good]])
        low = np.concatenate([self.low, at[source[good]]])
        order = np.lexsort((low, row))
        row, low = row[order], low[order]
        last = np.append(row[1:] != row[:-1], True)
        high = np.where(last, self.high[row], np.append(low[1:], 0.0))
        count = np.bincount(row, minlength=rows)
        start = np.cumsum(count) - count
        # Rows are numbered by stretch and segment: the next row goes on where this one ends
        # only when it is the next segment of the same lead in the same stretch.
        gap = np.append(
            True,
            (self.label[row[1:]] != self.label[row[:-1]])
            | (np.abs(low[1:] - high[:-1]) > 1e-9 * (1.0 + np.abs(low[1:]))),
        )
        rank = np.arange(len(row)) + np.cumsum(gap)
        return _Rows(self.of_cell, self.label, start, count, low, high, rank)


def _inside(block: Block, label: np.ndarray, boxes: Surroundings) -> np.ndarray:
    """Which cells lie in a box of their stretch (the edges of the boxes are cuts)."""
    order = np.argsort(boxes.label, kind="stable")
    boxes = boxes[order]
    first = np.searchsorted(boxes.label, label)
    many = np.searchsorted(boxes.label, label, side="right") - first
    inside = np.zeros(len(label), dtype=bool)
    s, t = block.s + block.s_len / 2, block.t + block.t_len / 2
    for k in range(int(many.max()) if len(many) else 0):
        cell = np.flatnonzero(many > k)
        box = first[cell] + k
        inside[cell] |= (
            (boxes.s0[box] <= s[cell])
            & (s[cell] <= boxes.s1[box])
            & (boxes.t0[box] <= t[cell])
            & (t[cell] <= boxes.t1[box])
        )
    return inside
