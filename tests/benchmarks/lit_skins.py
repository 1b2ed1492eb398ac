"""What cables are made of, for `tests.benchmarks.traced_light`, and the mesh of one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.lit_courses import Course

__all__ = ["Skin", "skin", "tube"]

COLOURS = {  # sRGB of common leads
    "white": (232, 231, 226), "beige": (205, 184, 148), "light grey": (170, 172, 174),
    "grey": (105, 108, 110), "black": (24, 24, 26), "red": (178, 28, 30), "blue": (28, 60, 150),
    "brown": (92, 58, 38), "green": (30, 110, 58), "yellow": (224, 186, 40),
    "orange": (224, 104, 28), "violet": (92, 52, 130), "pink": (222, 140, 160),
}  # fmt: skip
AROUND = 28


@dataclass(frozen=True)
class Skin:
    """`weave`: plain, braid, twisted, striped, lettered or corrugated."""

    name: str
    rgb: tuple[float, float, float]
    second: tuple[float, float, float]
    weave: str
    pitch: float  # in widths
    relief: float  # in radii
    strands: int
    roughness: float
    metallic: float
    specular: float


def skin(rng: np.random.Generator) -> Skin:
    def colour() -> tuple[str, tuple]:
        name = str(rng.choice(list(COLOURS)))
        rgb = np.array(COLOURS[name]) * rng.uniform(0.8, 1.1) + rng.normal(0, 5, 3)
        return name, tuple(np.clip(rgb, 8, 242))

    name, rgb = colour()
    weave = str(
        rng.choice(
            ["plain", "braid", "twisted", "striped", "lettered"], p=[0.5, 0.2, 0.12, 0.09, 0.09]
        )
    )
    _, second = colour()
    metallic, roughness = 0.0, float(np.exp(rng.uniform(np.log(0.12), np.log(0.7))))
    if weave == "braid":
        roughness = float(rng.uniform(0.35, 0.85))
        if rng.random() < 0.25:
            name, rgb, metallic = "steel braid", (165, 165, 160), float(rng.uniform(0.6, 0.95))
        second = tuple(np.array(rgb) * rng.uniform(0.55, 0.9))
        if rng.random() < 0.2:  # a tracer thread of another colour
            second = colour()[1]
    if weave == "twisted" and rng.random() < 0.5:
        second = rgb
    return Skin(
        f"{name} {weave}",
        rgb,
        second,
        weave,
        float(rng.uniform(0.5, 1.1) if weave == "braid" else rng.uniform(2.5, 7)),
        float(rng.uniform(0.02, 0.09)),
        int(rng.integers(2, 4)),
        roughness,
        metallic,
        float(rng.uniform(0.3, 0.7)),
    )


def tube(course: Course, look: Skin):
    """Places (V, 3), normals (V, 3), sRGB colours (V, 3) and faces (F, 3) of a cable."""
    width = 2 * course.radius
    at = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(course.points, axis=0), axis=1))])
    step = max(0.08 * width, 0.5)
    s = np.linspace(0, at[-1], int(at[-1] / step) + 2)
    line = np.stack([np.interp(s, at, course.points[:, c]) for c in range(3)], 1)
    way = np.gradient(line, axis=0)
    way /= np.linalg.norm(way, axis=1)[:, None]
    side = np.cross(way, (0.0, 0.0, 1.0))
    side /= np.linalg.norm(side, axis=1)[:, None]
    top = np.cross(side, way)
    turn = np.arange(AROUND) * 2 * np.pi / AROUND
    radius, share = _surface(look, s / width, turn)
    out = np.cos(turn)[None, :, None] * side[:, None] + np.sin(turn)[None, :, None] * top[:, None]
    places = line[:, None] + course.radius * radius[..., None] * out
    along = np.gradient(places, axis=0)
    round_ = np.roll(places, -1, 1) - np.roll(places, 1, 1)
    normal = np.cross(round_, along)
    normal /= np.maximum(np.linalg.norm(normal, axis=2), 1e-9)[..., None]
    normal *= np.sign(np.einsum("ijk,ijk->ij", normal, out))[..., None]
    colour = np.array(look.rgb) * (1 - share[..., None]) + np.array(look.second) * share[..., None]
    n = len(s)
    i, j = np.mgrid[0 : n - 1, 0:AROUND]
    a, b = i * AROUND + j, i * AROUND + (j + 1) % AROUND
    c, d = a + AROUND, b + AROUND
    faces = np.concatenate([np.stack([a, b, c], -1), np.stack([b, d, c], -1)]).reshape(-1, 3)
    ends = []
    for first, flip in ((0, False), ((n - 1) * AROUND, True)):
        fan = [[first, first + k, first + k + 1] for k in range(1, AROUND - 1)]
        ends += [f[::-1] for f in fan] if flip else fan
    faces = np.concatenate([faces, np.array(ends)])
    return places.reshape(-1, 3), normal.reshape(-1, 3), colour.reshape(-1, 3), faces


def _surface(look: Skin, s: np.ndarray, turn: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Radius over the cable's and share of the second colour, (len(s), len(turn)).

    `s` in widths along the cable.
    """
    along = s[:, None] / look.pitch
    flat = np.zeros((len(s), len(turn)))
    if look.weave == "braid":
        one = np.sin(2 * np.pi * along + 4 * turn)
        two = np.sin(2 * np.pi * along - 4 * turn)
        pattern = one * two
        return 1 - look.relief * (0.5 - 0.5 * pattern), np.clip(0.5 - pattern, 0, 1) * 0.8
    if look.weave == "twisted":
        phase = turn - 2 * np.pi * along / look.strands
        lobe = (phase * look.strands / (2 * np.pi)) % 1 - 0.5  # -0.5..0.5 within a strand
        small = np.pi / look.strands
        # Strands are circles that touch; their outline from the middle.
        r = np.sin(small) / (1 + np.sin(small))
        m = 1 - r
        angle = lobe * 2 * small
        reach = m * np.cos(angle) + np.sqrt(np.maximum(r**2 - (m * np.sin(angle)) ** 2, 0))
        which = np.floor(phase * look.strands / (2 * np.pi)) % look.strands
        return reach, (which == 0).astype(float)
    if look.weave == "striped":
        stripe = np.abs((turn - 2 * np.pi * along * 0.15) % (2 * np.pi) - np.pi) < 0.45
        return 1 + flat, stripe + flat
    if look.weave == "lettered":
        letters = (np.sin(s * 9.0) + np.sin(s * 14.3) > 0.4) & (s % 14 < 7)
        face = np.abs(turn - np.pi * 0.45) < 0.3
        return 1 + flat, (letters[:, None] & face[None]) * 0.9
    return 1 + flat, flat
