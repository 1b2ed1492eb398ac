"""`trace_between`: a lead's centre line between clicks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from mapper.trace.evidence import NOMINAL_WIDTH_PX, Elements, elements_of_colour, joined
from mapper.trace.ground import Ground, Layer, as_ground, quick_layer_for
from mapper.trace.lanes import in_lane
from mapper.trace.links import link_elements
from mapper.trace.loops import with_loops
from mapper.trace.model import BURIED, Trace, TraceError
from mapper.trace.pattern import second_colour
from mapper.trace.refine import smooth_line
from mapper.trace.search import (
    BRIDGE_RATE,
    MAX_COLOUR,
    RATE_BESIDE_LEADS,
    colour_cost,
    find_way,
    link_costs,
    link_rates,
    reached_within,
    stands_on_line,
)
from mapper.trace.snap import Snap, agree, checked_point, leads_at

__all__ = ["trace_between"]

SNAP_REACH = 0.0025  # of the photo's longer side: how far a click may be off
MIN_SNAP_REACH_PX = 6.0
COLOUR_SHARE = 0.4  # of the contrast at the clicks: how far the lead's colour may stray
COLOUR_SPREAD = (5.0, 14.0)
WINDOW = 50.0  # widths around the clicks that are searched, at least
DEAR = 8.0  # cost of a way beyond which something of the lead is not seen
MUCH_LESS = 0.5  # of the cost inside the window: a dear way outside it is taken all the same
AT_EDGE = 2.5  # widths from the side of the window
WINDOW_SHARE = 0.4  # of the distance of the clicks
ALIKE = 0.6  # cost of colour
LEAP = 25.0  # widths of a hole from which the lead is looked for again, as hidden
MOST_RATE = 0.6  # per width along other leads that may hide it
SAME_PLACE_PX = 1.5
SHORT_OF = 0.3  # in widths: a line may end that far from the click
HOLE = 6.0  # widths of it beyond which it's not sure that the same lead goes on
ALONE = 0.45  # most confidence of what such holes cut off, and of lines from unlikely clicks
PLACEHOLDER_ANGLES = 8
MOST_ELEMENTS = 15_000


def trace_between(
    image_or_ground: np.ndarray | Ground,
    start_xy: object,
    end_xy: object,
    via: Sequence[object] = (),
) -> Trace:
    """Centre line of the lead from `start_xy` to `end_xy` through the clicks `via`, in turn.

    `image_or_ground`: BGR uint8 (H, W, 3), or what `prepare` made of it. Points are photo
    pixels. The line always reaches from click to click; where nothing shows a lead it is a
    guess of low confidence (see `Trace`). Raises TraceError for unusable input.
    """
    ground = as_ground(image_or_ground)
    clicks = [checked_point(ground, start_xy, "start")]
    clicks += [checked_point(ground, p, f"click {i + 2}") for i, p in enumerate(via)]
    clicks.append(checked_point(ground, end_xy, "end"))
    if np.hypot(*(clicks[0] - clicks[-1])) < 1.0 and len(clicks) == 2:
        raise TraceError("Start and end are the same place; click two places on the lead.")
    reach = max(MIN_SNAP_REACH_PX, SNAP_REACH * max(ground.width_px, ground.height_px))
    seen = agree([leads_at(ground, p, reach) for p in clicks])
    doubtful = not any(seen)
    if doubtful:
        # Who asks for a line has seen a lead at the clicks, however unlikely each of them looks.
        seen = agree([leads_at(ground, p, reach, least_share=0.0) for p in clicks])
    snaps = [s for s in seen if s is not None]
    if not snaps:
        return _blind(clicks)
    width_px = float(np.median([s.width_px for s in snaps]))
    layer = ground.layer(quick_layer_for(ground, width_px))
    places = np.array(
        [p if s is None else _beside(p, s) for p, s in zip(clicks, seen, strict=True)]
    )
    lead, chain = _found(layer, snaps, width_px, places)
    second = second_colour(layer.lab, chain.xy, width_px * layer.scale, lead.colours)
    if second is not None:
        snaps = [*snaps, replace(snaps[0], colour=second)]
        lead, chain = _found(layer, snaps, width_px, places)
    if len(chain) < 2:
        return _blind(clicks)
    line = _as_trace(layer.to_photo(chain.xy), chain, lead.colours, width_px, places[[0, -1]])
    line = in_lane(line, ground, width_px, np.array(clicks))
    line = _doubted(line, places, width_px)
    if doubtful:
        return Trace(line.points, np.minimum(line.confidence, ALONE))
    return line


@dataclass(frozen=True, eq=False)
class _Lead:
    """What the clicks say of the lead: its `colours` (K, 3) Lab, its width and `places` (N, 2)
    on it, both in photo px.

    Only the neighbourhood of the places is searched, from `low` (2,) to `high` (2,) px of the
    layer. `own`: the line elements there that were made for the lead's colours.
    """

    layer: Layer
    colours: np.ndarray
    width_px: float
    places: np.ndarray
    low: np.ndarray
    high: np.ndarray
    own: Elements


def _found(
    layer: Layer, snaps: list[Snap], width_px: float, places: np.ndarray
) -> tuple[_Lead, Elements]:
    """The lead, and its line elements from the first click to the last."""
    lead = _lead(layer, snaps, width_px, places, WINDOW)
    chain, cost, leaves = _chain(lead, hidden=False)
    if leaves:
        # It may run far round, outside the window, and be seen all along.
        wider = _lead(layer, snaps, width_px, places, np.inf)
        found, less, _ = _chain(wider, hidden=False)
        if less < max(min(cost, DEAR), MUCH_LESS * cost):
            lead, chain = wider, found
    if len(chain) < 2 or _farthest_step(chain) > LEAP:
        chain, _, _ = _chain(lead, hidden=True)
    return lead, chain


def _lead(
    layer: Layer, snaps: list[Snap], width_px: float, places: np.ndarray, window: float
) -> _Lead:
    """`window`: widths round the places that are searched at least; inf for all of the photo."""
    colours, at = np.array([s.colour for s in snaps]), layer.from_photo(places)
    low, high = at.min(0), at.max(0)
    margin = max(WINDOW_SHARE * float(np.hypot(*(high - low))), window * NOMINAL_WIDTH_PX)
    size = np.array(layer.lab.shape[1::-1]) - 1
    low = np.maximum(np.floor(low - margin), 0).astype(int)
    high = np.minimum(np.ceil(high + margin), size).astype(int)
    spread = float(np.clip(COLOUR_SHARE * min(s.contrast for s in snaps), *COLOUR_SPREAD))
    window = layer.lab[low[1] : high[1] + 1, low[0] : high[0] + 1]
    own = elements_of_colour(np.ascontiguousarray(window), colours, spread).shifted(*low)
    return _Lead(layer, colours, width_px, places, low, high, own)


def _chain(lead: _Lead, hidden: bool) -> tuple[Elements, float, bool]:
    """The line elements from the first click to the last, the cost of the cheapest way, and
    whether that is dear while lines lead from both ends out of the window.

    `hidden`: the lead may run long under others. It is then looked for along lines of all
    colours and over longer holes.
    """
    layer, colours = lead.layer, lead.colours
    at, width = layer.from_photo(lead.places), lead.width_px * layer.scale
    elements = joined(lead.own, _others(lead, np.inf if hidden else ALIKE))
    lost = np.array([p for p in at if not stands_on_line(elements, p)]).reshape(-1, 2)
    elements = joined(elements, _placeholders(lost, colours[0], width))
    links = link_elements(elements, layer.lab, long=hidden)
    rate = link_rates(elements, links, colours, width)
    if hidden:
        rate = np.minimum(rate, MOST_RATE)
    cost = link_costs(links, rate, colours)
    bridge_rate = RATE_BESIDE_LEADS if hidden else BRIDGE_RATE
    way = find_way(elements, links, cost, at, bridge_rate)
    states = way.states
    if len(states) > 1:
        states = with_loops(elements, links, cost, rate, states, at)
    leaves = way.cost > DEAR and all(
        _at_edge(lead, elements.xy[reached_within(elements, links, cost, end, DEAR)])
        for end in at[[0, -1]]
    )
    return elements.take(states >> 1), way.cost, leaves


def _at_edge(lead: _Lead, xy: np.ndarray) -> bool:
    """Whether any of `xy` (N, 2) lies at a side of the window where the photo goes on."""
    size = np.array(lead.layer.lab.shape[1::-1]) - 1
    low = (xy < lead.low + AT_EDGE * NOMINAL_WIDTH_PX) & (lead.low > 0)
    high = (xy > lead.high - AT_EDGE * NOMINAL_WIDTH_PX) & (lead.high < size)
    return bool((low | high).any())


def _farthest_step(chain: Elements) -> float:
    """Widths of the longest hole in a chain of elements."""
    return float(np.hypot(*np.diff(chain.xy, axis=0).T).max()) / NOMINAL_WIDTH_PX


def _beside(click: np.ndarray, snap: Snap) -> np.ndarray:
    """The place on the lead's line that lies beside the click, photo px."""
    way = np.array([np.cos(snap.angle_rad), np.sin(snap.angle_rad)])
    return snap.xy_px + (click - snap.xy_px) @ way * way


