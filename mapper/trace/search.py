"""The cheapest way along line elements that keeps its direction.

Costs are for one lead width of length. Being on a line of the lead's own colour costs next
to nothing, so the true way wins however long it is; leaving it, bending sharply or going
where nothing shows costs much. A state knows its heading, so a lead that crosses itself is
followed round its loop, and the way through a crossing is straight on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra

from mapper.trace.evidence import NOMINAL_WIDTH_PX, Elements
from mapper.trace.links import FAR_PX, Links
from mapper.trace.model import LAB_WEIGHTS

__all__ = [
    "BRIDGE_RATE",
    "MAX_COLOUR",
    "RATE_BESIDE_LEADS",
    "Way",
    "find_way",
    "link_costs",
    "link_rates",
    "reached_within",
    "stands_on_line",
]

BASE = 0.013
MAX_COLOUR = 1.2
MAX_WIDTH = 0.5
MAX_CONTRAST = 0.3
COLOUR_FREE = 4.0  # Lab units: light changes along a lead
COLOUR_SPREAD = 8.0  # Lab units beyond that
WIDTH_FREE = 0.35  # in log width
BEND = 0.5
SHARP_TURN = 0.55  # curvature x width from which a bend is unlikely for a lead
SHARP = 6.0
MAX_SHARP = 2.0
DETOUR_FREE_RAD = np.radians(12)
DETOUR_RAD = np.radians(18)
SWERVE = 5.0  # turning off where the line goes straight on
NARROW = 3.0  # widths that another lead on top may hide
HIDDEN_NARROW = 0.25  # per width hidden up to there
HIDDEN = 0.6  # per width hidden beyond
BARE = 2.5  # per width where there is nothing that could hide a lead
LIKE_LONG = 0.5  # per width beyond NARROW
LIKE = 0.15  # per width across a stretch without line but of the lead's colour
LONG, LONG_RATE = 3.3, 0.45  # for a hole longer than a far link reaches, and per width of it
LONG_TURN, MOST_LONG_TURN = 1.1, 3.0  # per squared radian of the bends in it
BRIDGE_FROM = 8.0  # cost of a stretch from which a bridge is tried
BRIDGE = 4.0
BRIDGE_RATE = 0.45  # per width of a bridge
RATE_BESIDE_LEADS = 0.9  # the same where the way may also follow the leads that hide this one
BRIDGE_TURN = 4.0  # per squared radian at either end
MOST_HEADS = 250
ARRIVE_PX = 1.3 * NOMINAL_WIDTH_PX


@dataclass(frozen=True, eq=False)
class Way:
    """States from click to click, and the cost in total."""

    states: np.ndarray
    cost: float


def link_rates(elements: Elements, links: Links, colours: np.ndarray, width: float) -> np.ndarray:
    """Cost (M,) per width of every link by how much its ends are like the lead.

    The lead has one of the Lab `colours` (K, 3) and `width`, px of the layer.
    """
    stretch = np.abs(np.log(np.maximum(elements.width, 0.5) / width))
    node = (
        BASE
        + colour_cost(elements.colour, colours)
        + np.minimum(0.8 * np.maximum(stretch - WIDTH_FREE, 0.0) ** 2, MAX_WIDTH)
        + MAX_CONTRAST * np.exp(-elements.contrast / 4.0)
    )
    return 0.5 * (node[links.source >> 1] + node[links.target >> 1])


def link_costs(links: Links, rate: np.ndarray, colours: np.ndarray) -> np.ndarray:
    """Cost (M,) of every link: its `rate` (M,) over its length, its bends, what it skips."""
    run = links.length / NOMINAL_WIDTH_PX
    bend = BEND * links.bend * NOMINAL_WIDTH_PX
    sharp = SHARP * np.maximum(links.turn * NOMINAL_WIDTH_PX - SHARP_TURN, 0.0) ** 2
    sharp = np.minimum(sharp * np.minimum(run, 1.0), MAX_SHARP)
    detour = np.maximum(links.detour_rad - DETOUR_FREE_RAD, 0.0) / DETOUR_RAD
    swerve = np.minimum(detour**2, 1.0) * SWERVE
    cost = rate * run + bend + sharp + swerve
    cost[links.far] += _hole_costs(links, run[links.far], bend[links.far], colours)
    return cost


def _hole_costs(links: Links, gap: np.ndarray, bend: np.ndarray, colours: np.ndarray) -> np.ndarray:
    """What the far links cost beyond near ones; `gap` their lengths in widths."""
    unlike = colour_cost(links.between, colours) / MAX_COLOUR
    bare = BARE * (unlike * links.bare).mean(1)
    beyond = np.maximum(gap - NARROW, 0.0)
    hidden = HIDDEN_NARROW * (gap - beyond) + HIDDEN * beyond
    cover = LIKE * (gap - beyond) + LIKE_LONG * beyond + unlike.mean(1) * (hidden + bare * gap)
    # Nothing shows where in a long hole the lead turns: its bends have a price of their own.
    turns = np.minimum(links.bend[links.far] * links.length[links.far] / 4, MOST_LONG_TURN)
    long = LONG + LONG_RATE * gap + LONG_TURN * turns - bend
    return np.where(gap * NOMINAL_WIDTH_PX > FAR_PX, long, cover)


def colour_cost(colour: np.ndarray, colours: np.ndarray) -> np.ndarray:
    nearest = np.full(colour.shape[:-1], np.inf)
    for own in colours:
        d = (colour - own) * LAB_WEIGHTS
        nearest = np.minimum(nearest, np.einsum("...i,...i->...", d, d))
    beyond = np.maximum(np.sqrt(nearest) - COLOUR_FREE, 0.0)
    return MAX_COLOUR * (1 - np.exp(-(beyond**2) / (2 * COLOUR_SPREAD**2)))


def find_way(
    elements: Elements, links: Links, cost: np.ndarray, clicks: np.ndarray, bridge_rate: float
) -> Way:
    """Cheapest way through `clicks` (K, 2), px of the layer, in turn; headings carry over.

    Every click must stand on a line (`stands_on_line`).

    Where no line leads on, or only a dear one, one long bridge per stretch is tried as well, at
    `bridge_rate` per width.
    """
    entry = _near_click(elements, clicks[0])
    stretches: list[_Stretch] = []
    for click in clicks[1:]:
        leave = _near_click(elements, click)
        distance, previous = _from_states(links, cost, len(elements), *entry)
        reached = distance[leave[0]] + leave[1]
        stretch = _Stretch(leave[0], reached, previous, None)
        if reached.min() > BRIDGE_FROM:
            tree = distance, previous
            bridged = _bridge(elements, links, cost, tree, entry[0], leave, bridge_rate)
            if bridged[0] < reached.min():
                states = bridged[1]
                stretch = _Stretch(states[-1:], np.array([bridged[0]]), previous, states)
        stretches.append(stretch)
        finite = np.isfinite(stretch.reached)
        entry = stretch.leave[finite], stretch.reached[finite]
    state = int(stretches[-1].leave[np.argmin(stretches[-1].reached)])
    pieces = []
    for stretch in reversed(stretches):
        piece = stretch.states if stretch.states is not None else _back(stretch.previous, state)
        pieces.append(piece)
        state = int(piece[0])
    states = np.concatenate([pieces[-1]] + [piece[1:] for piece in reversed(pieces[:-1])])
    return Way(states, float(stretches[-1].reached.min()))


@dataclass(frozen=True, eq=False)
class _Stretch:
    """From one click to the next: where it may leave, at what cost, and the tree of ways there.

    `states` is set where a bridge settled the way.
    """

    leave: np.ndarray
    reached: np.ndarray
    previous: np.ndarray
    states: np.ndarray | None


def _from_states(
    links: Links,
    cost: np.ndarray,
    count: int,
    states: np.ndarray,
    costs: np.ndarray,
    most: float = np.inf,
) -> tuple[np.ndarray, np.ndarray]:
    """Cost of the cheapest way to every state, and the state before each on it."""
    hub = 2 * count
    graph = csr_matrix(
        (
            np.concatenate([cost, costs + 1e-9]),
            (
                np.concatenate([links.source, np.full(len(states), hub)]),
                np.concatenate([links.target, states]),
            ),
        ),
        shape=(hub + 1, hub + 1),
    )
    return dijkstra(graph, indices=hub, return_predecessors=True, limit=most)


def reached_within(
    elements: Elements, links: Links, cost: np.ndarray, click: np.ndarray, most: float
) -> np.ndarray:
    """Numbers of the elements that a way from `click`, px of the layer, gets to for `most`."""
    distance, _ = _from_states(links, cost, len(elements), *_near_click(elements, click), most)
    return np.unique(np.flatnonzero(np.isfinite(distance[:-1])) >> 1)


def _back(previous: np.ndarray, state: int) -> np.ndarray:
    """The way to `state`, from the first state on."""
    hub = len(previous) - 1
    way = [state]
    while previous[way[-1]] != hub:
        way.append(int(previous[way[-1]]))
    return np.array(way[::-1])


def _bridge(
    elements: Elements,
    links: Links,
    cost: np.ndarray,
    tree: tuple[np.ndarray, np.ndarray],
    entry: np.ndarray,
    leave: tuple[np.ndarray, np.ndarray],
    rate: float,
) -> tuple[float, np.ndarray]:
    """Cheapest way with one long straightish jump over a place where nothing is to be seen."""
    distance, previous = tree
    # By symmetry the way from a state to the click is the way back with all headings turned.
    back, back_previous = _from_states(links, cost, len(elements), leave[0] ^ 1, leave[1])
    near = _bridge_heads(elements, distance, leave[0], rate)
    far = _bridge_heads(elements, back, entry, rate)
    heading = np.stack([np.cos(elements.angle_rad), np.sin(elements.angle_rad)], 1)

    def directions(states: np.ndarray) -> np.ndarray:
        return heading[states >> 1] * (1 - 2 * (states & 1))[:, None]

    chord = elements.xy[far >> 1][None] - elements.xy[near >> 1][:, None]
    length = np.hypot(chord[..., 0], chord[..., 1])
    unit = chord / np.maximum(length, 1e-6)[..., None]
    out = np.arccos(np.clip(np.einsum("ijc,ic->ij", unit, directions(near)), -1, 1))
    into = np.arccos(np.clip(-np.einsum("ijc,jc->ij", unit, directions(far)), -1, 1))
    total = (
        distance[near][:, None]
        + back[far][None]
        + BRIDGE
        + rate * length / NOMINAL_WIDTH_PX
        + BRIDGE_TURN * (out**2 + into**2)
    )
    total[length < 1.0] = np.inf
    i, j = np.unravel_index(int(np.argmin(total)), total.shape)
    there = _back(previous, int(near[i]))
    rest = _back(back_previous, int(far[j]))[::-1] ^ 1
    return float(total[i, j]), np.concatenate([there, rest])


def _bridge_heads(
    elements: Elements, distance: np.ndarray, goal: np.ndarray, rate: float
) -> np.ndarray:
    """Reached states from which a jump towards `goal` looks cheapest."""
    reached = np.flatnonzero(np.isfinite(distance[: 2 * len(elements)]))
    aim = elements.xy[goal >> 1].mean(0)
    ahead = np.hypot(*(elements.xy[reached >> 1] - aim).T) / NOMINAL_WIDTH_PX
    order = np.argsort(distance[reached] + rate * ahead)
    return reached[order[:MOST_HEADS]]


def stands_on_line(elements: Elements, click: np.ndarray) -> bool:
    """Whether any element is near enough to start or end at `click`, px of the layer."""
    return len(_near_click(elements, click)[0]) > 0


def _near_click(elements: Elements, click: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """States near a click with the cost of standing off it."""
    away = np.hypot(*(elements.xy - click).T) if len(elements) else np.zeros(0)
    near = np.flatnonzero(away <= ARRIVE_PX)
    states = np.concatenate([2 * near, 2 * near + 1])
    off = np.tile(away[near] / NOMINAL_WIDTH_PX, 2)
    return states, 2.0 * np.maximum(off - 0.4, 0.0) ** 2 + 0.1 * off
