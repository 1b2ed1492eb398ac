"""Leads of the invented close-ups: where they lie and how their skins look in the light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

__all__ = ["Lead", "Skin", "across", "colour_of", "painted", "profile", "skin_of"]


@dataclass(eq=False)
class Lead:
    """Lies through (0, offset) turned by `angle`; bends by `bow`; `half` width, px."""

    angle: float
    offset: float
    bow: float
    half: float
    base: float = 0.0
    lift: float = 0.0
    lift_length: float = 1.0
    kink: float = 0.0  # > 0: comes to the middle and turns back (touches, does not cross)
    end: float = np.inf  # not drawn beyond, px along
    skin: Skin | None = None

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
class Skin:
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


def colour_of(rng: np.random.Generator) -> np.ndarray:
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


def skin_of(rng: np.random.Generator, colour: np.ndarray | None = None) -> Skin:
    kind = str(rng.choice(SKINS, p=SHARES))
    colour = colour_of(rng) if colour is None else colour
    if kind == "metal":
        colour = np.float32(rng.uniform(0.15, 0.5)) * np.float32([1, 1, 1]) + np.float32(
            rng.normal(0, 0.02, 3)
        )
    second = colour_of(rng) if rng.random() < 0.6 else np.clip(colour * rng.uniform(0.3, 2.0), 0, 1)
    return Skin(
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


CLEAR_RAD = np.radians(20)  # nearer, what lies over the crossing is taken for a lead itself


def across(rng: np.random.Generator, leads: tuple[Lead, Lead]) -> float:
    """A direction (radians) that is neither lead's."""
    while True:
        way = rng.uniform(0, np.pi)
        if min(abs(np.sin(way - lead.angle)) for lead in leads) > np.sin(CLEAR_RAD):
            return way


def profile(u: np.ndarray, flat: float) -> tuple[np.ndarray, np.ndarray]:
    """Height 0..1 of the section at u in -1..1 and how far the surface leans (sine)."""
    lean = np.sign(u) * np.clip((np.abs(u) - flat) / (1 - flat), 0, 1)
    up = np.sqrt(np.clip(1 - lean**2, 0.0, 1))
    return up, lean


def painted(rng, skin: Skin, lead: Lead, along, u, lean, up, light, sky, noise) -> np.ndarray:
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
