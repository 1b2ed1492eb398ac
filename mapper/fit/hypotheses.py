"""Trial poses: which round thing in the photo is which bore or hole of the drawing.

All circles that lie parallel to the plate say how the plate is tilted, whichever they are. In a
view turned square to the plate the drawing and the photo differ by a similarity only, which two
circles settle; their radii and their distance must agree first. Each trial is scored by all
circles together. Nothing here decides: `refine` and `verdict` do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from mapper.fit.camera import Camera
from mapper.fit.ellipses import Blobs, local_ratio, rim_circles

__all__ = [
    "Circles",
    "Trial",
    "circle_trials",
    "square_circles",
    "square_pose",
    "square_view",
    "tilts",
    "to_square",
]

MOST_TILT = math.tan(math.radians(42))
MOST_PAIRS = 6000  # trial pairs that are scored; more are thinned out evenly
VIEW_PX = 800  # long side of the square view in which rims are looked for


@dataclass(frozen=True, eq=False)
class Circles:
    """Circles of the drawing: centres (M, 2) mm, radii (M,) mm, whether a bore (M,)."""

    xy_mm: np.ndarray
    radius_mm: np.ndarray
    is_drop: np.ndarray


@dataclass(frozen=True, eq=False)
class Trial:
    """A trial pose with the score of its circles."""

    camera: Camera
    score: float
    matched: int
    source: str


def square_view(tilt: tuple[float, float]) -> np.ndarray:
    """Rotation (3, 3) of the camera that looks square at a plate with `tilt`.

    The plate's normal points away from the camera along (tilt_x, tilt_y, 1).
    """
    z = np.array([tilt[0], tilt[1], 1.0])
    z /= np.linalg.norm(z)
    v = np.cross(z, [0.0, 0.0, 1.0])
    skew = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    return np.eye(3) + skew + skew @ skew / (1 + z[2])


def to_square(turn: np.ndarray, xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Normalised points (N, 2) in the square view and the local maps (N, 2, 2)."""
    rays = np.column_stack((xy, np.ones(len(xy)))) @ turn.T
    w = rays[:, 2:]
    out = rays[:, :2] / w
    slopes = (turn[None, :2, :2] - out[:, :, None] * turn[None, 2:3, :2]) / w[:, :, None]
    return out, slopes


def tilts(blobs: Blobs, focal_px: float, centre_px: tuple[float, float], most: int = 3):
    """Tilts that turn most ellipses into circles, best first."""
    steps = np.arange(-0.8, 0.81, 0.1)
    grid = np.array([(a, b) for a in steps for b in steps if math.hypot(a, b) <= MOST_TILT])
    if not len(blobs):
        return [(0.0, 0.0)]
    xy = (blobs.centre_px - centre_px) / focal_px
    small = np.sqrt(np.linalg.eigvalsh(blobs.shape_px2)[:, 0])
    noise = 1.2 / small + 0.025
    weight = np.minimum(blobs.weight, 6) / 6

    def score(tilt: np.ndarray) -> float:
        _, slopes = to_square(square_view(tuple(tilt)), xy)
        ratio = np.log(local_ratio(blobs.shape_px2, slopes))
        return float((weight * np.exp(-0.5 * (ratio / noise) ** 2)).sum())

    scores = np.array([score(tilt) for tilt in grid])
    picked: list[tuple[float, float]] = []
    for i in np.argsort(-scores, kind="stable"):
        if all(np.hypot(*(grid[i] - p)) > 0.25 for p in picked):
            fine = [grid[i] + (a, b) for a in (-0.05, 0, 0.05) for b in (-0.05, 0, 0.05)]
            picked.append(tuple(max(fine, key=score)))
        if len(picked) == most or scores[i] < 0.5 * scores.max():
            break
    return picked


