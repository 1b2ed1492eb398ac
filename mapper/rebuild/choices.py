"""The ways that a lead may have been laid through the channels, for a person to choose from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import islice

import networkx as nx
import numpy as np

from mapper.plate import Plate
from mapper.rebuild.network import network_of

__all__ = ["LeadWay", "lead_ways"]

SAME_POINT_MM = 1e-6


@dataclass(frozen=True, eq=False)
class LeadWay:
    """A way along the centre lines: `points_mm` (N, 2) from the drop to the exit, the channels it
    runs through in order, and half the width of the widest of them, which is how far the lead
    may lie from the line."""

    exit: str
    channels: tuple[str, ...]
    points_mm: np.ndarray
    length_mm: float
    aside_mm: float


def lead_ways(plate: Plate, drop: str, most: int = 12) -> tuple[LeadWay, ...]:
    """Return the shortest ways from a drop to any exit, each place passed once, shortest first.

    Bend radius and fill are not asked: what was laid was laid. Empty where the plate does not
    have the drop, or no channel leads from it to an exit. Yen's algorithm, by networkx.
    """
    network = network_of(plate)
    start = network.place_of_drop.get(drop)
    if start is None:
        return ()
    graph = nx.DiGraph()
    for arc in range(network.arc_count):
        ends, length = (network.tail(arc), network.head(arc)), network.stretches[arc // 2].length_mm
        known = graph.get_edge_data(*ends)
        if known is None or known["length"] > length:
            graph.add_edge(*ends, arc=arc, length=length)
    for name, place in network.place_of_exit.items():
        graph.add_edge(place, ("exit", name), arc=None, length=0.0)
        graph.add_edge(("exit", name), "out", arc=None, length=0.0)
    if start not in graph or "out" not in graph:
        return ()
    found = []
    try:
        for places in islice(nx.shortest_simple_paths(graph, start, "out", "length"), most):
            arcs = [
                graph.edges[one, other]["arc"]
                for one, other in zip(places[:-2], places[1:-1], strict=True)
                if graph.edges[one, other]["arc"] is not None
            ]
            found.append(_way(plate, network, drop, places[-2][1], places[:-2], arcs))
    except nx.NetworkXNoPath:
        return ()
    return tuple(found)


def _way(plate: Plate, network, drop: str, exit_: str, places, arcs) -> LeadWay:
    begin = next((one.x_mm, one.y_mm) for one in plate.drops if one.id == drop)
    end = next((one.x_mm, one.y_mm) for one in plate.exits if one.id == exit_)
    points = [begin]
    for point in [*(tuple(network.places_mm[place].tolist()) for place in places), end]:
        if math.dist(points[-1], point) > SAME_POINT_MM:
            points.append(point)
    through = [network.stretches[arc // 2] for arc in arcs]
    aside = max((one.width_mm / 2 for one in through if one.channel is not None), default=0.0)
    line = np.array(points, float)
    length = float(np.hypot(*np.diff(line, axis=0).T).sum())
    return LeadWay(exit_, network.channels_of(arcs), line, length, aside)
