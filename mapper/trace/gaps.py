"""Long gaps: where a lead that dives under something may come out again.

Plastic, a nozzle or a bundle hides a lead for many widths, often at several places of one
lead. So ends of lines of the lead's colour are joined over long stretches as well. The price
grows faster than the length: two short gaps with a seen stretch between them are likelier
than one that leaves the seen stretch out.
"""

from __future__ import annotations

import numpy as np

from mapper.trace.evidence import NOMINAL_WIDTH_PX, Elements
from mapper.trace.links import Links

__all__ = ["gap_price", "long_gaps"]

LONGEST = 45.0  # widths
SHORTEST = 2.0
MOST_ENDS = 500
MOST_PER_END = 12
MOST_TURN_RAD = np.radians(75)
TIGHTEST = 2.5  # smallest radius of a lead, widths
HOP = 5.5
RATE = 0.4  # per width
RATE2 = 0.012  # per squared width beyond
FROM = 10.0  # widths
TURN = 4.0  # per squared radian


def gap_price(length: np.ndarray) -> np.ndarray:
    """Price of going unseen for `length` widths, straight on."""
    return HOP + RATE * length + RATE2 * np.maximum(length - FROM, 0.0) ** 2


def long_gaps(
    elements: Elements, links: Links, unlike: np.ndarray, clicked: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Source state, target state and cost of every long gap worth trying, both ways.

    `unlike` (N,): cost of each element's colour per width; `clicked`: states at the clicks,
    from which a gap may start or in which it may end though no line ends there.
    """
    stops = links.stops[unlike[links.stops >> 1] < 0.5]
    if len(stops) > MOST_ENDS:
        faint = unlike[stops >> 1] - 0.02 * elements.contrast[stops >> 1]
        stops = stops[np.argsort(faint, kind="stable")[:MOST_ENDS]]
    ends = np.unique(np.concatenate([stops, clicked]))
    if len(ends) < 2:
        return np.zeros(0, int), np.zeros(0, int), np.zeros(0)
    at = elements.xy[ends >> 1] / NOMINAL_WIDTH_PX
    heading = elements.angle_rad[ends >> 1] + np.pi * (ends & 1)
    dx, dy = (at[None, :, k] - at[:, None, k] for k in (0, 1))
    length = np.hypot(dx, dy)
    i, j = np.nonzero((length > SHORTEST) & (length < LONGEST))
    length, chord = length[i, j], np.arctan2(dy[i, j], dx[i, j])
    # The far end is left backwards: its state heads out of its own line, towards us.
    out = _turned(chord - heading[i])
    into = _turned(heading[j] + np.pi - chord)
    tight = 2 * np.maximum(np.abs(2 * out + into), np.abs(out + 2 * into)) / length
    swing = np.maximum(np.abs(out), np.abs(into))
    ok = (swing < MOST_TURN_RAD) & (tight < 1 / TIGHTEST) & (i < j)
    i, j, length, out, into = (v[ok] for v in (i, j, length, out, into))
    cost = gap_price(length) + TURN * (out**2 + out * into + into**2)
    keep = np.zeros(len(i), bool)
    for end in (i, j):
        order = np.lexsort((cost, end))
        first = np.searchsorted(end[order], end[order])
        keep[order[np.arange(len(order)) - first < MOST_PER_END]] = True
    source, target, cost = ends[i[keep]], ends[j[keep]] ^ 1, cost[keep]
    return (
        np.concatenate([source, target ^ 1]),
        np.concatenate([target, source ^ 1]),
        np.concatenate([cost, cost]),
    )


def _turned(angle: np.ndarray) -> np.ndarray:
    return (angle + np.pi) % (2 * np.pi) - np.pi
