"""Strips along wrongly found leads of invented pictures, with where the clicked lead runs."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from mapper.trace.ground import Ground
from mapper.trace.lanes import OFFSETS, clicked_on, laid_out, picture_for
from tests.benchmarks.loose_cables import Cable, loose_cables
from tests.training.laid_leads import bundled, laid_leads
from tests.training.photo_looks import coiled, photographed

__all__ = ["scene", "strips"]

SEED = 53
WORSE_CAMERA = 0.5  # share of the pictures
EDGE = 0.1  # widths from the last bin at which a lead counts as out of sight


def scene(number: int) -> tuple[np.ndarray, tuple[Cable, ...]]:
    """Picture and leads of scene `number`; no benchmark draws from that seed."""
    rng = np.random.default_rng([SEED, number])
    image, cables = _drawn_scene(rng, number % 10)
    if rng.random() < WORSE_CAMERA:
        image = photographed(rng, image)
    return image, cables


def _drawn_scene(rng, kind: int) -> tuple[np.ndarray, tuple[Cable, ...]]:
    if kind < 5:
        return bundled(rng, harder=kind >= 3)
    if kind == 5:
        return laid_leads(rng, harder=rng.random() < 0.5)
    if kind < 8:
        return coiled(rng)
    ground = ("plain", "printed", "loops", "loops")[int(rng.integers(0, 4))]
    made = loose_cables(rng, ground, (640, 900), harder=rng.random() < 0.7)
    return made.image_bgr, made.cables


def strips(number: int) -> Iterator[dict[str, np.ndarray]]:
    """Strips of one scene. `off` (S,) widths to the side of the true lead, nan where unseen."""
    image, cables = scene(number)
    ground = Ground(image)
    rng = np.random.default_rng([SEED, number, 1])
    for cable in cables:
        seen = np.flatnonzero(cv2.erode(cable.visible.astype(np.uint8)[:, None], np.ones((9, 1))))
        if len(seen) < 20 or np.ptp(seen) < 15 * cable.width_px:
            continue
        part = slice(seen[0], seen[-1] + 1)
        line, visible = cable.points_px[part], cable.visible[part]
        for _ in range(2):
            yield _strip(rng, ground, line, visible, seen - seen[0], cable.width_px)


def _strip(rng, ground: Ground, line, visible, seen, true_px: float) -> dict[str, np.ndarray]:
    way = cv2.GaussianBlur(np.gradient(line, axis=0), (1, 15), 4.0)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    side = np.stack([-way[:, 1], way[:, 0]], 1)
    width_px = true_px * float(np.exp(rng.normal(0, 0.22)))
    found = line + (_slips(rng, len(line), true_px) * true_px)[:, None] * side
    found = found[:: max(int(0.5 * width_px), 1)]
    index = np.arange(0, len(line), max(int(0.5 * width_px), 1)).astype(float)
    picture, scale = picture_for(ground, width_px)
    strip = laid_out(picture, scale, found, width_px)
    extra = int(rng.choice([0, 0, 0, 1, 2, 3]))
    clicks = np.concatenate([seen[[0, -1]], rng.choice(seen, extra)])
    clicks = line[clicks] + rng.normal(0, 0.12 * true_px, (len(clicks), 2))
    clicked = clicked_on(strip, picture, scale, width_px, clicks)
    # The true line crosses each row near the vertex that it was moved from.
    step = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(found, axis=0).T))]) / width_px
    near = np.interp(strip.at, step, index)
    reach = int(4 * true_px)
    near = np.clip(near.astype(int)[:, None] + np.arange(-reach, reach + 1), 0, len(line) - 1)
    gap = line[near] - strip.rows[:, None]
    ahead = np.stack([strip.normal[:, 1], -strip.normal[:, 0]], 1)
    along = np.einsum("ijk,ik->ij", gap, ahead)
    best = np.abs(along).argmin(1)
    rows = np.arange(len(best))
    off = np.einsum("ij,ij->i", gap[rows, best], strip.normal) / width_px
    told = visible[near[rows, best]] & (np.abs(along[rows, best]) < 1.5)
    told &= np.abs(off) < OFFSETS[-1] - EDGE
    return dict(
        lab=strip.lab.astype(np.float16),
        off=np.where(told, off, np.nan).astype(np.float32),
        clicked=clicked.row.astype(np.int32),
        beside=clicked.beside.astype(np.float32),
        colours=clicked.colour.astype(np.float32),
        width=np.float32(width_px * scale),
    )


def _slips(rng, count: int, w: float) -> np.ndarray:
    """Widths to the side by which a found line strays from its lead."""
    off, at = np.zeros(count), 0
    while at < count:
        run = int(rng.exponential(35) * w) + int(4 * w)
        lane = float(rng.choice([0, 0, 0, 0, 1, -1, 1, -1, 2, -2])) * rng.uniform(0.8, 1.1)
        off[at : at + run] = lane if rng.random() < 0.93 else rng.uniform(-3, 3)
        at += run
    soft = rng.uniform(1.0, 5.0) * w
    off = cv2.GaussianBlur(off[:, None], (1, 2 * int(3 * soft) + 1), soft)[:, 0]
    knots = rng.normal(0, rng.uniform(0.05, 0.35), int(count / (6 * w)) + 3)
    return off + np.interp(np.arange(count) / (6 * w), np.arange(len(knots)), knots)
