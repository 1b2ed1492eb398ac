"""Leads that stay, lifted as far as nothing lies on them, so that what lies under them is seen.

Where leads lie on each other in turn none of them comes out whole, and what would free one is
hidden under another. Then the work goes on from the exits: every lead may be peeled back to where
something lies on it (the peel rule of events.py), and the next photo shows what was under it.
Nothing here asks for less care than the plan: each lift is a peel that the rule allows.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from mapper.pulling.events import Board, State
from mapper.pulling.model import Step
from mapper.pulling.now import MayBeFree, seen_by, sides_found_free
from mapper.pulling.part_model import part_of
from mapper.pulling.past import Done, depth_of, named_step, read_done, replay
from mapper.routes.model import Crossing, RouteMap

__all__ = ["Lift", "LookToLift", "lifts", "looks_to_lift"]


@dataclass(frozen=True)
class Lift:
    """A peel that brings nothing out; `shows`: leads that stay and come into sight under it."""

    step: Step
    shows: tuple[str, ...]


@dataclass(frozen=True)
class LookToLift:
    """`down_to_mm`: arc length from its drop down to which a lead may be lifted at best;
    `meetings`: those that have to be looked at for that."""

    lead: str
    down_to_mm: float
    meetings: tuple[Crossing, ...]


def lifts(
    route_map: RouteMap, done: Iterable[Done] = (), among: Collection[str] | None = None
) -> tuple[Lift, ...]:
    """Return peels, in an order that the rule allows, that uncover leads which stay.

    For when nothing comes out: a lead that could be pulled is left to the plan. `among`: the
    leads that may be moved (all if not given); parts never are. Each lead is lifted as far as the
    rule allows, but not farther than there is something under it to be seen. Their number is
    small, not proved to be the fewest. Raises PullError as `plan_pull` does.
    """
    board = Board(route_map.leads, route_map.crossings, route_map.tracing_error_mm)
    start = replay(board, read_done(board, done))
    movable = [
        x
        for x, lead in enumerate(board.leads)
        if not start.out[x] and part_of(lead) is None and (among is None or lead.id in among)
    ]
    end = start.copy()
    while any([_lifted(end, x) for x in movable]):
        pass
    goals = {x: min(found) for x in movable if (found := _uncovering(start, end, x))}
    state, made = start.copy(), []
    while goals:
        ready = [x for x in goals if state.reach(x) <= goals[x]] or list(goals)
        lead = max(ready, key=lambda x: (_gain_mm(state, x, goals[x]), board.ids[x]))
        depth = goals[lead] if state.reach(lead) <= goals[lead] else _stop(state, lead)
        if depth is None:
            lead, depth = next((x, d) for x in goals if (d := _stop(state, x)) is not None)
        made += _peeled(start, state, lead, depth)
        goals = {x: depth for x, depth in goals.items() if state.freed[x] > depth}
    return tuple(made)


def looks_to_lift(
    route_map: RouteMap, done: Iterable[Done] = (), may_be_free: MayBeFree | None = None
) -> tuple[LookToLift, ...]:
    """Return which leads can be lifted farther, each on its own, by looks at meetings; the longest
    lift first.

    `done`, `may_be_free`: as for `looks_now`. Whatever else may be lifted once these are is found
    by asking again. Raises PullError as `plan_pull` does.
    """
    board = Board(route_map.leads, route_map.crossings, route_map.tracing_error_mm)
    may_be_free = may_be_free or seen_by(route_map)
    now = replay(board, read_done(board, done))
    now.settle()
    best = now.copy(sides_found_free(board, may_be_free))
    found = []
    for x, lead in enumerate(board.leads):
        reach, freed = best.reach(x), now.freed[x]
        stops = (board.low[s] for s in board.sides_of[x])
        within = (low for low in stops if reach <= low < freed)
        depth = min(within, default=freed) if reach else 0
        if now.out[x] or depth >= freed or part_of(lead) is not None:
            continue
        held = sorted({side >> 1 for side in now.holding(x, depth)})
        meetings = tuple(board.meeting(2 * meeting) for meeting in held)
        look = LookToLift(lead.id, _where_mm(board, x, depth), meetings)
        found.append((-_gain_mm(now, x, depth), lead.id, look))
    return tuple(look for *_, look in sorted(found, key=lambda one: one[:2]))


def _lifted(state: State, lead: int) -> bool:
    """Free a lead as far as the rule and something to stop at allow; whether it moved."""
    depth = _stop(state, lead)
    if depth is not None:
        state.free(lead, depth)
    return depth is not None


def _stop(state: State, lead: int) -> int | None:
    """The deepest number within reach at which a lead is past a place where another waits."""
    board, reach = state.board, max(state.reach(lead), 1)
    stops = (board.low[s] for s in board.serves[lead])
    return min((low for low in stops if reach <= low < state.freed[lead]), default=None)


def _uncovering(start: State, end: State, lead: int) -> list[int]:
    """Numbers at which a lead gets past one that waits there, is not past it yet, and stays."""
    board, found = start.board, []
    for side in board.serves[lead]:
        other, low = board.lead_of[side ^ 1], board.low[side]
        waits = other != lead and not start.out[other] and start.freed[other] > board.low[side ^ 1]
        if waits and end.freed[lead] <= low < start.freed[lead]:
            found.append(low)
    return found


def _peeled(start: State, state: State, lead: int, depth: int) -> list[Lift]:
    """Carry out a lift; more than one step where the lead passes a place twice."""
    board, made = state.board, []
    step = named_step(board, lead, depth, state.freed[lead])
    while state.freed[lead] > depth:
        was = state.freed[lead]
        state.free(lead, depth_of(board, lead, step.past, was))
        passed = [s for s in board.serves[lead] if state.freed[lead] <= board.low[s] < was]
        below = {board.lead_of[s ^ 1] for s in passed} - {lead}
        shows = (x for x in below if not start.out[x] and part_of(board.leads[x]) is None)
        made.append(Lift(step, tuple(sorted(board.ids[x] for x in shows))))
    return made


def _where_mm(board: Board, lead: int, number: int) -> float:
    return board.start_mm(lead, number) if number else 0.0


def _gain_mm(state: State, lead: int, number: int) -> float:
    """How much longer a lead hangs free once it is free down to a number."""
    board, freed = state.board, state.freed[lead]
    length_mm = board.leads[lead].length_mm
    from_mm = _where_mm(board, lead, freed) if freed < board.counts[lead] else length_mm
    return from_mm - _where_mm(board, lead, number)
