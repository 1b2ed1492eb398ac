"""Grounds of the invented close-ups, and plastic that lies on them or over the leads."""

from __future__ import annotations

import cv2
import numpy as np

from tests.training.crossing_leads import Lead, across, colour_of

__all__ = ["corner_plastic", "ground", "half_covered", "noise_of", "painted_over", "plastic"]


def ground(rng: np.random.Generator, size: int, w: float, axis: float) -> np.ndarray:
    """Linear light (S, S, 3)."""
    image = np.empty((size, size, 3), np.float32)
    image[:] = colour_of(rng)
    yy, xx = np.mgrid[0:size, 0:size].astype(np.float32) - size / 2
    kind = rng.choice(["plain", "steel", "printed", "channel", "weave", "residue"])
    if rng.random() < 0.5 or kind in ("steel", "channel"):
        image[:] = rng.uniform(0.03, 0.7) * (1 + rng.normal(0, 0.04, 3))
    turn = rng.uniform(0, np.pi)
    if kind == "steel":
        streak = cv2.GaussianBlur(rng.normal(0, 1, (size, size)).astype(np.float32), (0, 0), 0.8)
        streak = cv2.blur(streak, (31, 1))
        grid = cv2.getRotationMatrix2D((size / 2, size / 2), np.degrees(turn), 1.5)
        streak = cv2.warpAffine(streak, grid, (size, size), borderMode=cv2.BORDER_REFLECT)
        ramp = (xx * np.cos(turn) + yy * np.sin(turn)) / size
        image *= (1 + 0.15 * streak / max(streak.std(), 1e-6) * rng.random())[..., None]
        image *= np.exp(rng.uniform(-2, 2) * ramp)[..., None]
    elif kind == "printed":
        for _ in range(int(rng.integers(3, 16))):
            mask = np.zeros((size, size), np.uint8)
            p, q = (rng.uniform(0, size, (2, 2))).astype(int).tolist()
            draw = rng.integers(0, 3)
            thick = max(int(rng.uniform(0.1, 1.3) * w), 1)
            if draw == 0:
                cv2.line(mask, p, q, 255, thick, cv2.LINE_AA)
            elif draw == 1:
                cv2.rectangle(mask, p, q, 255, -1)
            else:
                word = "".join(chr(c) for c in rng.integers(65, 90, 5))
                cv2.putText(mask, word, p, 0, w / 20 + rng.random(), 255, max(thick // 3, 1))
            share = mask[..., None].astype(np.float32) / 255
            image = image * (1 - share) + share * colour_of(rng)
    elif kind == "channel":
        side = (yy * np.cos(axis) - xx * np.sin(axis)) / w
        edge = rng.uniform(0.8, 4.0)
        out = np.abs(side + rng.uniform(-0.5, 0.5)) > edge
        image[out] *= np.float32(rng.uniform(1.5, 5))
    elif kind == "weave":
        p = rng.uniform(0.3, 2) * w
        image *= (1 + rng.uniform(0.1, 0.5) * np.sin(6.28 * xx / p) * np.sin(6.28 * yy / p))[
            ..., None
        ]
    elif kind == "residue":
        image = plastic(rng, image, w, None)
    blotch = cv2.resize(
        rng.normal(0, 1, (8, 8)).astype(np.float32), (size, size), interpolation=cv2.INTER_CUBIC
    )
    image *= (1 + rng.uniform(0, 0.25) * blotch + rng.uniform(0, 0.1) * noise_of(rng, size))[
        ..., None
    ]
    return np.clip(image, 0, 1.5)


def noise_of(rng: np.random.Generator, size: int) -> np.ndarray:
    return rng.normal(0, 1, (size, size)).astype(np.float32)


def plastic(rng, image: np.ndarray, w: float, over: float | None) -> np.ndarray:
    """A lump of plastic; `over` px: it hides that much around the middle."""
    size = len(image)
    field = cv2.resize(
        rng.normal(0, 1, (6, 6)).astype(np.float32), (size, size), interpolation=cv2.INTER_CUBIC
    )
    yy, xx = np.mgrid[0:size, 0:size].astype(np.float32) - size / 2
    if over is not None:
        field = 0.35 * field + 1.0 * (1 - np.hypot(xx, yy) / (1.6 * over))
        level = 0.0
        field = np.maximum(field, 0.6 * (1 - np.hypot(xx, yy) / over))
    else:
        level = rng.uniform(0.2, 1.0)
    cover = 1 / (1 + np.exp(-np.clip((field - level) * rng.uniform(6, 40), -30, 30)))
    bump = cv2.Sobel(
        cv2.GaussianBlur(np.minimum(field - level, 0.6), (0, 0), 0.3 * w + 0.5), -1, 1, 0
    )
    colour = colour_of(rng)
    lit = 1 + np.clip(bump * rng.uniform(-6, 6), -0.6, 1.5)
    return image * (1 - cover[..., None]) + (cover * lit)[..., None] * colour


def painted_over(rng, image: np.ndarray, over: float, leads: tuple[Lead, Lead]) -> np.ndarray:
    """Paint, tape, a label: one colour over at least `over` px around the middle.

    The colour may be that of a lead or of the ground.
    """
    size = len(image)
    yy, xx = np.mgrid[0:size, 0:size].astype(np.float32) - size / 2
    way, long = across(rng, leads), rng.choice([1.0, rng.uniform(1, 1.7), 9.0])
    x, y = xx * np.cos(way) + yy * np.sin(way), yy * np.cos(way) - xx * np.sin(way)
    round_ = rng.random() < 0.6
    far = np.hypot(x / long, y) if round_ else np.maximum(np.abs(x) / long, np.abs(y))
    cover = np.clip((over - far) / rng.uniform(0.5, 4.0) + 1, 0, 1)[..., None]
    pick = rng.random()
    if pick < 0.2:
        colour = leads[int(rng.integers(0, 2))].skin.colour * rng.uniform(0.7, 1.3)
    elif pick < 0.35:
        colour = np.median(image.reshape(-1, 3), axis=0)
    else:
        colour = colour_of(rng)
    shade = 1 + rng.choice([0.0, rng.uniform(0, 0.5)]) * x / size
    shade = shade + rng.choice([0.0, rng.uniform(0, 0.06)]) * noise_of(rng, size)
    return image * (1 - cover) + cover * np.clip(shade, 0, 2)[..., None] * colour


def half_covered(rng, image: np.ndarray, hides: float, leads: tuple[Lead, Lead]) -> np.ndarray:
    """Plastic or paint whose edge runs through the crossing, about `hides` px long."""
    size = len(image)
    yy, xx = np.mgrid[0:size, 0:size].astype(np.float32) - size / 2
    way = rng.uniform(0, 2 * np.pi)
    field = (xx * np.cos(way) + yy * np.sin(way)) / hides + rng.uniform(-0.4, 0.6)
    wild = rng.normal(0, rng.uniform(0, 0.35), (6, 6)).astype(np.float32)
    field = field + cv2.resize(wild, (size, size), interpolation=cv2.INTER_CUBIC)
    far = np.abs(yy * np.cos(way) - xx * np.sin(way)) / hides
    field = np.minimum(field, rng.uniform(1.2, 6) - far)
    cover = 1 / (1 + np.exp(-np.clip(field * rng.uniform(6, 40), -30, 30)))
    bump = cv2.Sobel(cv2.GaussianBlur(np.clip(field, 0, 0.5), (0, 0), 1.5), -1, 1, 0)
    lit = 1 + np.clip(bump * rng.uniform(-6, 6), -0.6, 1.5)
    own = rng.random() < 0.25
    colour = leads[int(rng.integers(0, 2))].skin.colour if own else colour_of(rng)
    return image * (1 - cover[..., None]) + (cover * lit)[..., None] * colour


def corner_plastic(rng, image, w: float, stretch: float) -> np.ndarray:
    """Plastic near by that leaves the crossing itself free."""
    size = len(image)
    lump = plastic(rng, image, w, w * rng.uniform(0.8, 1.5))
    way = rng.uniform(0, 2 * np.pi)
    far = (2.8 + 0.4 * stretch) * w
    move = np.float32([[1, 0, far * np.cos(way)], [0, 1, far * np.sin(way)]])
    moved = cv2.warpAffine(lump - image, move, (size, size))
    return np.maximum(image + moved * (np.abs(moved).sum(2, keepdims=True) > 0.02), 0)
