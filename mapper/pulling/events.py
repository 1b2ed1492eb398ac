"""The events of the peel rule: lead freed past a place, and what must come before it.

A lead is freed from its free end (the exit) towards its drop. Along each lead the ends of
all its meeting spans are numbered from the drop (0, 1, 2, ...); ends closer than the tracing
error share a number, so that none of them can be passed without all of them: which of them
comes first along the lead is then only a guess. On an ideal line (no diameter) the order is
taken as it is, and only ends closer than `SAME_PLACE_MM` share a number.
`freed[lead] = k` says that the lead is free of everything numbered k and above.

A *side* is one lead's part in one meeting: 2 * meeting for lead a, 2 * meeting + 1 for
lead b, so `side ^ 1` is the other lead's part. A side *waits* when the lead may not enter the
span before the other one is out of it: it lies underneath, or nobody has looked. An open
meeting waits on both sides. Where a lead meets itself only the pass nearer the free end can
wait, for the pass nearer the drop; it waits for ever.

Freeing never makes anything else less free (the rule is monotone): freeing all that may
be freed, in any order, ends in one and the same state.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from itertools import chain
from operator import attrgetter

import numpy as np

from mapper.errors import shown
from mapper.pulling.model import PullError
from mapper.routes.model import TRACING_ERROR_MM, Crossing, Lead

__all__ = ["SAME_PLACE_MM", "Board", "State"]

SAME_PLACE_MM = 1e-6  # rounding of arc lengths; far below anything that can be seen

_TOPS = {"a": 0, "b": 1, None: 2, "apart": 3}


class Board:
    """All leads and meetings of a plate as arrays; not changed after it is made.

    Leads are numbered in the order of their ids and meetings in the order of their leads and
    spans, so nothing depends on the order in a file.

    Raises PullError for two leads of one id, a meeting of an unknown lead, and a span or place
    that is not a number.
    """

    def __init__(
        self,
        leads: Sequence[Lead],
        meetings: Sequence[Crossing],
        tracing_error_mm: float = TRACING_ERROR_MM,
    ) -> None:
        self.tracing_error_mm = tracing_error_mm
        self.leads = tuple(sorted(leads, key=attrgetter("id")))
        self.ids = tuple(lead.id for lead in self.leads)
        self.index = {lead_id: i for i, lead_id in enumerate(self.ids)}
        self.n = len(self.ids)
        if len(self.index) != self.n:
            twice = next(a for a, b in zip(self.ids, self.ids[1:], strict=False) if a == b)
            raise PullError(f"two leads are called {shown(twice)}; give each its own name")
        self._read(meetings)

    def _read(self, meetings: Sequence[Crossing]) -> None:
        count = len(meetings)
        self.meeting_count = count
        number = self.index.__getitem__
        a_spans, b_spans = [m.a_span_mm for m in meetings], [m.b_span_mm for m in meetings]
        try:
            lead = np.empty((2, count), dtype=np.int64)
            lead[0] = np.fromiter(map(number, [m.a for m in meetings]), np.int64, count)
            lead[1] = np.fromiter(map(number, [m.b for m in meetings]), np.int64, count)
            tops = map(_TOPS.__getitem__, [m.top for m in meetings])
            top = np.fromiter(tops, np.int8, count)
        except KeyError as err:
            raise PullError(
                f"a meeting names {shown(err.args[0])}, which is not a lead or a judgement"
            ) from None
        try:
            flat = [np.fromiter(chain.from_iterable(s), float) for s in (a_spans, b_spans)]
            spans = np.array(flat).reshape(2, count, 2)
        except (TypeError, ValueError):
            spans = np.full((2, count, 2), np.nan)
        if not np.isfinite(spans).all() or (spans[:, :, 0] > spans[:, :, 1]).any():
            raise PullError("a meeting has a stretch that is not two numbers, low to high")
        # lead a is the one that comes first by id; for a self-meeting the pass nearer the drop
        swap = (lead[0] > lead[1]) | ((lead[0] == lead[1]) & (spans[0, :, 0] > spans[1, :, 0]))
        if swap.any():
            lead[:, swap] = lead[::-1, swap]
            spans[:, swap] = spans[::-1, swap]
            top = np.where(swap & (top < 2), 1 - top, top)
        pair, along = lead[0] * self.n + lead[1], spans[0, :, 0]
        order = np.lexsort((along, pair))
        if ((np.diff(pair[order]) == 0) & (np.diff(along[order]) == 0)).any():
            places = np.array([(m.x_mm, m.y_mm) for m in meetings]).T
            order = np.lexsort((top, *places, *spans.transpose(0, 2, 1).reshape(4, count), pair))
        self._meetings = meetings
        self._order = order
        top, lead, spans = top[order], lead[:, order], spans[:, order]
        own = lead[0] == lead[1]
        waits = np.empty((count, 2), dtype=bool)
        waits[:, 0] = ((top == 1) | (top == 2)) & ~own
        waits[:, 1] = (top == 0) | (top == 2)
        self.waits_array = waits.ravel()
        self.lead_array = np.ascontiguousarray(lead.T).ravel()
        self._spans = np.ascontiguousarray(spans.transpose(1, 0, 2)).reshape(-1, 2)
        self.open_array = np.repeat(top == 2, 2)

    # -- what stands behind a number ------------------------------------------------------

    def meeting(self, side: int) -> Crossing:
        """Return the record of the meeting that a side belongs to."""
        return self._meetings[self._order[side >> 1]]

    def place(self, side: int) -> tuple[float, float]:
        """Return the place of a side's meeting in plate millimetres."""
        record = self.meeting(side)
        return float(record.x_mm), float(record.y_mm)

    def is_open(self, side: int) -> bool:
        return bool(self.open_array[side])

    def span_mm(self, side: int) -> tuple[float, float]:
        """Return the stretch of the side's own lead, as arc length from its drop."""
        low, high = self._spans[side]
        return float(low), float(high)

    def number_at(self, lead: int, down_to_mm: float) -> int:
        """Return the number down to which a lead is free that is free from an arc length on.

        A number of which any end lies nearer the drop does not count as passed.
        """
        below = [
            number
            for side in self.sides_of[lead]
            for where, number in zip(
                self.span_mm(side), (self.low[side], self.high[side]), strict=True
            )
            if where < down_to_mm - SAME_PLACE_MM
        ]
        return max(below, default=-1) + 1

    def start_mm(self, lead: int, number: int) -> float:
        """Return the arc length of the end nearest the drop among those of one number."""
        return min(
            where
            for side in self.sides_of[lead]
            for where, own in zip(
                self.span_mm(side), (self.low[side], self.high[side]), strict=True
            )
            if own == number
        )

    # -- numbered places along each lead, made only when peeling comes into it -------------

    @cached_property
    def _numbered(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(low number of each side, high number of each side, count of numbers per lead)."""
        sides = len(self.lead_array)
        low, high = self._spans[:, 0], self._spans[:, 1]
        lead = np.concatenate([self.lead_array, self.lead_array])
        where = np.concatenate([low, high])
        order = np.lexsort((where, lead))
        lead, where = lead[order], where[order]
        fresh = np.empty(2 * sides, dtype=bool)
        fresh[:1] = True
        thick = np.array([one.diameter_mm is not None for one in self.leads], dtype=bool)
        same_mm = np.where(thick, max(self.tracing_error_mm, SAME_PLACE_MM), SAME_PLACE_MM)
        fresh[1:] = (lead[1:] != lead[:-1]) | (where[1:] - where[:-1] > same_mm[lead[1:]])
        running = np.cumsum(fresh) - 1
        first = np.full(self.n + 1, 0, dtype=np.int64)
        counts = np.bincount(lead[fresh], minlength=self.n) if sides else np.zeros(self.n, int)
        np.cumsum(counts, out=first[1:])
        numbers = np.empty(2 * sides, dtype=np.int64)
        numbers[order] = running - first[lead]
        return numbers[:sides], numbers[sides:], counts

    @cached_property
    def low_array(self) -> np.ndarray:
        return self._numbered[0]

    @cached_property
    def high_array(self) -> np.ndarray:
        return self._numbered[1]

    @cached_property
    def counts(self) -> list[int]:
        """How many numbered places each lead has: its `freed` before anything is done."""
        return self._numbered[2].tolist()

    @cached_property
    def lead_of(self) -> list[int]:
        return self.lead_array.tolist()

    @cached_property
    def low(self) -> list[int]:
        return self.low_array.tolist()

    @cached_property
    def high(self) -> list[int]:
        return self.high_array.tolist()

    def _by_lead(self, sides: np.ndarray, where: np.ndarray, lead: np.ndarray) -> list[list[int]]:
        order = np.lexsort((-where, lead))
        ends = np.cumsum(np.bincount(lead, minlength=self.n))
        flat = sides[order].tolist()
        starts = [0, *ends.tolist()]
        return [flat[starts[i] : starts[i + 1]] for i in range(self.n)]

    @cached_property
    def gates(self) -> list[list[int]]:
        """For each lead its waiting sides, from the free end inwards."""
        sides = np.flatnonzero(self.waits_array)
        return self._by_lead(sides, self.high_array[sides], self.lead_array[sides])

    @cached_property
    def serves(self) -> list[list[int]]:
        """For each lead its sides whose other lead waits, in the order it leaves them."""
        sides = np.flatnonzero(self.waits_array) ^ 1
        return self._by_lead(sides, self.low_array[sides], self.lead_array[sides])

    @cached_property
    def sides_of(self) -> list[list[int]]:
        """For each lead all its sides, from the free end inwards."""
        sides = np.arange(len(self.lead_array))
        return self._by_lead(sides, self.high_array, self.lead_array)


class State:
    """How far each lead has been freed, and how far it may be freed next.

    `ignored`: sides that are taken not to wait (used to try answers out).
    """

    __slots__ = ("board", "freed", "out", "_gate", "ignored")

    def __init__(self, board: Board, ignored: frozenset[int] = frozenset()) -> None:
        self.board = board
        self.freed = board.counts.copy()
        self.out = [False] * board.n
        self._gate = [0] * board.n
        self.ignored = ignored

    def copy(self, ignored: frozenset[int] | None = None) -> State:
        twin = State.__new__(State)
        twin.board = self.board
        twin.freed = self.freed.copy()
        twin.out = self.out.copy()
        twin._gate = self._gate.copy()
        twin.ignored = self.ignored if ignored is None else ignored
        return twin

    def holds(self, side: int) -> bool:
        """True when a waiting side still has to wait for the other lead."""
        board = self.board
        other = side ^ 1
        return (
            self.freed[board.lead_of[other]] > board.low[other]
            and board.low[side] < self.freed[board.lead_of[side]]
            and side not in self.ignored
        )

    def held_at(self, lead: int) -> int | None:
        """Return the side nearest the free end that holds a lead, or None."""
        gates = self.board.gates[lead]
        at = self._gate[lead]
        while at < len(gates) and not self.holds(gates[at]):
            at += 1
        self._gate[lead] = at
        return gates[at] if at < len(gates) else None

    def reach(self, lead: int) -> int:
        """Return the number down to which a lead may be freed now (0: it may be pulled)."""
        side = self.held_at(lead)
        return 0 if side is None else min(self.freed[lead], self.board.high[side] + 1)

    def holding(self, lead: int, down_to: int) -> list[int]:
        """Return all sides that forbid freeing a lead down to a number, free end first."""
        high = self.board.high
        return [s for s in self.board.gates[lead] if high[s] >= down_to and self.holds(s)]

    def free(self, lead: int, down_to: int) -> None:
        """Record that a lead has been freed down to a number (no question asked)."""
        self.freed[lead] = min(self.freed[lead], down_to)

    def take_out(self, lead: int) -> None:
        self.freed[lead] = 0
        self.out[lead] = True

    def holding_sides(self) -> np.ndarray:
        """Return all sides that have to wait as things are, in no special order of place."""
        board = self.board
        freed = np.array(self.freed)
        sides = np.flatnonzero(board.waits_array)
        if self.ignored:
            sides = np.setdiff1d(sides, list(self.ignored), assume_unique=True)
        holding = freed[board.lead_array[sides ^ 1]] > board.low_array[sides ^ 1]
        holding &= board.low_array[sides] < freed[board.lead_array[sides]]
        return sides[holding]

    def settle(self, touched: Iterable[int] | None = None) -> list[int]:
        """Free every lead as far as the rule lets it go; return the leads that moved.

        `touched`: leads whose case has changed since the last time; None asks all.
        """
        board, freed, gate, ignored = self.board, self.freed, self._gate, self.ignored
        lead_of, low, high, gates, serves = (
            board.lead_of, board.low, board.high, board.gates, board.serves,
        )  # fmt: skip
        work = list(range(board.n)) if touched is None else list(touched)
        moved = []
        while work:
            lead = work.pop()
            was, rows, at = freed[lead], gates[lead], gate[lead]
            # the same as `reach`, written out: this is where the time goes
            while at < len(rows):
                side = rows[at]
                waits = freed[lead_of[side ^ 1]] > low[side ^ 1] and low[side] < was
                if waits and side not in ignored:
                    break
                at += 1
            gate[lead] = at
            now = high[rows[at]] + 1 if at < len(rows) else 0
            if now >= was:
                continue
            freed[lead] = now
            moved.append(lead)
            for side in serves[lead]:
                if low[side] < now:
                    break
                if low[side] < was:
                    other = lead_of[side ^ 1]
                    rows, at = gates[other], gate[other]
                    if at < len(rows) and rows[at] == side ^ 1:  # else it is held elsewhere
                        work.append(other)
        return moved
