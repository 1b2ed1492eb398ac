"""Find every place where leads meet, from their routes alone.

Two questions are asked of each pair of leads. Do the centre lines truly cross (contacts.py,
decided without rounding)? Where do they come closer than their diameters and the tracing error
can tell apart (company.py)? A stretch of company without a crossing is *touching* or a *shared
run*; with crossings, it is these, and a shared run for each long rest beside them (rests.py).
Nothing found is dropped because it is small: see `find_crossings` for what counts as part of
what.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from mapper.routes.company import RUN_LIMITS, Stretches, blocks_of, stretches
from mapper.routes.contacts import CROSSES, Contacts, find_contacts
from mapper.routes.lead import TRACING_ERROR_MM, Crossing, Lead
from mapper.routes.rests import rests, surroundings
from mapper.routes.segments import Pairs, Segments, near_pairs

__all__ = ["find_crossings"]

_KINDS = ("crossing", "touching", "shared run")
_CROSSING, _TOUCHING, _RUN = 0, 1, 2


def find_crossings(
    leads: Iterable[Lead],
    tracing_error_mm: float = TRACING_ERROR_MM,
    unseen_error_mm: float = 0.0,
) -> list[Crossing]:
    """Return all meetings of `leads`, each with itself too, `top` None, in a fixed order.

    Parameters
    ----------
    leads : with different ids; their order does not matter.
    tracing_error_mm : how far apart two traced centre lines may seem that in truth touch.
    unseen_error_mm : added to the limit for each of the two segments that nobody has seen.

    Returns
    -------
    list of Crossing, sorted by a, b and then by the place on a. For two leads with diameters
    the limit is the mean of the diameters plus the tracing error. Where either has none, both
    are ideal lines: crossings, single points that both routes share without changing sides
    (*touching*) and exact overlaps (*shared run*) count.

    Raises
    ------
    ValueError : two leads with one id, a negative or not finite error, points beyond 1e9 mm.

    Notes
    -----
    - Around a crossing at angle w, company up to 1.1 x limit / sin(w) along both leads belongs
      to the crossing (w is taken as at least 8 degrees), and so do rests up to 3 limits long.
      Longer rests are shared runs.
    - Company of a lead with itself counts from a half turn (pi x limit along the lead); a true
      self-crossing always counts.
    - A lead that ends exactly on another counts as a crossing. Leads that begin at one point
      of a drop they share, or end at one point of an exit they share, do not meet there as
      ideal lines; with diameters they are touching there or share a run.
    - Cost: near n log n in the number of segments for leads spread over a plate, plus the
      number of segment pairs that come close.
    """
    for error in (tracing_error_mm, unseen_error_mm):
        if not 0 <= error < float("inf"):
            raise ValueError("errors must be finite and not negative")
    ordered = sorted(leads, key=lambda lead: lead.id)
    if len({lead.id for lead in ordered}) < len(ordered):
        raise ValueError("two leads have the same id")
    if not ordered:
        return []
    seg = Segments.of(ordered, tracing_error_mm, unseen_error_mm)
    pairs = near_pairs(seg)
    meet = np.flatnonzero(pairs.boxes_meet)
    contacts = find_contacts(ordered, seg, pairs.i[meet], pairs.j[meet])
    pair = meet[contacts.pair]
    ideal = pairs.limit[pair] <= 0
    table = _Table()
    plain, wide = np.flatnonzero(ideal), np.flatnonzero(~ideal & (contacts.kind == CROSSES))
    _add_ideal(table, seg, pairs.i[pair[plain]], pairs.j[pair[plain]], contacts[plain])
    _add_wide(table, seg, pairs, contacts[wide], pair[wide], unseen_error_mm > 0)
    return table.crossings([lead.id for lead in ordered])


class _Table:
    """Rows of found meetings, kept as columns until the end."""

    def __init__(self) -> None:
        self._parts: list[tuple[np.ndarray, ...]] = []

    def add(self, a, b, kind, s0, s1, t0, t1, x, y, angle) -> None:
        kind = np.broadcast_to(kind, a.shape)
        self._parts.append((a, b, kind, s0, s1, t0, t1, x, y, angle))

    def crossings(self, ids: list[str]) -> list[Crossing]:
        columns = [np.concatenate(column) for column in zip(*self._parts, strict=True)]
        a, b, kind, s0, s1, t0, t1, x, y, angle = columns
        order = np.lexsort((t1, s1, kind, t0, s0, b, a))
        rows = zip(*(column[order].tolist() for column in columns), strict=True)
        return [
            Crossing(ids[a], ids[b], x, y, _KINDS[kind], (s0, s1), (t0, t1), angle)
            for a, b, kind, s0, s1, t0, t1, x, y, angle in rows
        ]


def _add_ideal(table: _Table, seg: Segments, i, j, found: Contacts) -> None:
    angle = _acute(seg.ux[i], seg.uy[i], seg.ux[j], seg.uy[j])
    angle = np.where(found.s1 > found.s0, 0.0, angle)  # an overlap; its first pair may be a corner
    kind = np.choose(found.kind, (_CROSSING, _TOUCHING, _RUN))
    a, b = seg.lead[i], seg.lead[j]
    table.add(a, b, kind, found.s0, found.s1, found.t0, found.t1, found.x, found.y, angle)


def _add_wide(table: _Table, seg, pairs: Pairs, true: Contacts, cell, uneven: bool) -> None:
    """Meetings of leads with diameters; `cell` is the segment pair of each true crossing."""
    crossed = np.zeros(len(pairs.i), dtype=bool)
    crossed[cell] = True
    near = (pairs.ends_sq.min(axis=0) <= pairs.limit * pairs.limit) & (pairs.limit > 0)
    near = np.flatnonzero(near | crossed)
    block = blocks_of(seg, pairs.i[near], pairs.j[near], pairs.limit[near], crossed[near])
    found = stretches(seg, block, pairs.ends_sq[:, near], uneven)
    label = np.full(len(pairs.i), -1)
    label[near[found.pick]] = found.label
    i, j, limit = pairs.i[cell], pairs.j[cell], pairs.limit[cell]
    a, b = seg.lead[i], seg.lead[j]
    angle = _angle_at(seg, i, j, true, limit)
    spans = true.s0, true.s1, true.t0, true.t1
    table.add(a, b, _CROSSING, *spans, true.x, true.y, angle)
    without = np.ones(len(found.s0), dtype=bool)
    without[label[cell]] = False
    _add_stretches(table, seg, found, np.flatnonzero(without))
    if len(cell):
        boxes = surroundings(label[cell], *spans, limit, angle)
        left = rests(seg, found, boxes, uneven)
        if left is not None:
            _add_stretches(table, seg, *left)


def _add_stretches(table: _Table, seg: Segments, found: Stretches, pick: np.ndarray) -> None:
    member = np.zeros(len(found.s0), dtype=np.int64)
    member[found.label] = np.arange(len(found.label))
    a = seg.lead[found.block.seg_i[member[pick]]]
    b = seg.lead[found.block.seg_j[member[pick]]]
    s0, s1, t0, t1, limit = (
        column[pick] for column in (found.s0, found.s1, found.t0, found.t1, found.limit)
    )
    length = np.maximum(s1 - s0, t1 - t0)
    kind = np.where(length > RUN_LIMITS * limit, _RUN, _TOUCHING)
    angle = _acute(*_chord(seg, a, s0, s1), *_chord(seg, b, t0, t1))
    x, y = seg.points_at(a, (s0 + s1) / 2)
    bx, by = seg.points_at(b, (t0 + t1) / 2)
    # Between both leads, unless their middles lie apart (one of them takes a detour).
    between = np.hypot(bx - x, by - y) <= 1.5 * limit
    x, y = np.where(between, (x + bx) / 2, x), np.where(between, (y + by) / 2, y)
    table.add(a, b, kind, s0, s1, t0, t1, x, y, angle)


def _angle_at(seg: Segments, i, j, true: Contacts, limit) -> np.ndarray:
    """Angle of crossings, from the chords a limit to both sides, so that jitter of the tracing
    counts little; from the crossing segments where a chord is no fair picture of its lead."""
    a, b = seg.lead[i], seg.lead[j]
    a_span, b_span = (true.s0 - limit, true.s1 + limit), (true.t0 - limit, true.t1 + limit)
    a_x, a_y = _chord(seg, a, *a_span)
    b_x, b_y = _chord(seg, b, *b_span)
    fair = (np.hypot(a_x, a_y) > 0.5 * _arc(seg, a, *a_span)) & (
        np.hypot(b_x, b_y) > 0.5 * _arc(seg, b, *b_span)
    )
    local = _acute(seg.ux[i], seg.uy[i], seg.ux[j], seg.uy[j])
    return np.where(fair, _acute(a_x, a_y, b_x, b_y), local)


def _arc(seg: Segments, lead, s0, s1) -> np.ndarray:
    """Length along the lead between two arc positions, as far as the lead goes."""
    length = seg.lead_length[lead]
    return np.minimum(s1, length) - np.maximum(s0, 0.0)


def _chord(seg: Segments, lead, s0, s1) -> tuple[np.ndarray, np.ndarray]:
    """Vector between two arc positions of a lead."""
    x0, y0 = seg.points_at(lead, s0)
    x1, y1 = seg.points_at(lead, s1)
    return x1 - x0, y1 - y0


def _acute(ux, uy, vx, vy) -> np.ndarray:
    """Acute angle between two directions, rad; 0 where one has no length."""
    return np.arctan2(np.abs(ux * vy - uy * vx), np.abs(ux * vx + uy * vy))
