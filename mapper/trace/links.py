"""Links: which line element can follow which, and how much the lead bends on the way.

An element has two headings. State 2 i is element i headed along its angle, 2 i + 1 the
opposite way. A link joins two states; its reverse joins the opposite states. Near links
follow a visible line. Far links start where a line stops (it dives under another lead, a
glint eats it) and end where another one starts; long ones lead over holes of many widths.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from mapper.trace.evidence import NOMINAL_WIDTH_PX, Elements, sample

__all__ = ["FAR_PX", "Links", "hermite", "link_elements"]

NEAR_PX = 1.35 * NOMINAL_WIDTH_PX
FAR_PX = 8.0 * NOMINAL_WIDTH_PX
LONG_PX = 45.0 * NOMINAL_WIDTH_PX
NEAR_TURN_RAD = np.radians(50)
FAR_TURN_RAD = np.radians(32)
STOP_TURN_RAD = np.radians(14)
STOP_COLOUR = 12.0  # Lab units by which a line's colour may change in one step
RUN_STEPS = 6
MIN_RUN_BEHIND = 5
MOST_STOPS = 4000
MOST_FAR = 5  # far links kept per stop, up to FAR_PX and beyond
MOST_LONG_STOPS = 1000  # the clearest ones, from which long links start
FAR_SAMPLES = 7
BARE_SPREAD = 6.0  # Lab units


@dataclass(frozen=True, eq=False)
class Links:
    """M directed links between states.

    `source`, `target` (M,) states; `length` (M,) px; `bend` (M,) integral of the squared
    curvature along the link, 1/px; `turn` (M,) largest curvature, 1/px; `detour_rad` (M,) how
    much more it swings than the straightest way on from its source or into its target;
    `far` (M,) bool;
    `between` (M_far, FAR_SAMPLES, 3) Lab colours along the far links, in their order;
    `bare` (M_far, FAR_SAMPLES) 0..1: there it looks like what lies beside the line, and bare
    ground hides no lead.
    """

    source: np.ndarray
    target: np.ndarray
    length: np.ndarray
    bend: np.ndarray
    turn: np.ndarray
    detour_rad: np.ndarray
    far: np.ndarray
    between: np.ndarray
    bare: np.ndarray


def hermite(
    start: np.ndarray, start_dir: np.ndarray, end: np.ndarray, end_dir: np.ndarray, t: np.ndarray
) -> np.ndarray:
    """Points at `t` (K,) on the cubic from `start` to `end` (..., 2) with unit directions."""
    chord = np.linalg.norm(end - start, axis=-1)[..., None, None]
    t = t[:, None]
    return (
        (2 * t**3 - 3 * t**2 + 1) * start[..., None, :]
        + (t**3 - 2 * t**2 + t) * chord * start_dir[..., None, :]
        + (3 * t**2 - 2 * t**3) * end[..., None, :]
        + (t**3 - t**2) * chord * end_dir[..., None, :]
    )


def link_elements(elements: Elements, lab: np.ndarray, long: bool = False) -> Links:
    """All links of `elements`; `lab` is the picture they were found in.

    `long`: far links up to LONG_PX, otherwise up to FAR_PX.
    """
    n = len(elements)
    if n < 2:
        z = np.zeros(0)
        zi = np.zeros(0, int)
        return Links(
            zi,
            zi,
            z,
            z,
            z,
            z,
            np.zeros(0, bool),
            np.zeros((0, FAR_SAMPLES, 3)),
            np.zeros((0, FAR_SAMPLES)),
        )
    direction = np.stack([np.cos(elements.angle_rad), np.sin(elements.angle_rad)], 1)
    pairs = cKDTree(elements.xy).query_pairs(NEAR_PX, output_type="ndarray")
    near = _geometry(elements.xy, direction, pairs[:, 0], pairs[:, 1], NEAR_TURN_RAD)
    stops = _stops(elements, near, n)
    far = _far_links(elements, direction, stops, long)
    between = _colours_between(elements.xy, direction, far, lab)
    bare = _bareness(elements, far, between)
    near, far = _both_ways(near), _both_ways(far)
    between = np.concatenate([between, between[:, ::-1]])
    bare = np.concatenate([bare, bare[:, ::-1]])
    parts = [np.concatenate([a, b]) for a, b in zip(near, far, strict=True)]
    is_far = np.arange(len(parts[0])) >= len(near[0])
    source, target, length, bend, turn, swing = parts
    return Links(
        source,
        target,
        length,
        bend,
        turn,
        _detour(elements, source, target, swing),
        is_far,
        between,
        bare,
    )


def _detour(
    elements: Elements, source: np.ndarray, target: np.ndarray, swing: np.ndarray
) -> np.ndarray:
    """Swing beyond that of the straightest link of like contrast at either end."""
    contrast = elements.contrast
    from_contrast, to_contrast = contrast[source >> 1], contrast[target >> 1]
    straightest = np.full(2 * len(elements), np.inf)
    lasting = to_contrast > 0.6 * from_contrast
    np.minimum.at(straightest, source[lasting], swing[lasting])
    onward = straightest[source]
    straightest = np.full(2 * len(elements), np.inf)
    lasting = from_contrast > 0.6 * to_contrast
    np.minimum.at(straightest, target[lasting], swing[lasting])
    return np.maximum(swing - np.minimum(onward, straightest[target]), 0.0)


_Raw = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def _geometry(
    xy: np.ndarray, direction: np.ndarray, i: np.ndarray, j: np.ndarray, max_turn_rad: float
) -> _Raw:
    """States, length, bend, turn and swing of the links i -> j that turn little enough."""
    chord = xy[j] - xy[i]
    length = np.hypot(chord[:, 0], chord[:, 1])
    # Most pairs turn too far: they go before any angle is worked out.
    least = np.cos(max_turn_rad) * length
    ok = length > 0.4
    for k in (i, j):
        ok &= np.abs(direction[k, 0] * chord[:, 0] + direction[k, 1] * chord[:, 1]) > least
    i, j, chord, length = i[ok], j[ok], chord[ok], length[ok]
    chord = chord / length[:, None]
    # Angles from each heading to the chord, with the heading that goes along the chord.
    turns = []
    states = []
    for k in (i, j):
        cos = direction[k, 0] * chord[:, 0] + direction[k, 1] * chord[:, 1]
        sin = direction[k, 0] * chord[:, 1] - direction[k, 1] * chord[:, 0]
        back = cos < 0
        turns.append(np.arctan2(np.where(back, -sin, sin), np.abs(cos)))
        states.append(2 * k + back)
    a, b = turns
    # Cubic with these end angles: energy 4 (a^2 + a b + b^2) / length, curvature at the ends.
    bend = 4 * (a * a + a * b + b * b) / length
    turn = 2 * np.maximum(np.abs(2 * a + b), np.abs(a + 2 * b)) / length
    return states[0], states[1], length, bend, turn, np.abs(a) + np.abs(b)


def _both_ways(raw: _Raw) -> _Raw:
    source, target, *rest = raw
    doubled = [np.concatenate([v, v]) for v in rest]
    return (
        np.concatenate([source, target ^ 1]),
        np.concatenate([target, source ^ 1]),
        *doubled,
    )


def _stops(elements: Elements, near: _Raw, n: int) -> np.ndarray:
    """States at the end of a line: a run of some steps lies behind them, not ahead."""
    source, target, length, bend, _, _ = near
    contrast = elements.contrast
    change = np.abs(np.log(contrast[source >> 1] / contrast[target >> 1])) < np.log(2.0)
    hue = np.linalg.norm(elements.colour[source >> 1] - elements.colour[target >> 1], axis=1)
    smooth = (bend * length < 4 * STOP_TURN_RAD**2) & change & (hue < STOP_COLOUR)
    source = np.concatenate([source[smooth], target[smooth] ^ 1])
    target = np.concatenate([target[smooth], near[0][smooth] ^ 1])
    ahead = np.zeros(2 * n, int)
    going = np.ones(2 * n, bool)
    for _ in range(RUN_STEPS):
        reached = np.zeros(2 * n, bool)
        reached[source[going[target]]] = True
        going = reached
        ahead += going
    behind = ahead[np.arange(2 * n) ^ 1]
    stops = np.flatnonzero((ahead < RUN_STEPS) & (behind >= MIN_RUN_BEHIND))
    if len(stops) > MOST_STOPS:  # a grainy ground: the faint ones are grain
        stops = np.sort(stops[np.argsort(-contrast[stops >> 1], kind="stable")[:MOST_STOPS]])
    return stops


def _far_links(elements: Elements, direction: np.ndarray, stops: np.ndarray, long: bool) -> _Raw:
    """Links from every stop to stops that face it, ahead and within reach."""
    empty = np.zeros(0, int)
    if len(stops) < 2:
        return _geometry(elements.xy, direction, empty, empty, FAR_TURN_RAD)
    at = elements.xy[stops >> 1]
    pairs = cKDTree(at).query_pairs(FAR_PX, output_type="ndarray")
    if long:
        clear = np.argsort(-elements.contrast[stops >> 1], kind="stable")[:MOST_LONG_STOPS]
        wide = clear[cKDTree(at[clear]).query_pairs(LONG_PX, output_type="ndarray")]
        apart = np.hypot(*(at[wide[:, 1]] - at[wide[:, 0]]).T)
        pairs = np.concatenate([pairs, wide[apart > FAR_PX]])
    out = direction[stops >> 1] * (1 - 2 * (stops & 1))[:, None]
    # One end after the other, since few pairs are left after the first.
    for end, sign in ((0, 1.0), (1, -1.0)):
        chord = at[pairs[:, 1]] - at[pairs[:, 0]]
        heading = out[pairs[:, end]]
        ahead = sign * (heading[:, 0] * chord[:, 0] + heading[:, 1] * chord[:, 1])
        length = np.hypot(chord[:, 0], chord[:, 1])
        ok = (ahead > np.cos(FAR_TURN_RAD) * length) & (length > NOMINAL_WIDTH_PX)
        pairs = pairs[ok]
    i, j = stops[pairs[:, 0]], stops[pairs[:, 1]]
    raw = _geometry(elements.xy, direction, i >> 1, j >> 1, FAR_TURN_RAD)
    # The nearest and straightest few of each stop, seen from either end.
    source, target, length, bend, _, _ = raw
    worse = length / NOMINAL_WIDTH_PX + 4 * bend * NOMINAL_WIDTH_PX
    keep = np.zeros(len(source), bool)
    for some in (np.flatnonzero(length <= FAR_PX), np.flatnonzero(length > FAR_PX)):
        for state in (source[some], target[some]):
            order = np.lexsort((worse[some], state))
            first = np.searchsorted(state[order], state[order])
            keep[some[order[np.arange(len(order)) - first < MOST_FAR]]] = True
    return tuple(v[keep] for v in raw)


def _colours_between(
    xy: np.ndarray, direction: np.ndarray, far: _Raw, lab: np.ndarray
) -> np.ndarray:
    source, target = far[0], far[1]
    t = (np.arange(FAR_SAMPLES) + 0.5) / FAR_SAMPLES
    heading = direction[source >> 1] * (1 - 2 * (source & 1))[:, None]
    arriving = direction[target >> 1] * (1 - 2 * (target & 1))[:, None]
    points = hermite(xy[source >> 1], heading, xy[target >> 1], arriving, t)
    return sample(lab, points)


def _bareness(elements: Elements, far: _Raw, between: np.ndarray) -> np.ndarray:
    nearest = np.full(between.shape[:2], np.inf)
    for states in far[:2]:
        for side in (0, 1):
            off = between - elements.beside[states >> 1, side][:, None]
            nearest = np.minimum(nearest, np.einsum("msc,msc->ms", off, off))
    return np.exp(-nearest / (2 * BARE_SPREAD**2))
