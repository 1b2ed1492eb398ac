"""All segments of all leads in flat arrays, and the pairs that lie near enough to matter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from mapper.routes.cells import Cells, end_distances
from mapper.routes.lead import Lead

__all__ = ["HALF_TURN", "Pairs", "Segments", "cells_of", "near_pairs"]

HALF_TURN = np.pi  # a lead's neighbouring parts are no meeting: within pi limits along the lead

_TINY_MM = 1e-100  # smaller coordinates count as 0, see orient.py
_LARGEST_MM = 1e9  # so that squares and products stay far from overflow
_BUNCH = 4  # boxes per box of the next level
_BLOCK = 1 << 13  # pairs opened at once, so that they stay in the cache


@dataclass(frozen=True, eq=False)
class Segments:
    """M segments of zero length left out (a lead that is one dot keeps one).

    All arrays are (M,): ends (`x0`, `y0`) and (`x1`, `y1`), direction (`ux`, `uy`) not
    normalised, `length`, arc length `s0` from the drop at the first end, `lead` number,
    `reach` (half of the limit this segment brings along; 0 for an ideal line), `ideal`, and
    whether the segment is the `first` or `last` of its lead. `origin` (M,) is s0 on one axis
    that strings all leads behind each other, `lead_origin` and `lead_length` are (leads,).
    """

    x0: np.ndarray
    y0: np.ndarray
    x1: np.ndarray
    y1: np.ndarray
    ux: np.ndarray
    uy: np.ndarray
    length: np.ndarray
    s0: np.ndarray
    lead: np.ndarray
    reach: np.ndarray
    ideal: np.ndarray
    first: np.ndarray
    last: np.ndarray
    origin: np.ndarray
    lead_origin: np.ndarray
    lead_length: np.ndarray

    @classmethod
    def of(cls, leads: Sequence[Lead], tracing_error_mm: float, unseen_error_mm: float) -> Segments:
        """Lay the leads out. Raises ValueError for points beyond 1e9 mm."""
        counts = np.array([len(lead.points_mm) for lead in leads], dtype=np.int64)
        points = np.concatenate([lead.points_mm for lead in leads])
        if np.abs(points).max() > _LARGEST_MM:
            raise ValueError(f"points beyond {_LARGEST_MM:g} mm")
        points = np.where(np.abs(points) < _TINY_MM, 0.0, points)
        number = np.repeat(np.arange(len(leads)), counts)
        a, b = points[:-1], points[1:]
        inside = number[:-1] == number[1:]
        moves = inside & (a != b).any(axis=1)
        still = np.bincount(number[:-1][moves], minlength=len(leads)) == 0
        ends = np.cumsum(counts)
        moves[(ends - counts)[still]] = True
        keep = np.flatnonzero(moves)
        a, b, lead = a[keep], b[keep], number[keep]
        arc = np.concatenate([one.arc_mm for one in leads])
        lead_length = arc[ends - 1]
        lead_origin = np.concatenate([[0.0], np.cumsum(lead_length + 1.0)[:-1]])
        first = np.concatenate([[True], lead[1:] != lead[:-1]])
        last = np.concatenate([lead[1:] != lead[:-1], [True]])
        ideal = np.array([one.diameter_mm is None for one in leads])
        reach = np.array([((one.diameter_mm or 0.0) + tracing_error_mm) / 2 for one in leads])[lead]
        if unseen_error_mm > 0:
            hidden = np.concatenate([_hidden(one) for one in leads])[keep]
            reach = reach + np.where(hidden, unseen_error_mm, 0.0)
        return cls(
            x0=np.ascontiguousarray(a[:, 0]),
            y0=np.ascontiguousarray(a[:, 1]),
            x1=np.ascontiguousarray(b[:, 0]),
            y1=np.ascontiguousarray(b[:, 1]),
            ux=b[:, 0] - a[:, 0],
            uy=b[:, 1] - a[:, 1],
            length=np.hypot(b[:, 0] - a[:, 0], b[:, 1] - a[:, 1]),
            s0=arc[keep],
            lead=lead,
            reach=np.where(ideal[lead], 0.0, reach),
            ideal=ideal[lead],
            first=first,
            last=last,
            origin=arc[keep] + lead_origin[lead],
            lead_origin=lead_origin,
            lead_length=lead_length,
        )

    def points_at(self, lead: np.ndarray, s_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Points (x, y) at arc length `s_mm` of lead numbers `lead`, clipped to its ends."""
        where = np.clip(s_mm, 0.0, self.lead_length[lead]) + self.lead_origin[lead]
        k = np.clip(np.searchsorted(self.origin, where, side="right") - 1, 0, None)
        length = self.length[k]
        share = np.clip((where - self.origin[k]) / np.where(length > 0, length, 1.0), 0.0, 1.0)
        return self.x0[k] + share * self.ux[k], self.y0[k] + share * self.uy[k]


