"""Which lead lies beside which: an order from left to right on every stretch.

Leads that run together keep their order and change it only in a junction where they have to.
A place is seen as a convex polygon whose sides are the ends of the stretches there; leads run
through it as straight chords, and two chords cross exactly when their ends alternate around it.
So the crossings of a wiring can be counted before any route is drawn.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from mapper.rebuild.network import Network

__all__ = ["crossing_places", "lane_orders", "uncrossed"]

Ways = Sequence[tuple[int, ...]]
_ROUNDS = 60


def lane_orders(network: Network, ways: Ways) -> dict[int, list[int]]:
    """Return, for each stretch in use, its ways from left to right seen along its even arc.

    Ways that run against each other on a stretch keep to the right of their own direction, or to
    the left where that saves crossings.
    """
    users: dict[int, list[int]] = defaultdict(list)
    for number, way in enumerate(ways):
        for arc in way:
            users[arc].append(number)
    before: dict[int, set[int]] = {arc: set() for arc in users}
    step = [{arc: k for k, arc in enumerate(way)} for way in ways]
    for way in ways:
        for first, second in zip(way, way[1:], strict=False):
            before[second].add(first)
    ordered: dict[int, list[int]] = {}
    waiting = sorted(users)
    while waiting:
        ready = [arc for arc in waiting if before[arc] <= ordered.keys()]
        if not ready:  # ways that run in a ring: begin where most is known
            ready = [max(waiting, key=lambda arc: len(before[arc] & ordered.keys()))]
        for arc in ready:
            ordered[arc] = _merged(network, ways, step, arc, users[arc], ordered)
        waiting = [arc for arc in waiting if arc not in ordered]
    return _two_way(network, ways, ordered)


def _two_way(network: Network, ways: Ways, ordered: dict[int, list[int]]) -> dict[int, list[int]]:
    """Put the orders of both directions of each stretch beside each other."""
    result = {}
    groups: dict[frozenset, list[int]] = defaultdict(list)
    for stretch in sorted({arc // 2 for arc in ordered}):
        ahead, back = ordered.get(2 * stretch, []), ordered.get(2 * stretch + 1, [])
        result[stretch] = [*reversed(back), *ahead]
        if ahead and back:
            groups[frozenset((frozenset(ahead), frozenset(back)))].append(stretch)
    passes = _passes(network, ways) if groups else {}
    for group in groups.values():
        changed = {s: [*ordered[2 * s], *reversed(ordered[2 * s + 1])] for s in group}
        ends = {place for s in group for place in network.stretches[s].ends} & passes.keys()
        kept, other = (
            sum(len(_crossings_at(network, place, passes[place], orders)) for place in ends)
            for orders in (result, {**result, **changed})
        )
        if other < kept:
            result |= changed
    return result


def _merged(network: Network, ways: Ways, step, arc: int, users, ordered) -> list[int]:
    """Order on an arc: the arcs it comes from, left to right, then those that begin here."""
    ring = _ring(network, network.tail(arc), arc)
    order: list[int] = []
    known = set()
    for other in ring[1:]:
        for number in ordered.get(other ^ 1, []):
            place = step[number].get(arc)
            if place and ways[number][place - 1] == other ^ 1:
                order.append(number)
                known.add(number)
    for number in users:
        if number not in known:
            order.insert(_best_slot(network, ways, step, arc, number, order), number)
    return order


def _best_slot(network: Network, ways: Ways, step, arc: int, new: int, order: list[int]) -> int:
    """Where a way that begins here has to cross the fewest others further on; else outermost."""
    wishes = [_side_ahead(network, ways, step, arc, new, other) for other in order]
    cost = sum(side < 0 for side in wishes)  # in the leftmost slot all others are on its right
    costs = [cost]
    for side in wishes:
        cost += (side > 0) - (side < 0)
        costs.append(cost)
    best = min(costs)
    slots = [slot for slot, cost in enumerate(costs) if cost == best]
    return slots[-1]


def _side_ahead(network: Network, ways: Ways, step, arc: int, one: int, other: int) -> int:
    """+1 where `one` leaves to the left of `other` further on, -1 to the right, 0 where never."""
    i, j = step[one][arc] + 1, step[other][arc] + 1
    p, q = ways[one], ways[other]
    last = arc
    while i < len(p) and j < len(q) and p[i] == q[j]:
        last = p[i]
        i, j = i + 1, j + 1
    if i >= len(p) or j >= len(q):
        return 0
    ring = _ring(network, network.head(last), last ^ 1)
    return 1 if ring.index(p[i]) > ring.index(q[j]) else -1


def _ring(network: Network, place: int, first: int) -> list[int]:
    """Arcs that leave a place, counterclockwise from `first`."""
    ring = network.around[place]
    start = ring.index(first)
    return ring[start:] + ring[:start]


def crossing_places(
    network: Network, ways: Ways, orders: dict[int, list[int]]
) -> list[tuple[int, int, int]]:
    """Return (place, way, way) for every crossing inside a junction."""
    passes = _passes(network, ways)
    return [
        found
        for place in sorted(passes)
        for found in _crossings_at(network, place, passes[place], orders)
    ]


def _passes(network: Network, ways: Ways) -> dict[int, list[tuple[int, int, int]]]:
    """Who passes each place: (arm it comes by, arm it leaves by, way), arms as leaving arcs."""
    found: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    for number, way in enumerate(ways):
        for first, second in zip(way, way[1:], strict=False):
            found[network.tail(second)].append((first ^ 1, second, number))
    return found


def _crossings_at(network: Network, place: int, passing, orders) -> list[tuple[int, int, int]]:
    at = _around(network, place, orders)
    chords = sorted((*sorted((at[one, n], at[other, n])), n) for one, other, n in passing)
    found = []
    for k, (start, end, number) in enumerate(chords):
        for low, high, other in chords[k + 1 :]:
            if low > end:
                break
            if start < low < end < high:
                found.append((place, *sorted((number, other))))
    return found


def _around(network: Network, place: int, orders) -> dict[tuple[int, int], int]:
    """Number the lane ends around a place counterclockwise: (leaving arc, way) -> number."""
    found: dict[tuple[int, int], int] = {}
    for arc in network.around[place]:
        order = orders.get(arc // 2, [])
        # Counterclockwise round the place, a side is met from the right of the leaving arc.
        for number in reversed(order) if arc % 2 == 0 else order:
            found[arc, number] = len(found)
    return found


def uncrossed(
    network: Network, ways: Ways, keys: Sequence[object], turns: dict[object, list[list[int]]]
) -> list[tuple[int, ...]]:
    """Swap the rest of two ways of one key where they cross, until no such swap helps.

    A swap keeps the length and every fill. `turns`: allowed turns by key.
    """
    ways = list(ways)
    crossings = crossing_places(network, ways, lane_orders(network, ways))
    for _ in range(_ROUNDS):
        touched: set[int] = set()
        changed = list(ways)
        for place, one, other in crossings:
            if keys[one] != keys[other] or {one, other} & touched:
                continue
            swapped = _swapped(network, ways[one], ways[other], place, turns[keys[one]])
            if swapped is not None:
                changed[one], changed[other] = swapped
                touched |= {one, other}
        if not touched:
            break
        after = crossing_places(network, changed, lane_orders(network, changed))
        if len(after) >= len(crossings):
            if len(touched) == 2:
                break
            # Swaps got into each other's way: one alone.
            changed, after = _one_swap(network, ways, crossings, keys, turns)
            if len(after) >= len(crossings):
                break
        ways, crossings = changed, after
    return ways


def _one_swap(network: Network, ways, crossings, keys, turns):
    for place, one, other in crossings:
        if keys[one] == keys[other]:
            swapped = _swapped(network, ways[one], ways[other], place, turns[keys[one]])
            if swapped is not None:
                changed = list(ways)
                changed[one], changed[other] = swapped
                after = crossing_places(network, changed, lane_orders(network, changed))
                if len(after) < len(crossings):
                    return changed, after
    return ways, crossings


def _swapped(network: Network, p, q, place: int, turns):
    i = next(k for k, arc in enumerate(p) if network.head(arc) == place) + 1
    j = next(k for k, arc in enumerate(q) if network.head(arc) == place) + 1
    one, other = (*p[:i], *q[j:]), (*q[:j], *p[i:])
    for way, cut in ((one, i), (other, j)):
        if way[cut] not in turns[way[cut - 1]]:
            return None
        places = [network.tail(arc) for arc in way]
        if len(set(places)) < len(places):
            return None
    return one, other
