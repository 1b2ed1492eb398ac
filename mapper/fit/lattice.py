"""The grid that bores lie on: rows, columns and pitch from centres, some of them missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Lattice", "fit_lattice"]

MOST_STEPS = 4  # a gap between two columns may hide up to three that were not seen
MOST_COMBS = 12
EMPTY_COST = 0.5  # an empty place of the grid counts against this share of a bore
LEAST_ON = 0.5  # of all centres, to be a grid at all
STRAY_COST = 0.8  # and a bore that the grid leaves out against this share


@dataclass(frozen=True, eq=False)
class Lattice:
    """A grid along the plate's edges, mm. `cell` (N, 2) is column and row of each centre, or -1.

    The pitch of a single row or column is 0. `first_mm` is the lower left place.
    """

    rows: int
    columns: int
    pitch_mm: tuple[float, float]
    first_mm: tuple[float, float]
    cell: np.ndarray

    @property
    def unseen(self) -> int:
        """Places of the grid on which no centre was given."""
        return self.rows * self.columns - len(np.unique(self.cell[self.cell[:, 0] >= 0], axis=0))


def fit_lattice(
    centres_mm: np.ndarray, bore_mm: float, weight: np.ndarray | None = None
) -> Lattice | None:
    """The grid that most of the centres (N, 2) lie on with fewest empty places; None without one.

    `bore_mm` is the bore diameter: bores don't overlap, so the pitch is larger. `weight` (N,)
    says how sure each centre is, 0..1.
    """
    centres = np.asarray(centres_mm, dtype=float).reshape(-1, 2)
    if not len(centres):
        return None
    sure = np.ones(len(centres)) if weight is None else np.asarray(weight, dtype=float)
    slack = 0.12 * bore_mm
    best, best_score = None, -np.inf
    for x in _combs(centres[:, 0], bore_mm, slack):
        for y in _combs(centres[:, 1], bore_mm, slack):
            on = (x >= 0) & (y >= 0)
            if not on.any():
                continue
            cells = np.zeros((x.max() + 1, y.max() + 1))
            np.maximum.at(cells, (x[on], y[on]), sure[on])
            places = np.ptp(x[on]) + 1, np.ptp(y[on]) + 1
            empty = places[0] * places[1] - (cells > 0).sum()
            score = cells.sum() - EMPTY_COST * empty - STRAY_COST * sure[~on].sum()
            if score > best_score + 1e-9:
                best, best_score = (np.where(on, x, -1), np.where(on, y, -1)), score
    if best is None:
        return None
    on = best[0] >= 0
    if sure[on].sum() < LEAST_ON * sure.sum():
        return None
    (x0, px, columns), (y0, py, rows) = (_line(best[k][on], centres[on, k]) for k in (0, 1))
    cell = np.full((len(centres), 2), -1)
    for k in (0, 1):
        cell[on, k] = best[k][on] - best[k][on].min()
    return Lattice(rows, columns, (px, py), (x0, y0), cell)


def _combs(values: np.ndarray, least: float, slack: float) -> list[np.ndarray]:
    """Ways to number values (N,) along an evenly spaced comb; -1 for those off it."""
    order = np.sort(values)
    groups = np.split(order, np.flatnonzero(np.diff(order) > slack) + 1)
    middles = np.array([group.mean() for group in groups])
    out, seen = [], set()
    for i, start in enumerate(middles):
        steps = [1e9] + [
            (other - start) / n for other in middles[i + 1 :] for n in range(1, MOST_STEPS + 1)
        ]
        for step in steps:
            if step < 1.02 * least:
                continue
            # the step from two groups is rough: taken again from all that it explains
            number = np.rint((values - start) / step)
            on = np.abs(values - start - number * step) < slack
            if step < 1e8 and len(np.unique(number[on])) > 1:
                base, step = _straight(number[on], values[on])
                number = np.rint((values - base) / step)
                on = np.abs(values - base - number * step) < slack
            number = np.where(on, number - number[on].min(), -1).astype(int)
            key = number.tobytes()
            if key not in seen:
                seen.add(key)
                out.append(number)
    # those that explain most with fewest places; the rest cannot win
    out.sort(key=lambda n: (n.max() + 1) * 0.3 - (n >= 0).sum())
    return out[:MOST_COMBS]


def _line(number: np.ndarray, values: np.ndarray) -> tuple[float, float, int]:
    """First place, pitch and count of a comb by least squares."""
    number = number - number.min()
    count = int(number.max()) + 1
    if count == 1:
        return float(np.mean(values)), 0.0, 1
    first, pitch = _straight(number, values)
    return first, pitch, count


def _straight(number: np.ndarray, values: np.ndarray) -> tuple[float, float]:
    """Value at 0 and step of the least-squares line; quicker than a general solver."""
    middle, mean = number.mean(), values.mean()
    away = number - middle
    step = float(away @ (values - mean) / (away @ away))
    return float(mean - step * middle), step