def circle_trials(
    grey: np.ndarray,
    scale: float,
    blobs: Blobs,
    circles: Circles,
    focal_px: float,
    centre_px: tuple[float, float],
    tilt: tuple[float, float],
    reach_mm: float,
    most: int = 30,
    flipped: bool = False,
) -> list[Trial]:
    """Trials under one tilt. `grey` is the working image, `scale` times the photo.

    `reach_mm` is the size (diagonal) of the plate. With `flipped` the drawing is taken mirrored
    and the cameras in the answer have the mirrored plate in mind.
    """
    turn = square_view(tilt)
    found = square_circles(grey, scale, blobs, focal_px, centre_px, turn)
    if len(found) < 2 or len(circles.xy_mm) < 2:
        return []
    q, radius, weight = found[:, 0] + 1j * found[:, 1], found[:, 2], found[:, 3]
    p = circles.xy_mm[:, 0] + 1j * circles.xy_mm[:, 1]
    p = np.conj(p)
    size = circles.radius_mm
    pixel = 1.0 / (focal_px * scale)  # one working pixel in the square view
    alpha, beta = _pair_poses(q, radius, p, size, pixel)
    if not len(alpha):
        return []
    score, matched = _pair_scores(alpha, beta, q, radius, weight, p, size, pixel, reach_mm)
    order = np.argsort(-score, kind="stable")[:1500]
    corners = np.array([p.real.min() + 1j * p.imag.min(), p.real.max() + 1j * p.imag.max()])
    out: list[Trial] = []
    places: list[np.ndarray] = []
    for i in order:
        at = alpha[i] * corners + beta[i]
        reach = 0.03 * abs(at[1] - at[0])
        if any(np.abs(at - other).max() < reach for other in places):
            continue
        places.append(at)
        out.append(
            Trial(
                square_pose(alpha[i], beta[i], turn, focal_px, centre_px),
                float(score[i]),
                int(matched[i]),
                "circles",
            )
        )
        if len(out) == most:
            break
    return out


