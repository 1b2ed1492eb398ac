"""Fewer crossings: other ways for leads that would cross, chosen all at once.

Two ways that run together and part again on the other side have to cross; two that meet in one
place cross when their arms alternate around it. That depends on the two ways alone, so choosing
among a few ways for each unit is an integer program over pairs. Ways that end on the way count
for nothing there: the lanes may find room for them, or may not.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from itertools import islice

import networkx as nx
import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from mapper.rebuild.model import RebuildSettings
from mapper.rebuild.network import Network
from mapper.rebuild.ways import Unit, way_cost_mm

__all__ = ["fewer_crossings", "forced_crossings"]

MOST_UNITS = 60  # of those that cross; more would take too long and stay as they are
WAYS_EACH = 10
LOOKED_AT = 60  # shortest ways looked at to find them: some turn too sharply
SEARCH_SECONDS = 3.0


def fewer_crossings(
    network: Network,
    units: Sequence[Unit],
    ways: Sequence[tuple[int, ...]],
    crossed: Sequence[tuple[int, int, int]],
    settings: RebuildSettings,
) -> list[tuple[int, ...]]:
    """Return ways of the least length and crossings among a few for each unit that crosses.

    `crossed`: (place, unit, unit) of the ways as they are. Units that cross nothing keep their
    way and count all the same. The fill limit holds.
    """
    free = sorted({n for _, one, other in crossed for n in (one, other)})
    if not free or len(free) > MOST_UNITS:
        return list(ways)
    choices = {n: _choices(network, units[n], ways[n], settings) for n in free}
    fixed = [n for n in range(len(ways)) if n not in choices]
    column: dict[tuple[int, int], int] = {}
    cost: list[float] = []
    for n, own in choices.items():
        for k, way in enumerate(own):
            column[n, k] = len(cost)
            meets = sum(
                forced_crossings(network, way, ways[m]) * _weight(units, n, m) for m in fixed
            )
            length = way_cost_mm(network, settings, way)
            cost.append(length + settings.crossing_mm * meets)
    rows: list[tuple[dict[int, float], float, float]] = [
        ({column[n, k]: 1.0 for k in range(len(own))}, 1.0, 1.0) for n, own in choices.items()
    ]
    for i, n in enumerate(free):
        for m in free[i + 1 :]:
            for k, way in enumerate(choices[n]):
                clash = [forced_crossings(network, way, other) for other in choices[m]]
                if any(clash):
                    price = settings.crossing_mm * _weight(units, n, m)
                    # paid: at least the crossings of this way with the one chosen for the other
                    paid = len(cost)
                    cost.append(price)
                    most = max(clash)
                    terms = {column[m, j]: float(c) for j, c in enumerate(clash) if c}
                    terms[column[n, k]] = float(most)
                    terms[paid] = -1.0
                    rows.append((terms, -np.inf, float(most)))
    rows += _fill_rows(network, units, ways, choices, fixed, column, settings)
    chosen = _solved(cost, len(column), rows)
    if chosen is None:
        return list(ways)
    result = list(ways)
    for (n, k), at in column.items():
        if chosen[at] > 0.5:
            result[n] = choices[n][k]
    return result


def _weight(units: Sequence[Unit], one: int, other: int) -> int:
    return len(units[one].leads) * len(units[other].leads)


def _fill_rows(network, units, ways, choices, fixed, column, settings):
    used: dict[int, float] = defaultdict(float)
    for n in fixed:
        for arc in ways[n]:
            used[arc // 2] += units[n].area_mm2
    terms: dict[int, dict[int, float]] = defaultdict(dict)
    for n, own in choices.items():
        for k, way in enumerate(own):
            for arc in way:
                terms[arc // 2][column[n, k]] = units[n].area_mm2
    for stretch, own in sorted(terms.items()):
        room = network.stretches[stretch].area_mm2 * settings.fill_limit
        if room < np.inf:
            yield own, -np.inf, room * (1 + 1e-9) - used[stretch]


def _solved(cost, whole: int, rows) -> np.ndarray | None:
    entries = [(r, c, f) for r, (terms, _, _) in enumerate(rows) for c, f in terms.items()]
    at_row, at_column, factor = (np.array(part) for part in zip(*entries, strict=True))
    matrix = csr_array((factor, (at_row, at_column)), shape=(len(rows), len(cost)))
    low, high = ([row[k] for row in rows] for k in (1, 2))
    integrality = np.zeros(len(cost))
    integrality[:whole] = 1
    upper = np.full(len(cost), np.inf)
    upper[:whole] = 1
    found = milp(
        np.array(cost),
        integrality=integrality,
        bounds=Bounds(0, upper),
        constraints=LinearConstraint(matrix, low, high),
        options={"time_limit": SEARCH_SECONDS},
    )
    return found.x


def _choices(
    network: Network, unit: Unit, way: tuple[int, ...], settings: RebuildSettings
) -> list[tuple[int, ...]]:
    """The way it has, and others from short to long that its turns and wishes allow."""
    first = unit.leads[0]
    turns = network.turns(unit.thickest_mm, settings.bend_radius_mm)
    graph = nx.DiGraph()
    for arc in range(network.arc_count):
        stretch = network.stretches[arc // 2]
        ends = network.tail(arc), network.head(arc)
        if min(stretch.width_mm, stretch.depth_mm) >= unit.thickest_mm:
            known = graph.get_edge_data(*ends)
            if known is None or known["length"] > stretch.length_mm:
                graph.add_edge(*ends, arc=arc, length=stretch.length_mm)
    exits = [network.place_of_exit[first.exit]] if first.exit else network.place_of_exit.values()
    for place in exits:
        graph.add_edge(place, "out", arc=None, length=0.0)
    start = network.place_of_drop[unit.drop]
    found = [way]
    for places in islice(nx.shortest_simple_paths(graph, start, "out", "length"), LOOKED_AT):
        arcs = tuple(
            graph.edges[one, other]["arc"]
            for one, other in zip(places[:-1], places[1:-1], strict=False)
        )
        allowed = all(b in turns[a] for a, b in zip(arcs, arcs[1:], strict=False))
        there = first.channel is None or first.channel in network.channels_of(arcs)
        if arcs and allowed and there and arcs not in found:
            found.append(arcs)
        if len(found) > WAYS_EACH:
            break
    return found


def forced_crossings(network: Network, p: Sequence[int], q: Sequence[int]) -> int:
    """Return how often two ways have to cross, whatever their lanes."""
    stop = {}  # place -> (arm of q before it, arm after it), as arcs that leave the place
    for k, arc in enumerate(q):
        stop[network.tail(arc)] = (q[k - 1] ^ 1 if k else None, arc)
    stop[network.head(q[-1])] = (q[-1] ^ 1, None)
    count, side = 0, None  # side: of p as against q where they came together
    for k in range(len(p) + 1):
        place = network.tail(p[k]) if k < len(p) else network.head(p[-1])
        back, ahead = (p[k - 1] ^ 1 if k else None), (p[k] if k < len(p) else None)
        if place not in stop:
            continue
        arms = stop[place]
        shared_back, shared_ahead = (
            back is not None and back in arms,
            ahead is not None and ahead in arms,
        )
        if shared_back and shared_ahead:
            continue
        ring = network.around[place]
        if not shared_back and not shared_ahead:
            if None not in (back, ahead, *arms):
                low, high = sorted((ring.index(back), ring.index(ahead)))
                count += sum(low < ring.index(arm) < high for arm in arms) == 1
        elif shared_ahead:  # they come together here
            other = arms[0] if arms[1] == ahead else arms[1]
            side = None
            if back is not None and other is not None:
                side = _after(ring, ahead, back) < _after(ring, ahead, other)
        else:  # they part here
            other = arms[0] if arms[1] == back else arms[1]
            if side is not None and ahead is not None and other is not None:
                count += side != (_after(ring, back, ahead) > _after(ring, back, other))
            side = None
    return count


def _after(ring: Sequence[int], first: int, arc: int) -> int:
    """Place of an arm counterclockwise from another one."""
    return (ring.index(arc) - ring.index(first)) % len(ring)
