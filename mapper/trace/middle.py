"""Where across a traced line the middle of the lead lies.

A lead half under its neighbour shows a strip whose middle is not the lead's, and two leads of
one colour side by side look like one broad line. So along the line that the search found the
picture is laid straight, in units of the lead's width and counted from its colour, and a small
learned network gives for every place how likely the middle lies at each of `BINS` distances to
the side, or that the lead isn't seen there. The smoothest likely course through these (Viterbi
1967) is the middle line.

The weights come from `tests/training/train_middle.py`; here they are only multiplied out.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from mapper.trace.evidence import NOMINAL_WIDTH_PX, laid_straight
from mapper.trace.ground import Layer
from mapper.trace.model import Trace
from mapper.trace.network import Layers, dense, shipped, softmax

__all__ = ["ACROSS", "ALONG", "BINS", "BIN_WIDTHS", "centred", "straightened"]

ALONG, ACROSS = 9, 23
STEP_ALONG, STEP_ACROSS = 0.8, 0.18  # in widths of the lead
BINS, BIN_WIDTHS = 21, 0.09  # from -0.9 to +0.9 widths
OFFSETS = (np.arange(BINS) - BINS // 2) * BIN_WIDTHS
LAB_UNIT = 20.0
MOST_UNITS = 4.0
SWAY = 0.12  # widths to the side per width along that are nothing unusual
FLOOR = 1e-3  # share that any bin keeps: the network may err
CLICK_SPREAD = 0.3  # widths by which a place that was clicked may be off the middle
BETWEEN_SPREAD = 0.35  # the same for what lies between clicks
HEADING_WIDTHS = 1.5  # over which the direction of a line is taken
MIN_POINTS = 6  # shorter lines have no course to speak of


def centred(
    line: Trace, layer: Layer, colours: np.ndarray, width_px: float, clicks_px: np.ndarray
) -> Trace:
    """`line` moved to the side, onto the middle of the lead where the picture shows it.

    `colours` (K, 3) Lab of the lead, `width_px` its width, `clicks_px` (M, 2) where people clicked
    on it, photo px: beside a line that was read as its neighbour they draw it to the lead meant.
    """
    if len(line.points) < MIN_POINTS:
        return line
    step = np.hypot(*np.diff(line.points, axis=0).T) / width_px
    normal = _normals(line.points, np.concatenate([[0.0], np.cumsum(step)]))
    xy, width = layer.from_photo(line.points), width_px * layer.scale
    bands = straightened(layer.lab, xy, normal, width, colours.mean(0))
    share = _shares(bands, width, shipped("middle"))
    price = -np.log(share[:, :BINS] + FLOOR + share[:, BINS:] / BINS)
    clicked = cKDTree(line.points).query(clicks_px)[1]
    beside = np.einsum("ij,ij->i", clicks_px - line.points[clicked], normal[clicked]) / width_px
    beside = np.clip(beside, OFFSETS[0], OFFSETS[-1])
    np.add.at(price, clicked, 0.5 * ((OFFSETS - beside[:, None]) / CLICK_SPREAD) ** 2)
    order = np.argsort(clicked, kind="stable")
    meant = np.interp(np.arange(len(price)), clicked[order], beside[order])
    price += 0.5 * ((OFFSETS - meant[:, None]) / BETWEEN_SPREAD) ** 2
    off = _course(price, step) * width_px
    return Trace(line.points + off[:, None] * normal, line.confidence)


def _normals(points: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Unit vectors (N, 2) to the side of a line whose points lie `at` (N,) widths along it."""
    ahead = np.stack([np.interp(at + HEADING_WIDTHS / 2, at, v) for v in points.T], 1)
    behind = np.stack([np.interp(at - HEADING_WIDTHS / 2, at, v) for v in points.T], 1)
    way = ahead - behind
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    return np.stack([-way[:, 1], way[:, 0]], 1)


def straightened(
    lab: np.ndarray, xy: np.ndarray, normal: np.ndarray, width: float, colour: np.ndarray
) -> np.ndarray:
    """(N, ALONG, ACROSS, 3) float32 bands of `lab` (H, W, 3) round the places `xy` (N, 2) px.

    `normal` (N, 2): unit vectors to the side; `width` px; `colour` (3,) Lab of the lead, from
    which is counted, in `LAB_UNIT`.
    """
    along = (np.arange(ALONG) - ALONG // 2) * STEP_ALONG * width
    across = (np.arange(ACROSS) - ACROSS // 2) * STEP_ACROSS * width
    way = np.stack([normal[:, 1], -normal[:, 0]], -1)
    seen = laid_straight(lab, xy, way, along, across)
    return np.clip((seen - colour) / LAB_UNIT, -MOST_UNITS, MOST_UNITS)


def _shares(bands: np.ndarray, width: float, layers: Layers) -> np.ndarray:
    """(N, BINS + 1) shares of belief: the middle in each bin, and not seen.

    Bands and their mirror images are weighed alike, as a line has no direction and no sides.
    """
    total = np.zeros((len(bands), BINS + 1), np.float32)
    broad = np.full((len(bands), 1), np.log(width / NOMINAL_WIDTH_PX), np.float32)
    for mirrored in (False, True):
        for band in (bands, bands[:, ::-1]):
            seen = band[:, :, ::-1] if mirrored else band
            x = np.concatenate([seen.reshape(len(seen), -1), broad], 1, dtype=np.float32)
            x = dense(x, layers)
            if mirrored:
                x[:, :BINS] = x[:, :BINS][:, ::-1]
            total += x / 4
    return softmax(total)


def _course(price: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Distances (N,) to the side, in widths, of the cheapest smooth course (Viterbi 1967).

    `price` (N, BINS); `step` (N - 1,) widths from place to place.
    """
    swing = (OFFSETS[:, None] - OFFSETS[None]) ** 2
    total = price[0].copy()
    before = np.zeros(price.shape, int)
    for k in range(1, len(price)):
        ways = total[None] + swing / (2 * SWAY**2 * max(step[k - 1], 0.05))
        before[k] = ways.argmin(1)
        total = ways.min(1) + price[k]
    best = np.zeros(len(price), int)
    best[-1] = int(total.argmin())
    for k in range(len(price) - 1, 0, -1):
        best[k - 1] = before[k, best[k]]
    return OFFSETS[best]
