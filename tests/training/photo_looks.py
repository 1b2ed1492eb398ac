"""Leads as real photos show them, for training the follower of lanes.

Turns of one lead side by side, touching, with only a thin dark seam between; and what lamps,
hands and cameras add to a picture: shadows cast over it, soft focus, a shaking hand, sharpening
and strong JPEG. Nothing is shared with `tests.benchmarks.traced_light`.
"""

from __future__ import annotations

import cv2
import numpy as np

from tests.benchmarks.loose_cables import Cable, bench, cable_heights, drawn, lead_colour
from tests.training.laid_leads import longest_inside, resampled

__all__ = ["coiled", "photographed"]

PITCH = (0.97, 1.7)  # of the turns of a coil, in widths
TOUCHING = 0.6  # share of the coils whose turns touch


def coiled(
    rng: np.random.Generator, size_px: tuple[int, int] = (640, 900)
) -> tuple[np.ndarray, tuple[Cable, ...]]:
    """Coils of one lead, or of some of one colour, and one or two leads that pass by."""
    height, width = size_px
    w = float(np.exp(rng.uniform(np.log(5), np.log(16))))
    colour = lead_colour(rng)
    curves, looks = [], []
    for _ in range(int(rng.integers(1, 4))):
        curves.append(_coil(rng, w, (width, height)))
        looks.append((w * rng.uniform(0.96, 1.04), colour + rng.normal(0, 2, 3)))
    for _ in range(int(rng.integers(1, 3))):
        curves.append(_passing(rng, w, (width, height)))
        other = colour if rng.random() < 0.5 else lead_colour(rng)
        looks.append((w * rng.uniform(0.9, 1.1), other + rng.normal(0, 2, 3)))
    margin = 1.5 * w
    curves = [longest_inside(c, margin, (width, height)) for c in curves]
    kept = [k for k, c in enumerate(curves) if len(c) > 20 * w]
    if not kept:
        return coiled(rng, size_px)
    curves, looks = [curves[k] for k in kept], [looks[k] for k in kept]
    heights = cable_heights(rng, curves, [b for b, _ in looks])
    printed = rng.random() < 0.2
    return drawn(rng, bench(rng, height, width, printed), curves, heights, looks, harder=True)


def _coil(rng, w: float, size_px: tuple[int, int]) -> np.ndarray:
    """Some turns about a place that drifts, their radius growing, with tails; (N, 2) px."""
    turns = rng.uniform(1.2, 4.5)
    touching = rng.random() < TOUCHING
    pitch = w * (rng.uniform(PITCH[0], 1.08) if touching else rng.uniform(*PITCH))
    radius = rng.uniform(3.5, 10) * w
    angle = np.linspace(0, 2 * np.pi * turns, int(2 * np.pi * turns * (radius + 3 * w)))
    if rng.random() < 0.6:  # a spiral
        reach, drift = radius + pitch * angle / (2 * np.pi), np.zeros((len(angle), 2))
    else:  # a spring laid flat: its turns cross and lie side by side
        reach = np.full(len(angle), radius)
        way = rng.uniform(0, 2 * np.pi)
        drift = (pitch * angle / (2 * np.pi))[:, None] * [np.cos(way), np.sin(way)]
    oval = rng.uniform(0.6, 1.0)
    line = reach[:, None] * np.stack([np.cos(angle), oval * np.sin(angle)], 1) + drift
    way = rng.uniform(0, 2 * np.pi)
    turn = np.array([[np.cos(way), -np.sin(way)], [np.sin(way), np.cos(way)]])
    line = line @ turn.T * (1, rng.choice([-1, 1]))
    line += rng.uniform(0.25, 0.75, 2) * size_px
    tails = [_tail(rng, line[end], line[end] - line[near], w) for end, near in ((0, 4), (-1, -5))]
    line = np.concatenate([tails[0][::-1], line, tails[1]])
    return resampled(cv2.GaussianBlur(resampled(line), (1, 0), sigmaX=1.0, sigmaY=1.0 * w))


