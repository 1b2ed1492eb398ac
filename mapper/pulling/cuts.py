"""The cheapest leads to cut so that none of a locked set hold each other any more."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from heapq import heapify, heappop, heappush
from time import monotonic

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from mapper.pulling.events import Board, State
from mapper.pulling.rings import EventGraph, leads_of, shortest_ring, undone_without

__all__ = ["cheapest_cut"]

_CUT_WORK = 60_000  # arcs looked at while searching the cheapest cut, for each set
_CUT_RING_WORK = 2_000  # the same for one ring on the way to it
_CUT_SECONDS = 5.0  # and the time for it, should the integer solver be slow all the same
_PUT_BACK = 40  # leads of a cut that is not proved the cheapest which are tried without


def cheapest_cut(
    state: State, arcs: list[int], price: np.ndarray, search_nodes: int
) -> tuple[set[int], bool]:
    """Return (leads without which no ring of the set is left, True if no cheaper ones do).

    Rings found so far give a set-cover problem for the integer solver; its answer is tried, and
    the rings that it leaves are added, until none is left: exact, as the answer to fewer rings
    is never dearer. When a limit is hit, what the solver has so far and a greedy cut of what is
    left are taken together, or a greedy cut alone where that is cheaper.
    """
    until = monotonic() + _CUT_SECONDS
    board = state.board
    leads = leads_of(board, arcs)
    column = {lead: i for i, lead in enumerate(leads)}
    rings: list[list[int]] = []
    chosen: set[int] = set()
    proved = True
    work = _CUT_WORK
    while True:
        rest = _arcs_without(board, arcs, chosen)
        fresh, looked_at = _apart_rings(state, rest, work)
        if not fresh:
            break
        work -= looked_at
        rings += fresh
        if len(rings) == len(fresh):  # no two have a common lead: the cheapest of each
            chosen = {min(ring, key=lambda x: (price[x], x)) for ring in rings}
            continue
        cover = np.zeros((len(rings), len(leads)))
        for row, ring in enumerate(rings):
            cover[row, [column[x] for x in ring]] = 1
        answer = milp(
            price[leads],
            constraints=LinearConstraint(cover, lb=1),
            integrality=np.ones(len(leads)),
            bounds=Bounds(0, 1),
            options={"node_limit": search_nodes, "time_limit": max(until - monotonic(), 0.0)},
        )
        if answer.x is not None:
            chosen = {x for x, value in zip(leads, answer.x, strict=True) if value > 0.5}
        if answer.status != 0:
            proved = False
            break
    if proved and undone_without(state, _arcs_without(board, arcs, chosen)):
        return chosen, True
    helped = chosen | _greedy_cut(board, _arcs_without(board, arcs, chosen), price)
    cuts = {frozenset(helped), frozenset(_greedy_cut(board, arcs, price))}
    found = [_put_back(state, arcs, cut, price) for cut in sorted(cuts, key=sorted)]
    return min(found, key=lambda cut: (price[sorted(cut)].sum(), sorted(cut))), False


def _put_back(
    state: State, arcs: Sequence[int], chosen: Collection[int], price: np.ndarray
) -> set[int]:
    """Return a cut without the leads that need not be cut, the dearest tried first."""
    kept = set(chosen)
    for lead in sorted(chosen, key=lambda x: (-price[x], x))[:_PUT_BACK]:
        if undone_without(state, _arcs_without(state.board, arcs, kept - {lead})):
            kept.discard(lead)
    return kept


def _greedy_cut(board: Board, arcs: Sequence[int], price: np.ndarray) -> set[int]:
    """Return leads without which no whole-lead ring is left (so no ring of events either)."""
    over: dict[int, set[int]] = {x: set() for x in leads_of(board, arcs)}
    under: dict[int, set[int]] = {x: set() for x in over}
    chosen = set()
    for arc in arcs:
        upper, lower = board.lead_of[arc ^ 1], board.lead_of[arc]
        if upper == lower:
            chosen.add(upper)
        over[upper].add(lower)
        under[lower].add(upper)

    def drop(lead: int) -> list[int]:
        below, above = over.pop(lead), under.pop(lead)
        for x in below - {lead}:
            under[x].discard(lead)
        for x in above - {lead}:
            over[x].discard(lead)
        return [*below - {lead}, *above - {lead}]

    for lead in sorted(chosen):
        drop(lead)

    def worth(lead: int) -> float:
        return len(over[lead]) * len(under[lead]) / (price[lead] + 1e-9)

    loose = list(over)
    heap = [(-worth(x), x) for x in over]
    heapify(heap)
    while over:
        while loose:
            lead = loose.pop()
            if lead in over and not (over[lead] and under[lead]):
                loose += drop(lead)
        while heap and over:
            stale, lead = heappop(heap)
            if lead not in over:
                continue
            if worth(lead) < -stale:  # has become worth less since
                heappush(heap, (-worth(lead), lead))
                continue
            chosen.add(lead)
            loose += drop(lead)
            break
    return chosen


def _arcs_without(board: Board, arcs: Sequence[int], leads: set[int]) -> list[int]:
    return [a for a in arcs if board.lead_of[a] not in leads and board.lead_of[a ^ 1] not in leads]


def _apart_rings(state: State, arcs: Sequence[int], work: int) -> tuple[list[list[int]], int]:
    """Return (rings, as lists of leads, without a common lead; arcs looked at).

    Empty when the arcs hold no ring or when more than `work` arcs would have to be looked at.
    """
    board = state.board
    found = []
    looked_at = 0
    todo = [arcs]
    while todo:
        rest = todo.pop()
        looked_at += len(rest)
        if looked_at > work:
            return [], looked_at
        if not rest:
            continue
        for locked in EventGraph(state, np.array(rest)).locked_arcs():
            arcs_of_ring, seen = shortest_ring(board, locked, _CUT_RING_WORK)
            ring = leads_of(board, arcs_of_ring)
            looked_at += seen
            found.append(ring)
            todo.append(_arcs_without(board, locked, set(ring)))
    return found, looked_at
