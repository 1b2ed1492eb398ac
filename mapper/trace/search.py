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

from mapper.trace.evidence import NOMINAL_WIDTH_PX
from mapper.trace.ground import Layer

__all__ = ["Way", "find_way", "link_costs"]

BASE = 0.04
MAX_COLOUR = 1.2
MAX_WIDTH = 0.5
MAX_CONTRAST = 0.4
COLOUR_SPREAD = 9.0  # Lab units a lead's own colour may wander
LIGHTNESS_WEIGHT = 0.5  # shade changes lightness more than hue
BEND = 0.5
SHARP_TURN = 0.55  # curvature x width from which a bend is unlikely for a lead
SHARP = 12.0
HIDDEN = 1.1  # per width, nothing of the lead to be seen
LIKE = 0.45  # per width across a stretch without line but of the lead's colour
NOWHERE = 2.2  # per width, straight from a place to the next click
NOWHERE_START = 12.0
ARRIVE_PX = 1.3 * NOMINAL_WIDTH_PX


@dataclass(frozen=True, eq=False)
class Way:
    """States from click to click; `cost` in total; `via_index` where each click was reached.

    A state of -1 - k stands for click k itself where no line led to it.
    """

    states: np.ndarray
    cost: float


def link_costs(layer: Layer, colours: np.ndarray, width_px: float) -> np.ndarray:
    """Cost (M,) of every link for a lead with the Lab `colours` (K, 3) seen at its clicks."""
    elements, links = layer.elements, layer.links
    node = (
        BASE
        + colour_cost(elements.colour, colours)
        + np.minimum(
            (np.log(np.maximum(elements.width, 0.5) / (width_px * layer.scale)) / 0.5) ** 2 * 0.2,
            MAX_WIDTH,
        )
        + MAX_CONTRAST * np.exp(-elements.contrast / 6.0)
    )
    run = links.length / NOMINAL_WIDTH_PX
    rate = 0.5 * (node[links.source >> 1] + node[links.target >> 1])
    unlike = colour_cost(links.between, colours).mean(1) / MAX_COLOUR
    rate[links.far] += LIKE + (HIDDEN - LIKE) * unlike
    bend = BEND * links.bend * NOMINAL_WIDTH_PX
    sharp = SHARP * np.maximum(links.turn * NOMINAL_WIDTH_PX - SHARP_TURN, 0.0) ** 2
    return rate * run + bend + sharp * np.minimum(run, 1.0)


def colour_cost(colour: np.ndarray, colours: np.ndarray) -> np.ndarray:
    weights = np.array([LIGHTNESS_WEIGHT, 1.0, 1.0])
    nearest = np.full(colour.shape[:-1], np.inf)
    for own in colours:
        d = (colour - own) * weights
        nearest = np.minimum(nearest, np.einsum("...i,...i->...", d, d))
    return MAX_COLOUR * (1 - np.exp(-nearest / (2 * COLOUR_SPREAD**2)))


def find_way(layer: Layer, cost: np.ndarray, clicks: np.ndarray) -> Way:
    """Cheapest way through `clicks` (K, 2), px of the layer, in turn; headings carry over."""
    links = layer.links
    count = 2 * len(layer.elements)
    hub = count
    pieces: list[np.ndarray] = []
    entry_states, entry_costs = _near_click(layer, clicks[0])
    total = 0.0
    kept: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    for click in clicks[1:]:
        exit_states, exit_costs = _near_click(layer, click)
        graph = csr_matrix(
            (
                np.concatenate([cost, entry_costs + 1e-9]),
                (
                    np.concatenate([links.source, np.full(len(entry_states), hub)]),
                    np.concatenate([links.target, entry_states]),
                ),
            ),
            shape=(count + 1, count + 1),
        )
        distance, previous = dijkstra(graph, indices=hub, return_predecessors=True)
        reached = distance[exit_states] + exit_costs if len(exit_states) else np.zeros(0)
        kept.append((previous, exit_states, reached))
        finite = np.isfinite(reached)
        if not finite.any():
            return Way(np.zeros(0, int), np.inf)
        entry_states, entry_costs = exit_states[finite], reached[finite]
    last = kept[-1]
    state = int(last[1][np.argmin(last[2])])
    total = float(np.min(last[2]))
    for previous, _, _ in reversed(kept):
        piece = [state]
        while previous[piece[-1]] != hub:
            piece.append(int(previous[piece[-1]]))
        pieces.append(np.array(piece[::-1]))
        state = piece[-1]
    states = pieces[-1]
    for piece in reversed(pieces[:-1]):
        states = np.concatenate([states, piece[1:]])
    return Way(states, total)


def _near_click(layer: Layer, click: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """States near a click with the cost of standing off it."""
    away = np.hypot(*(layer.elements.xy - click).T) if len(layer.elements) else np.zeros(0)
    near = np.flatnonzero(away <= ARRIVE_PX)
    states = np.concatenate([2 * near, 2 * near + 1])
    off = np.tile(away[near] / NOMINAL_WIDTH_PX, 2)
    return states, 2.0 * np.maximum(off - 0.4, 0.0) ** 2 + 0.1 * off