def _tail(rng, start: np.ndarray, way: np.ndarray, w: float) -> np.ndarray:
    count = int(rng.uniform(8, 45) * w)
    bend = rng.normal(0, 0.06) / w + np.linspace(0, rng.normal(0, 0.08) / w, count)
    heading = np.arctan2(way[1], way[0]) + np.cumsum(bend)
    return start + np.cumsum(np.stack([np.cos(heading), np.sin(heading)], 1), axis=0)


def _passing(rng, w: float, size_px: tuple[int, int]) -> np.ndarray:
    """A gently bent line across the picture."""
    wide, high = size_px
    x = np.linspace(0, 1, 5)
    y = rng.uniform(0.2, 0.8) + rng.normal(0, rng.uniform(0.02, 0.15), 5)
    line = np.stack([x * wide, y * high], 1)
    if rng.random() < 0.5:
        line = np.stack([y * wide, x * high], 1)
    return resampled(cv2.GaussianBlur(resampled(line), (1, 0), sigmaX=1.0, sigmaY=6 * w))


def photographed(rng: np.random.Generator, image_bgr: np.ndarray) -> np.ndarray:
    """The picture with shadows of things outside it, from a worse camera; same places."""
    image = image_bgr.astype(np.float32)
    if rng.random() < 0.4:
        image *= _shadows(rng, image.shape[:2])[..., None]
    if rng.random() < 0.5:
        image = cv2.GaussianBlur(image, (0, 0), float(rng.uniform(0.4, 1.8)))
    if rng.random() < 0.15:
        image = cv2.filter2D(image, -1, _shake(rng))
    if rng.random() < 0.3:  # flat light, or too much contrast
        middle = float(image.mean())
        image = middle + (image - middle) * rng.uniform(0.45, 1.3)
    if rng.random() < 0.4:
        blurred = cv2.GaussianBlur(image, (0, 0), float(rng.uniform(0.8, 1.8)))
        image = image + rng.uniform(0.2, 1.2) * (image - blurred)
    image = image + rng.normal(0, rng.uniform(0, 5), image.shape)
    code = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(30, 96))]
    stored = cv2.imencode(".jpg", np.clip(image, 0, 255).astype(np.uint8), code)[1]
    return cv2.imdecode(stored, cv2.IMREAD_COLOR)


def _shadows(rng, size: tuple[int, int]) -> np.ndarray:
    """(H, W) factors: bands and corners in the shade, sharp or soft."""
    high, wide = size
    shade = np.ones(size, np.float32)
    for _ in range(int(rng.integers(1, 4))):
        middle = rng.uniform(0, 1, 2) * (wide, high)
        way, long = rng.uniform(0, 2 * np.pi), 2.0 * wide
        broad = np.exp(rng.uniform(np.log(4), np.log(0.4 * wide)))
        ahead = np.array([np.cos(way), np.sin(way)])
        side = np.array([-ahead[1], ahead[0]]) * broad / 2
        corners = [
            middle + s * long * ahead + t * side for s, t in ((-1, -1), (1, -1), (1, 1), (-1, 1))
        ]
        mask = np.zeros(size, np.uint8)
        cv2.fillPoly(mask, [np.round(np.array(corners) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        soft = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), float(rng.uniform(0.6, 8)))
        shade *= 1 - rng.uniform(0.1, 0.6) * soft
    return shade


def _shake(rng) -> np.ndarray:
    """Kernel of a straight motion of 2 to 5 px."""
    way, far = rng.uniform(0, np.pi), rng.uniform(1, 2.5)
    kernel = np.zeros((7, 7), np.float32)
    ends = [
        np.round((3 + s * far * np.array([np.cos(way), np.sin(way)])) * 16).astype(int)
        for s in (-1, 1)
    ]
    cv2.line(kernel, tuple(map(int, ends[0])), tuple(map(int, ends[1])), 1.0, 1, cv2.LINE_AA, 4)
    return kernel / kernel.sum()