def _placeholders(places: np.ndarray, colour: np.ndarray, width: float) -> Elements:
    """Elements of every direction, all but without contrast, at clicks where no line is."""
    angles = np.arange(PLACEHOLDER_ANGLES) * np.pi / PLACEHOLDER_ANGLES
    count = len(places) * len(angles)
    return Elements(
        np.repeat(places, len(angles), axis=0),
        np.tile(angles, len(places)),
        np.full(count, 0.01),
        np.tile(colour, (count, 1)),
        np.tile(colour, (count, 2, 1)),
        np.full(count, width),
    )


def _others(lead: _Lead, most_unlike: float) -> Elements:
    """Line elements of any colour beside the lead's own, up to that cost of colour."""
    own, general = lead.own, lead.layer.elements
    inside = ((general.xy >= lead.low) & (general.xy <= lead.high)).all(1)
    others = np.flatnonzero(inside)
    others = others[colour_cost(general.colour[others], lead.colours) < most_unlike]
    if len(own):
        taken, _ = cKDTree(own.xy).query(general.xy[others], distance_upper_bound=SAME_PLACE_PX)
        others = others[~np.isfinite(taken)]
    room = max(MOST_ELEMENTS - len(own), 0)
    if len(others) > room:
        others = others[np.argsort(-general.contrast[others], kind="stable")[:room]]
    return general.take(others)


