"""Which of two crossing leads lies higher, from where two or more photos show them.

A camera at height H, sideways of a place, sees what lies h above a plane moved away from it by
h times the slope of its ray: plane-plus-parallax (Hartley & Zisserman 2004, section 13.3). Seen
from one side a high lead moves one way, from the other side the other way; the lower lead moves
less. No colour is asked, and the crossing itself may be covered as long as both leads show on
either side of it.

Only the shift across a lead can be seen. So each photo gives one number per lead, its distance
from the crossing place across the lead; unknown are, per lead, a place and a height. What the
fits leave uncertain moves both leads of a photo together and is reckoned with as such
(generalised least squares).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import erf, sqrt
from typing import Any, Literal

import numpy as np

from mapper.fit.result import PhotoFit

__all__ = ["HeightShift", "LeadsInPhoto", "height_shift"]

MIN_SIDE_POINTS = 2  # of a lead, on either side of the crossing
CLEAR_MM = 0.5  # around the place nothing is read: there the lower lead is covered
ANSWER_SIGMAS = 3.0
MIN_DIFFERENCE_MM = 0.8  # leads are thicker than that, so are the heights of their middles
MOST_DIFFERENCE_MM = 15.0  # deeper than channels are: a trace is on a wrong lead
MOST_SIGMA_MM = 1.0
MOST_SCATTER_MM = 0.5  # of the traced points around their own curve


@dataclass(frozen=True, eq=False)
class LeadsInPhoto:
    """One photo of a crossing: its fit, and the *seen* points (N, 2) px of both leads, in order."""

    fit: PhotoFit
    path_a_px: np.ndarray
    path_b_px: np.ndarray


@dataclass(frozen=True)
class HeightShift:
    """How much higher lead a lies than lead b at the crossing, middle to middle.

    `top` is None where the photos do not settle it. `confidence` 0..1: the chance, by
    `sigma_mm` alone, that the sign is right.
    """

    higher_mm: float
    sigma_mm: float
    photos: int

    @property
    def confidence(self) -> float:
        return 0.5 * (1 + erf(abs(self.higher_mm) / (sqrt(2) * self.sigma_mm)))

    @property
    def top(self) -> Literal["a", "b"] | None:
        plain = (
            self.sigma_mm <= MOST_SIGMA_MM
            and abs(self.higher_mm) >= ANSWER_SIGMAS * self.sigma_mm
            and MIN_DIFFERENCE_MM <= abs(self.higher_mm) <= MOST_DIFFERENCE_MM
        )
        return None if not plain else ("a" if self.higher_mm > 0 else "b")


def height_shift(
    photos: Sequence[LeadsInPhoto],
    xy_mm: Any,
    depth_mm: float,
    reach_mm: float = 10.0,
    trace_sigma_px: float = 0.35,
) -> HeightShift | None:
    """Height of lead a over lead b at the plate place `xy_mm` (2,), about `depth_mm` deep.

    `reach_mm`: how far along the leads points are read. `trace_sigma_px`: how far a traced
    middle may be off, as a whole. Photos with a doubtful fit are left out; None with fewer than
    two, or where a lead is not seen on both sides of the place in two photos.
    """
    place = np.asarray(xy_mm, dtype=float).reshape(2)
    read = [r for p in photos if (r := _read(p, place, depth_mm, reach_mm)) is not None]
    if len(read) < 2:
        return None
    normals = [_common_normal([r.along[k] for r in read]) for k in (0, 1)]
    rows, seen, parts = [], [], []
    for r in read:
        for k in (0, 1):
            row = np.zeros(4)
            row[2 * k : 2 * k + 2] = 1.0, normals[k] @ r.slope
            rows.append(row)
            seen.append(float(normals[k] @ r.offset[k]))
        both = np.array(normals)
        trace = [(trace_sigma_px * r.mm_per_px) ** 2 + r.scatter_mm[k] ** 2 for k in (0, 1)]
        parts.append(r.fit_sigma_mm**2 * both @ both.T + np.diag(trace))
    design, sight = np.array(rows), np.array(seen)
    weight = np.linalg.inv(_blocks(parts))
    normal_matrix = design.T @ weight @ design
    if np.linalg.cond(normal_matrix) > 1e10:
        return None
    covariance = np.linalg.inv(normal_matrix)
    answer = covariance @ design.T @ weight @ sight
    left = sight - design @ answer
    spare = len(sight) - 4
    # More photos than needed check the sigmas; they are widened where the photos disagree.
    widen = max(sqrt(float(left @ weight @ left) / spare), 1.0) if spare > 0 else 1.0
    pick = np.array([0.0, 1.0, 0.0, -1.0])
    sigma = widen * sqrt(float(pick @ covariance @ pick))
    return HeightShift(float(pick @ answer), sigma, len(read))


@dataclass(frozen=True, eq=False)
class _Reading:
    """Both leads in one photo, on the plane at the asked depth, relative to the place."""

    along: tuple[np.ndarray, np.ndarray]
    offset: tuple[np.ndarray, np.ndarray]
    scatter_mm: tuple[float, float]
    slope: np.ndarray  # mm by which a lead moves for each mm it lies higher
    mm_per_px: float
    fit_sigma_mm: float


def _read(
    photo: LeadsInPhoto, place: np.ndarray, depth_mm: float, reach_mm: float
) -> _Reading | None:
    fit = photo.fit
    if fit.verdict != "good":
        return None
    found = []
    for path in (photo.path_a_px, photo.path_b_px):
        line = fit.plate_from_photo(np.asarray(path, float).reshape(-1, 2), depth_mm)
        lead = _at_place(line[np.isfinite(line).all(1)] - place, reach_mm)
        if lead is None:
            return None
        found.append(lead)
    camera = fit.camera_centre_mm
    above = camera[2] + depth_mm
    if above <= 0:
        return None
    x, y = place
    around = np.array([(x, y), (x + 1, y), (x, y + 1)])
    px = fit.photo_from_plate(around, depth_mm)
    scale = sqrt(abs(float(np.linalg.det(px[1:] - px[0]))))
    return _Reading(
        (found[0][0], found[1][0]),
        (found[0][1], found[1][1]),
        (found[0][2], found[1][2]),
        (place - camera[:2]) / above,
        1.0 / max(scale, 1e-9),
        float(fit.sigma_mm(place[None])[0]),
    )


def _at_place(line: np.ndarray, reach_mm: float) -> tuple[np.ndarray, np.ndarray, float] | None:
    """Direction, nearest point and scatter of a lead at the origin, from both its sides."""
    away = np.hypot(*line.T)
    near = line[away <= reach_mm]
    if len(near) < 2 * MIN_SIDE_POINTS:
        return None
    _, _, axes = np.linalg.svd(near - near.mean(0))
    along = axes[0]
    across = np.array([-along[1], along[0]])
    s, n = near @ along, near @ across
    flanks = np.abs(s) > CLEAR_MM
    s, n = s[flanks], n[flanks]
    if min((s > 0).sum(), (s < 0).sum()) < MIN_SIDE_POINTS:
        return None
    order = 2 if len(s) >= 6 else 1
    curve = np.polyfit(s, n, order)
    scatter = float(np.std(n - np.polyval(curve, s)))
    if scatter > MOST_SCATTER_MM:
        return None
    turn = curve[-2]
    direction = along + turn * across
    return direction / np.hypot(*direction), curve[-1] * across, scatter


def _common_normal(alongs: list[np.ndarray]) -> np.ndarray:
    signs = [1.0 if a @ alongs[0] >= 0 else -1.0 for a in alongs]
    mean = np.mean([s * a for s, a in zip(signs, alongs, strict=True)], axis=0)
    mean /= np.hypot(*mean)
    return np.array([-mean[1], mean[0]])


def _blocks(parts: list[np.ndarray]) -> np.ndarray:
    whole = np.zeros((2 * len(parts), 2 * len(parts)))
    for k, part in enumerate(parts):
        whole[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = part
    return whole
