"""Loops that the cheapest way leaves out, put in where the lead's own line shows them.

A loop of the lead costs a few widths more than straight on past the place where it closes, so
the cheapest way may cut it short. What it then leaves behind is a line of the lead's own
colour that no part of the way accounts for and that leads from the way back to it. Here ways
are carried on from everywhere on the way, forwards, and from everywhere backwards; where the
two meet, or face each other over a short hole, there is a loop. It is put in when it accounts
for more of the lead's own line than it costs, turns round far enough and comes back beside the
place where it left. A loop whose line goes on, past the way, beyond both its ends is another
lead's of the same colour, and stays out. So does one that is no lead but the border of two
things, as the rim of a pocket or the ring of a nozzle: all round, what lies inside it differs
from what lies outside.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from mapper.trace.evidence import NOMINAL_WIDTH_PX, Elements
from mapper.trace.links import Links
from mapper.trace.model import LAB_WEIGHTS

__all__ = ["with_loops"]

MOST_EXTRA = 2.5  # cost of a link beyond that of its length: bends that a loop may have
MOST_HOLE = 5.0  # the same for a link over a hole
MOST_COST = 30.0
WORTH = 0.3  # per width of the lead's own line that is accounted for
BESIDE = 1.6  # widths from the way: nearer lines of its direction are the way itself
ALONG = 0.5  # sine of the angle up to which a line beside the way has its direction
LEAST_SHOWN = 10.0  # widths of own line
MOST_LENGTH = 400.0  # widths
LOOKED = 4.0  # widths beside a click between the ends in which no loop begins or ends
OVERLAP, NEAR = 2.0, 18.0  # widths along the way that a loop may come back before, behind
MOST_LOST = 2.5  # widths of the way's own line that the loop may leave unaccounted for
HOLE = 1.4  # widths from one element of a line to the next
LEAST_TURN_RAD = np.radians(200)
LEAP = 8.0  # widths of a hole in a loop
LEAP_TURN_RAD = np.radians(60)
LEAP_COST, LEAP_RATE, LEAP_BEND = 1.0, 0.25, 2.0
MOST_TRIED = 200
MOST_LOOPS = 4
END = 4.0  # widths at either end of a loop from which its line may go on past the way
GOES_ON, MOST_ON = 5.0, 2.0  # widths that it then shows at least, at that cost at most
BORDER = 1.2  # of what the line differs by from its sides: how much these may differ all round


def with_loops(
    elements: Elements,
    links: Links,
    cost: np.ndarray,
    rate: np.ndarray,
    states: np.ndarray,
    clicks: np.ndarray,
) -> np.ndarray:
    """`states` (N,) of the way through `clicks` (K, 2) with the loops that it leaves out.

    `cost` (M,) of every link; `rate` (M,) of it per width of length, bends and holes left out.
    """
    extra = cost - rate * links.length / NOMINAL_WIDTH_PX
    bent = extra <= MOST_EXTRA
    smooth = bent | (links.far & (extra <= MOST_HOLE))
    for _ in range(MOST_LOOPS):
        loop = _best_loop(elements, links, cost, (smooth, bent), states, clicks)
        if loop is None:
            break
        leaves, inner, returns = loop
        states = np.concatenate([states[: leaves + 1], inner, states[returns:]])
    return states


def _best_loop(
    elements: Elements,
    links: Links,
    cost: np.ndarray,
    allowed: tuple[np.ndarray, np.ndarray],
    states: np.ndarray,
    clicks: np.ndarray,
) -> tuple[int, np.ndarray, int] | None:
    """(number on the way where it leaves, states of the loop, number where it returns).

    `allowed`: two (M,) bool, the links a loop may take and those without wide holes.
    """
    smooth, bent = allowed
    on_way = np.zeros(len(elements), bool)
    on_way[states >> 1] = True
    open_ = smooth & ~on_way[links.target >> 1]
    run = links.length[open_] / NOMINAL_WIDTH_PX
    new = _unaccounted(elements, elements.take(states >> 1)).astype(float)
    shown = 0.5 * run * (new[links.source[open_] >> 1] + new[links.target[open_] >> 1])
    heading = elements.angle_rad[:, None] + (0.0, np.pi)
    heading = heading.ravel()
    turned = heading[links.target[open_]] - heading[links.source[open_]]
    turned = (turned + np.pi) % (2 * np.pi) - np.pi
    parts = links.source[open_], links.target[open_], cost[open_], run, shown, turned
    there = _Spread.of(2 * len(elements), states, *parts)
    back = _Spread.of(2 * len(elements), states ^ 1, *parts)
    place = np.full(2 * len(elements), -1)
    place[states[::-1]] = np.arange(len(states))[::-1]
    step = np.hypot(*np.diff(elements.xy[states >> 1], axis=0).T) / NOMINAL_WIDTH_PX
    at = np.concatenate([[0.0], np.cumsum(step)])
    clicked = at[cKDTree(elements.xy[states >> 1]).query(clicks[1:-1])[1]]
    for p, q in _closings(elements, heading, there, back):
        leaves, returns = place[there.root[p]], place[back.root[q ^ 1] ^ 1]
        if leaves < 0 or returns < 0 or not -OVERLAP <= at[returns] - at[leaves] <= NEAR:
            continue
        # Who clicked where a loop would begin or end has looked there and saw the lead go on; who
        # wants the loop clicks on it.
        low, high = sorted((at[leaves], at[returns]))
        if ((clicked > low - LOOKED) & (clicked < high + LOOKED)).any():
            continue
        out, home = there.way_to(p)[1:], (back.way_to(q ^ 1)[::-1] ^ 1)[:-1]
        inner = np.concatenate([out, home[1:] if p == q else home])
        if len(np.unique(inner >> 1)) < len(inner) or _is_border(elements, inner):
            continue
        skipped = elements.take(states[leaves + 1 : returns] >> 1)
        lost = _unaccounted(skipped, elements.take(inner >> 1))
        if _length_of(skipped, lost) > MOST_LOST:
            continue
        if not _passes_by(elements, links, cost, bent, states, inner):
            return int(leaves), inner, int(returns)
    return None


def _is_border(elements: Elements, inner: np.ndarray) -> bool:
    """Whether the loop `inner` parts two things, rather than lies as a lead on one ground.

    The two sides of a lead may differ by light, shadow and what it runs along; but light and
    shadow change sides on the way round, and what it runs along changes.
    """
    sides = elements.beside[inner >> 1]
    back = (inner & 1).astype(bool)
    sides[back] = sides[back, ::-1]
    apart = np.linalg.norm((sides[:, 0] - sides[:, 1]).mean(0) * LAB_WEIGHTS)
    off = np.linalg.norm((elements.colour[inner >> 1, None] - sides) * LAB_WEIGHTS, axis=2)
    return bool(apart > BORDER * np.median(off.min(1)))


def _passes_by(
    elements: Elements,
    links: Links,
    cost: np.ndarray,
    bent: np.ndarray,
    states: np.ndarray,
    inner: np.ndarray,
) -> bool:
    """Whether the line of the loop `inner` goes on past the way of `states` beyond both ends."""
    known = np.concatenate([states, inner]) >> 1
    taken = np.zeros(len(elements), bool)
    taken[known] = True
    other = _unaccounted(elements, elements.take(known))
    open_ = bent & ~taken[links.target >> 1]
    hub = 2 * len(elements)
    step = np.hypot(*np.diff(elements.xy[inner >> 1], axis=0).T) / NOMINAL_WIDTH_PX
    at = np.concatenate([[0.0], np.cumsum(step)])
    for end, starts in ((0, inner[at <= END] ^ 1), (-1, inner[at >= at[-1] - END])):
        graph = _graph(hub, links.source[open_], links.target[open_], cost[open_], starts)
        reached = np.isfinite(dijkstra(graph, indices=hub, limit=MOST_ON)[:hub])
        beyond = np.flatnonzero((reached[::2] | reached[1::2]) & other)
        gap = elements.xy[beyond] - elements.xy[inner[end] >> 1]
        if np.hypot(*gap.T).max(initial=0.0) < GOES_ON * NOMINAL_WIDTH_PX:
            return False
    return True


def _graph(
    hub: int, source: np.ndarray, target: np.ndarray, cost: np.ndarray, starts: np.ndarray
) -> csr_matrix:
    """Links between states, and from the node `hub` to all `starts` for next to nothing."""
    return csr_matrix(
        (
            np.concatenate([cost, np.full(len(starts), 1e-9)]),
            (
                np.concatenate([source, np.full(len(starts), hub)]),
                np.concatenate([target, starts]),
            ),
        ),
        shape=(hub + 1, hub + 1),
    )


def _unaccounted(elements: Elements, way: Elements) -> np.ndarray:
    """(N,) bool: which `elements` are no part of `way`, nor beside it in its direction."""
    reach = BESIDE * NOMINAL_WIDTH_PX
    away, nearest = cKDTree(way.xy).query(elements.xy, distance_upper_bound=reach)
    beside = np.isfinite(away)
    off = elements.angle_rad[beside] - way.angle_rad[nearest[beside]]
    new = ~beside
    new[beside] = np.abs(np.sin(off)) > ALONG
    return new


def _length_of(way: Elements, which: np.ndarray) -> float:
    """Widths of line along the elements of `way` that are meant; holes do not count."""
    step = np.hypot(*np.diff(way.xy, axis=0).T) / NOMINAL_WIDTH_PX
    step[step > HOLE] = 0.0
    return float(0.5 * (step * which[1:] + step * which[:-1]).sum())


@dataclass(frozen=True, eq=False)
class _Spread:
    """Cheapest ways off the way to every state; all (2 N,).

    `root`: state of the way where each starts; `cost`; `length` and `shown` in widths, the
    latter of own line unaccounted for; `turn_rad`, left turns positive.
    """

    previous: np.ndarray
    root: np.ndarray
    cost: np.ndarray
    length: np.ndarray
    shown: np.ndarray
    turn_rad: np.ndarray

    @classmethod
    def of(
        cls,
        count: int,
        starts: np.ndarray,
        source: np.ndarray,
        target: np.ndarray,
        cost: np.ndarray,
        *sums: np.ndarray,
    ) -> _Spread:
        hub, starts = count, np.unique(starts)
        graph = _graph(hub, source, target, cost, starts)
        distance, previous = dijkstra(graph, indices=hub, return_predecessors=True, limit=MOST_COST)
        previous = previous[:hub]
        reached = (previous >= 0) & (previous < hub)
        up = np.where(reached, previous, np.arange(hub))
        # The link by which each state was reached: that of the pair (previous, state).
        name = source.astype(np.int64) * count + target
        order = np.argsort(name, kind="stable")
        wanted = up[reached].astype(np.int64) * count + np.flatnonzero(reached)
        link = order[np.searchsorted(name[order], wanted)]
        totals = []
        for value in sums:
            total = np.zeros(hub)
            total[reached] = value[link]
            totals.append(total)
        # Sums along each way by doubling the stride until every way has come to its root.
        root = up
        while True:
            totals = [total + total[root] for total in totals]
            further = root[root]
            if (further == root).all():
                break
            root = further
        return cls(previous, root, distance[:hub], *totals)

    def way_to(self, state: int) -> np.ndarray:
        """States from the root on the way to `state`."""
        way = [int(state)]
        while way[-1] != self.root[state]:
            way.append(int(self.previous[way[-1]]))
        return np.array(way[::-1])


def _closings(
    elements: Elements, heading: np.ndarray, there: _Spread, back: _Spread
) -> Iterator[tuple[int, int]]:
    """(p, q): a way out to p goes on as a way home from q; the most worthwhile ones first."""
    out, home = np.isfinite(there.cost), np.isfinite(back.cost[np.arange(len(heading)) ^ 1])
    meet = np.flatnonzero(out & home)
    p, q, price = [meet], [meet], [np.zeros(len(meet))]
    starts = there.root == np.arange(len(heading))
    near = np.flatnonzero(out & (starts | ~home))
    far = np.flatnonzero(home & (starts | ~out))
    if len(near) and len(far):
        leap = _leaps(elements, heading, near, far)
        p, q, price = [*p, leap[0]], [*q, leap[1]], [*price, leap[2]]
    p, q, price = np.concatenate(p), np.concatenate(q), np.concatenate(price)
    shown = there.shown[p] + back.shown[q ^ 1]
    worth = WORTH * shown - there.cost[p] - back.cost[q ^ 1] - price
    gap = (heading[q] - heading[p] + np.pi) % (2 * np.pi) - np.pi
    # Sums of turns of the way home were taken against its direction: they turn the same way.
    turn = there.turn_rad[p] - back.turn_rad[q ^ 1] + gap
    ok = (
        (worth > 0)
        & (shown >= LEAST_SHOWN)
        & (there.length[p] + back.length[q ^ 1] <= MOST_LENGTH)
        & (np.abs(turn) >= LEAST_TURN_RAD)
    )
    p, q, worth = p[ok], q[ok], worth[ok]
    # All states of one loop tell of the same closing: one of each pair of roots will do.
    order = np.argsort(-worth, kind="stable")
    ends = there.root[p[order]].astype(np.int64) * len(heading) + back.root[q[order] ^ 1]
    _, first = np.unique(ends, return_index=True)
    for k in order[np.sort(first)[:MOST_TRIED]]:
        yield int(p[k]), int(q[k])


def _leaps(
    elements: Elements, heading: np.ndarray, near: np.ndarray, far: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs of a state of `near` and one of `far` ahead of it, and the price of the hole."""
    tree = cKDTree(elements.xy[far >> 1])
    pairs = cKDTree(elements.xy[near >> 1]).sparse_distance_matrix(
        tree, LEAP * NOMINAL_WIDTH_PX, output_type="coo_matrix"
    )
    p, q, length = near[pairs.row], far[pairs.col], pairs.data / NOMINAL_WIDTH_PX
    chord = elements.xy[q >> 1] - elements.xy[p >> 1]
    course = np.arctan2(chord[:, 1], chord[:, 0])
    off = [(course - heading[s] + np.pi) % (2 * np.pi) - np.pi for s in (p, q)]
    ok = (np.abs(off[0]) <= LEAP_TURN_RAD) & (np.abs(off[1]) <= LEAP_TURN_RAD) & (length > 0.1)
    # The same cubic as in a link: an arc bends it less than an S.
    bend = off[0] ** 2 + off[0] * off[1] + off[1] ** 2
    price = LEAP_COST + LEAP_RATE * length + LEAP_BEND * bend
    return p[ok], q[ok], price[ok]
