"""Which leads have to stop on the way, so that the plan has as few steps as can be.

Every lead that takes part has a *goal*: out, or, for a lead that stays locked, the shallowest
place past which it has to be lifted for others to come out. Reaching the goal costs each of
them one step in any plan. What can be saved is the *extra stops* before.

Why going to the goal as soon as it can be reached is never worse: freeing a lead further
takes no permission away from any other lead (a lead waits only for others to be *past* a
place), so any plan from a state is also a plan from a state in which some leads are freed
further, with the steps left out that have become empty. The step to the goal has to be made
at some time anyway; made now it costs the same and can only make later steps legal sooner.
By the same argument an extra stop may always be taken as deep as it can go (it is made
shallower afterwards where nothing needs the depth).

Leads that wait for each other as whole leads in a ring (a strongly connected part of the
relation "has to be past a place before the other one reaches its goal") form a *knot*. Leads
of different knots never need an extra stop because of each other: the knots are solved one after
the other, each with the earlier ones at their goals. In every ring of a knot at least one lead
must make an extra stop, so rings without a common lead give a lower bound; knots are searched
exactly by iterative deepening on the number of extra stops, with the same splitting after
every stop, up to a number of search nodes. Beyond it the result is that of a greedy rule, and
the lower bound says how far it may be from the fewest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from mapper.pulling.events import State
from mapper.pulling.knot import Knot

__all__ = ["Stops", "plan_stops"]


@dataclass(frozen=True)
class Stops:
    """Steps as (lead, freed down to), those of one lead in order, and what they rest on.

    `gates`: (4, M) array of all that has to come first: lead, its high number, other lead, the
    other's low number; the lead may not be freed down to the one before the other is freed
    down to the other. `lower_bound`: on the number of steps. `end`: the state after them.
    """

    steps: list[tuple[int, int]]
    gates: np.ndarray
    lower_bound: int
    end: State


def plan_stops(start: State, search_nodes: int) -> Stops:
    """Return steps that bring out every lead that can come out, with few extra stops.

    `search_nodes` limits the exact search over all knots together; trying a stop in a knot of k
    leads counts k.
    """
    end = start.copy()
    end.settle()
    gates = _gates(start)
    goal = _goals(start, end, gates)
    lead, high = gates[0], gates[1]
    # a lead that was torn into a span and stays where it is waits for nobody
    gates = gates[:, (high >= goal[lead]) & (goal < np.array(start.freed))[lead]]
    taking_part = np.flatnonzero((goal < np.array(start.freed)) | ((goal == 0) & ~_out(start)))
    edges = (np.ones(gates.shape[1], dtype=np.int8), (gates[0], gates[2]))
    relation = coo_array(edges, shape=(start.board.n,) * 2)
    _, part = connected_components(relation, directed=True, connection="strong")
    in_knot = np.bincount(part, minlength=1)[part] > 1
    steps = [(x, int(goal[x])) for x in taking_part[~in_knot[taking_part]].tolist()]
    bound = len(taking_part)
    left = search_nodes
    inner = gates[:, (part[gates[0]] == part[gates[2]]) & in_knot[gates[0]]]
    for members in _grouped(np.flatnonzero(in_knot), part):
        knot = Knot(members, inner[:, np.isin(inner[0], members)], goal, start.freed, left)
        knot_steps, extra = knot.solve()
        left = knot.nodes_left
        steps += knot_steps
        bound += extra
    return Stops(steps, gates, bound, end)


def _out(state: State) -> np.ndarray:
    return np.array(state.out, dtype=bool)


def _grouped(leads: np.ndarray, part: np.ndarray) -> list[list[int]]:
    groups: dict[int, list[int]] = {}
    for lead in leads.tolist():
        groups.setdefault(int(part[lead]), []).append(lead)
    return list(groups.values())


def _gates(start: State) -> np.ndarray:
    board = start.board
    sides = start.holding_sides()
    gates = np.array(
        [
            board.lead_array[sides],
            board.high_array[sides],
            board.lead_array[sides ^ 1],
            board.low_array[sides ^ 1],
        ]
    )
    return gates[:, np.lexsort((-gates[1], gates[0]))]


def _goals(start: State, end: State, gates: np.ndarray) -> np.ndarray:
    """Return the number down to which each lead is freed in the end, (N,).

    0 for all that can come out; a lead that stays is lifted past the places where it lies over
    those (and over others that have to make way), and otherwise stays as it is.
    """
    was = np.array(start.freed)
    goal = was.copy()
    leaves = np.array(end.freed) == 0
    goal[leaves] = 0
    lead, high, other, low = gates
    todo = leaves[lead] & ~leaves[other]
    while todo.any():
        np.minimum.at(goal, other[todo], low[todo])
        moves = (goal < was)[lead] & (high >= goal[lead])
        asked = ~leaves[lead] & ~leaves[other] & moves
        todo = asked & (low < goal[other])
    return goal
