"""The channels as a network for planning: places, straight stretches, turns, capacities.

Places that are one junction for a lead (channels that meet, a bore on a channel) are one place.
A *stretch* is a straight piece of one channel between two places; an *arc* is a stretch in one
direction: arc 2k runs from the stretch's first place to its second, arc 2k + 1 back.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import networkx as nx
import numpy as np

from mapper.plate import Plate, channel_graph

__all__ = ["Network", "StretchOfChannel", "network_of"]

SAME_PLACE_MM = 0.5  # places nearer than this can't be told apart when a plate is wired
INSIDE_BORE_AREA_MM2 = math.inf


@dataclass(frozen=True)
class StretchOfChannel:
    """A straight piece of a channel; `channel` None inside a bore, where there is room."""

    ends: tuple[int, int]
    channel: str | None
    width_mm: float
    depth_mm: float
    length_mm: float

    @property
    def area_mm2(self) -> float:
        """Cross section."""
        return INSIDE_BORE_AREA_MM2 if self.channel is None else self.width_mm * self.depth_mm


@dataclass(frozen=True, eq=False)
class Network:
    """Places (N, 2) in plate mm, the stretches between them, and what stands at the places."""

    places_mm: np.ndarray
    stretches: tuple[StretchOfChannel, ...]
    place_of_drop: dict[str, int]
    place_of_exit: dict[str, int]
    bore_mm: dict[int, float]  # place -> the widest bore that stands there

    @property
    def arc_count(self) -> int:
        return 2 * len(self.stretches)

    def tail(self, arc: int) -> int:
        """The place where an arc begins."""
        return self.stretches[arc // 2].ends[arc % 2]

    def head(self, arc: int) -> int:
        """The place where an arc ends."""
        return self.stretches[arc // 2].ends[1 - arc % 2]

    @cached_property
    def leaving(self) -> list[list[int]]:
        """Arcs that begin at each place."""
        found: list[list[int]] = [[] for _ in self.places_mm]
        for arc in range(self.arc_count):
            found[self.tail(arc)].append(arc)
        return found

    @cached_property
    def heading_rad(self) -> np.ndarray:
        """(arcs,) direction of each arc."""
        tails = np.array([self.tail(arc) for arc in range(self.arc_count)], dtype=int)
        heads = np.array([self.head(arc) for arc in range(self.arc_count)], dtype=int)
        step = self.places_mm[heads] - self.places_mm[tails]
        return np.arctan2(step[:, 1], step[:, 0])

    @cached_property
    def around(self) -> list[list[int]]:
        """Arcs that leave each place, counterclockwise."""
        return [sorted(own, key=lambda arc: (self.heading_rad[arc], arc)) for own in self.leaving]

    @cached_property
    def _known_turns(self) -> dict[tuple[float, float], list[list[int]]]:
        return {}

    def turns(self, diameter_mm: float, bend_radius_mm: float) -> list[list[int]]:
        """For each arc the arcs that a lead of that thickness can turn into.

        The widest arc that fits a turn by angle w between walls `width` apart, in the middle of
        both channels before and after it, has the radius (width - diameter) / 2 / (1 - cos(w/2)):
        it touches the inner corner and leaves room on the outside. A bore has its own width.
        """
        known = self._known_turns.get((diameter_mm, bend_radius_mm))
        if known is not None:
            return known
        found: list[list[int]] = []
        for arc in range(self.arc_count):
            place = self.head(arc)
            own: list[int] = []
            for other in self.leaving[place]:
                if other // 2 == arc // 2:
                    continue
                width = min(self.stretches[arc // 2].width_mm, self.stretches[other // 2].width_mm)
                width = max(width, self.bore_mm.get(place, 0.0))
                if self._turn_radius_mm(arc, other, width - diameter_mm) >= bend_radius_mm:
                    own.append(other)
            found.append(own)
        self._known_turns[diameter_mm, bend_radius_mm] = found
        return found

    def _turn_radius_mm(self, arc: int, other: int, play_mm: float) -> float:
        turn = abs(
            math.remainder(float(self.heading_rad[other] - self.heading_rad[arc]), 2 * math.pi)
        )
        give = 1 - math.cos(turn / 2)
        return math.inf if give < 1e-9 else max(play_mm, 0.0) / 2 / give

    def channels_of(self, arcs: Sequence[int]) -> tuple[str, ...]:
        """The channels that a way runs through, in order, each once in a row."""
        found: list[str] = []
        for arc in arcs:
            channel = self.stretches[arc // 2].channel
            if channel is not None and (not found or found[-1] != channel):
                found.append(channel)
        return tuple(found)


def network_of(plate: Plate) -> Network:
    """Return the network of a plate's channels, bores and exits."""
    graph, places = channel_graph(plate)
    one = nx.utils.UnionFind(graph.nodes)
    for node, other, length in graph.edges(data="length_mm"):
        kinds = {node[0], other[0]}
        if kinds == {"channel"}:
            joined = node[1] != other[1] or length < SAME_PLACE_MM
        else:
            named, on = (other, node) if node[0] == "channel" else (node, other)
            reach = plate.channels[on[1]].width_mm / 2 if named[0] == "drop" else SAME_PLACE_MM
            joined = length <= reach
        if joined:
            one.union(node, other)
    clusters = sorted(sorted(cluster) for cluster in one.to_sets())
    number = {node: k for k, cluster in enumerate(clusters) for node in cluster}
    points = np.array([_middle(cluster, graph, places) for cluster in clusters], dtype=float)
    points = points.reshape(-1, 2)
    stretches = []
    for node, other in sorted(graph.edges, key=lambda edge: tuple(sorted(edge))):
        ends = number[node], number[other]
        if ends[0] == ends[1]:
            continue
        length = float(math.dist(points[ends[0]], points[ends[1]]))
        stretches.append(_stretch(plate, node, other, ends, length))
    at_drop = {d.id: number["drop", i] for i, d in enumerate(plate.drops) if ("drop", i) in number}
    at_exit = {x.id: number["exit", i] for i, x in enumerate(plate.exits) if ("exit", i) in number}
    bores: dict[int, float] = {}
    for drop in plate.drops:
        if drop.id in at_drop:
            place = at_drop[drop.id]
            bores[place] = max(bores.get(place, 0.0), drop.bore_diameter_mm)
    return Network(points, tuple(stretches), at_drop, at_exit, bores)


def _stretch(plate: Plate, node, other, ends: tuple[int, int], length_mm: float):
    kinds = {node[0], other[0]}
    if "drop" in kinds:
        drop = node if node[0] == "drop" else other
        bore = plate.drops[drop[1]].bore_diameter_mm
        return StretchOfChannel(ends, None, bore, bore, length_mm)
    on = node if node[0] == "channel" else other
    channel = plate.channels[on[1]]
    return StretchOfChannel(ends, channel.id, channel.width_mm, channel.depth_mm, length_mm)


def _middle(cluster, graph, places) -> tuple[float, float]:
    """Where a junction lies: on the channel that runs through it, not on one that ends there."""

    def rank(node):
        if node[0] != "channel":
            return (2, node)
        own = [n for n in graph[node] if n[0] == "channel" and n[1] == node[1]]
        return (0 if len(own) > 1 else 1, node)

    return places[min(cluster, key=rank)]
