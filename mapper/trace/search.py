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
from mapper.trace.links import Links

__all__ = ["MAX_COLOUR", "Way", "find_way", "link_costs"]

BASE = 0.013
MAX_COLOUR = 1.2
MAX_WIDTH = 0.5
MAX_CONTRAST = 0.3
COLOUR_FREE = 4.0  # Lab units: light changes along a lead
COLOUR_SPREAD = 8.0  # Lab units beyond that
WIDTH_FREE = 0.35  # in log width
LIGHTNESS_WEIGHT = 0.5  # shade changes lightness more than hue
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
ARRIVE_PX = 1.3 * NOMINAL_WIDTH_PX


@dataclass(frozen=True, eq=False)
class Way:
    """States from click to click (none where there is no way) and the cost in total."""

    states: np.ndarray
    cost: float


def link_costs(elements: Elements, links: Links, colours: np.ndarray, width: float) -> np.ndarray:
    """Cost (M,) of every link for a lead of Lab `colours` (K, 3) and `width`, px of the layer."""
    stretch = np.abs(np.log(np.maximum(elements.width, 0.5) / width))
    node = (
        BASE
        + colour_cost(elements.colour, colours)
        + np.minimum(0.8 * np.maximum(stretch - WIDTH_FREE, 0.0) ** 2, MAX_WIDTH)
        + MAX_CONTRAST * np.exp(-elements.contrast / 4.0)
    )
    run = links.length / NOMINAL_WIDTH_PX
    rate = 0.5 * (node[links.source >> 1] + node[links.target >> 1])
    bend = BEND * links.bend * NOMINAL_WIDTH_PX
    sharp = SHARP * np.maximum(links.turn * NOMINAL_WIDTH_PX - SHARP_TURN, 0.0) ** 2
    sharp = np.minimum(sharp * np.minimum(run, 1.0), MAX_SHARP)
    gap = run[links.far]
    unlike = colour_cost(links.between, colours) / MAX_COLOUR
    bare = BARE * (unlike * links.bare).mean(1)
    long = np.maximum(gap - NARROW, 0.0)
    hidden = HIDDEN_NARROW * (gap - long) + HIDDEN * long
    cover = LIKE * (gap - long) + LIKE_LONG * long + unlike.mean(1) * (hidden + bare * gap)
    detour = np.maximum(links.detour_rad - DETOUR_FREE_RAD, 0.0) / DETOUR_RAD
    swerve = np.minimum(detour**2, 1.0) * SWERVE
    cost = rate * run + bend + sharp + swerve
    cost[links.far] += cover
    return cost


def colour_cost(colour: np.ndarray, colours: np.ndarray) -> np.ndarray:
    weights = np.array([LIGHTNESS_WEIGHT, 1.0, 1.0])
    nearest = np.full(colour.shape[:-1], np.inf)
    for own in colours:
        d = (colour - own) * weights
        nearest = np.minimum(nearest, np.einsum("...i,...i->...", d, d))
    beyond = np.maximum(np.sqrt(nearest) - COLOUR_FREE, 0.0)
    return MAX_COLOUR * (1 - np.exp(-(beyond**2) / (2 * COLOUR_SPREAD**2)))


def find_way(elements: Elements, links: Links, cost: np.ndarray, clicks: np.ndarray) -> Way:
    """Cheapest way through `clicks` (K, 2), px of the layer, in turn; headings carry over."""
    count = 2 * len(elements)
    hub = count
    pieces: list[np.ndarray] = []
    entry_states, entry_costs = _near_click(elements, clicks[0])
    total = 0.0
    kept: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    for click in clicks[1:]:
        exit_states, exit_costs = _near_click(elements, click)
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


def _near_click(elements: Elements, click: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """States near a click with the cost of standing off it."""
    away = np.hypot(*(elements.xy - click).T) if len(elements) else np.zeros(0)
    near = np.flatnonzero(away <= ARRIVE_PX)
    states = np.concatenate([2 * near, 2 * near + 1])
    off = np.tile(away[near] / NOMINAL_WIDTH_PX, 2)
    return states, 2.0 * np.maximum(off - 0.4, 0.0) ** 2 + 0.1 * off
