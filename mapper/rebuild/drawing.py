"""Routes in plate millimetres from ways and lane orders: real lanes side by side.

On a stretch the leads run side by side at the sum of their radii and the clearance, about the
middle of the channel, and closer (over each other) where the channel is too narrow for that. In
a junction each lead runs as a straight chord from lane to lane.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from mapper.rebuild.network import Network

__all__ = ["drawn_routes"]

LEAST_JUNCTION_MM = 3.0
SHARE_OF_STRETCH = 0.9  # what both junctions of a stretch may take of it
SAME_POINT_MM = 1e-6


def drawn_routes(
    network: Network,
    ways: Sequence[tuple[int, ...]],
    orders: dict[int, list[int]],
    diameters_mm: Sequence[float],
    clearance_mm: float,
) -> list[np.ndarray]:
    """Return the route (N, 2) of each way in plate mm, from its drop to its exit."""
    offsets = {
        stretch: _offsets(network.stretches[stretch].width_mm, order, diameters_mm, clearance_mm)
        for stretch, order in orders.items()
    }
    half = {
        stretch: max(abs(offset) + diameters_mm[n] / 2 for n, offset in own.items())
        for stretch, own in offsets.items()
    }
    passed = {network.head(arc) for way in ways for arc in way[:-1]}
    reach = _reaches(network, half, passed)
    routes = []
    for number, way in enumerate(ways):
        points = []
        for arc in way:
            for place, leaving in ((network.tail(arc), arc), (network.head(arc), arc ^ 1)):
                points.append(_port(network, place, leaving, reach[place], offsets, number))
        routes.append(_without_repeats(np.array(points)))
    return routes


def _offsets(width_mm, order, diameters_mm, clearance_mm) -> dict[int, float]:
    """Offset of each lane to the left of the even arc."""
    at = [0.0]
    for one, other in zip(order, order[1:], strict=False):
        at.append(at[-1] + (diameters_mm[one] + diameters_mm[other]) / 2 + clearance_mm)
    room = max(width_mm - (diameters_mm[order[0]] + diameters_mm[order[-1]]) / 2, 0.0)
    scale = min(1.0, room / at[-1]) if at[-1] > 0 else 1.0
    return {n: (at[-1] / 2 - s) * scale for n, s in zip(order, at, strict=True)}


def _reaches(network: Network, half: dict[int, float], passed: set[int]) -> list[float]:
    """How far each junction reaches along its stretches, so that their lane ends don't overlap."""
    reach = []
    for place in range(len(network.places_mm)):
        used = [arc for arc in network.around[place] if arc // 2 in half]
        wanted = LEAST_JUNCTION_MM if place in passed else 0.0
        for k, arc in enumerate(used):
            other = used[(k + 1) % len(used)]
            between = (network.heading_rad[other] - network.heading_rad[arc]) % (2 * math.pi)
            if arc != other and 0 < between < math.pi and (place in passed or len(used) > 1):
                wide = max(half[arc // 2], half[other // 2])
                wanted = max(wanted, wide / math.tan(between / 2))
        reach.append(wanted)
    for _ in range(3):
        for stretch in half:
            one, other = network.stretches[stretch].ends
            room = SHARE_OF_STRETCH * network.stretches[stretch].length_mm
            both = reach[one] + reach[other]
            if both > room:
                reach[one], reach[other] = (reach[p] * room / both for p in (one, other))
    return reach


def _port(network: Network, place: int, leaving: int, reach_mm, offsets, number) -> np.ndarray:
    heading = network.heading_rad[leaving]
    ahead = np.array([math.cos(heading), math.sin(heading)])
    left = np.array([-ahead[1], ahead[0]])
    offset = offsets[leaving // 2][number] * (1 if leaving % 2 == 0 else -1)
    return network.places_mm[place] + reach_mm * ahead + offset * left


def _without_repeats(points: np.ndarray) -> np.ndarray:
    step = np.hypot(*np.diff(points, axis=0).T)
    return points[np.concatenate([[True], step > SAME_POINT_MM])]
