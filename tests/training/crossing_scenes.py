"""One invented scene of two crossing leads, in linear light: layout, painting, shadows."""

from __future__ import annotations

import cv2
import numpy as np

from mapper.trace.rectify import HALF_BANDS, MOST_STRETCH
from tests.training.crossing_grounds import corner_plastic, ground, noise_of, plastic
from tests.training.crossing_leads import Lead, Skin, painted, profile, skin_of

__all__ = ["A_ON_TOP", "B_ON_TOP", "NEITHER", "scene"]

A_ON_TOP, B_ON_TOP, NEITHER = 0, 1, 2


def scene(rng: np.random.Generator):
    """Linear picture, the two leads, the truth and the mean width, all in the frame px."""
    answer = NEITHER if rng.random() < 0.16 else int(rng.integers(0, 2))
    angle = np.radians(90 - 82 * rng.random() ** 1.4)
    ratio = float(np.exp(np.clip(rng.normal(0, 0.22), -0.9, 0.9)))
    stretch = min(1 / np.sin(angle), MOST_STRETCH)
    reach = HALF_BANDS * stretch * np.sqrt(2 + 2 * np.cos(angle)) * 1.1
    w = float(np.clip(92 / reach, 5.5, 10.0))
    size = int(2 * reach * w * max(ratio, 1 / ratio) ** 0.5) + 8
    wa, wb = w * ratio**0.5, w / ratio**0.5
    turn = rng.uniform(0, np.pi)
    bow = rng.normal(0, 0.02, 2) / w * rng.choice([0.3, 1.0, 1.5]) * np.sin(angle)
    leads = [
        Lead(turn, 0.0, float(bow[0]), wa / 2),
        Lead(turn + angle * rng.choice([-1, 1]), 0.0, float(bow[1]), wb / 2),
    ]
    same = rng.random() < 0.4
    skin_a = skin_of(rng)
    if same:
        skin_b = Skin(**{**vars(skin_a), "phase": float(rng.uniform(0, 6.28))})
        skin_b.colour = np.clip(
            skin_a.colour * (1 + rng.normal(0, rng.choice([0, 0.05, 0.2]))), 0.005, 1
        )
    else:
        skin_b = skin_of(rng)
    leads[0].skin, leads[1].skin = skin_a, skin_b
    trick = ""
    if answer == NEITHER:
        trick = str(
            rng.choice(
                ["plastic", "third", "touch", "one", "none", "flat", "blown"],
                p=[0.3, 0.2, 0.15, 0.08, 0.07, 0.12, 0.08],
            )
        )
    top = int(rng.integers(0, 2)) if answer == NEITHER else answer
    gap = rng.uniform(0.85, 1.5)
    up, low = leads[top], leads[1 - top]
    low.base = low.half * rng.choice([0.6, 1.0, 1.0, 2.5])
    up.base = up.half * rng.choice([0.6, 1.0]) if rng.random() < 0.7 else low.base
    up.lift = max(gap * (up.half + low.half) + low.base - up.base, 0.5 * low.half)
    up.lift_length = float(
        w * rng.choice([rng.uniform(1.2, 3), rng.uniform(3, 9), 1e3]) / np.sin(angle) ** 0.5
    )
    drawn = [low, up]
    if trick == "touch":
        low.kink = float(np.tan(angle / 2)) if angle < 1.2 else 0.6
        low.angle = up.angle + rng.choice([0, np.pi])
        low.offset = 1.03 * (up.half + low.half)
        up.lift = 0.0
    if trick == "one":
        drawn = [up]
    if trick == "none":
        drawn = []
    # Neighbours: beside either lead, on its level or another; or a third one across near by.
    if rng.random() < 0.4:
        for _ in range(int(rng.integers(1, 4))):
            own = leads[int(rng.integers(0, 2))]
            level = drawn.index(own) if own in drawn else 0
            side = rng.choice([-1, 1]) * rng.uniform(1.0, 1.7) * rng.choice([1, 1, 2])
            mate = Lead(
                own.angle + rng.normal(0, 0.03),
                own.offset + side * 2 * own.half,
                own.bow,
                own.half * rng.uniform(0.9, 1.1),
                own.base,
                own.lift,
                own.lift_length,
            )
            mate.skin = (
                own.skin
                if rng.random() < 0.4
                else skin_of(rng, own.skin.colour if rng.random() < 0.3 else None)
            )
            if rng.random() < 0.75:
                drawn.insert(level + int(rng.integers(0, 2)), mate)
            else:
                mate.lift = float(rng.uniform(0, 3) * w)
                drawn.insert(int(rng.integers(0, len(drawn) + 1)), mate)
    if rng.random() < 0.2 or trick == "third":
        over = trick == "third"
        lie = turn + (rng.uniform(0, np.pi) if not over else rng.uniform(0, np.pi))
        off = (
            rng.normal(0, 0.15) * w
            if over
            else rng.choice([-1, 1]) * rng.uniform(1.6, 3.2) * w * stretch**0.7
        )
        third = Lead(
            lie,
            float(off),
            0.0,
            0.5 * w * (rng.uniform(1.0, 1.6) if over else rng.uniform(0.7, 1.3)),
        )
        third.skin = skin_of(rng, skin_a.colour if rng.random() < 0.3 else None)
        third.base, third.lift, third.lift_length = 0.5 * w, 2.2 * w, 1e3
        if over:
            drawn.append(third)
        else:
            drawn.insert(int(rng.integers(0, len(drawn) + 1)), third)
    yy, xx = np.mgrid[0:size, 0:size].astype(np.float32) - np.float32(size / 2 - 0.5)
    image = ground(rng, size, w, leads[int(rng.integers(0, 2))].angle)
    lean = rng.uniform(0, 1.3)
    way = rng.uniform(0, 2 * np.pi)
    light = np.float32([np.cos(way) * np.sin(lean), np.sin(way) * np.sin(lean), np.cos(lean)])
    sky = float(rng.uniform(0.25, 0.85))
    flat = trick == "flat"
    height = np.zeros((size, size), np.float32)
    noise = cv2.GaussianBlur(noise_of(rng, size), (0, 0), rng.uniform(0.5, 1.5)) * 2
    if flat:
        # One colour, no shading: nothing in such a picture tells who is on top.
        for lead in drawn:
            _, u = lead.local(xx, yy)
            image[np.abs(u) < 1] = skin_a.colour
    else:
        for lead in drawn:
            along, u = lead.local(xx, yy)
            mask = np.abs(u) < 1
            if not mask.any():
                continue
            s, v = along[mask], u[mask]
            bump, side = profile(v, lead.skin.flat)
            z = (
                lead.base
                + lead.lift * np.exp(-0.5 * (s / lead.lift_length) ** 2)
                + lead.half * bump
            )
            image[mask] = painted(rng, lead.skin, lead, s, v, side, bump, light, sky, noise[mask])
            height[mask] = z
        image = shadowed(rng, image, height, light, w)
    if trick == "plastic":
        image = plastic(rng, image, w, w * stretch * rng.uniform(0.75, 1.6))
    elif rng.random() < 0.06:
        image = corner_plastic(rng, image, w, stretch)
    if trick == "blown":
        image = image * rng.uniform(8, 40)
    return np.clip(image, 0, None), leads, (NEITHER if trick else answer), w, trick


def shadowed(rng, image, height, light, w: float) -> np.ndarray:
    if rng.random() < 0.8:
        strength = rng.uniform(0.1, 0.8)
        flatness = max(float(np.hypot(light[0], light[1])), 1e-3)
        dark = np.zeros_like(height)
        rise = float(light[2]) / flatness
        step = max(0.35 * w, 1.0)
        for k in range(1, 9):
            d = k * step
            dx, dy = -light[0] / flatness * d, -light[1] / flatness * d
            move = np.float32([[1, 0, dx], [0, 1, dy]])
            cast = cv2.warpAffine(height, move, height.shape[::-1]) - d * rise
            dark = np.maximum(dark, np.clip((cast - height) / (0.12 * w) - 0.5, 0, 1))
        dark = cv2.GaussianBlur(dark, (0, 0), rng.uniform(0.05, 0.5) * w)
        image = image * (1 - strength * dark)[..., None]
    depth = rng.uniform(0, 1.2) / w
    around = cv2.GaussianBlur(height, (0, 0), rng.uniform(0.35, 0.9) * w)
    return image * np.exp(-depth * np.clip(around - height, 0, None))[..., None]
