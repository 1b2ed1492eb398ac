"""Rings of leads that hold each other, in the event graph of `mapper.pulling.events`."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Mapping, Sequence

import numpy as np
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

from mapper.pulling.events import Board, State

__all__ = ["EventGraph", "by_upper", "leads_of", "ring_from", "shortest_ring", "undone_without"]


class EventGraph:
    """The event graph over the leads that take part in some arcs."""

    def __init__(self, state: State, arcs: np.ndarray) -> None:
        board = state.board
        lead, other = board.lead_array[arcs], board.lead_array[arcs ^ 1]
        counts = np.zeros(board.n, dtype=np.int64)
        taking_part = np.unique(np.concatenate([lead, other]))
        counts[taking_part] = np.array(board.counts)[taking_part]
        first = np.concatenate([[0], np.cumsum(counts)])
        total = int(first[-1])
        inner = np.ones(total, dtype=bool)
        inner[first[:-1][counts > 0]] = False  # number 0 is passed last
        chain = np.flatnonzero(inner)
        # a lead that was forced into a span still waits where it stands
        stands = np.minimum(board.high_array[arcs], np.array(state.freed)[lead] - 1)
        self.board = board
        self.arcs = arcs
        self.tail = first[other] + board.low_array[arcs ^ 1]
        self.head = first[lead] + stands
        self.first = first
        tails = np.concatenate([chain, self.tail])
        heads = np.concatenate([chain - 1, self.head])
        ones = np.ones(len(tails), dtype=np.int8)
        self.matrix = csr_array(coo_array((ones, (tails, heads)), shape=(total, total)))

    def _inside(self) -> tuple[np.ndarray, np.ndarray]:
        """Return (part of each event, True for each arc that lies within one part)."""
        _, part = connected_components(self.matrix, directed=True, connection="strong")
        return part, part[self.tail] == part[self.head]

    def has_ring(self) -> bool:
        return bool(self._inside()[1].any())

    def locked_arcs(self) -> list[list[int]]:
        """Return the arcs of each strongly connected part that has any."""
        part, inside = self._inside()
        sets: dict[int, list[int]] = {}
        names = part[self.tail][inside].tolist()
        for arc, name in zip(self.arcs[inside].tolist(), names, strict=True):
            sets.setdefault(name, []).append(arc)
        return sorted(sets.values(), key=lambda arcs: (leads_of(self.board, arcs), arcs))

    def leads_behind(self, arc: int) -> list[int]:
        """Return the leads of all events that cannot happen before an arc's lead is past it."""
        at = int(np.flatnonzero(self.arcs == arc)[0])
        events = breadth_first_order(
            self.matrix, int(self.head[at]), directed=True, return_predecessors=False
        )
        return np.unique(np.searchsorted(self.first, events, side="right") - 1).tolist()


def leads_of(board: Board, arcs: Sequence[int]) -> list[int]:
    return sorted({board.lead_of[side] for arc in arcs for side in (arc, arc ^ 1)})


def shortest_ring(board: Board, arcs: Sequence[int], limit: int) -> tuple[list[int], int]:
    """Return (a ring of arcs with the fewest leads lying over the next, arcs looked at).

    Breadth first from one arc after the other while no more than `limit` arcs have been looked
    at, so it is a shortest one for the sets of a plate and a short one for a hopeless tangle.
    """
    over = by_upper(board, arcs)
    best: list[int] = []
    work = 0
    for start in arcs:
        if best and (len(best) == 1 or work > limit):
            break
        ring, looked_at = ring_from(board, over, start, len(best) - 1 if best else len(arcs))
        best = ring or best
        work += looked_at
    return best, work


def by_upper(board: Board, arcs: Sequence[int]) -> dict[int, list[int]]:
    """Return the arcs by their upper lead, from its drop outwards."""
    over: dict[int, list[int]] = {}
    for arc in arcs:
        over.setdefault(board.lead_of[arc ^ 1], []).append(arc)
    for rows in over.values():
        rows.sort(key=lambda arc: (board.low[arc ^ 1], arc))
    return over


def ring_from(
    board: Board, over: Mapping[int, Sequence[int]], start: int, longest: int
) -> tuple[list[int], int]:
    """Return (a shortest ring of arcs through one, empty if above `longest`; arcs looked at)."""
    goal, goal_low = board.lead_of[start ^ 1], board.low[start ^ 1]
    came_from = {start: -1}
    used: dict[int, int] = {}
    queue = deque([(start, 1)])
    while queue:
        arc, length = queue.popleft()
        if length > longest:
            break
        lead, stands = board.lead_of[arc], board.high[arc]
        if lead == goal and goal_low <= stands:
            ring = [arc]
            while came_from[ring[-1]] >= 0:
                ring.append(came_from[ring[-1]])
            return ring[::-1], len(came_from)
        # past the arc its lead goes on inwards, and out of the spans it has further in
        rows, at = over.get(lead, ()), used.get(lead, 0)
        while at < len(rows) and board.low[rows[at] ^ 1] <= stands:
            if rows[at] not in came_from:
                came_from[rows[at]] = arc
                queue.append((rows[at], length + 1))
            at += 1
        used[lead] = at
    return [], len(came_from)


def undone_without(state: State, sides: Collection[int]) -> bool:
    """True when the given arcs hold no ring."""
    return not sides or not EventGraph(state, np.array(sorted(sides))).has_ring()
