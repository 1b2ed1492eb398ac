"""Leads that hold each other, and the ways to release them.

Looks at judged meetings only: an open one holds leads back too, but the way out of that is to
look (`looks`). A locked set is a strongly connected part of the event graph (see `events`):
number after number along each lead, and past a place on the upper lead before past it on the
lower one. An *arc* is a waiting side that still holds: its lead lies under the other lead.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Mapping, Sequence
from heapq import heapify, heappop, heappush
from time import monotonic

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

from mapper.errors import shown
from mapper.pulling.events import Board, State
from mapper.pulling.model import LockedSet, PullError, Release
from mapper.pulling.words import place_words, under_words

__all__ = ["find_locked"]

_RING_WORK = 30_000  # arcs looked at while searching a shortest ring
_CUT_WORK = 60_000  # arcs looked at while searching the cheapest cut, for each set
_CUT_RING_WORK = 2_000  # the same for one ring on the way to it
_MANY = 6  # ways of one kind that are listed for one set
_CUT_SECONDS = 5.0  # and the time for it, should the integer solver be slow all the same
_PUT_BACK = 40  # leads of a cut that is not proved the cheapest which are tried without


def find_locked(
    start: State,
    state: State,
    confidence: Mapping[int, float],
    costs: Mapping[str, float],
    search_nodes: int,
) -> tuple[LockedSet, ...]:
    """Return the locked sets among what remains, each with its ways of release.

    `start` is the plate as it stands, `state` the same freed as far as judged meetings allow
    (open ones ignored in both). `confidence`: meeting number -> 0..1 where a judgement has one.
    `costs`: price of cutting a lead, 1 if not given.
    Raises PullError for a cost that is not a number >= 0.
    """
    for lead, cost in costs.items():
        if not (np.isfinite(cost) and cost >= 0):
            raise PullError(f"the cost of {shown(lead)} must be a number that is not negative")
    arcs = state.holding_sides()
    if not len(arcs):
        return ()
    graph = _Graph(state, arcs)
    price = np.array([float(costs.get(lead, 1.0)) for lead in state.board.ids])
    over = _by_upper(state.board, start.holding_sides().tolist())
    return tuple(
        _describe(state, graph, arcs, over, confidence, price, search_nodes, bool(costs))
        for arcs in graph.locked_arcs()
    )


class _Graph:
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
        return sorted(sets.values(), key=lambda arcs: (_leads_of(self.board, arcs), arcs))

    def leads_behind(self, arc: int) -> list[int]:
        """Return the leads of all events that cannot happen before an arc's lead is past it."""
        at = int(np.flatnonzero(self.arcs == arc)[0])
        events = breadth_first_order(
            self.matrix, int(self.head[at]), directed=True, return_predecessors=False
        )
        return np.unique(np.searchsorted(self.first, events, side="right") - 1).tolist()


def _leads_of(board: Board, arcs: Sequence[int]) -> list[int]:
    return sorted({board.lead_of[side] for arc in arcs for side in (arc, arc ^ 1)})


def _describe(
    state: State,
    graph: _Graph,
    arcs: list[int],
    over: Mapping[int, list[int]],
    confidence: Mapping[int, float],
    price: np.ndarray,
    search_nodes: int,
    priced: bool,
) -> LockedSet:
    board = state.board
    leads = _leads_of(board, arcs)
    ring, _ = _shortest_ring(board, arcs, _RING_WORK)
    held = [board.ids[x] for x in graph.leads_behind(ring[0]) if x not in leads]
    release = _look_again(state, arcs, ring, over, confidence)
    release += _thread_back(state, arcs, ring)
    release.append(_cut(state, arcs, price, search_nodes, priced))
    return LockedSet(
        wires=tuple(board.ids[x] for x in leads),
        crossings=tuple(dict.fromkeys(board.place(arc) for arc in arcs)),
        cycle="; ".join(under_words(board, arc) for arc in ring) + ".",
        release=tuple(release),
        held=tuple(held),
    )


def _shortest_ring(board: Board, arcs: Sequence[int], limit: int) -> tuple[list[int], int]:
    """Return (a ring of arcs with the fewest leads lying over the next, arcs looked at).

    Breadth first from one arc after the other while no more than `limit` arcs have been looked
    at, so it is a shortest one for the sets of a plate and a short one for a hopeless tangle.
    """
    over = _by_upper(board, arcs)
    best: list[int] = []
    work = 0
    for start in arcs:
        if best and (len(best) == 1 or work > limit):
            break
        ring, looked_at = _ring_from(board, over, start, len(best) - 1 if best else len(arcs))
        best = ring or best
        work += looked_at
    return best, work


def _by_upper(board: Board, arcs: Sequence[int]) -> dict[int, list[int]]:
    """Return the arcs by their upper lead, from its drop outwards."""
    over: dict[int, list[int]] = {}
    for arc in arcs:
        over.setdefault(board.lead_of[arc ^ 1], []).append(arc)
    for rows in over.values():
        rows.sort(key=lambda arc: (board.low[arc ^ 1], arc))
    return over


