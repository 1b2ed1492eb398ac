"""Where two centre lines truly meet, decided without rounding.

A meeting of two segments is *proper* when each has its ends strictly on either side of the
other. Every other meeting has a corner of one route lying exactly on the other; such pairs are
gathered into one contact (a point, or an exact overlap), and the order of the four branches
around it tells whether the routes change sides. Where that can't be told (a route ends there,
or folds back on itself) it counts as a crossing: a question too many, never one too few.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mapper.routes.cells import connect
from mapper.routes.lead import Lead
from mapper.routes.orient import orientation
from mapper.routes.segments import Segments

__all__ = ["CROSSES", "OVERLAPS", "TOUCHES", "Contacts", "find_contacts"]

CROSSES, TOUCHES, OVERLAPS = 0, 1, 2  # changes sides; meets in a point; lies along, no change


@dataclass(frozen=True, eq=False)
class Contacts:
    """K contacts: `pair` (index of a segment pair), spans `s0`..`s1` and `t0`..`t1` as arc
    lengths on both leads, place (`x`, `y`), and what it is (`kind`); (K,) each."""

    pair: np.ndarray
    s0: np.ndarray
    s1: np.ndarray
    t0: np.ndarray
    t1: np.ndarray
    x: np.ndarray
    y: np.ndarray
    kind: np.ndarray

    def __getitem__(self, pick: np.ndarray) -> Contacts:
        return Contacts(*(getattr(self, name)[pick] for name in self.__dataclass_fields__))


def find_contacts(leads: Sequence[Lead], seg: Segments, i: np.ndarray, j: np.ndarray) -> Contacts:
    """Contacts among segment pairs (i, j), i < j, whose boxes meet."""
    p0x, p0y, p1x, p1y = seg.x0[i], seg.y0[i], seg.x1[i], seg.y1[i]
    q0x, q0y, q1x, q1y = seg.x0[j], seg.y0[j], seg.x1[j], seg.y1[j]
    p0 = orientation(q0x, q0y, q1x, q1y, p0x, p0y)
    p1 = orientation(q0x, q0y, q1x, q1y, p1x, p1y)
    keep = np.flatnonzero(p0 * p1 <= 0)
    q0, q1 = np.ones(len(i), dtype=np.int8), np.ones(len(i), dtype=np.int8)
    line = tuple(v[keep] for v in (p0x, p0y, p1x, p1y))
    q0[keep] = orientation(*line, q0x[keep], q0y[keep])
    q1[keep] = orientation(*line, q1x[keep], q1y[keep])
    proper = np.flatnonzero((p0 * p1 < 0) & (q0 * q1 < 0))
    unclear = np.flatnonzero((p0 * p1 <= 0) & (q0 * q1 <= 0) & ((p0 * p1 == 0) | (q0 * q1 == 0)))
    return _joined(
        _proper(seg, i, j, proper),
        _touching(leads, seg, i, j, unclear, (p0, p1, q0, q1)),
    )


def _joined(one: Contacts, other: Contacts) -> Contacts:
    fields = one.__dataclass_fields__
    return Contacts(*(np.concatenate([getattr(one, f), getattr(other, f)]) for f in fields))


def _proper(seg: Segments, i: np.ndarray, j: np.ndarray, pick: np.ndarray) -> Contacts:
    i, j = i[pick], j[pick]
    wx, wy = seg.x0[j] - seg.x0[i], seg.y0[j] - seg.y0[i]
    cross = seg.ux[i] * seg.uy[j] - seg.uy[i] * seg.ux[j]
    # Two segments that cross can still be parallel to the last digit: then anywhere will do.
    safe = np.where(cross != 0, cross, 1.0)
    share = np.where(cross != 0, (wx * seg.uy[j] - wy * seg.ux[j]) / safe, 0.5)
    other = np.where(cross != 0, (wx * seg.uy[i] - wy * seg.ux[i]) / safe, 0.5)
    share, other = np.clip(share, 0.0, 1.0), np.clip(other, 0.0, 1.0)
    s = seg.s0[i] + share * seg.length[i]
    t = seg.s0[j] + other * seg.length[j]
    x, y = seg.x0[i] + share * seg.ux[i], seg.y0[i] + share * seg.uy[i]
    return Contacts(pick, s, s, t, t, x, y, np.full(len(pick), CROSSES))


def _touching(leads, seg: Segments, i, j, pick, sides) -> Contacts:
    """Contacts with a corner exactly on the other route, one per connected contact."""
    p0, p1, q0, q1 = (side[pick] == 0 for side in sides)
    i, j = i[pick], j[pick]
    p0 &= _in_box(seg, j, seg.x0[i], seg.y0[i])
    p1 &= _in_box(seg, j, seg.x1[i], seg.y1[i])
    q0 &= _in_box(seg, i, seg.x0[j], seg.y0[j])
    q1 &= _in_box(seg, i, seg.x1[j], seg.y1[j])
    follow = (j == i + 1) & (seg.lead[i] == seg.lead[j])
    real = np.where(follow, p0 | q1, p0 | p1 | q0 | q1)
    pick, i, j = pick[real], i[real], j[real]
    on = np.stack([p0[real], p1[real], q0[real], q1[real]])
    label = connect(
        i,
        j,
        [
            (on[1] & ~seg.last[i], 1, 0),
            (on[0] & ~seg.first[i], -1, 0),
            (on[3] & ~seg.last[j], 0, 1),
            (on[2] & ~seg.first[j], 0, -1),
        ],
    )
    rows = []
    order = np.argsort(label, kind="stable")
    for group in np.split(order, np.flatnonzero(np.diff(label[order])) + 1):
        if len(group):
            row = _resolve(leads, seg, i[group], j[group], on[:, group])
            if row is not None:
                rows.append((pick[group[0]], *row))
    columns = list(zip(*rows, strict=True)) if rows else [()] * 8
    return Contacts(
        np.array(columns[0], dtype=np.int64),
        *(np.array(column, dtype=np.float64) for column in columns[1:7]),
        np.array(columns[7], dtype=np.int64),
    )


def _in_box(seg: Segments, k, x, y) -> np.ndarray:
    return (
        (np.minimum(seg.x0[k], seg.x1[k]) <= x)
        & (x <= np.maximum(seg.x0[k], seg.x1[k]))
        & (np.minimum(seg.y0[k], seg.y1[k]) <= y)
        & (y <= np.maximum(seg.y0[k], seg.y1[k]))
    )


@dataclass(frozen=True)
class _Node:
    """A corner of one route lying on the other: place, arc lengths, segment numbers."""

    s: float
    t: float
    x: float
    y: float
    i: int
    j: int


def _resolve(leads, seg: Segments, i, j, on):
    """One contact as (s0, s1, t0, t1, x, y, kind); None for a shared end of the plate."""
    nodes = []
    for k in range(len(i)):
        p, q = int(i[k]), int(j[k])
        ends = (
            (seg.x0[p], seg.y0[p]),
            (seg.x1[p], seg.y1[p]),
            (seg.x0[q], seg.y0[q]),
            (seg.x1[q], seg.y1[q]),
        )
        for flag, (x, y) in zip(on[:, k], ends, strict=True):
            if flag:
                nodes.append(_Node(_arc(seg, p, x, y), _arc(seg, q, x, y), x, y, p, q))
    s0, s1 = min(node.s for node in nodes), max(node.s for node in nodes)
    t0, t1 = min(node.t for node in nodes), max(node.t for node in nodes)
    first = nodes[0]
    if all((node.x, node.y) == (first.x, first.y) for node in nodes):
        kind = _point_kind(leads, seg, first)
        return None if kind is None else (s0, s0, t0, t0, first.x, first.y, kind)
    # A route folded straight back on itself has no sides to compare.
    folded = seg.lead[i[0]] == seg.lead[j[0]] and t0 <= s1
    kind = OVERLAPS if folded else _overlap_kind(seg, nodes, (s0, s1), (t0, t1))
    x, y = seg.points_at(seg.lead[i[:1]], np.array([(s0 + s1) / 2]))
    return s0, s1, t0, t1, float(x[0]), float(y[0]), kind


def _arc(seg: Segments, k: int, x: float, y: float) -> float:
    """Arc length of a point known to lie on segment k; the same for a corner of k and k + 1."""
    if (x, y) == (seg.x1[k], seg.y1[k]):
        return float(seg.s0[k] + seg.length[k] if seg.last[k] else seg.s0[k + 1])
    step = np.hypot(x - seg.x0[k], y - seg.y0[k])
    return float(seg.s0[k] + min(step, seg.length[k]))


def _branches(seg: Segments, k: int, x: float, y: float):
    """Corners before and after a point of segment k along its lead; None past an end."""
    before, after = (seg.x0[k], seg.y0[k]), (seg.x1[k], seg.y1[k])
    if (x, y) == before:
        before = None if seg.first[k] else (seg.x0[k - 1], seg.y0[k - 1])
    if (x, y) == after:
        after = None if seg.last[k] else (seg.x1[k + 1], seg.y1[k + 1])
    return before, after


def _point_kind(leads, seg: Segments, node: _Node) -> int | None:
    at = (node.x, node.y)
    p_in, p_out = _branches(seg, node.i, *at)
    q_in, q_out = _branches(seg, node.j, *at)
    p, q = leads[seg.lead[node.i]], leads[seg.lead[node.j]]
    if p is not q:
        # Where a drop or an exit is drawn as one point, its leads begin or end there together.
        if p_in is None and q_in is None and p.drop == q.drop:
            return None
        if p_out is None and q_out is None and p.exit == q.exit:
            return None
    if None in (p_in, p_out, q_in, q_out):
        return CROSSES
    one, other = _side(p_in, at, p_out, q_in), _side(p_in, at, p_out, q_out)
    return TOUCHES if one == other != 0 else CROSSES


def _overlap_kind(seg: Segments, nodes: Sequence[_Node], s_span, t_span) -> int:
    """Whether the routes change sides along an overlap that is one plain stretch of both."""

    def node_at(s: float, t: float) -> _Node | None:
        close = 1e-9 * (1.0 + s + t)
        return next((n for n in nodes if abs(n.s - s) + abs(n.t - t) <= close), None)

    kinds = set()
    for along, (t_low, t_high) in ((True, t_span), (False, t_span[::-1])):
        low, high = node_at(s_span[0], t_low), node_at(s_span[1], t_high)
        if low is not None and high is not None:
            kinds.add(_stretch_kind(seg, low, high, along))
    return OVERLAPS if kinds == {OVERLAPS} else CROSSES  # no plain stretch: can't tell


def _stretch_kind(seg: Segments, low: _Node, high: _Node, along: bool) -> int:
    p_in, p_next = _branches(seg, low.i, low.x, low.y)
    p_last, p_out = _branches(seg, high.i, high.x, high.y)
    q_low = _branches(seg, low.j, low.x, low.y)
    q_high = _branches(seg, high.j, high.x, high.y)
    q_in, q_out = (q_low[0], q_high[1]) if along else (q_low[1], q_high[0])
    if None in (p_in, p_out, q_in, q_out):
        return OVERLAPS  # ends there: nothing says that they change sides
    one = _side(p_in, (low.x, low.y), p_next, q_in)
    other = _side(p_last, (high.x, high.y), p_out, q_out)
    return OVERLAPS if one == other != 0 else CROSSES


def _side(before, at, after, x) -> int:
    """Side of the path before -> at -> after on which the branch at -> x leaves: +1 left."""
    turn, first, second = (
        int(orientation(*(np.array([v]) for v in (*one, *other, *point)))[0])
        for one, other, point in ((before, at, after), (before, at, x), (at, after, x))
    )
    if turn == 0:
        back = _dot(at, before, after)
        if back < 0:
            return first  # straight on
        # A fold has one outside; only its own ray can't be told.
        return 1 if first != 0 or _dot(at, before, x) < 0 else 0
    if turn > 0:
        if first > 0 and second > 0:
            return 1
        return -1 if first < 0 or second < 0 else 0
    if first < 0 and second < 0:
        return -1
    return 1 if first > 0 or second > 0 else 0


def _dot(at, one, other) -> float:
    """Sign tells whether the directions from `at` to two points agree, for points on a line."""
    return (one[0] - at[0]) * (other[0] - at[0]) + (one[1] - at[1]) * (other[1] - at[1])
