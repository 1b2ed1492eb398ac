"""Invented close-ups of two leads that cross, with the truth, for training the judge.

Each picture is worked out pixel by pixel: two (or more) round or flat leads with a skin, one
lifted over the other, lit from one side over a soft surround, shadows by comparing heights
along the light, darkening near contact by the smoothed height. Then the photo: blur in linear
light, shrinking, noise, sharpening, JPEG. Everything is drawn from wide ranges. Nothing here
is shared with the pictures that the judge is measured on (`tests.benchmarks`).

    python -m tests.training.crossing_pictures OUT.npz --count 8000 --start 0
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import cv2
import numpy as np

from mapper.trace.rectify import HALF_BANDS, MOST_STRETCH, crossing_patch

__all__ = ["A_ON_TOP", "B_ON_TOP", "NEITHER", "Picture", "patches", "picture"]

A_ON_TOP, B_ON_TOP, NEITHER = 0, 1, 2
TAKES = 4  # photos made of one scene


@dataclass(frozen=True, eq=False)
class Picture:
    """`image_bgr` (S, S, 3) uint8, two paths (N, 2) px as someone may have traced them, the
    widths used, the truth: 0 a on top, 1 b on top, 2 neither to be told."""

    image_bgr: np.ndarray
    paths: tuple[np.ndarray, np.ndarray]
    widths_px: tuple[float, float]
    answer: int


@dataclass(eq=False)
class _Lead:
    """Lies through (0, offset) turned by `angle`; bends by `bow`; `half` width, px."""

    angle: float
    offset: float
    bow: float
    half: float
    base: float = 0.0
    lift: float = 0.0
    lift_length: float = 1.0
    kink: float = 0.0  # > 0: comes to the middle and turns back (touches, does not cross)
    skin: _Skin | None = None

    def local(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        c, s = np.float32(np.cos(self.angle)), np.float32(np.sin(self.angle))
        along, across = x * c + y * s, y * c - x * s
        slope = 2 * self.bow * along
        middle = self.offset + self.bow * along**2
        if self.kink:
            root = np.sqrt(along**2 + (2 * self.half) ** 2)
            middle = middle + self.kink * (root - 2 * self.half)
            slope = slope + self.kink * along / root
        return along, (across - middle) / np.sqrt(1 + slope**2) / np.float32(self.half)

    def path(self, along: np.ndarray) -> np.ndarray:
        middle = self.offset + self.bow * along**2
        if self.kink:
            middle = middle + self.kink * (np.sqrt(along**2 + (2 * self.half) ** 2) - 2 * self.half)
        c, s = np.cos(self.angle), np.sin(self.angle)
        return np.stack([along * c - middle * s, along * s + middle * c], 1)


@dataclass(eq=False)
class _Skin:
    kind: str
    colour: np.ndarray
    second: np.ndarray
    gloss: float
    sharp: float
    pitch: float
    phase: float
    strength: float
    flat: float
    grain: float
    band: float


def _colour(rng: np.random.Generator) -> np.ndarray:
    """Linear-light BGR 0..1."""
    pick = rng.random()
    if pick < 0.4:
        grey = rng.choice([rng.uniform(0.02, 0.12), rng.uniform(0.1, 0.5), rng.uniform(0.5, 0.95)])
        return np.clip(grey * (1 + rng.normal(0, 0.06, 3)), 0.01, 1).astype(np.float32)
    hsv = np.uint8([[[rng.integers(0, 180), rng.integers(60, 250), rng.integers(50, 250)]]])
    bgr = cv2.cvtColor(hsv, cv2.COLOR_HSV2BGR)[0, 0].astype(np.float32) / 255
    return np.clip(bgr**2.2, 0.005, 1)


SKINS = ("plain", "braid", "twist", "tape", "stripe", "metal", "glass", "flecks")
SHARES = np.array([0.4, 0.12, 0.08, 0.08, 0.08, 0.09, 0.1, 0.05])


def _skin(rng: np.random.Generator, colour: np.ndarray | None = None) -> _Skin:
    kind = str(rng.choice(SKINS, p=SHARES))
    colour = _colour(rng) if colour is None else colour
    if kind == "metal":
        colour = np.float32(rng.uniform(0.15, 0.5)) * np.float32([1, 1, 1]) + np.float32(
            rng.normal(0, 0.02, 3)
        )
    second = _colour(rng) if rng.random() < 0.6 else np.clip(colour * rng.uniform(0.3, 2.0), 0, 1)
    return _Skin(
        kind,
        colour,
        second,
        float(rng.uniform(0, 1) ** 2 * (1.5 if kind == "metal" else 0.7)),
        float(np.exp(rng.uniform(np.log(4), np.log(90)))),
        float(rng.uniform(0.5, 3.0)),
        float(rng.uniform(0, 6.28)),
        float(rng.uniform(0.1, 0.8)),
        float(rng.uniform(0.5, 0.95)) if rng.random() < 0.12 else 0.0,
        float(rng.uniform(0, 0.12)),
        float(rng.uniform(-0.7, 0.7)),
    )


def _profile(u: np.ndarray, flat: float) -> tuple[np.ndarray, np.ndarray]:
    """Height 0..1 of the section at u in -1..1 and how far the surface leans (sine)."""
    lean = np.sign(u) * np.clip((np.abs(u) - flat) / (1 - flat), 0, 1)
    up = np.sqrt(np.clip(1 - lean**2, 0.0, 1))
    return up, lean


def _paint(rng, skin: _Skin, lead: _Lead, along, u, lean, up, light, sky, noise) -> np.ndarray:
    """Linear light (N, 3) of the surface; `along` px, `u` -1..1 (N,)."""
    c, s = np.cos(lead.angle), np.sin(lead.angle)
    across_light = -light[0] * s + light[1] * c
    along_light = light[0] * c + light[1] * s
    bend = np.zeros_like(lean)
    round_ = np.arcsin(np.clip(lean, -1, 1)) / np.pi
    at = along / (2 * lead.half)
    colour = np.broadcast_to(skin.colour, (len(at), 3))
    wave = 2 * np.pi * at / skin.pitch + skin.phase
    if skin.kind == "braid":
        p, q = np.sin(wave + 5 * round_), np.sin(wave - 5 * round_)
        mix = (skin.strength * (p * q > 0))[:, None].astype(np.float32)
        colour = colour * (1 - 0.5 * mix) + skin.second * 0.5 * mix
        bend = 0.25 * skin.strength * np.cos(wave + 5 * round_)
    elif skin.kind == "twist":
        ridge = wave + 3 * round_
        bend = 0.6 * skin.strength * np.cos(ridge)
        if skin.phase > 3:
            mix = (np.sin(ridge / 2) > 0)[:, None]
            colour = np.where(mix, colour, skin.second)
    elif skin.kind == "tape":
        mix = (np.sin(wave + 2.5 * round_) > 1 - 2 * skin.strength)[:, None]
        colour = np.where(mix, colour, colour * 0.8 + 0.2 * skin.second)
        bend = 0.3 * (np.sin(wave + 2.5 * round_) > 0.97)
    elif skin.kind == "stripe":
        if skin.phase > 3:
            mix = np.abs(u - skin.band) < 0.15 + 0.3 * skin.strength
        else:
            mix = np.sin(wave / 2) > 1 - 0.6 * skin.strength
        colour = np.where(mix[:, None], skin.second, colour)
    elif skin.kind == "flecks":
        mix = np.sin(2.3 * wave) * np.sin(9 * round_ + skin.phase) > 0.5
        colour = np.where(mix[:, None], skin.second, colour)
    nx, nz = lean, up
    shade = np.clip(nx * across_light + bend * along_light + nz * light[2], 0, 1)
    value = sky * (0.55 + 0.45 * up) + (1 - sky) * shade
    half = np.float32([across_light, along_light, light[2] + 1])
    half /= np.linalg.norm(half)
    sharp = skin.sharp * (2.5 if skin.kind == "metal" else 1.0)
    facing = np.clip(nx * half[0] + bend * half[1] + nz * half[2], 0, 1)
    shine = skin.gloss * facing**sharp
    if skin.kind == "metal":
        value = value * (0.6 + 0.4 * np.cos(2 * np.pi * (1.3 * round_ + skin.phase)))
        shine = shine + 0.3 * skin.strength * (np.abs(u - skin.band) < 0.2)
    grain = 1 + skin.grain * noise
    if skin.kind == "glass":
        grain = grain + 0.15 * skin.strength * np.sin(17 * u + 3 * np.sin(at + skin.phase))
    return colour * (value * grain)[:, None] + shine[:, None]


def _ground(rng: np.random.Generator, size: int, w: float, axis: float) -> np.ndarray:
    """Linear light (S, S, 3)."""
    image = np.empty((size, size, 3), np.float32)
    image[:] = _colour(rng)
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
            image = image * (1 - share) + share * _colour(rng)
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
        image = _plastic(rng, image, w, None)
    blotch = cv2.resize(
        rng.normal(0, 1, (8, 8)).astype(np.float32), (size, size), interpolation=cv2.INTER_CUBIC
    )
    image *= (1 + rng.uniform(0, 0.25) * blotch + rng.uniform(0, 0.1) * _noise(rng, size))[
        ..., None
    ]
    return np.clip(image, 0, 1.5)


def _noise(rng: np.random.Generator, size: int) -> np.ndarray:
    return rng.normal(0, 1, (size, size)).astype(np.float32)


def _plastic(rng, image: np.ndarray, w: float, over: float | None) -> np.ndarray:
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
    colour = _colour(rng)
    lit = 1 + np.clip(bump * rng.uniform(-6, 6), -0.6, 1.5)
    return image * (1 - cover[..., None]) + (cover * lit)[..., None] * colour


def _scene(rng: np.random.Generator):
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
        _Lead(turn, 0.0, float(bow[0]), wa / 2),
        _Lead(turn + angle * rng.choice([-1, 1]), 0.0, float(bow[1]), wb / 2),
    ]
    same = rng.random() < 0.4
    skin_a = _skin(rng)
    if same:
        skin_b = _Skin(**{**vars(skin_a), "phase": float(rng.uniform(0, 6.28))})
        skin_b.colour = np.clip(
            skin_a.colour * (1 + rng.normal(0, rng.choice([0, 0.05, 0.2]))), 0.005, 1
        )
    else:
        skin_b = _skin(rng)
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
            mate = _Lead(
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
                else _skin(rng, own.skin.colour if rng.random() < 0.3 else None)
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
        third = _Lead(
            lie,
            float(off),
            0.0,
            0.5 * w * (rng.uniform(1.0, 1.6) if over else rng.uniform(0.7, 1.3)),
        )
        third.skin = _skin(rng, skin_a.colour if rng.random() < 0.3 else None)
        third.base, third.lift, third.lift_length = 0.5 * w, 2.2 * w, 1e3
        if over:
            drawn.append(third)
        else:
            drawn.insert(int(rng.integers(0, len(drawn) + 1)), third)
    yy, xx = np.mgrid[0:size, 0:size].astype(np.float32) - np.float32(size / 2 - 0.5)
    image = _ground(rng, size, w, leads[int(rng.integers(0, 2))].angle)
    lean = rng.uniform(0, 1.3)
    way = rng.uniform(0, 2 * np.pi)
    light = np.float32([np.cos(way) * np.sin(lean), np.sin(way) * np.sin(lean), np.cos(lean)])
    sky = float(rng.uniform(0.25, 0.85))
    flat = trick == "flat"
    height = np.zeros((size, size), np.float32)
    noise = cv2.GaussianBlur(_noise(rng, size), (0, 0), rng.uniform(0.5, 1.5)) * 2
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
            bump, side = _profile(v, lead.skin.flat)
            z = (
                lead.base
                + lead.lift * np.exp(-0.5 * (s / lead.lift_length) ** 2)
                + lead.half * bump
            )
            image[mask] = _paint(rng, lead.skin, lead, s, v, side, bump, light, sky, noise[mask])
            height[mask] = z
        image = _shadows(rng, image, height, light, w)
    if trick == "plastic":
        image = _plastic(rng, image, w, w * stretch * rng.uniform(0.75, 1.6))
    elif rng.random() < 0.06:
        image = _corner_plastic(rng, image, w, stretch)
    if trick == "blown":
        image = image * rng.uniform(8, 40)
    return np.clip(image, 0, None), leads, (NEITHER if trick else answer), w, trick


def _corner_plastic(rng, image, w: float, stretch: float) -> np.ndarray:
    """Plastic near by that leaves the crossing itself free."""
    size = len(image)
    lump = _plastic(rng, image, w, w * rng.uniform(0.8, 1.5))
    way = rng.uniform(0, 2 * np.pi)
    far = (2.8 + 0.4 * stretch) * w
    move = np.float32([[1, 0, far * np.cos(way)], [0, 1, far * np.sin(way)]])
    moved = cv2.warpAffine(lump - image, move, (size, size))
    return np.maximum(image + moved * (np.abs(moved).sum(2, keepdims=True) > 0.02), 0)


def _shadows(rng, image, height, light, w: float) -> np.ndarray:
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


def _take(rng: np.random.Generator, linear: np.ndarray, w: float) -> tuple[np.ndarray, float]:
    """One photo of the scene: sRGB uint8 and its pixels per scene pixel."""
    size = len(linear)
    small = float(np.exp(rng.uniform(np.log(1.4), np.log(12.0))))
    scale = min(small / w, 1.0)
    image = linear * rng.uniform(0.6, 1.3) * (1 + rng.normal(0, 0.06, 3).astype(np.float32))
    before = rng.uniform(0, 0.25) * w if rng.random() < 0.6 else rng.uniform(0, 0.1) * w
    if before > 0.3:
        image = cv2.GaussianBlur(image, (0, 0), before)
    if rng.random() < 0.12:
        image = _smear(rng, image, int(rng.uniform(0.2, 0.9) * w) | 1)
    if scale < 1:
        n = max(int(round(size * scale)), 12)
        scale = n / size
        image = cv2.resize(image, (n, n), interpolation=cv2.INTER_AREA)
    if rng.random() < 0.8:
        image = cv2.GaussianBlur(image, (0, 0), rng.uniform(0.3, 0.9))
    white = max(float(np.percentile(image, 99)), 1e-3)
    if rng.random() < 0.7 and white < 3:
        image = image / white * rng.uniform(0.3, 1.2)
    photo = np.clip(image, 0, 1) ** np.float32(1 / rng.uniform(1.9, 2.5)) * 255
    noise = rng.normal(0, 1, photo.shape).astype(np.float32)
    if rng.random() < 0.3:
        noise = cv2.GaussianBlur(noise, (0, 0), 0.7) * 1.6
    photo = photo + noise * np.exp(rng.uniform(np.log(0.5), np.log(10)))
    if rng.random() < 0.4:
        amount = rng.uniform(0.3, 1.6)
        photo = photo + amount * (photo - cv2.GaussianBlur(photo, (0, 0), rng.uniform(0.6, 1.5)))
    photo = np.clip(photo, 0, 255).astype(np.uint8)
    if rng.random() < 0.9:
        code = cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(25, 96))])
        photo = cv2.imdecode(code[1], cv2.IMREAD_COLOR)
    return photo, scale


def _smear(rng, image: np.ndarray, length: int) -> np.ndarray:
    kernel = np.zeros((length + 2, length + 2), np.float32)
    way = rng.uniform(0, np.pi)
    half = length / 2 * np.array([np.cos(way), np.sin(way)])
    mid = (length + 1) / 2
    p, q = (np.round(mid + half).astype(int).tolist(), np.round(mid - half).astype(int).tolist())
    cv2.line(kernel, p, q, 1.0, 1, cv2.LINE_AA)
    return cv2.filter2D(image, -1, kernel / max(kernel.sum(), 1e-6))


def picture(rng: np.random.Generator) -> list[Picture]:
    """The `TAKES` photos of one random scene, each with its own slips of the paths."""
    linear, leads, answer, w, trick = _scene(rng)
    takes = []
    for _ in range(TAKES):
        photo, scale = _take(rng, linear.astype(np.float32), w)
        paths, widths = [], []
        for k, lead in enumerate(leads):
            along = np.linspace(-0.8 * len(linear), 0.8 * len(linear), 41)
            path = lead.path(along)
            if trick == "touch":  # traced as if they crossed
                path = _Lead(
                    lead.angle + (0.5 if k else -0.5) * rng.uniform(0.2, 0.6), 0, 0, 1
                ).path(along)
            path = (path + len(linear) / 2) * scale - 0.5
            width = 2 * lead.half * scale
            slip = np.clip(rng.normal(0, 0.13, 2), -0.35, 0.35) * width
            path = path + slip + rng.normal(0, 0.04 * width, path.shape)
            seen = np.hypot(width, rng.uniform(0, 2.4)) if rng.random() < 0.6 else width
            paths.append(path)
            widths.append(float(seen * np.exp(np.clip(rng.normal(0, 0.3), -0.7, 0.7))))
        takes.append(Picture(photo, (paths[0], paths[1]), (widths[0], widths[1]), answer))
    return takes


def patches(rng: np.random.Generator) -> list[tuple[np.ndarray, int]]:
    """(patch, truth) for the photos of one random scene, as the judge would cut them."""
    found = []
    for take in picture(rng):
        arcs = []
        middle = np.full(2, len(take.image_bgr) / 2 - 0.5)
        for path in take.paths:
            at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
            arcs.append(at - at[np.argmin(np.hypot(*(path - middle).T))])
        patch = crossing_patch(take.image_bgr, take.paths, (arcs[0], arcs[1]), take.widths_px)
        if patch is not None:
            found.append((patch, take.answer))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out")
    parser.add_argument("--count", type=int, default=8000, help="scenes")
    parser.add_argument("--start", type=int, default=0, help="number of the first scene")
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    pictures, answers, numbers = [], [], []
    for number in range(chosen.start, chosen.start + chosen.count):
        for patch, answer in patches(np.random.default_rng([4, number])):
            pictures.append(patch)
            answers.append(answer)
            numbers.append(number)
    np.savez(
        chosen.out, patch=np.array(pictures), answer=np.uint8(answers), scene=np.int32(numbers)
    )


if __name__ == "__main__":
    main()