def _as_trace(
    xy_px: np.ndarray, chain: Elements, colours: np.ndarray, width_px: float, ends: np.ndarray
) -> Trace:
    own = 1 - colour_cost(chain.colour, colours) / MAX_COLOUR
    sure = own * (1 - np.exp(-chain.contrast / 4.0))
    # The line reaches the clicks, though the first element may lie a width further on.
    for k, end in zip((0, -1), ends, strict=True):
        if np.hypot(*(xy_px[k] - end)) > SHORT_OF * width_px:
            at = 0 if k == 0 else len(xy_px)
            xy_px, sure = np.insert(xy_px, at, end, axis=0), np.insert(sure, at, sure[k])
    return smooth_line(xy_px, sure, width_px)


def _doubted(line: Trace, places: np.ndarray, width_px: float) -> Trace:
    """`line` with less belief in what a long hole cuts off from every click.

    Beyond the hole another lead of its look may go on in its place.
    """
    length = np.hypot(*np.diff(line.points, axis=0).T) / width_px
    buried = line.confidence < BURIED
    bounds = np.flatnonzero(np.diff(buried)) + 1
    runs = np.split(np.arange(len(length)), bounds)
    holes = [r for r in runs if buried[r[0]] and length[r].sum() > HOLE]
    piece = np.zeros(len(length), int)
    for number, hole in enumerate(holes):
        piece[hole] = -1
        piece[hole[-1] + 1 :] = number + 1
    clicked = cKDTree(0.5 * (line.points[1:] + line.points[:-1])).query(places)[1]
    alone = ~np.isin(piece, piece[clicked])
    return Trace(line.points, np.where(alone, np.minimum(line.confidence, ALONE), line.confidence))


def _blind(clicks: Sequence[np.ndarray]) -> Trace:
    """Straight from click to click, without any belief in it."""
    points = [clicks[0]]
    for p in clicks[1:]:
        if np.hypot(*(p - points[-1])) > 0:
            points.append(p)
    return Trace(np.array(points), np.zeros(len(points) - 1))
