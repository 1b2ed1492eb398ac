"""The fewest extra stops that open one knot of leads that wait for each other.

Exact by iterative deepening on the number of stops, with a lower bound from rings without a
common lead; beyond a limit the answer of a greedy rule (see `mapper.pulling.stops`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from heapq import heapify, heappop, heappush

import numpy as np

from mapper.pulling.strong import strong_parts

__all__ = ["Knot"]

_SEARCH_LEADS = 60  # a knot of more leads is not searched; it would take the whole limit
_RING_EDGES = 20_000  # waiting relations looked at for the lower bound of one knot

Gate = tuple[int, int, int]  # own high number, other lead, the other's low number


def _only_needed(
    steps: list[tuple[int, int]], gates: Sequence[Sequence[Gate]], goal: Sequence[int]
) -> list[tuple[int, int]]:
    """Make every extra stop as shallow as later steps allow, and leave idle ones out.

    Goes from the last step back, noting how deep each lead has to be for the steps seen.
    """
    needed: dict[int, int] = {}
    last_seen: set[int] = set()
    kept = []
    for lead, depth in reversed(steps):
        if lead in last_seen:
            if lead not in needed:
                continue
            depth = needed.pop(lead)
        else:
            last_seen.add(lead)
            needed.pop(lead, None)
            depth = goal[lead]
        kept.append((lead, depth))
        for high, other, low in gates[lead]:
            if high < depth:
                break
            if low < needed.get(other, low + 1):
                needed[other] = low
    kept.reverse()
    return kept


class _LimitReached(Exception):
    pass


@dataclass
class Knot:
    """One knot; leads are numbered 0.. within it."""

    members: list[int]
    all_gates: np.ndarray
    all_goals: np.ndarray
    all_freed: list[int]
    nodes_left: int
    known: dict[tuple, int] = field(default_factory=dict)
    solved: dict[tuple, list[tuple[int, int]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        local = {lead: i for i, lead in enumerate(self.members)}
        self.goal = [int(self.all_goals[lead]) for lead in self.members]
        self.freed = [self.all_freed[lead] for lead in self.members]
        self.gates: list[list[Gate]] = [[] for _ in self.members]
        self.serves: list[list[tuple[int, int]]] = [[] for _ in self.members]
        for lead, high, other, low in self.all_gates.T.tolist():
            self.gates[local[lead]].append((high, local[other], low))
            self.serves[local[other]].append((low, local[lead]))
        for rows in self.serves:
            rows.sort(reverse=True)

    def solve(self) -> tuple[list[tuple[int, int]], int]:
        """Return (steps as (lead, depth) of the whole board, lower bound of extra stops)."""
        everyone = tuple(range(len(self.members)))
        stops = self._greedy()
        bound = self._bound(everyone, self.freed)
        if bound < len(stops) and len(everyone) <= _SEARCH_LEADS:
            try:
                better = self._fewest(everyone, tuple(self.freed), len(stops) - 1)
                if better is not None:
                    stops = better
                bound = len(stops)
            except _LimitReached:
                bound = max(bound, self.known.get((everyone, tuple(self.freed)), 0))
        steps = _only_needed(self._unfold(stops), self.gates, self.goal)
        return [(self.members[lead], depth) for lead, depth in steps], bound

    # -- moving leads ---------------------------------------------------------------------

    def _reach(self, lead: int, freed: list[int]) -> int:
        for high, other, low in self.gates[lead]:
            if freed[other] > low:
                return min(freed[lead], high + 1)
        return self.goal[lead]

    def _settle(self, leads: tuple[int, ...], freed: list[int]) -> list[int]:
        """Bring leads to their goals as long as one can reach it; return them in order."""
        arrived = []
        work = [x for x in reversed(leads) if freed[x] > self.goal[x]]
        while work:
            lead = work.pop()
            if freed[lead] == self.goal[lead] or self._reach(lead, freed) > self.goal[lead]:
                continue
            freed[lead] = self.goal[lead]
            arrived.append(lead)
            work.extend(o for low, o in self.serves[lead] if low >= freed[lead])
        return arrived

    def _parts(self, leads: tuple[int, ...], freed: list[int]) -> list[tuple[int, ...]]:
        """Split what is not at its goal into knots, in working order."""
        rest = [x for x in leads if freed[x] > self.goal[x]]
        inside = set(rest)
        waits_for = {
            x: [o for _, o, low in self.gates[x] if freed[o] > low and o in inside] for x in rest
        }
        return [tuple(sorted(p)) for p in strong_parts(rest, waits_for) if len(p) > 1]

    def _unfold(self, stops: list[tuple[int, int]]) -> list[tuple[int, int]]:
        run = _Run(self)
        for lead, depth in stops:
            run.move(lead, depth)
        return run.log

    # -- lower bound ----------------------------------------------------------------------

    def _bound(self, leads: tuple[int, ...], freed: list[int] | tuple[int, ...]) -> int:
        """Count rings without a common lead; each needs an extra stop of its own."""
        inside = set(leads)
        after = {
            x: {o for _, o, low in self.gates[x] if freed[o] > low and o in inside} for x in leads
        }
        count = 0
        for x in leads:  # pairs that wait for each other come first: they waste the fewest leads
            partner = next((y for y in sorted(after.get(x, ())) if x in after.get(y, ())), None)
            if partner is not None:
                count += 1
                del after[x], after[partner]
        edges = _RING_EDGES
        while edges > 0:
            rest = {x: [o for o in after[x] if o in after] for x in after}
            edges -= 1 + sum(map(len, rest.values()))
            rings = [p for p in strong_parts(sorted(rest), rest) if len(p) > 1]
            if not rings:
                break
            for part in rings:
                count += 1
                for x in _ring_through(min(part), rest):
                    del after[x]
        return max(count, 1)

    # -- exact search ---------------------------------------------------------------------

    def _fewest(
        self, part: tuple[int, ...], freed: tuple[int, ...], budget: int
    ) -> list[tuple[int, int]] | None:
        """Return the fewest extra stops that open one knot, or None if above `budget`.

        `freed` holds the whole knot; leads outside `part` do not count.
        """
        key = (part, tuple(freed[x] for x in part))
        if key in self.solved:
            found = self.solved[key]
            return found if len(found) <= budget else None
        if key not in self.known:
            self.known[key] = self._bound(part, freed)
        for stops in range(self.known[key], budget + 1):
            for lead in part:
                depth = self._reach(lead, list(freed))
                if not self._useful(lead, depth, freed):
                    continue
                if self.nodes_left <= 0:
                    raise _LimitReached
                self.nodes_left -= len(part)
                moved = list(freed)
                moved[lead] = depth
                rest = self._rest(part, moved, stops - 1)
                if rest is not None:
                    self.solved[key] = [(lead, depth), *rest]
                    return self.solved[key]
            self.known[key] = stops + 1
        return None

    def _rest(
        self, part: tuple[int, ...], freed: list[int], budget: int
    ) -> list[tuple[int, int]] | None:
        self._settle(part, freed)
        parts = self._parts(part, freed)
        bounds = [self._known_bound(p, freed) for p in parts]
        stops: list[tuple[int, int]] = []
        for i, sub in enumerate(parts):
            room = budget - len(stops) - sum(bounds[i + 1 :])
            if bounds[i] > room:
                return None
            found = self._fewest(sub, self._alone(sub, freed), room)
            if found is None:
                return None
            stops += found
        return stops

    def _alone(self, part: tuple[int, ...], freed: list[int]) -> tuple[int, ...]:
        """The state in which every lead outside `part` is at its goal."""
        alone = self.goal.copy()
        for x in part:
            alone[x] = freed[x]
        return tuple(alone)

    def _known_bound(self, part: tuple[int, ...], freed: list[int]) -> int:
        key = (part, tuple(freed[x] for x in part))
        if key in self.solved:
            return len(self.solved[key])
        if key not in self.known:
            self.known[key] = self._bound(part, freed)
        return self.known[key]

    def _useful(self, lead: int, depth: int, freed: tuple[int, ...] | list[int]) -> bool:
        return any(
            depth <= low < freed[lead] and freed[other] > self.goal[other]
            for low, other in self.serves[lead]
        )

    # -- greedy ---------------------------------------------------------------------------

    def _greedy(self) -> list[tuple[int, int]]:
        """Stop next the lead that lets most others reach their goals, then frees most places.

        Scores are kept in a heap and worked out afresh only when they come to its top.
        """
        run = _Run(self)
        heap = [(*run.score(x), x) for x in range(len(self.members))]
        heapify(heap)
        stops: list[tuple[int, int]] = []
        while run.remaining:
            lead = heappop(heap)[-1]
            if run.freed[lead] == self.goal[lead]:
                continue
            entry = (*run.score(lead), lead)
            if entry[:2] == (0, 0):
                continue  # comes back when something it waits for has moved
            if heap and entry > heap[0]:
                heappush(heap, entry)
                continue
            stops.append((lead, run.reach(lead)))
            for x in sorted(run.move(lead, stops[-1][1])):
                heappush(heap, (*run.score(x), x))
        return stops


class _Run:
    """Stops carried out one by one, every lead brought to its goal as soon as it can be.

    Counts what still holds each lead instead of looking at every gate again. `log`: all moves
    as (lead, depth), in a legal order.
    """

    def __init__(self, knot: Knot) -> None:
        self.knot = knot
        self.freed = knot.freed.copy()
        self.missing = [len(rows) for rows in knot.gates]  # gates that still hold, per lead
        self.gate = [0] * len(knot.gates)
        self.served = [0] * len(knot.gates)  # serves that the lead is past already
        self.remaining = len(knot.gates)
        self.log: list[tuple[int, int]] = []

    def reach(self, lead: int) -> int:
        rows, at, freed = self.knot.gates[lead], self.gate[lead], self.freed
        while at < len(rows) and freed[rows[at][1]] <= rows[at][2]:
            at += 1
        self.gate[lead] = at
        return min(freed[lead], rows[at][0] + 1) if at < len(rows) else self.knot.goal[lead]

    def score(self, lead: int) -> tuple[int, int]:
        depth = self.reach(lead)
        rows, goal = self.knot.serves[lead], self.knot.goal
        opened: dict[int, int] = {}
        for k in range(self.served[lead], len(rows)):
            low, other = rows[k]
            if low < depth:
                break
            if self.freed[other] > goal[other]:
                opened[other] = opened.get(other, 0) + 1
        arrive = sum(count == self.missing[other] for other, count in opened.items())
        return -arrive, -sum(opened.values())

    def move(self, lead: int, depth: int) -> set[int]:
        """Free a lead, bring all to their goals that can get there; return who may go on."""
        goal = self.knot.goal
        touched = {lead}
        work = [(lead, depth)]
        while work:
            lead, depth = work.pop()
            if depth >= self.freed[lead]:
                continue
            self.freed[lead] = depth
            self.log.append((lead, depth))
            if depth == goal[lead]:
                self.remaining -= 1
            rows, at = self.knot.serves[lead], self.served[lead]
            while at < len(rows) and rows[at][0] >= depth:
                other = rows[at][1]
                at += 1
                self.missing[other] -= 1
                if self.missing[other] == 0:
                    work.append((other, goal[other]))
                else:
                    touched.add(other)
            self.served[lead] = at
        return {x for x in touched if self.freed[x] > goal[x]}


def _ring_through(start: int, after: Mapping[int, Sequence[int]]) -> list[int]:
    """Return a shortest ring through a lead of a strongly connected part (breadth first)."""
    came_from: dict[int, int] = {}
    row = [start]
    while row:
        following = []
        for x in row:
            for y in sorted(after[x]):
                if y == start:
                    ring = [x]
                    while x != start:
                        x = came_from[x]
                        ring.append(x)
                    return ring
                if y not in came_from:
                    came_from[y] = x
                    following.append(y)
        row = following
    return [start]