def _ring_from(
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


def _undone(state: State, sides: Collection[int]) -> bool:
    """True when the given arcs hold no ring."""
    return not sides or not _Graph(state, np.array(sorted(sides))).has_ring()


def _look_again(
    state: State,
    arcs: list[int],
    ring: list[int],
    over: Mapping[int, list[int]],
    confidence: Mapping[int, float],
) -> list[Release]:
    """Judgements of the set that may be wrong, the least sure first.

    `over`: all arcs of the plate as it stands, since the other answer may close a ring with
    leads outside the set.
    """
    board = state.board
    on_ring = set(ring)
    weak = sorted(arcs, key=lambda a: (confidence.get(a >> 1, 1.0), a not in on_ring, a))
    ways = []
    for arc in dict.fromkeys([*weak[:_MANY], *ring[:_MANY]]):
        sure = confidence.get(arc >> 1)
        if arc not in on_ring and sure is None:
            continue
        lower_lead, upper_lead = board.lead_of[arc], board.lead_of[arc ^ 1]
        own = lower_lead == upper_lead
        undone = _undone(state, set(arcs) - {arc})
        closes = not own and _closes_a_ring(board, over, arc)
        upper, lower = board.ids[upper_lead], board.ids[lower_lead]
        said = (
            f"the pass of {lower} nearer the drop is said to lie on top"
            if own
            else f"{upper} is said to lie over {lower}"
        )
        if closes:
            then = "this ring is undone, but the other answer makes another one"
        elif undone:
            then = "these leads hold each other no longer"
        else:
            then = "this ring is undone, but not every one of these leads"
        if arc not in on_ring:
            then = then.replace("this ring", "a ring through there")
        words = (
            f"Look again at {place_words(board.place(arc))}, where {said}: "
            f"if it is the other way round, {then}."
        )
        if sure is not None:
            words += f" This judgement was given a confidence of {sure:.0%}."
        rank = (1.0 if sure is None else sure, closes, not undone, arc not in on_ring)
        ways.append((rank, Release("look again", (lower, upper), (board.place(arc),), words)))
    return [way for _, way in sorted(ways, key=lambda pair: pair[0])]


def _closes_a_ring(board: Board, over: Mapping[int, list[int]], arc: int) -> bool:
    """True when the other answer at an arc would close a ring, with any leads of the plate."""
    upper = board.lead_of[arc ^ 1]
    others = {**over, upper: [one for one in over.get(upper, ()) if one != arc]}
    ring, _ = _ring_from(board, others, arc ^ 1, len(board.lead_of))
    return bool(ring)


def _thread_back(state: State, arcs: list[int], ring: list[int]) -> list[Release]:
    """Leads of the set that are free up to the arc that holds them may go back under it."""
    board = state.board
    first = [a for a in ring if state.held_at(board.lead_of[a]) == a] or [
        a for a in arcs if state.held_at(board.lead_of[a]) == a
    ]
    ways = []
    for arc in first[:_MANY]:
        upper, lower = board.ids[board.lead_of[arc ^ 1]], board.ids[board.lead_of[arc]]
        under = "its own other pass" if upper == lower else upper
        undone = _undone(state, set(arcs) - {arc})
        then = (
            "Then these leads hold each other no longer."
            if undone
            else "Then one ring is undone, but not every one of these leads."
        )
        words = (
            f"Lift {lower} from its free end up to {place_words(board.place(arc))} and draw the "
            f"free end back under {under} there. Only when both are bare of plastic and the "
            f"terminal passes; never by force. {then}"
        )
        ways.append((not undone, Release("thread back", (lower,), (board.place(arc),), words)))
    return [way for _, way in sorted(ways, key=lambda pair: pair[0])]


def _cut(
    state: State, arcs: list[int], price: np.ndarray, search_nodes: int, priced: bool
) -> Release:
    board = state.board
    chosen, least = _cheapest_cut(state, arcs, price, search_nodes)
    names = tuple(board.ids[x] for x in sorted(chosen))
    places: dict[tuple[float, float], None] = {}
    acts = []
    for x in sorted(chosen):
        own = list(dict.fromkeys(board.place(a) for a in arcs if x in _pair(board, a)))
        places |= dict.fromkeys(own)
        more = f" and {len(own) - _MANY} more places" if len(own) > _MANY else ""
        acts.append(f"{board.ids[x]} at {', '.join(map(place_words, own[:_MANY]))}{more}")
    cost = float(price[sorted(chosen)].sum())
    word = "No cheaper set of leads undoes every lock here" if least else "The best found so far"
    words = (
        f"Cut and replace {'; '.join(acts)} (the last resort, with the power locked off). "
        f"{word}{f', at a cost of {cost:g}' if priced else ', counting all leads alike'}."
    )
    return Release("cut", names, tuple(places), words, cost=cost, least=least)


def _pair(board: Board, arc: int) -> tuple[int, int]:
    return board.lead_of[arc], board.lead_of[arc ^ 1]


def _cheapest_cut(
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
    leads = _leads_of(board, arcs)
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
    if proved and _undone(state, _arcs_without(board, arcs, chosen)):
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
        if _undone(state, _arcs_without(state.board, arcs, kept - {lead})):
            kept.discard(lead)
    return kept


def _greedy_cut(board: Board, arcs: Sequence[int], price: np.ndarray) -> set[int]:
    """Return leads without which no whole-lead ring is left (so no ring of events either)."""
    over: dict[int, set[int]] = {x: set() for x in _leads_of(board, arcs)}
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
        for locked in _Graph(state, np.array(rest)).locked_arcs():
            arcs_of_ring, seen = _shortest_ring(board, locked, _CUT_RING_WORK)
            ring = _leads_of(board, arcs_of_ring)
            looked_at += seen
            found.append(ring)
            todo.append(_arcs_without(board, locked, set(ring)))
    return found, looked_at
