"""One invented scene of two crossing leads, in linear light: layout, painting, shadows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from mapper.trace.rectify import HALF_BANDS, MOST_STRETCH
from tests.training.crossing_grounds import (
    corner_plastic,
    ground,
    half_covered,
    noise_of,
    painted_over,
    plastic,
)
from tests.training.crossing_leads import Lead, Skin, across, painted, profile, skin_of

__all__ = ["A_ON_TOP", "B_ON_TOP", "MORE_TRICKS", "NEITHER", "Scene", "scene"]

A_ON_TOP, B_ON_TOP, NEITHER = 0, 1, 2
NEITHER_SHARE = 0.27
# Why nothing can be told, and how often.
TRICKS = {
    "plastic": 0.22,
    "painted": 0.22,
    "third": 0.18,
    "touch": 0.12,
    "one": 0.06,
    "none": 0.05,
    "flat": 0.07,
    "blown": 0.05,
    "dark": 0.03,
}
MORE_TRICKS = ("tee", "half")  # one lead is not seen beyond the other; half is covered


@dataclass(frozen=True, eq=False)
class Scene:
    """`linear` (S, S, 3) linear light, crossing in the middle; `leads` a and b; `answer` 0 a on
    top, 1 b on top, 2 neither to be told, then `trick` says why; `width` mean of the two, px."""

    linear: np.ndarray
    leads: tuple[Lead, Lead]
    answer: int
    width: float
    trick: str


def scene(rng: np.random.Generator, only: Sequence[str] = ()) -> Scene:
    """A random scene; `only`: nothing can be told, for one of these reasons."""
    trick = ""
    if only:
        trick = str(rng.choice(only))
    elif rng.random() < NEITHER_SHARE:
        trick = str(rng.choice(list(TRICKS), p=list(TRICKS.values())))
    top = int(rng.integers(0, 2))
    angle = float(np.radians(90 - 82 * rng.random() ** 1.2))
    stretch = min(1 / np.sin(angle), MOST_STRETCH)
    ratio = float(np.exp(np.clip(rng.normal(0, 0.22), -0.9, 0.9)))
    reach = (
        HALF_BANDS * stretch * np.sqrt(2 + 2 * np.cos(angle)) * 1.45
    )  # widths may be read too large
    w = float(np.clip(125 / reach, 5.2, 9.5))
    size = int(2 * reach * w * max(ratio, 1 / ratio) ** 0.5) + 8
    leads = _pair(rng, angle, (w * ratio**0.5, w / ratio**0.5))
    up, low = leads[top], leads[1 - top]
    _stacked(rng, up, low, w / np.sin(angle) ** 0.5)
    hides = max(w, 2 * up.half, 2 * low.half) / (2 * np.sin(angle / 2))
    drawn = [low, up]
    if trick == "touch":
        low.kink = float(np.tan(angle / 2)) if angle < 1.2 else 0.6
        low.angle = up.angle + rng.choice([0, np.pi])
        low.offset = 1.03 * (up.half + low.half)
        up.lift = 0.0
    if trick == "tee":
        stops, other = (up, low) if rng.random() < 0.5 else (low, up)
        stops.end = float(rng.uniform(-1.0, 0.9) * other.half / np.sin(angle))
    if trick == "one":
        drawn = [up]
    if trick == "none":
        drawn = []
    _with_neighbours(rng, drawn, leads)
    if rng.random() < 0.2 or trick == "third":
        _with_third(rng, drawn, leads, w, stretch, hides if trick == "third" else 0.0)
    image = ground(rng, size, w, leads[int(rng.integers(0, 2))].angle)
    if trick == "flat":
        # One colour, no shading: nothing in such a picture tells who is on top.
        yy, xx = _grid(size)
        for lead in drawn:
            image[np.abs(lead.local(xx, yy)[1]) < 1] = leads[0].skin.colour
    else:
        image = _lit(rng, image, drawn, w)
    if trick == "plastic":
        image = plastic(rng, image, w, hides * rng.uniform(1.0, 1.9))
    elif trick == "painted":
        image = painted_over(rng, image, hides * rng.uniform(1.05, 2.3), leads)
    elif trick == "half":
        image = half_covered(rng, image, hides, leads)
    elif rng.random() < 0.08:
        image = corner_plastic(rng, image, w, stretch)
    if trick == "blown":
        image = image * rng.uniform(8, 40)
    if trick == "dark":
        image = image * rng.uniform(0.0002, 0.003)
    answer = NEITHER if trick else top
    return Scene(np.clip(image, 0, None).astype(np.float32), leads, answer, w, trick)


def _grid(size: int) -> tuple[np.ndarray, np.ndarray]:
    yy, xx = np.mgrid[0:size, 0:size].astype(np.float32) - np.float32(size / 2 - 0.5)
    return yy, xx


def _pair(rng, angle: float, widths: tuple[float, float]) -> tuple[Lead, Lead]:
    """Leads a and b through the middle; half of them of one colour or nearly so."""
    turn = rng.uniform(0, np.pi)
    bow = rng.normal(0, 0.02, 2) / sum(widths) * 2 * rng.choice([0.3, 1.0, 1.5]) * np.sin(angle)
    a = Lead(turn, 0.0, float(bow[0]), widths[0] / 2)
    b = Lead(turn + angle * rng.choice([-1, 1]), 0.0, float(bow[1]), widths[1] / 2)
    a.skin = skin_of(rng)
    if rng.random() < 0.5:
        b.skin = Skin(**{**vars(a.skin), "phase": float(rng.uniform(0, 6.28))})
        unlike = rng.normal(0, rng.choice([0, 0.05, 0.2])) + rng.normal(0, rng.choice([0, 0.04]), 3)
        b.skin.colour = np.clip(a.skin.colour * (1 + unlike), 0.005, 1).astype(np.float32)
    else:
        b.skin = skin_of(rng)
    return a, b


def _stacked(rng, up: Lead, low: Lead, length: float) -> None:
    """Lift `up` over `low`; `length` px is the scale of its arch."""
    low.base = low.half * rng.choice([0.6, 1.0, 1.0, 2.5])
    up.base = up.half * rng.choice([0.6, 1.0]) if rng.random() < 0.7 else low.base
    gap = rng.uniform(0.85, 1.5)
    up.lift = max(gap * (up.half + low.half) + low.base - up.base, 0.5 * low.half)
    up.lift_length = float(length * rng.choice([rng.uniform(1.2, 3), rng.uniform(3, 9), 1e3]))


def _with_neighbours(rng, drawn: list[Lead], leads: tuple[Lead, Lead]) -> None:
    """Leads alongside, put into `drawn` (lowest first): single ones, or a whole bundle."""
    kind = rng.random()
    if kind < 0.3:  # single ones, on the level of the lead they follow or on another
        for _ in range(int(rng.integers(1, 4))):
            own = leads[int(rng.integers(0, 2))]
            side = rng.choice([-1, 1]) * rng.uniform(1.0, 1.7) * rng.choice([1, 1, 2])
            mate = _mate(rng, own, side, rng.normal(0, 0.03), same=0.4)
            if rng.random() < 0.75:
                level = drawn.index(own) if own in drawn else 0
                drawn.insert(level + int(rng.integers(0, 2)), mate)
            else:
                mate.lift = float(rng.uniform(0, 6) * own.half)
                drawn.insert(int(rng.integers(0, len(drawn) + 1)), mate)
    elif kind < 0.55:  # a bundle: one lead, or either, is one of several close together
        for own in leads if rng.random() < 0.4 else (leads[int(rng.integers(0, 2))],):
            if own not in drawn:
                continue
            step, fan = rng.uniform(0.98, 1.25), rng.normal(0, 0.02)
            first = int(rng.integers(-4, 1))
            for place in range(first, first + int(rng.integers(2, 6))):
                if place == 0:
                    continue
                side = place * step + rng.normal(0, 0.05)
                mate = _mate(rng, own, side, place * fan, same=0.6)
                drawn.insert(drawn.index(own) + int(rng.integers(0, 2)), mate)


def _mate(rng, own: Lead, side: float, turn: float, same: float) -> Lead:
    """A lead beside `own`, `side` widths away."""
    mate = Lead(
        own.angle + turn,
        own.offset + side * 2 * own.half,
        own.bow,
        own.half * rng.uniform(0.9, 1.1),
        own.base,
        own.lift,
        own.lift_length,
    )
    alike = own.skin.colour if rng.random() < 0.3 else None
    mate.skin = own.skin if rng.random() < same else skin_of(rng, alike)
    return mate


def _with_third(rng, drawn: list[Lead], leads, w: float, stretch: float, hides: float) -> None:
    """One more lead across: over the crossing, so that it hides `hides` px, or (0) near by."""
    over = hides > 0
    lie = across(rng, leads) if over else rng.uniform(0, np.pi)
    off = rng.choice([-1, 1]) * rng.uniform(1.6, 3.2) * w * stretch**0.7
    half = 0.5 * w * rng.uniform(0.7, 1.3)
    if over:
        off = rng.normal(0, 0.15) * w
        half = max(0.5 * w * rng.uniform(1.1, 2.5), 0.8 * hides + abs(off))
    third = Lead(lie, float(off), 0.0, half)
    third.skin = skin_of(rng, leads[0].skin.colour if rng.random() < 0.3 else None)
    third.base, third.lift, third.lift_length = 0.5 * w, 2.2 * w, 1e3
    drawn.insert(len(drawn) if over else int(rng.integers(0, len(drawn) + 1)), third)


def _lit(rng, image: np.ndarray, drawn: list[Lead], w: float) -> np.ndarray:
    """The leads painted on the ground, lowest first, with shadows."""
    size = len(image)
    lean, way = rng.uniform(0, 1.3), rng.uniform(0, 2 * np.pi)
    light = np.float32([np.cos(way) * np.sin(lean), np.sin(way) * np.sin(lean), np.cos(lean)])
    sky = float(rng.uniform(0.25, 0.85))
    height = np.zeros((size, size), np.float32)
    noise = cv2.GaussianBlur(noise_of(rng, size), (0, 0), rng.uniform(0.5, 1.5)) * 2
    yy, xx = _grid(size)
    for lead in drawn:
        along, u = lead.local(xx, yy)
        mask = (np.abs(u) < 1) & (along < lead.end)
        if not mask.any():
            continue
        s, v = along[mask], u[mask]
        bump, side = profile(v, lead.skin.flat)
        z = lead.base + lead.lift * np.exp(-0.5 * (s / lead.lift_length) ** 2) + lead.half * bump
        image[mask] = painted(rng, lead.skin, lead, s, v, side, bump, light, sky, noise[mask])
        height[mask] = z
    return _shadowed(rng, image, height, light, w)


def _shadowed(rng, image, height, light, w: float) -> np.ndarray:
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