def square_circles(grey, scale, blobs, focal_px, centre_px, turn) -> np.ndarray:
    """Circles (N, 4) in the square view: normalised x, y, radius; weight 0..1."""
    rows = []
    dark = blobs.take(blobs.dark & (blobs.weight >= 3))
    if len(dark):
        xy, slopes = to_square(turn, (dark.centre_px - centre_px) / focal_px)
        ratio = local_ratio(dark.shape_px2, slopes)
        small = np.sqrt(np.linalg.eigvalsh(dark.shape_px2)[:, 0]) * scale
        round_enough = np.log(ratio) < 0.12 + 2.0 / small
        radius = dark.radius_px / focal_px * np.sqrt(np.abs(np.linalg.det(slopes)))
        weight = np.minimum(dark.weight, 8) / 8
        rows.append(np.column_stack((xy, radius, weight))[round_enough])
    height, width = grey.shape
    corners = np.array([(0, 0), (width - 1, 0), (width - 1, height - 1), (0, height - 1)], float)
    f = focal_px * scale
    centre = ((np.array(centre_px) + 0.5) * scale) - 0.5
    view, _ = to_square(turn, (corners - centre) / f)
    low, high = view.min(axis=0), view.max(axis=0)
    zoom = VIEW_PX / (high - low).max()
    to_norm = np.array([[1 / f, 0, -centre[0] / f], [0, 1 / f, -centre[1] / f], [0, 0, 1.0]])
    to_view = np.array([[zoom, 0, -low[0] * zoom], [0, zoom, -low[1] * zoom], [0, 0, 1.0]])
    shape = np.ceil((high - low) * zoom).astype(int) + 1
    square = cv2.warpPerspective(
        grey,
        to_view @ turn @ to_norm,
        (int(shape[0]), int(shape[1])),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    rims = rim_circles(square, 9, VIEW_PX / 6)
    rims = rims[rims[:, 3] > 0.5][:40]
    if len(rims):
        weight = np.clip((rims[:, 3] - 0.4) / 0.5, 0.1, 1)
        rows.append(np.column_stack((rims[:, :2] / zoom + low, rims[:, 2] / zoom, weight)))
    if not rows:
        return np.zeros((0, 4))
    found = np.concatenate(rows)
    return found[np.argsort(-found[:, 3], kind="stable")][:60]


def _pair_poses(q, radius, p, size, pixel):
    """Similarities (alpha, beta) with q = alpha p + beta from two circles whose sizes agree."""
    slack = 0.10 + 1.3 * pixel / radius
    local = radius[:, None] / size[None, :]  # scale each pairing would mean
    first = np.argwhere(local > 0)
    i, j = first.T
    s, slack_ij = local[i, j], slack[i]
    order = np.argsort(s, kind="stable")
    i, j, s, slack_ij = i[order], j[order], s[order], slack_ij[order]
    alphas, betas = [], []
    upper = np.searchsorted(s, s * np.exp(0.12 + np.minimum(slack_ij, 0.3)), side="right")
    for a in range(len(s)):
        b = np.arange(a + 1, upper[a])
        b = b[(i[b] != i[a]) & (j[b] != j[a])]
        if not b.size:
            continue
        b = b[np.log(s[b] / s[a]) < np.minimum(slack_ij[a] + slack_ij[b], 0.35)]
        apart = p[j[b]] - p[j[a]]
        b, apart = b[np.abs(apart) > 1e-6], apart[np.abs(apart) > 1e-6]
        alpha = (q[i[b]] - q[i[a]]) / apart
        mean = np.sqrt(s[b] * s[a])
        near = np.abs(np.log(np.abs(alpha) / mean + 1e-12)) < 0.10 + np.minimum(
            0.6 * (slack_ij[a] + slack_ij[b]), 0.2
        )
        alpha = alpha[near]
        if alpha.size:
            alphas.append(alpha)
            betas.append(q[i[a]] - alpha * p[j[a]])
    if not alphas:
        return np.zeros(0, complex), np.zeros(0, complex)
    alpha, beta = np.concatenate(alphas), np.concatenate(betas)
    if len(alpha) > MOST_PAIRS:
        keep = np.random.default_rng(0).choice(len(alpha), MOST_PAIRS, replace=False)
        alpha, beta = alpha[keep], beta[keep]
    return alpha, beta


def _pair_scores(alpha, beta, q, radius, weight, p, size, pixel, reach_mm):
    """Sum of the weights of drawn circles that are met, by trial; and their count."""
    score = np.zeros(len(alpha))
    matched = np.zeros(len(alpha), int)
    q32, p32 = q.astype(np.complex64), p.astype(np.complex64)
    log_radius = np.log(radius)[None, None, :]
    slack = (0.16 + 1.3 * pixel / radius)[None, None, :]
    for start in range(0, len(alpha), 1000):
        cut = slice(start, start + 1000)
        s = np.abs(alpha[cut]).astype(np.float32)
        at = alpha[cut, None].astype(np.complex64) * p32 + beta[cut, None].astype(np.complex64)
        gap = np.abs(at[:, :, None] - q32[None, None, :])
        tolerance = (np.maximum(0.012 * reach_mm * s, 3 * pixel))[:, None, None]
        fits = np.abs(np.log(s[:, None, None] * size[None, :, None]) - log_radius) < slack
        value = np.where(fits, np.maximum(0, 1 - (gap / tolerance) ** 2) * weight, 0)
        best = value.max(axis=2)
        score[cut] = best.sum(axis=1)
        matched[cut] = (best > 0).sum(axis=1)
    return score, matched


def square_pose(alpha, beta, turn, focal_px, centre_px) -> Camera:
    """Pose of a similarity in the square view (normalised units per mm)."""
    z = 1 / abs(alpha)
    c, s = alpha.real * z, alpha.imag * z
    plate = np.array([[c, s, 0], [s, -c, 0], [0, 0, -1.0]])
    shift = np.array([beta.real * z, beta.imag * z, z])
    return Camera(focal_px, centre_px, turn.T @ plate, turn.T @ shift)
