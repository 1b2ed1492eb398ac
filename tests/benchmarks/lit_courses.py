"""Courses of loose cables in space for `tests.benchmarks.traced_light`: laid over one another.

Units are those of the picture's middle: there one unit is one pixel. x right, y away, z up.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial import cKDTree

__all__ = ["Course", "courses"]

LEAST_BEND_WIDTHS = 3.0  # radius of a bend, in widths
MOST_HEIGHT = 9.0  # in radii
DRAWS, ROUNDS = 4, 5


@dataclass(frozen=True, eq=False)
class Course:
    """Middle line (N, 3), about one point per unit, and the radius of a round cable."""

    points: np.ndarray
    radius: float


def courses(
    rng: np.random.Generator, count: int, width: float, room: tuple[float, float], loops: bool
) -> list[Course]:
    """Cables of about `width` on a table of `room` (x, y), one lying over the other.

    Which piece lies over which is drawn piece by piece, so cables weave; they come down in a
    parabola as a stiff cable does and rest on the table between.
    """
    plans, radii = [], []
    for _ in range(count):
        own = width * rng.uniform(0.75, 1.3)
        plans.append(_plan(rng, own, room, loops))
        radii.append(own / 2)
    return [
        Course(np.column_stack([p, z]), r)
        for p, z, r in zip(plans, _laid(rng, plans, radii), radii, strict=True)
    ]


def _plan(rng, width: float, room: tuple[float, float], loops: bool) -> np.ndarray:
    """(N, 2): a walk of smoothly changing bend from a side of the table across it."""
    half = np.array(room) / 2
    best = np.zeros((0, 2))
    for _ in range(300):
        if rng.random() < 0.75:  # comes in from outside the picture
            side = rng.uniform(-0.8, 0.8, 2) * half
            axis = int(rng.integers(0, 2))
            side[axis] = half[axis] * 1.04 * rng.choice([-1, 1])
        else:
            side = rng.uniform(-0.9, 0.9, 2) * half
        aim = np.arctan2(*(rng.uniform(-0.5, 0.5, 2) * half - side)[::-1])
        count = int(rng.uniform(0.7, 1.8) * max(room))
        bend = _bends(rng, count, width, loops)
        heading = aim + rng.normal(0, 0.3) + np.cumsum(bend)
        line = side + np.cumsum(np.stack([np.cos(heading), np.sin(heading)], 1), axis=0)
        outside = np.flatnonzero((np.abs(line[60:]) > half * 1.05).any(1))
        line = line[: 60 + outside[0]] if len(outside) else line
        if not _crowded(line, width) and len(line) > len(best):
            best = line
            if len(line) > 0.9 * min(room):
                break
    return best


def _bends(rng, count: int, width: float, loops: bool) -> np.ndarray:
    """Curvature (count,) of a loose cable; with loops some full turns."""
    every = rng.uniform(5, 18) * width + 25
    knots = rng.normal(0, 1, int(count / every) + 4)
    at = np.arange(count) / every
    k = at.astype(int)
    t = at % 1
    t = t * t * (3 - 2 * t)
    bend = (knots[k] * (1 - t) + knots[k + 1] * t) * rng.uniform(0.2, 0.9) / every
    for _ in range(int(rng.integers(1, 4)) if loops else 0):
        radius = rng.uniform(3.5, 11) * width + 15
        turns = rng.uniform(0.95, 1.2) + (rng.random() < 0.15)
        long = int(2 * np.pi * radius * turns)
        start = int(rng.uniform(0.05, 0.8) * count)
        drift = 1 + 0.25 * np.sin(np.linspace(0, 2 * np.pi * rng.uniform(0.5, 1.5), long))
        piece = bend[start : start + long]
        piece[:] = (rng.choice([-1, 1]) / radius * drift)[: len(piece)]
    bend = cv2.GaussianBlur(bend[:, None], (1, 0), sigmaX=1.0, sigmaY=1.5 * width + 4)[:, 0]
    most = 1 / (LEAST_BEND_WIDTHS * width)
    return np.clip(bend, -most, most)


def _crowded(line: np.ndarray, width: float) -> bool:
    """Whether a cable runs along itself, closer than it is wide, for longer than a crossing."""
    few = line[:: max(int(width / 2), 1)]
    near = cKDTree(few).query_pairs(1.1 * width, output_type="ndarray")
    apart = np.abs(near[:, 0] - near[:, 1]) > 8
    return int(apart.sum()) > 45


def _laid(rng, plans: list[np.ndarray], radii: list[float]) -> list[np.ndarray]:
    """Height of every middle line so that hardly any cable runs through another.

    Pieces may lie over one another in a ring that no heights fulfil: of some draws of who lies
    on top the one is kept that comes nearest.
    """
    whose = np.concatenate([np.full(len(p), k) for k, p in enumerate(plans)])
    plan = np.concatenate(plans)
    radius = np.array(radii)[whose]
    pairs = _touching(plan, whose, radius, np.concatenate([np.arange(len(p)) for p in plans]))
    best, least = radius, np.inf
    for _ in range(DRAWS):
        over = np.concatenate([_ranks(rng, len(p)) for p in plans])
        swap = over[pairs[:, 0]] < over[pairs[:, 1]]
        upper, lower = np.where(swap[:, None], pairs[:, ::-1], pairs).T
        apart = np.hypot(*(plan[upper] - plan[lower]).T)
        lift = np.sqrt((radius[upper] + radius[lower]) ** 2 - apart**2)
        z = radius
        for _ in range(ROUNDS):
            need = radius.copy()
            np.maximum.at(need, upper, z[lower] + lift)
            need = np.minimum(need, MOST_HEIGHT * radius)
            pieces = [_hung(need[whose == k], r) for k, r in enumerate(radii)]
            z = np.concatenate(pieces)
        inside = float((z[upper] - z[lower] < 0.8 * lift).mean()) if len(upper) else 0.0
        if inside < least:
            best, least = z, inside
    return [best[whose == k] for k in range(len(plans))]


def _touching(plan, whose, radius, where) -> np.ndarray:
    """Pairs of places (M, 2), seen from above closer than both radii, not of one stretch."""
    pairs = cKDTree(plan).query_pairs(2 * radius.max(), output_type="ndarray")
    i, j = pairs.T
    apart = np.hypot(*(plan[i] - plan[j]).T)
    other = (whose[i] != whose[j]) | (np.abs(where[i] - where[j]) > 6 * radius[i])
    return pairs[other & (apart < radius[i] + radius[j])]


def _ranks(rng, count: int) -> np.ndarray:
    """One random rank for the whole cable, or one for each of its pieces."""
    if rng.random() < 0.6:
        return np.full(count, rng.random())
    piece = (np.arange(count) / rng.uniform(120, 400) + rng.random()).astype(int)
    return rng.random(int(piece[-1]) + 1)[piece]


def _hung(need: np.ndarray, radius: float) -> np.ndarray:
    """The lowest smooth line above `need`: it comes down from what it lies on in a parabola."""
    far = int(22 * radius) + 4
    # Comes down by its own width over about six widths.
    drop = np.arange(-far, far + 1) ** 2 / (radius * 45)
    padded = np.pad(need, far, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * far + 1)
    line = (windows - drop).max(1)
    smooth = cv2.GaussianBlur(line[:, None], (1, 0), sigmaX=1.0, sigmaY=1.2 * radius + 1)[:, 0]
    return np.maximum(smooth, radius)
