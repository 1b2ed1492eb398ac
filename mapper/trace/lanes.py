"""Which of the leads side by side is the one that was clicked, and where its middle lies.

In a bundle the line that the search found slips to the neighbour, or starts on it. So along it
the photo is laid straight, four widths to either side, and counted from the colour under the
clicks. A small learned network says for every place how well a middle fits there and from which
side its lane comes; the dearest course through the clicks (Viterbi 1967) is the line. It was
trained as a conditional random field (Lafferty, McCallum and Pereira 2001): the course of the
lead that was clicked against all other courses past the same clicks.

The weights come from `tests/training/train_lanes.py`; here they are only multiplied out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.interpolate import make_smoothing_spline
from scipy.spatial import cKDTree

from mapper.trace.ground import Ground, scaled
from mapper.trace.model import LAB_WEIGHTS, Trace
from mapper.trace.network import Layers, shipped

__all__ = [
    "ACROSS_DILATIONS",
    "ALONG_DILATIONS",
    "BINS",
    "BIN_WIDTHS",
    "Clicked",
    "FACTS",
    "OFFSETS",
    "Strip",
    "TURNS",
    "best_course",
    "click_price",
    "clicked_on",
    "in_lane",
    "laid_out",
    "picture_for",
    "scores",
    "seen_by_network",
]

BINS, BIN_WIDTHS = 41, 0.2  # from -4 to +4 widths
OFFSETS = (np.arange(BINS) - BINS // 2) * BIN_WIDTHS
TURNS = 3  # bins to the side from row to row, at most
ROW_WIDTHS = 1.0
WITHIN_ROW = np.array([-0.25, 0.25])  # widths along: a row is looked at twice
HEADING_ROWS = 2  # to either side, over which the direction of a line is taken
LAB_UNIT, MOST_UNITS = 20.0, 4.0
FACTS = 10  # what the network gets of each place
CLICK_SPREAD = 0.2  # widths by which a click may be off the middle, for the network
PRICE_SPREAD = 0.15  # the same for the course: a line beside both its clicks is another lead's
MOST_CLICK = 40.0  # price of a course that passes a click by
CLICK_RUN = 0.3  # widths to either side along the line over which the colour is read
LEAST_PX = 4.5  # the photo is halved as long as a lead stays wider
MIN_ROWS = 4  # shorter lines have no course to speak of
AGAIN = 0.75  # widths of move from which the strip is laid once more
SMOOTH = 0.1  # (widths)^3: irons out what is shorter than about a width
MOST_APART = 20.0  # Lab units between the colours under two clicks
MOST_WORSE = 4.0  # Lab units by which a line's new places may be less like the clicks
MOVED = 0.5  # widths
ALONG_DILATIONS = (1, 2, 4, 8, 16, 32, 1)
ACROSS_DILATIONS = (1, 2, 1, 2, 4, 1, 1)


@dataclass(frozen=True, eq=False)
class Strip:
    """A line's surroundings laid straight.

    `rows` (S, 2) photo px, one about every width, `at` (S,) widths along; `normal` (S, 2) unit
    vectors to the side; `lab` (S, 2, BINS, 3).
    """

    rows: np.ndarray
    at: np.ndarray
    normal: np.ndarray
    lab: np.ndarray


@dataclass(frozen=True, eq=False)
class Clicked:
    """Where K clicks lie in a strip: `row` (K,), `beside` (K,) widths off the line; `colour`
    (K, 3) Lab under them.
    """

    row: np.ndarray
    beside: np.ndarray
    colour: np.ndarray


def in_lane(line: Trace, ground: Ground, width_px: float, clicks_px: np.ndarray) -> Trace:
    """`line` moved to the side, onto the middle of the lead that was clicked.

    `width_px`: width of the lead; `clicks_px` (K, 2): where people clicked on it, photo px. It
    stays where its two clicks show different colours (a sleeve, a deep shadow; further clicks
    hold it by themselves), and where it would move to what looks less like the clicks.
    """
    picture, scale = picture_for(ground, width_px)
    for _ in range(2):
        strip = laid_out(picture, scale, line.points, width_px)
        if len(strip.rows) < MIN_ROWS:
            return line
        clicked = clicked_on(strip, picture, scale, width_px, clicks_px)
        if len(clicks_px) == 2 and _apart(clicked.colour) > MOST_APART:
            return line
        seen = seen_by_network(strip.lab, clicked, width_px * scale)
        belief, turn = scores(seen, shipped("lanes"))
        off = best_course(belief - click_price(clicked, len(belief)), turn)
        if _worse(strip.lab, clicked, off) > MOST_WORSE:
            return line
        line = _moved(line, strip, off, width_px)
        if np.abs(off).max() < AGAIN:
            break
    return line


def picture_for(ground: Ground, width_px: float) -> tuple[np.ndarray, float]:
    """BGR picture in which a lead of that width is 4.5 to 9 px wide, if it was, and its scale."""
    halved = max(int(np.floor(np.log2(width_px / LEAST_PX))), 0)
    number = 2 * halved
    picture = ground.remembered(("scaled", number), lambda: scaled(ground.image_bgr, number))
    return picture, 2.0**-halved


def laid_out(picture: np.ndarray, scale: float, line: np.ndarray, width_px: float) -> Strip:
    """The surroundings of `line` (N, 2) photo px; `scale`: px of `picture` per photo px."""
    step = np.hypot(*np.diff(line, axis=0).T) / width_px
    along = np.concatenate([[0.0], np.cumsum(step)])
    count = max(int(round(along[-1] / ROW_WIDTHS)), 1) + 1
    at = np.linspace(0.0, along[-1], count)
    rows = np.stack([np.interp(at, along, v) for v in line.T], 1)
    near = np.arange(count)
    ahead, behind = np.minimum(near + HEADING_ROWS, count - 1), np.maximum(near - HEADING_ROWS, 0)
    way = rows[ahead] - rows[behind]
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    normal = np.stack([-way[:, 1], way[:, 0]], 1)
    places = (
        rows[:, None, None]
        + (WITHIN_ROW * width_px)[:, None, None] * way[:, None, None]
        + (OFFSETS * width_px)[:, None] * normal[:, None, None]
    )
    return Strip(rows, at, normal, _lab(picture, scale, places))


def _lab(picture: np.ndarray, scale: float, places: np.ndarray) -> np.ndarray:
    """Lab of the `places` (S, ..., 2) photo px."""
    xy = ((places + 0.5) * scale - 0.5).astype(np.float32).reshape(len(places), -1, 2)
    seen = np.concatenate(
        [
            cv2.remap(
                picture, p[..., 0], p[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )
            for p in np.array_split(xy, len(xy) // 16_000 + 1)  # remap takes 32767 rows at most
        ]
    )
    lab = cv2.cvtColor(seen.astype(np.float32) / 255.0, cv2.COLOR_BGR2Lab)
    return lab.reshape(*places.shape[:-1], 3)


def clicked_on(
    strip: Strip, picture: np.ndarray, scale: float, width_px: float, clicks_px: np.ndarray
) -> Clicked:
    """What `clicks_px` (K, 2) photo px say of the lead that lies in `strip`."""
    row = cKDTree(strip.rows).query(clicks_px)[1]
    normal = strip.normal[row]
    beside = np.einsum("ij,ij->i", clicks_px - strip.rows[row], normal) / width_px
    way = np.stack([normal[:, 1], -normal[:, 0]], 1)
    run = np.array([-CLICK_RUN, 0.0, CLICK_RUN]) * width_px
    colour = _lab(picture, scale, clicks_px[:, None] + run[:, None] * way[:, None]).mean(1)
    return Clicked(row, np.clip(beside, OFFSETS[0], OFFSETS[-1]), colour)


def click_price(clicked: Clicked, rows: int) -> np.ndarray:
    """(rows, BINS): what it costs to pass the clicks by."""
    price = np.zeros((rows, BINS))
    off = 0.5 * ((OFFSETS - clicked.beside[:, None]) / PRICE_SPREAD) ** 2
    np.add.at(price, clicked.row, np.minimum(off, MOST_CLICK))
    return price


def seen_by_network(lab: np.ndarray, clicked: Clicked, width: float) -> np.ndarray:
    """(S, BINS, FACTS) float32 of a strip with `lab` (S, 2, BINS, 3).

    Twice the colour against that under the clicks (in between it changes evenly), the
    lightness, the clicks, the distance from the line found, and the `width` px of the lead.
    """
    unlike = (lab - _own_colour(clicked, len(lab))[:, None, None]) / LAB_UNIT
    x = np.zeros((len(lab), BINS, FACTS), np.float32)
    x[..., :6] = (
        np.clip(unlike, -MOST_UNITS, MOST_UNITS).transpose(0, 2, 1, 3).reshape(len(lab), BINS, 6)
    )
    x[..., 6] = lab[..., 0].mean(1) / 50 - 1
    bump = np.exp(-0.5 * ((OFFSETS - clicked.beside[:, None]) / CLICK_SPREAD) ** 2)
    np.maximum.at(x[..., 7], clicked.row, bump)
    x[..., 8] = np.abs(OFFSETS) / OFFSETS[-1]
    x[..., 9] = np.log(width / 6)
    return x


def _own_colour(clicked: Clicked, rows: int) -> np.ndarray:
    """(rows, 3) Lab of the lead as the clicks before and behind say."""
    order = np.argsort(clicked.row, kind="stable")
    at = clicked.row[order]
    return np.stack([np.interp(np.arange(rows), at, v) for v in clicked.colour[order].T], -1)


def _apart(colours: np.ndarray) -> float:
    """Most difference between any two of `colours` (K, 3)."""
    gap = (colours[:, None] - colours) * LAB_WEIGHTS
    return float(np.linalg.norm(gap, axis=2).max())


def _worse(lab: np.ndarray, clicked: Clicked, off: np.ndarray) -> float:
    """How much less like the clicks a line looks where it was moved by `off` (S,) widths."""
    rows = np.flatnonzero(np.abs(off) > MOVED)
    if not len(rows):
        return 0.0
    own = _own_colour(clicked, len(lab))[rows]
    bins = np.round(off[rows] / BIN_WIDTHS).astype(int) + BINS // 2

    def unlike(at: np.ndarray | int) -> np.ndarray:
        return np.linalg.norm((lab[rows, :, at].mean(1) - own) * LAB_WEIGHTS, axis=1)

    return float((unlike(bins) - unlike(BINS // 2)).mean())


def scores(x: np.ndarray, layers: Layers) -> tuple[np.ndarray, np.ndarray]:
    """Belief (S, BINS) in a middle and score (S, BINS, 2 TURNS + 1) of whence its lane comes.

    The mean over both directions in which the line of `x` (S, BINS, FACTS) can be walked.
    """
    there = _network(x, layers)
    back = _network(np.ascontiguousarray(x[::-1, ::-1]), layers)[::-1, ::-1]
    turn = there[..., 1:].copy()
    # The same step, walked back, leads from where it ended to where it came from.
    for k in range(2 * TURNS + 1):
        side = TURNS - k
        to = slice(max(side, 0), BINS + min(side, 0))
        at = slice(max(-side, 0), BINS + min(-side, 0))
        turn[1:, to, k] += back[:-1, at, 1 + k]
    return 0.5 * (there[..., 0] + back[..., 0]), 0.5 * turn


def _network(x: np.ndarray, layers: Layers) -> np.ndarray:
    """(S, BINS, FACTS) to (S, BINS, 2 + 2 TURNS): belief in a middle, and whence it comes."""
    x = np.maximum(_taps(x, 1, 1, 5) @ layers["w_in"] + layers["b_in"], 0)
    for n, (along, across) in enumerate(zip(ALONG_DILATIONS, ACROSS_DILATIONS, strict=True)):
        y = np.maximum(_taps(x, 0, along, 3) @ layers[f"w_along{n}"] + layers[f"b_along{n}"], 0)
        x = x + _taps(y, 1, across, 3) @ layers[f"w_across{n}"] + layers[f"b_across{n}"]
        np.maximum(x, 0, out=x)
    return x @ layers["w_out"] + layers["b_out"]


def _taps(x: np.ndarray, axis: int, far: int, taps: int) -> np.ndarray:
    """(S, B, taps C): `x` (S, B, C) with its neighbours `far` apart along `axis`, zeros outside."""
    reach = far * (taps // 2)
    pad = [(0, 0), (0, 0), (0, 0)]
    pad[axis] = (reach, reach)
    padded, size = np.pad(x, pad), x.shape[axis]
    every = (slice(None),) * axis
    parts = [padded[(*every, slice(k * far, k * far + size))] for k in range(taps)]
    return np.concatenate(parts, -1)


def best_course(belief: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """Distances (S,) to the side, in widths, of the course that scores most (Viterbi 1967).

    `belief` (S, BINS); `turn` (S, BINS, 2 TURNS + 1): for coming from `TURNS` bins below, ...,
    above.
    """
    bins = np.arange(BINS)
    total, came = belief[0], np.zeros(belief.shape, int)
    for s in range(1, len(belief)):
        padded = np.pad(total, TURNS, constant_values=-np.inf)
        ways = np.lib.stride_tricks.sliding_window_view(padded, 2 * TURNS + 1) + turn[s]
        best = ways.argmax(1)
        came[s] = bins + best - TURNS
        total = ways[bins, best] + belief[s]
    course = np.zeros(len(belief), int)
    course[-1] = int(total.argmax())
    for s in range(len(belief) - 1, 0, -1):
        course[s - 1] = came[s, course[s]]
    return OFFSETS[course]


def _moved(line: Trace, strip: Strip, off: np.ndarray, width_px: float) -> Trace:
    """`line` moved `off` (S,) widths to the side, smooth, with the belief that it had."""
    points = strip.rows + (off * width_px)[:, None] * strip.normal
    at = strip.at
    if len(points) >= 5:
        points = np.stack([make_smoothing_spline(at, v, lam=SMOOTH)(at) for v in points.T], 1)
    fine = np.linspace(0.0, at[-1], 2 * len(at) - 1)
    points = np.stack([np.interp(fine, at, v) for v in points.T], 1)
    ends = np.cumsum(np.hypot(*np.diff(line.points, axis=0).T))
    middle = 0.5 * (fine[1:] + fine[:-1]) / at[-1] * ends[-1]
    slot = np.minimum(np.searchsorted(ends, middle), len(ends) - 1)
    return Trace(points, line.confidence[slot])
