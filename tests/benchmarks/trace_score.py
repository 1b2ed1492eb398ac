"""How right a trace is, and what a simulated user would add to mend it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

__all__ = ["Score", "Task", "mend", "score"]

MOST_EXTRA_CLICKS = 6


@dataclass(frozen=True, eq=False)
class Task:
    """One lead to trace: true centre line (N, 2) px, one `visible` flag and width per vertex.

    The clicks stand at the first and the last vertex.
    """

    name: str
    points_px: np.ndarray
    visible: np.ndarray
    width_px: np.ndarray


@dataclass(frozen=True, eq=False)
class Score:
    """`within`: share of visible vertices within one radius; `right`: the right lead all the way.

    Right: no visible vertex and no traced point beside visible lead is farther off than one
    width, and the traced length is within 6 % of the true one (a loop left out shows here).
    `wrong_at`: middle vertex of the first wrong stretch, or None.
    """

    within: float
    right: bool
    wrong_at: int | None


def _dense(line: np.ndarray, step: float) -> np.ndarray:
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    n = max(int(at[-1] / step), 2)
    s = np.linspace(0, at[-1], n)
    return np.stack([np.interp(s, at, line[:, c]) for c in (0, 1)], 1)


def score(traced_px: np.ndarray, task: Task) -> Score:
    width = float(np.median(task.width_px))
    step = max(width / 6, 0.5)
    traced = _dense(np.asarray(traced_px, float), step)
    off = np.maximum(cKDTree(traced).query(task.points_px)[0] - 0.5 * step, 0)
    visible = task.visible
    within = float((off[visible] <= 0.5 * task.width_px[visible]).mean())
    bad = visible & (off > task.width_px)
    back, nearest = cKDTree(task.points_px).query(traced)
    astray = (back > 1.2 * task.width_px[nearest]) & visible[nearest]
    true_px = np.hypot(*np.diff(task.points_px, axis=0).T).sum()
    traced_len = np.hypot(*np.diff(_dense(traced, 2 * width), axis=0).T).sum()
    right = not bad.any() and not astray.any() and abs(traced_len / true_px - 1) < 0.06
    wrong_at = None
    if not right:
        if bad.any():
            first = int(np.argmax(bad))
            stays = first + int(np.argmin(np.concatenate([bad[first:], [False]])))
            wrong_at = (first + stays) // 2
        else:
            wrong_at = int(nearest[np.argmax(back * visible[nearest])])
        seen = np.flatnonzero(visible)
        wrong_at = int(seen[np.argmin(np.abs(seen - wrong_at))])
    return Score(within, right, wrong_at)


def mend(trace: Callable[[list[np.ndarray]], np.ndarray], task: Task) -> tuple[Score, Score, int]:
    """(score with two clicks, score in the end, extra clicks) of a simulated user."""
    stops = [0, len(task.points_px) - 1]
    first = result = score(trace([task.points_px[i] for i in stops]), task)
    extra = 0
    while not result.right and extra < MOST_EXTRA_CLICKS:
        if result.wrong_at in stops:
            break
        stops = sorted({*stops, result.wrong_at})
        extra += 1
        result = score(trace([task.points_px[i] for i in stops]), task)
    if not result.right:
        extra = MOST_EXTRA_CLICKS
    return first, result, extra
