"""Routes in plate millimetres from ways and lane orders: real lanes side by side.

On a stretch the leads run side by side at the sum of their radii and the clearance, about the
middle of the channel, and closer (over each other) where the channel is too narrow for that, or
a junction would have no room. In a junction each lead runs as a straight chord from lane to lane.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from mapper.rebuild.network import Network

__all__ = ["drawn_routes"]

LEAST_JUNCTION_MM = 3.0
MOST_JUNCTION_MM = 200.0  # arms that nearly lie on each other can't be told apart anyway
LEAST_SQUEEZE = 0.7  # in one round
_ROUNDS = 12
SHARE_OF_STRETCH = 0.96  # what both junctions of a stretch may take of it
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
    for _ in range(_ROUNDS):
        narrow = _to_squeeze(network, half, reach)
        if not narrow:
            break
        for stretch, share in narrow.items():
            half[stretch] *= share
            offsets[stretch] = {n: at * share for n, at in offsets[stretch].items()}
        reach = _reaches(network, half, passed)
    _shortened(network, half, reach)
    routes = []
    for number, way in enumerate(ways):
        points = []
        for arc in way:
            for place, leaving in ((network.tail(arc), arc), (network.head(arc), arc ^ 1)):
                points.append(_port(network, place, leaving, reach[leaving], offsets, number))
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


def _reaches(network: Network, half: dict[int, float], passed: set[int]) -> dict[int, float]:
    """How far each junction reaches along the arcs that leave it.

    Chords cross only where their ends alternate if the lane ends stand in convex position: with
    an arm at angle w, each corner of one arm's lanes has to lie within the other's:
    reach_a cos w + half_a sin w <= reach_b. The least reaches that do are found by repetition.
    """
    reach: dict[int, float] = {}
    for place in range(len(network.places_mm)):
        used = [arc for arc in network.around[place] if arc // 2 in half]
        least = LEAST_JUNCTION_MM if place in passed else 0.0
        own = dict.fromkeys(used, least)
        for _ in range(_ROUNDS if place in passed or len(used) > 1 else 0):
            for arc in used:
                for other in used:
                    between = network.heading_rad[other] - network.heading_rad[arc]
                    if arc != other:
                        wide = half[other // 2] * abs(math.sin(between))
                        wanted = own[other] * math.cos(between) + wide
                        own[arc] = max(own[arc], min(wanted, MOST_JUNCTION_MM))
        reach |= own
    return reach


def _too_long(network: Network, half, reach) -> list[tuple[int, float]]:
    """Return the stretches that are too short for the junctions at their ends, and by what
    share they are."""
    found = []
    for stretch in half:
        room = SHARE_OF_STRETCH * network.stretches[stretch].length_mm
        both = reach[2 * stretch] + reach[2 * stretch + 1]
        if both > room:
            found.append((stretch, room / both))
    return found


def _to_squeeze(network: Network, half, reach) -> dict[int, float]:
    """Return, for the arms that make a junction too large for a short stretch beside it, the
    share to which their lanes are pressed together (over each other)."""
    found: dict[int, float] = {}
    for stretch, share in _too_long(network, half, reach):
        arc = max((2 * stretch, 2 * stretch + 1), key=lambda one: reach[one])
        for other in network.around[network.tail(arc)]:
            if other != arc and other // 2 in half:
                found[other // 2] = min(found.get(other // 2, 1.0), max(share, LEAST_SQUEEZE))
    return found


def _shortened(network: Network, half, reach) -> None:
    """Cut the reaches that still do not fit."""
    for stretch, share in _too_long(network, half, reach):
        reach[2 * stretch] *= share
        reach[2 * stretch + 1] *= share


def _port(network: Network, place: int, leaving: int, reach_mm, offsets, number) -> np.ndarray:
    heading = network.heading_rad[leaving]
    ahead = np.array([math.cos(heading), math.sin(heading)])
    left = np.array([-ahead[1], ahead[0]])
    offset = offsets[leaving // 2][number] * (1 if leaving % 2 == 0 else -1)
    return network.places_mm[place] + reach_mm * ahead + offset * left


def _without_repeats(points: np.ndarray) -> np.ndarray:
    step = np.hypot(*np.diff(points, axis=0).T)
    return points[np.concatenate([[True], step > SAME_POINT_MM])]
