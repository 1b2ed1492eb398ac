"""The second colour of a lead that is twisted of two, striped or ringed.

Clicks tell one colour each, and what has none of them looks like something that lies over the
lead. Along a first line the colours are read once more: a second colour that comes and goes
many times is the lead's own, if it ends at the lead's sides. What crosses the lead goes on
beside it, and so does the ground where the line runs astray.
"""

from __future__ import annotations

import numpy as np

from mapper.trace.evidence import sample
from mapper.trace.model import LAB_WEIGHTS
from mapper.trace.search import MAX_COLOUR, colour_cost

__all__ = ["second_colour"]

STEP = 0.25  # widths
BESIDE = 1.1  # widths to the side, off the lead
UNLIKE = 0.5  # of the cost of colour
LEAST_TURNS = 4  # times that the second colour comes
LEAST_SHARE = 0.07  # of the length
MOST_RUN = 9.0  # widths of it at a time
LIKE_SECOND = 10.0  # Lab units from what both colours mix to
LEAST_ALIKE = 0.45  # share of the unlike places that are of one colour and end at the sides


def second_colour(
    lab: np.ndarray, xy: np.ndarray, width: float, colours: np.ndarray
) -> np.ndarray | None:
    """(3,) Lab of the colour that takes turns with `colours` (K, 3) along the line `xy` (N, 2).

    `lab` (H, W, 3) is the picture; `xy` and `width` in its pixels. None where there is no such
    colour.
    """
    step = np.hypot(*np.diff(xy, axis=0).T)
    at = np.concatenate([[0.0], np.cumsum(step)])
    count = int(at[-1] / (STEP * width))
    if count < 8 * LEAST_TURNS:
        return None
    s = np.linspace(0, at[-1], count)
    line = np.stack([np.interp(s, at, v) for v in xy.T], 1)
    ahead = np.roll(line, -2, 0) - np.roll(line, 2, 0)
    ahead[:2], ahead[-2:] = line[2] - line[0], line[-1] - line[-3]
    ahead /= np.maximum(np.hypot(*ahead.T), 1e-9)[:, None]
    side = np.stack([-ahead[:, 1], ahead[:, 0]], 1) * width
    own = sum(sample(lab, line + k * side) for k in (-0.15, 0.0, 0.15)) / 3
    unlike = _unlike(own, colours)
    turns = _runs(unlike)
    turns = [r for r in turns if len(r) * STEP <= MOST_RUN]
    if len(turns) < LEAST_TURNS:
        return None
    places = np.concatenate(turns)
    if len(places) < LEAST_SHARE * count:
        return None
    seen = own[places] * LAB_WEIGHTS
    first = (colours * LAB_WEIGHTS)[
        np.linalg.norm(seen[:, None] - colours * LAB_WEIGHTS, axis=2).argmin(1)
    ]
    far = np.linalg.norm(seen - first, axis=1)
    second = np.median(own[places[far >= np.percentile(far, 60)]], axis=0)
    # Where one colour turns into the other a photo shows mixtures of both.
    way = second * LAB_WEIGHTS - first
    part = np.einsum("ij,ij->i", seen - first, way) / np.maximum((way**2).sum(1), 1e-9)
    off = seen - first - np.clip(part, 0, 1)[:, None] * way
    alike = np.linalg.norm(off, axis=1) < LIKE_SECOND
    for k in (-BESIDE, BESIDE):
        alike &= _unlike(sample(lab, (line + k * side)[places]), second[None])
    return second if alike.mean() >= LEAST_ALIKE else None


def _unlike(seen: np.ndarray, colours: np.ndarray) -> np.ndarray:
    return colour_cost(seen, colours) > UNLIKE * MAX_COLOUR


def _runs(flags: np.ndarray) -> list[np.ndarray]:
    """Numbers of the places of every run of True that neither starts nor ends the line."""
    bounds = np.flatnonzero(np.diff(flags)) + 1
    return [r for r in np.split(np.arange(len(flags)), bounds)[1:-1] if flags[r[0]]]
