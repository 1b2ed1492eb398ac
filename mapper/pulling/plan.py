"""The pull plan: what can be done now, in which order, and what holds the rest back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import hypot

import numpy as np

from mapper.pulling.events import Board, State
from mapper.pulling.locks import find_locked
from mapper.pulling.looks import find_looks
from mapper.pulling.model import PullPlan, SafeNow, Step
from mapper.pulling.past import (
    SAME_MEETING_MM,
    Done,
    depth_of,
    named_step,
    read_done,
    replay,
)
from mapper.pulling.stops import Stops, plan_stops
from mapper.pulling.strong import strong_parts
from mapper.pulling.walk import walk
from mapper.routes.model import TRACING_ERROR_MM, Crossing, Judged, Lead, RouteMap

__all__ = ["plan_meetings", "plan_pull", "safe_now", "whole_lead_cycles"]

SEARCH_NODES = 8_000


def plan_pull(
    route_map: RouteMap,
    done: Iterable[Done] = (),
    *,
    costs: Mapping[str, float] | None = None,
    search_nodes: int = SEARCH_NODES,
) -> PullPlan:
    """Plan pulls and peels that never take a lead from under another (the peel rule).

    `done`: what has happened already, in order: lead ids (pulled), Steps or their dicts.
    `costs`: price of cutting and replacing a lead (1 if not given), for locked sets.
    `search_nodes`: limit of the exact search for the fewest stops, and of the integer solver.

    A plan of leads that can all be pulled whole has one step for each. Where peels are needed
    their number is the fewest when `is_fewest` says so (see `stops`); what may be pulled, and
    whether everything comes out, is exact always. The same map gives the same plan, in
    whatever order its leads are listed. Raises PullError for a done item that names an unknown
    lead or place, and for meetings that make no sense.
    """
    return plan_meetings(
        route_map.leads,
        route_map.crossings,
        done,
        judged=route_map.judged,
        tracing_error_mm=route_map.tracing_error_mm,
        costs=costs,
        search_nodes=search_nodes,
    )


def plan_meetings(
    leads: Sequence[Lead],
    meetings: Sequence[Crossing],
    done: Iterable[Done] = (),
    *,
    judged: Sequence[Judged] = (),
    tracing_error_mm: float = TRACING_ERROR_MM,
    costs: Mapping[str, float] | None = None,
    search_nodes: int = SEARCH_NODES,
) -> PullPlan:
    """Do the work of `plan_pull` on leads and meetings that were found already.

    `judged` serves only to know how sure a judgement was (`confidence` 0..1 among its extras);
    `tracing_error_mm`: meetings nearer to each other along a lead are passed together.
    """
    board = Board(leads, meetings, tracing_error_mm)
    acts = read_done(board, done)
    if all(past is None for _, past in acts):
        whole = _whole_lead_plan(board, {lead for lead, _ in acts})
        if whole is not None:
            return PullPlan("complete", whole, stops_lower_bound=len(whole))
    start = replay(board, acts)
    stops = plan_stops(start, search_nodes)
    steps = _walked(start, stops)
    now = stops.end
    left = tuple(board.ids[x] for x in range(board.n) if now.freed[x])
    if not left:
        return PullPlan("complete", steps, stops_lower_bound=stops.lower_bound)
    opens = np.flatnonzero(board.waits_array & board.open_array)
    best_case = now.copy(frozenset(opens.tolist()))
    best_case.settle()
    as_it_stands = start.copy(best_case.ignored)
    locked = find_locked(
        as_it_stands, best_case, _confidences(board, judged), costs or {}, search_nodes
    )
    return PullPlan(
        status="locked" if locked else "needs-a-look",
        steps=steps,
        look_at=find_looks(now, best_case),
        locked=locked,
        stops_lower_bound=stops.lower_bound,
        left=left,
    )


def safe_now(route_map: RouteMap, done: Iterable[Done] = ()) -> SafeNow:
    """Return every lead that can be pulled whole right now, and what holds each other one.

    The leads of `pull` do not wait for each other: two people may take two of them.
    """
    board = Board(route_map.leads, route_map.crossings, route_map.tracing_error_mm)
    state = replay(board, read_done(board, done))
    pull, held = [], {}
    for lead in range(board.n):
        if state.out[lead]:
            continue
        side = state.held_at(lead)
        if side is None:
            pull.append(board.ids[lead])
        else:
            reason = "nobody has looked" if board.is_open(side) else "lies under"
            other = board.ids[board.lead_of[side ^ 1]]
            held[board.ids[lead]] = (other, *board.place(side), reason)
    return SafeNow(tuple(pull), held)


def whole_lead_cycles(route_map: RouteMap) -> tuple[tuple[str, ...], ...]:
    """Return the sets of leads that lock each other when nothing may be peeled.

    The whole-lead rule only: a lead may be pulled when nothing lies on top of it anywhere.
    Judged meetings only. Such a set may still come apart by peeling.
    """
    board = Board(route_map.leads, route_map.crossings, route_map.tracing_error_mm)
    below: list[list[int]] = [[] for _ in range(board.n)]
    for side in np.flatnonzero(board.waits_array & ~board.open_array).tolist():
        below[board.lead_of[side ^ 1]].append(board.lead_of[side])
    parts = strong_parts(range(board.n), below)
    locked = [sorted(p) for p in parts if len(p) > 1 or p[0] in below[p[0]]]
    return tuple(tuple(board.ids[x] for x in part) for part in sorted(locked))


def _whole_lead_plan(board: Board, out: set[int]) -> tuple[Step, ...] | None:
    """One pull for each lead, or None where that does not bring all of them out."""
    stays = np.ones(board.n, dtype=bool)
    stays[list(out)] = False
    sides = np.flatnonzero(board.waits_array)
    lead, other = board.lead_array[sides], board.lead_array[sides ^ 1]
    holding = stays[lead] & stays[other]
    if (lead[holding] == other[holding]).any():
        return None
    remaining = np.flatnonzero(stays)
    number = np.cumsum(stays) - 1
    places, lengths = _drop_places(board)
    order = walk(
        places[remaining],
        lengths[remaining],
        number[other[holding]],
        number[lead[holding]],
    )
    if len(order) < len(remaining):
        return None
    return tuple(Step("pull", board.ids[remaining[k]]) for k in order)


def _drop_places(board: Board) -> tuple[np.ndarray, np.ndarray]:
    """Return (places (N, 2), lengths (N,)) of the leads in mm."""
    if not board.n:
        return np.zeros((0, 2)), np.zeros(0)
    routes = [lead.points_mm for lead in board.leads]
    points = np.concatenate(routes)
    ends = np.cumsum(np.fromiter(map(len, routes), np.int64, board.n))
    pieces = np.zeros(len(points))
    pieces[1:] = np.hypot(*np.diff(points, axis=0).T)
    pieces[ends[:-1]] = 0.0  # from one lead's exit to the next one's drop
    starts = np.concatenate([[0], ends[:-1]])
    return points[starts], np.add.reduceat(pieces, starts)


def _walked(start: State, stops: Stops) -> tuple[Step, ...]:
    """Put the steps into the order of the shortest walk that is legal."""
    board, steps = start.board, stops.steps
    if not steps:
        return ()
    drops, lengths = _drop_places(board)
    of_lead: dict[int, list[int]] = {}
    for k, (lead, _) in enumerate(steps):
        of_lead.setdefault(lead, []).append(k)
    several = {lead: own for lead, own in of_lead.items() if len(own) > 1}
    only = np.full(board.n, -1, dtype=np.int64)
    only[list(of_lead)] = [own[0] for own in of_lead.values()]
    lead, high, other, low = stops.gates
    after, before = only[lead], only[other]
    if several:
        # a lead with stops on the way passes each place in the first step that goes so deep
        split = np.isin(lead, list(several)) | np.isin(other, list(several))
        for k in np.flatnonzero(split).tolist():
            after[k] = next(j for j in of_lead[int(lead[k])] if steps[j][1] <= high[k])
            before[k] = next(j for j in of_lead[int(other[k])] if steps[j][1] <= low[k])
    chain = [pair for own in several.values() for pair in zip(own, own[1:], strict=False)]
    if chain:
        before = np.append(before, [first for first, _ in chain])
        after = np.append(after, [second for _, second in chain])
    named, was = [], dict(enumerate(start.freed))
    for x, depth in steps:
        named.append(named_step(board, x, depth, was[x]))
        was[x] = depth
    at_lead = [x for x, _ in steps]
    places = drops[at_lead]
    for k, step in enumerate(named):
        if step.past is not None:
            places[k] = step.past
    state = start.copy()
    result: list[Step] = []
    for k in walk(places, lengths[at_lead], before, after):
        (x, depth), step = steps[k], named[k]
        if step.past is None:
            state.take_out(x)
            result.append(step)
        while state.freed[x] > depth:  # more than once where a lead passes a place twice
            state.free(x, depth_of(board, x, step.past, state.freed[x]))
            result.append(step)
    return tuple(result)


def _confidences(board: Board, judged: Sequence[Judged]) -> dict[int, float]:
    """Meeting number -> confidence, from the nearest judgement of the same two leads."""
    by_pair: dict[frozenset[str], list[Judged]] = {}
    for entry in judged:
        if isinstance(entry.extra.get("confidence"), int | float):
            by_pair.setdefault(frozenset((entry.a, entry.b)), []).append(entry)
    found = {}
    for meeting in range(board.meeting_count) if by_pair else ():
        record = board.meeting(2 * meeting)
        near = [
            (hypot(e.x_mm - record.x_mm, e.y_mm - record.y_mm), float(e.extra["confidence"]))
            for e in by_pair.get(frozenset((record.a, record.b)), ())
        ]
        if near and min(near)[0] <= SAME_MEETING_MM:
            found[meeting] = min(near)[1]
    return found
