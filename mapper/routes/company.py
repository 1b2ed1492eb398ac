"""Stretches where two leads with diameters keep company, and what is left beside a crossing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mapper.routes.cells import Cells, connect, within
from mapper.routes.segments import HALF_TURN, Segments, cells_of

__all__ = ["RUN_LIMITS", "SHALLOW_RAD", "Block", "Stretches", "blocks_of", "stretches"]

RUN_LIMITS = 3.0  # company longer than this many limits is a shared run, shorter is touching
SHALLOW_RAD = np.deg2rad(8.0)  # flatter crossings can hardly be judged in any picture


@dataclass(frozen=True, eq=False)
class Block:
    """K cells to look at together.

    `row`, `column`: place in the grid of cells; `seg_i`, `seg_j`: the segments they are part
    of; `s`, `t`: arc lengths at their start; `s_len`, `t_len`; `limit` (mm); `crossed`: holds
    a true crossing. `row_ends`, `column_ends`: no neighbour follows on that lead.
    """

    cells: Cells
    row: np.ndarray
    column: np.ndarray
    seg_i: np.ndarray
    seg_j: np.ndarray
    s: np.ndarray
    t: np.ndarray
    s_len: np.ndarray
    t_len: np.ndarray
    limit: np.ndarray
    crossed: np.ndarray
    row_ends: np.ndarray
    column_ends: np.ndarray

    def __getitem__(self, pick: np.ndarray) -> Block:
        return Block(*(getattr(self, name)[pick] for name in self.__dataclass_fields__))


@dataclass(frozen=True, eq=False)
class Stretches:
    """The cells that count (`block`, and their index `pick` in the block asked about), their
    stretch (`label`), and per stretch the spans on both leads and the largest limit."""

    block: Block
    pick: np.ndarray
    label: np.ndarray
    s0: np.ndarray
    s1: np.ndarray
    t0: np.ndarray
    t1: np.ndarray
    limit: np.ndarray


def blocks_of(
    seg: Segments, i: np.ndarray, j: np.ndarray, limit: np.ndarray, crossed: np.ndarray
) -> Block:
    """The cells of whole segments."""
    return Block(
        cells_of(seg, i, j),
        i,
        j,
        i,
        j,
        seg.s0[i],
        seg.s0[j],
        seg.length[i],
        seg.length[j],
        limit,
        crossed,
        seg.last[i],
        seg.last[j],
    )


def stretches(seg: Segments, block: Block, ends_sq: np.ndarray, uneven: bool) -> Stretches:
    """Join cells in company into stretches; `ends_sq` (4, K) as `end_distances` gives them.

    `uneven`: limits differ along a lead, so that two cells may see their shared corner
    differently; the larger limit counts.
    """
    one_lead = seg.lead[block.seg_i] == seg.lead[block.seg_j]
    pick = np.arange(len(one_lead))
    if one_lead.any():
        far = ~one_lead
        far[one_lead] = _far_along(block[one_lead])
        pick = np.flatnonzero(far)
        block, one_lead, ends_sq = block[pick], one_lead[pick], ends_sq[:, pick]
    p0, p1, q0, q1 = ends_sq <= block.limit * block.limit
    joins = [(p1 & ~block.row_ends, 1, 0), (q1 & ~block.column_ends, 0, 1)]
    if uneven:
        joins += [(p0 & ~seg.first[block.seg_i], -1, 0), (q0 & ~seg.first[block.seg_j], 0, -1)]
    label = connect(block.row, block.column, joins)
    count = int(label.max()) + 1 if len(label) else 0
    # Only the first and last cells on either lead decide how far a stretch goes.
    outer = np.flatnonzero(_is_outer(label, count, block.row))
    b = block[outer]
    low, high = within(b.cells, b.limit, ends_sq[0, outer], ends_sq[1, outer])
    # On one lead, a half turn stays free between the two passes.
    last = np.where(one_lead[outer] & ~b.crossed, b.t + b.t_len - HALF_TURN * b.limit - b.s, np.inf)
    s0, s1 = b.s + low * b.s_len, b.s + np.maximum(np.minimum(high * b.s_len, last), 0.0)
    s0, s1 = _least(label[outer], count, np.minimum(s0, s1)), -_least(label[outer], count, -s1)
    outer = np.flatnonzero(_is_outer(label, count, block.column))
    b = block[outer]
    low, high = within(b.cells.swapped(), b.limit, ends_sq[2, outer], ends_sq[3, outer])
    first = np.where(one_lead[outer] & ~b.crossed, b.s + HALF_TURN * b.limit - b.t, -np.inf)
    t0, t1 = b.t + np.minimum(np.maximum(low * b.t_len, first), b.t_len), b.t + high * b.t_len
    t0, t1 = _least(label[outer], count, t0), -_least(label[outer], count, -np.maximum(t0, t1))
    return Stretches(block, pick, label, s0, s1, t0, t1, -_least(label, count, -block.limit))


def _is_outer(label: np.ndarray, count: int, number: np.ndarray) -> np.ndarray:
    least, most = np.full(count, np.iinfo(np.int64).max), np.full(count, -1)
    np.minimum.at(least, label, number)
    np.maximum.at(most, label, number)
    return (number == least[label]) | (number == most[label])


def _least(label: np.ndarray, count: int, value: np.ndarray) -> np.ndarray:
    least = np.full(count, np.inf)
    np.minimum.at(least, label, value)
    return least


def _far_along(block: Block) -> np.ndarray:
    """For cells of one lead with itself: is there company more than a half turn apart?

    Company is convex in (s, t). Beyond the line t - s = half turn it is not empty when the
    two leads are near enough somewhere on that line, or at their nearest places.
    """
    c, turn = block.cells, HALF_TURN * block.limit
    keep = block.crossed | (block.t - (block.s + block.s_len) >= turn)
    maybe = np.flatnonzero(~keep & (block.t + block.t_len - block.s > turn))
    if not len(maybe):
        return keep
    c, turn, b = c[maybe], turn[maybe], block[maybe]
    limit_sq = b.limit * b.limit
    s_len = np.where(b.s_len > 0, b.s_len, 1.0)
    t_len = np.where(b.t_len > 0, b.t_len, 1.0)
    # On the line: s from low to high, t = s + turn; the difference vector is linear in s.
    low = np.maximum(b.s, b.t - turn)
    high = np.minimum(b.s + b.s_len, b.t + b.t_len - turn)
    at_low, at_low_t = (low - b.s) / s_len, (low + turn - b.t) / t_len
    dx = c.px + at_low * c.ux - c.qx - at_low_t * c.vx
    dy = c.py + at_low * c.uy - c.qy - at_low_t * c.vy
    ex, ey = c.ux / s_len - c.vx / t_len, c.uy / s_len - c.vy / t_len
    ee = ex * ex + ey * ey
    step = np.clip(-(dx * ex + dy * ey) / np.where(ee > 0, ee, 1.0), 0.0, high - low)
    dx, dy = dx + step * ex, dy + step * ey
    found = (high >= low) & (dx * dx + dy * dy <= limit_sq)
    # At the nearest places: one of the four ends and its foot on the other segment.
    wx, wy = c.px - c.qx, c.py - c.qy
    uu = np.where(b.s_len > 0, c.ux * c.ux + c.uy * c.uy, 1.0)
    vv = np.where(b.t_len > 0, c.vx * c.vx + c.vy * c.vy, 1.0)
    wu, wv, uv = wx * c.ux + wy * c.uy, wx * c.vx + wy * c.vy, c.ux * c.vx + c.uy * c.vy
    for s, t in (
        (np.zeros_like(wu), np.clip(wv / vv, 0, 1)),
        (np.ones_like(wu), np.clip((wv + uv) / vv, 0, 1)),
        (np.clip(-wu / uu, 0, 1), np.zeros_like(wu)),
        (np.clip((uv - wu) / uu, 0, 1), np.ones_like(wu)),
    ):
        dx, dy = wx + s * c.ux - t * c.vx, wy + s * c.uy - t * c.vy
        apart = (b.t + t * b.t_len) - (b.s + s * b.s_len)
        found |= (apart >= turn) & (dx * dx + dy * dy <= limit_sq)
    keep[maybe] = found
    return keep
