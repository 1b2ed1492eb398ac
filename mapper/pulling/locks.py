"""Leads that hold each other, and the ways to release them.

Looks at judged meetings only: an open one holds leads back too, but the way out of that is to
look (`looks`). A locked set is a strongly connected part of the event graph (see `events`):
number after number along each lead, and past a place on the upper lead before past it on the
lower one. An *arc* is a waiting side that still holds: its lead lies under the other lead.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from mapper.errors import shown
from mapper.pulling.cuts import cheapest_cut
from mapper.pulling.events import Board, State
from mapper.pulling.model import LockedSet, PullError, Release
from mapper.pulling.rings import (
    EventGraph,
    by_upper,
    leads_of,
    ring_from,
    shortest_ring,
    undone_without,
)
from mapper.pulling.words import place_words, under_words

__all__ = ["find_locked"]

_RING_WORK = 30_000  # arcs looked at while searching a shortest ring
_MANY = 6  # ways of one kind that are listed for one set


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
    graph = EventGraph(state, arcs)
    price = np.array([float(costs.get(lead, 1.0)) for lead in state.board.ids])
    over = by_upper(state.board, start.holding_sides().tolist())
    return tuple(
        _describe(state, graph, arcs, over, confidence, price, search_nodes, bool(costs))
        for arcs in graph.locked_arcs()
    )


def _describe(
    state: State,
    graph: EventGraph,
    arcs: list[int],
    over: Mapping[int, list[int]],
    confidence: Mapping[int, float],
    price: np.ndarray,
    search_nodes: int,
    priced: bool,
) -> LockedSet:
    board = state.board
    leads = leads_of(board, arcs)
    ring, _ = shortest_ring(board, arcs, _RING_WORK)
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
        undone = undone_without(state, set(arcs) - {arc})
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
    ring, _ = ring_from(board, others, arc ^ 1, len(board.lead_of))
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
        undone = undone_without(state, set(arcs) - {arc})
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
    chosen, least = cheapest_cut(state, arcs, price, search_nodes)
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