def _hidden(lead: Lead) -> np.ndarray:
    """(N,) True where the segment starting at the point is unseen; the last entry is unused."""
    if lead.seen is None:
        return np.zeros(len(lead.points_mm), dtype=bool)
    return np.append(~np.array(lead.seen, dtype=bool), False)


@dataclass(frozen=True, eq=False)
class Pairs:
    """K pairs of segments i < j that may meet, (K,) each.

    `limit`: sum of both reaches, or 0 where either lead is an ideal line. `boxes_meet`: without
    any reach. `ends_sq` (4, K): squared distances of start and end of i to j, and of start and
    end of j to i; zeros for ideal lines, which need none.
    """

    i: np.ndarray
    j: np.ndarray
    limit: np.ndarray
    boxes_meet: np.ndarray
    ends_sq: np.ndarray


def near_pairs(seg: Segments) -> Pairs:
    """Return the pairs whose boxes meet, and for leads with diameters those within the limit.

    Left out are segments that follow each other on one lead and don't fold back, and pairs of
    one lead within a half turn of each other whose boxes don't meet.
    """
    low_x, high_x = np.minimum(seg.x0, seg.x1), np.maximum(seg.x0, seg.x1)
    low_y, high_y = np.minimum(seg.y0, seg.y1), np.maximum(seg.y0, seg.y1)
    # More than the reach, so that rounding to single precision can't lose a pair.
    grow = seg.reach + 2e-7 * (1.0 + np.maximum(np.abs(high_x), np.abs(high_y)))
    i, j = _box_pairs(seg, (low_x - grow, low_y - grow, -high_x - grow, -high_y - grow))
    # One row per segment, so that a pair costs two places of memory; an ideal line's reach
    # swallows that of any other.
    rows = np.stack(
        [
            *(low_x, low_y, high_x, high_y),
            *(seg.x0, seg.y0, seg.ux, seg.uy),
            np.where(seg.ideal, -np.inf, seg.reach),
            seg.lead.astype(np.float64),
        ],
        axis=1,
    )
    kept = [_near(seg, rows, i[at : at + _BLOCK], j[at : at + _BLOCK]) for at in _blocks(len(i))]
    columns = zip(*kept, strict=True)
    return Pairs(*(np.concatenate(column, axis=-1) for column in columns))


def _blocks(count: int) -> range:
    return range(0, max(count, 1), _BLOCK)


def _near(seg: Segments, rows: np.ndarray, i: np.ndarray, j: np.ndarray):
    """The pairs of one block that count, as the fields of Pairs."""
    one = np.ascontiguousarray(rows.take(i, axis=0).T)
    other = np.ascontiguousarray(rows.take(j, axis=0).T)
    meet = (np.maximum(one[:2], other[:2]) <= np.minimum(one[2:4], other[2:4])).all(axis=0)
    same_lead = one[9] == other[9]
    follow = np.flatnonzero(same_lead & (j == i + 1))
    turn = one[6, follow] * other[6, follow] + one[7, follow] * other[7, follow]
    meet[follow] = turn < 0
    limit = np.maximum(one[8] + other[8], 0.0)
    if not limit.any():
        keep = np.flatnonzero(meet)
        return i[keep], j[keep], limit[keep], meet[keep], np.zeros((4, len(keep)))
    ends_sq = np.stack(end_distances(Cells(*one[4:8], *other[4:8])))
    near = (ends_sq.min(axis=0) <= limit * limit) & (limit > 0)
    same_lead = np.flatnonzero(near & same_lead)
    si, sj = i[same_lead], j[same_lead]
    apart = seg.s0[sj] + seg.length[sj] - seg.s0[si]
    near[same_lead] = apart > HALF_TURN * limit[same_lead]
    keep = np.flatnonzero(meet | near)
    return i[keep], j[keep], limit[keep], meet[keep], ends_sq[:, keep]


