"""Stretches where two leads with diameters keep company, and what is left beside a crossing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mapper.routes.cells import Cells, connect, end_distances, within
from mapper.routes.segments import Segments

__all__ = ["HALF_TURN", "RUN_LIMITS", "SHALLOW_RAD", "Block", "Stretches", "blocks_of", "stretches"]

HALF_TURN = np.pi  # a lead's neighbouring parts are no meeting: within pi limits along the lead
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
    """The cells in company (`block`, and their index `pick` in the block asked about), their
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
        Cells(
            seg.x0[i], seg.y0[i], seg.ux[i], seg.uy[i], seg.x0[j], seg.y0[j], seg.ux[j], seg.uy[j]
        ),
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


def stretches(seg: Segments, block: Block, uneven: bool) -> Stretches:
    """Find the cells where both leads come within the limit and join them into stretches.

    `uneven`: limits differ along a lead, so that two cells may see their shared corner
    differently; the larger limit counts.
    """
    p0, p1, q0, q1 = end_distances(block.cells)
    limit_sq = block.limit * block.limit
    nearest = np.minimum(np.minimum(p0, p1), np.minimum(q0, q1))
    active = (nearest <= limit_sq) | block.crossed
    same = np.flatnonzero(active & (seg.lead[block.seg_i] == seg.lead[block.seg_j]))
    active[same] = _far_along(block[same])
    pick = np.flatnonzero(active)
    block, limit_sq = block[pick], limit_sq[pick]
    p0, p1, q0, q1 = p0[pick], p1[pick], q0[pick], q1[pick]
    joins = [
        ((p1 <= limit_sq) & ~block.row_ends, 1, 0),
        ((q1 <= limit_sq) & ~block.column_ends, 0, 1),
    ]
    if uneven:
        joins += [
            ((p0 <= limit_sq) & ~seg.first[block.seg_i], -1, 0),
            ((q0 <= limit_sq) & ~seg.first[block.seg_j], 0, -1),
        ]
    label = connect(block.row, block.column, joins)
    low, high = within(block.cells, block.limit, p0, p1)
    s0, s1 = block.s + low * block.s_len, block.s + high * block.s_len
    low, high = within(block.cells.swapped(), block.limit, q0, q1)
    t0, t1 = block.t + low * block.t_len, block.t + high * block.t_len
    one_lead = np.flatnonzero((seg.lead[block.seg_i] == seg.lead[block.seg_j]) & ~block.crossed)
    if len(one_lead):  # keep the half turn between the two passes of one lead
        turn = HALF_TURN * block.limit[one_lead]
        s1[one_lead] = np.minimum(s1[one_lead], np.maximum(s0[one_lead], t1[one_lead] - turn))
        t0[one_lead] = np.maximum(t0[one_lead], np.minimum(t1[one_lead], s0[one_lead] + turn))
    count = int(label.max()) + 1 if len(label) else 0
    return Stretches(
        block,
        pick,
        label,
        _least(label, count, s0),
        -_least(label, count, -s1),
        _least(label, count, t0),
        -_least(label, count, -t1),
        -_least(label, count, -block.limit),
    )


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