def cells_of(seg: Segments, i: np.ndarray, j: np.ndarray) -> Cells:
    """The geometry of segment pairs."""
    return Cells(
        seg.x0[i], seg.y0[i], seg.ux[i], seg.uy[i], seg.x0[j], seg.y0[j], seg.ux[j], seg.uy[j]
    )


def _box_pairs(seg: Segments, bounds: tuple[np.ndarray, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Pairs i < j whose boxes meet; `bounds` are (low x, low y, -high x, -high y).

    Segments that follow each other lie near each other: the boxes of 16 in a row go into an
    STR tree, and what meets there is opened to boxes of 4 and then to single ones. That asks
    the tree far less often than once per segment.
    """
    count = np.bincount(seg.lead)
    rows = -(-count // _BUNCH**2) * _BUNCH**2  # each lead fills whole bunches
    start = np.cumsum(rows) - rows
    slot = np.arange(len(seg.lead)) + np.repeat(start - (np.cumsum(count) - count), count)
    segment = np.zeros(rows.sum(), dtype=np.int64)
    segment[slot] = np.arange(len(slot))
    # Single precision is enough for boxes, as long as they only grow.
    levels = [np.full((4, len(segment)), np.inf, dtype=np.float32)]  # empty: meets nothing
    levels[0][:, slot] = bounds
    for _ in range(2):
        levels.append(levels[-1].reshape(4, -1, _BUNCH).min(axis=2))
    corners = levels[2].T.astype(np.float64)
    corners[:, 2:] *= -1.0
    boxes = shapely.linestrings(corners.reshape(-1, 2, 2))
    one, other = shapely.STRtree(boxes).query(boxes)
    half = one <= other
    one, other = one[half], other[half]
    one, other = _opened(levels[1].reshape(4, -1, _BUNCH), one, other)
    single = levels[0].reshape(4, -1, _BUNCH)
    same = one == other
    parts = [_opened(single, one[~same], other[~same]), _inside_bunches(single, one[same])]
    i, j = (segment[np.concatenate(column)] for column in zip(*parts, strict=True))
    loose = np.flatnonzero((j != i + 1) | (seg.lead[i] != seg.lead[j]))
    follow = _following(seg)
    return np.concatenate([i[loose], follow]), np.concatenate([j[loose], follow + 1])


def _inside_bunches(single: np.ndarray, bunch: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pairs inside a bunch whose boxes meet and that don't follow each other."""
    ones, others = [], []
    for k in range(_BUNCH):
        for m in range(k + 2, _BUNCH):
            one, other = single[:, bunch, k], single[:, bunch, m]
            hit = bunch[(one[:2] <= -other[2:]).all(axis=0) & (other[:2] <= -one[2:]).all(axis=0)]
            ones.append(hit * _BUNCH + k)
            others.append(hit * _BUNCH + m)
    return np.concatenate(ones), np.concatenate(others)


def _following(seg: Segments) -> np.ndarray:
    """Segments that may meet the next one of their lead: it folds back, or both are so long
    that they hold places more than a half turn apart."""
    folds = seg.ux[:-1] * seg.ux[1:] + seg.uy[:-1] * seg.uy[1:] < 0
    turn = HALF_TURN * (seg.reach[:-1] + seg.reach[1:])
    long = ~seg.ideal[:-1] & (seg.length[:-1] + seg.length[1:] > turn)
    return np.flatnonzero((seg.lead[:-1] == seg.lead[1:]) & (folds | long))


def _opened(level: np.ndarray, one: np.ndarray, other: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of members whose boxes meet, of pairs of bunches; `level` is (4, bunches, members)."""
    ones, others = [], []
    for at in range(0, len(one), _BLOCK):
        a, b = one[at : at + _BLOCK], other[at : at + _BLOCK]
        meet = np.ones((len(a), _BUNCH, _BUNCH), dtype=bool)
        for low, minus_high in ((level[0], level[2]), (level[1], level[3])):
            meet &= low[a][:, :, None] <= -minus_high[b][:, None, :]
            meet &= low[b][:, None, :] <= -minus_high[a][:, :, None]
        hit = np.flatnonzero(meet)
        pair, member = np.divmod(hit, _BUNCH * _BUNCH)
        first = a[pair] * _BUNCH + member // _BUNCH
        second = b[pair] * _BUNCH + member % _BUNCH
        half = first <= second
        ones.append(first[half])
        others.append(second[half])
    if not ones:
        return one, other
    return np.concatenate(ones), np.concatenate(others)
