"""Grounds for `tests.benchmarks.traced_light`: what loose cables lie on, as sRGB pictures.

Plain ones are drawn here (wood, cloth, concrete, steel, paint); printed ones are newspaper,
drawings, circuit prints and patterned cloth drawn here, and textures and pictures that come with
scikit-image (free to use, see its data folder).
"""

from __future__ import annotations

import string

import cv2
import numpy as np

__all__ = ["plain", "printed"]


def _noise(rng, shape, sigma_x: float, sigma_y: float | None = None) -> np.ndarray:
    """Smooth noise of spread 1."""
    high, wide = shape
    coarse = max(min(sigma_x, sigma_y or sigma_x) / 2, 1.0)
    small = rng.normal(0, 1, (int(high / coarse) + 2, int(wide / coarse) + 2)).astype(np.float32)
    small = cv2.GaussianBlur(
        small, (0, 0), sigmaX=sigma_x / coarse, sigmaY=(sigma_y or sigma_x) / coarse
    )
    noise = cv2.resize(small, (wide, high), interpolation=cv2.INTER_CUBIC)
    return noise / max(noise.std(), 1e-6)


def plain(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[np.ndarray, str]:
    """(RGB float 0..255 (H, W, 3), name of the material)."""
    kind = str(rng.choice(["wood", "cloth", "concrete", "steel", "paint", "paper"]))
    high, wide = shape
    if kind == "wood":
        base = np.array(
            [(196, 154, 108), (150, 104, 64), (222, 190, 146), (96, 66, 44)][rng.integers(0, 4)]
        )
        warp = _noise(rng, shape, 260, 60) * rng.uniform(15, 45)
        yy = np.arange(high, dtype=np.float32)[:, None] + warp
        rings = np.sin(2 * np.pi * yy / rng.uniform(18, 60)) * 0.5 + _noise(rng, shape, 120, 1.2)
        pores = np.clip(_noise(rng, shape, 25, 0.8) - 1.8, 0, None)
        tone = 1 + 0.06 * rng.uniform(0.4, 1.6) * rings - 0.2 * pores
        image = base * tone[..., None]
        for at in np.cumsum(rng.uniform(150, 420, 12)):  # boards
            if at < high and rng.random() < 0.7:
                image[int(at) : int(at) + 2] *= 0.55
    elif kind == "cloth":
        base = rng.uniform(20, 235, 3) if rng.random() < 0.5 else np.full(3, rng.uniform(25, 235))
        pitch = rng.uniform(3, 9)
        yy, xx = np.mgrid[0:high, 0:wide].astype(np.float32)
        bend = _noise(rng, shape, 90) * 3
        weave = np.sin(2 * np.pi * (xx + bend) / pitch) * np.sin(2 * np.pi * (yy + bend) / pitch)
        if rng.random() < 0.3:  # ribs one way, as corduroy
            weave = np.sin(2 * np.pi * (xx + bend) / (2.5 * pitch))
        tone = 1 + rng.uniform(0.03, 0.16) * weave + 0.03 * _noise(rng, shape, 1.2)
        folds = 1 + 0.05 * _noise(rng, shape, 150, 60)
        image = base * (tone * folds)[..., None]
    elif kind == "concrete":
        base = rng.uniform(90, 190) * (1 + rng.normal(0, 0.03, 3))
        tone = 1 + 0.07 * _noise(rng, shape, 120) + 0.05 * _noise(rng, shape, 14)
        tone += 0.05 * _noise(rng, shape, 1.5)
        image = base * tone[..., None]
        _spots(rng, image, 300, (1, 4), 0.6)
        for _ in range(int(rng.integers(0, 4))):  # cracks
            p = rng.uniform(0, 1, 2) * (wide, high)
            walk = np.cumsum(rng.normal(0, 5, (90, 2)) + rng.normal(0, 5, 2), axis=0) + p
            cv2.polylines(image, [walk.astype(np.int32)], False, [40.0] * 3, 1, cv2.LINE_AA)
    elif kind == "steel":
        base = rng.uniform(110, 190) * (1 + rng.normal(0, 0.02, 3))
        tone = 1 + 0.05 * _noise(rng, shape, 60, 0.8) + 0.05 * _noise(rng, shape, 200)
        image = base * tone[..., None]
        for _ in range(int(rng.integers(5, 60))):  # scratches
            p = rng.uniform(0, 1, 2) * (wide, high)
            q = p + rng.normal(0, 120, 2)
            light = float(rng.uniform(60, 240))
            cv2.line(image, _at(p), _at(q), [light] * 3, 1, cv2.LINE_AA)
    else:
        base = rng.uniform(20, 235, 3) if rng.random() < 0.6 else np.full(3, rng.uniform(15, 240))
        if kind == "paper":
            base = np.array([rng.uniform(215, 245)] * 3) * (1, 0.99, rng.uniform(0.9, 1))
        tone = 1 + 0.02 * _noise(rng, shape, 80) + 0.012 * _noise(rng, shape, 1.0)
        image = base * tone[..., None]
        _spots(rng, image, int(rng.integers(0, 60)), (1, 3), 0.7)
    return np.clip(image, 3, 250).astype(np.float32), kind


def _at(p) -> tuple[int, int]:
    return int(p[0]), int(p[1])


def _spots(rng, image: np.ndarray, count: int, radius: tuple[int, int], tone: float) -> None:
    high, wide = image.shape[:2]
    for _ in range(count):
        x, y = int(rng.uniform(0, wide)), int(rng.uniform(0, high))
        colour = (image[y, x] * tone).tolist()
        cv2.circle(image, (x, y), int(rng.integers(*radius)), colour, -1, cv2.LINE_AA)


def printed(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[np.ndarray, str]:
    """As `plain`, with print on it."""
    drawers = {
        "newspaper": _newspaper,
        "drawing": _drawing,
        "circuit": _circuit,
        "pattern": _pattern,
        "photo": _stock,
    }
    kind = str(rng.choice(list(drawers), p=[0.27, 0.2, 0.18, 0.15, 0.2]))
    image = drawers[kind](rng, shape)
    image = image * (1 + 0.015 * _noise(rng, shape, 1.0) + 0.02 * _noise(rng, shape, 90))[..., None]
    return np.clip(image, 3, 250).astype(np.float32), kind


FONTS = (
    cv2.FONT_HERSHEY_COMPLEX, cv2.FONT_HERSHEY_TRIPLEX, cv2.FONT_HERSHEY_SIMPLEX,
    cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_PLAIN,
)  # fmt: skip


def _words(rng, count: int) -> str:
    letters = np.array(list(string.ascii_lowercase + "eeeaaiioonnrrst"))
    words = ["".join(rng.choice(letters, int(rng.integers(2, 9)))) for _ in range(count)]
    return " ".join(w.capitalize() if rng.random() < 0.12 else w for w in words)


def _newspaper(rng, shape) -> np.ndarray:
    high, wide = shape
    image = np.full((high, wide, 3), rng.uniform(195, 242)) * (1, 0.985, rng.uniform(0.85, 0.98))
    image = np.ascontiguousarray(image, np.uint8)
    column = int(rng.uniform(170, 420))
    size = float(rng.uniform(0.35, 0.9))
    for x in range(15, wide, column + 22):
        y = int(rng.uniform(10, 60))
        while y < high:
            kind = rng.random()
            if kind < 0.12:  # a headline
                tall = rng.uniform(1.0, 3.0)
                y += int(28 * tall)
                ink = [float(rng.uniform(10, 60))] * 3
                if rng.random() < 0.25:
                    ink = rng.uniform(0, 200, 3).tolist()
                text, font = _words(rng, 3), FONTS[int(rng.integers(0, 4))]
                cv2.putText(image, text, (x, y), font, tall, ink, int(2 + tall), cv2.LINE_AA)
                y += int(14 * tall)
            elif kind < 0.2:  # a picture
                picture = _from_stock(rng, ("astronaut", "camera", "coffee", "chelsea", "rocket"))
                tall = min(int(column * rng.uniform(0.5, 1.0)), high - y)
                span = min(column, wide - x)
                if tall > 20 and span > 20:
                    image[y : y + tall, x : x + span] = cv2.resize(picture, (span, tall))
                y += tall + 12
            elif kind < 0.24:
                cv2.rectangle(image, (x, y), (x + column, y + 4), [40.0] * 3, -1)
                y += 16
            else:
                for _ in range(int(rng.integers(4, 22))):
                    y += int(30 * size)
                    text = _words(rng, 12)[: int(column / (19 * size))]
                    ink = [float(rng.uniform(25, 60))] * 3
                    cv2.putText(image, text, (x, y), FONTS[0], size, ink, 1, cv2.LINE_AA)
                y += int(18 * size)
    return image


def _drawing(rng, shape) -> np.ndarray:
    """Lines, arcs, hatching and dimensions on white or blue paper."""
    high, wide = shape
    blue = rng.random() < 0.25
    paper, ink = ((40, 70, 140), (225, 232, 245)) if blue else ((240, 240, 236), (25, 25, 35))
    image = np.empty((high, wide, 3), np.uint8)
    image[:] = paper
    if rng.random() < 0.4:
        step = int(rng.uniform(14, 45))
        tone = tuple(0.8 * np.array(paper) + 0.2 * np.array(ink))
        for x in range(0, wide, step):
            cv2.line(image, (x, 0), (x, high), tone, 1)
        for y in range(0, high, step):
            cv2.line(image, (0, y), (wide, y), tone, 1)
    for _ in range(int(rng.integers(120, 420))):
        thick = int(rng.choice([1, 2, 3, 5], p=[0.4, 0.3, 0.2, 0.1]))
        p = rng.uniform(0, 1, 2) * (wide, high)
        size = np.exp(rng.uniform(np.log(20), np.log(350), 2))
        kind = rng.integers(0, 6)
        if kind == 0:
            cv2.rectangle(image, _at(p), _at(p + size), ink, thick, cv2.LINE_AA)
        elif kind == 1:
            for r in np.sort(size)[: int(rng.integers(1, 3))]:
                cv2.circle(image, _at(p), int(r / 2), ink, thick, cv2.LINE_AA)
        elif kind == 2:
            turn = float(rng.uniform(0, 360))
            cv2.ellipse(image, _at(p), _at(size), turn, 0, 200, ink, thick, cv2.LINE_AA)
        elif kind == 3:
            for k in range(int(size[0] / 8)):
                q = p + (8 * k, 0)
                cv2.line(image, _at(q), _at(q + (size[1] / 3, size[1] / 3)), ink, 1, cv2.LINE_AA)
        elif kind == 4:
            q = p + rng.choice([-1, 1]) * size * rng.choice([0, 1], 2)
            cv2.arrowedLine(image, _at(p), _at(q), ink, 1, cv2.LINE_AA, tipLength=0.04)
            text = f"{rng.uniform(1, 400):.1f}"
            cv2.putText(image, text, _at((p + q) / 2), 0, 0.6, ink, 1, cv2.LINE_AA)
        else:
            knots = p + np.cumsum(rng.normal(0, 70, (6, 2)), axis=0)
            t = np.linspace(0, 5, 120)
            from scipy.interpolate import CubicSpline

            curve = CubicSpline(np.arange(6), knots)(t).astype(np.int32)
            cv2.polylines(image, [curve], False, ink, thick, cv2.LINE_AA)
    return image


def _circuit(rng, shape) -> np.ndarray:
    """Copper ways and pads on a board."""
    high, wide = shape
    board, copper = [
        ((18, 70, 42), (60, 125, 70)),
        ((22, 40, 90), (60, 90, 150)),
        ((30, 90, 50), (200, 165, 80)),
        ((25, 25, 28), (70, 70, 75)),
    ][int(rng.integers(0, 4))]
    image = np.empty((high, wide, 3), np.uint8)
    image[:] = board
    pitch = int(rng.uniform(14, 34))
    ways = np.array([(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1)])
    for _ in range(int(rng.integers(200, 800))):
        at = np.round(rng.uniform(0, 1, 2) * (wide, high) / pitch) * pitch
        way = int(rng.integers(0, 8))
        thick = int(rng.choice([2, 3, 5, 9], p=[0.35, 0.3, 0.25, 0.1]))
        line = [at]
        for _ in range(int(rng.integers(2, 7))):
            line.append(line[-1] + ways[way] * pitch * int(rng.integers(1, 12)))
            way = (way + int(rng.choice([-1, 1]))) % 8
        for k in range(int(rng.choice([1, 1, 1, 4, 8]))):
            moved = (np.array(line) + (k * 2.2 * thick, k * 2.2 * thick)).astype(np.int32)
            cv2.polylines(image, [moved], False, copper, thick, cv2.LINE_AA)
        for p in (line[0], line[-1]):
            cv2.circle(image, _at(p), thick + 3, (205, 190, 140), -1, cv2.LINE_AA)
            cv2.circle(image, _at(p), max(thick - 1, 2), (20, 20, 20), -1, cv2.LINE_AA)
    for _ in range(int(rng.integers(20, 110))):
        p = rng.uniform(0, 1, 2) * (wide, high)
        q = p + np.exp(rng.uniform(np.log(15), np.log(150), 2))
        dark = [float(rng.uniform(15, 45))] * 3
        if rng.random() < 0.6:
            cv2.rectangle(image, _at(p), _at(q), dark, -1)
        cv2.rectangle(image, _at(p - 3), _at(q + 3), (225, 225, 220), 2, cv2.LINE_AA)
        label = f"R{rng.integers(1, 99)}"
        cv2.putText(image, label, _at(p - 8), 0, 0.6, (225, 225, 220), 1, cv2.LINE_AA)
    return image


def _pattern(rng, shape) -> np.ndarray:
    """Printed cloth or wax paper: stripes, checks, dots, rings."""
    high, wide = shape
    yy, xx = np.mgrid[0:high, 0:wide].astype(np.float32)
    pitch = float(np.exp(rng.uniform(np.log(14), np.log(110))))
    one, two, three = rng.uniform(15, 240, (3, 3))
    turn = rng.uniform(0, np.pi)
    u = (xx * np.cos(turn) + yy * np.sin(turn)) / pitch
    v = (yy * np.cos(turn) - xx * np.sin(turn)) / pitch
    kind = rng.integers(0, 4)
    if kind == 0:
        share = (u % 1 < rng.uniform(0.2, 0.6)).astype(np.float32)
    elif kind == 1:
        share = 0.5 * ((u % 1 < 0.5).astype(np.float32) + (v % 1 < 0.5))
    elif kind == 2:
        share = (np.hypot(u % 1 - 0.5, v % 1 - 0.5) < 0.3).astype(np.float32)
    else:
        share = (np.abs(np.hypot(u % 1 - 0.5, v % 1 - 0.5) - 0.33) < 0.08).astype(np.float32)
    share = cv2.GaussianBlur(share, (0, 0), 0.7)[..., None]
    image = (one * (1 - share) + two * share).astype(np.uint8)
    for _ in range(int(rng.integers(0, 90))):  # sprigs
        p = rng.uniform(0, 1, 2) * (wide, high)
        for _ in range(6):
            q = p + rng.normal(0, 40, 2)
            cv2.line(image, _at(p), _at(q), three.tolist(), 2, cv2.LINE_AA)
            cv2.circle(image, _at(q), int(rng.integers(4, 12)), three.tolist(), -1, cv2.LINE_AA)
    return image


def _from_stock(rng, names: tuple[str, ...]) -> np.ndarray:
    """One of scikit-image's pictures, RGB."""
    import skimage.data

    image = np.asarray(getattr(skimage.data, str(rng.choice(names)))())
    return (np.dstack([image] * 3) if image.ndim == 2 else image[..., :3]).astype(np.float64)


def _stock(rng, shape) -> np.ndarray:
    """A picture or a real texture that fills the ground, a texture tiled by mirror images."""
    high, wide = shape
    textures = ("brick", "grass", "gravel", "page", "text", "coins")
    photos = ("coffee", "chelsea", "retina", "immunohistochemistry", "astronaut")
    if rng.random() < 0.5:
        tile = _from_stock(rng, textures)
        zoom = rng.uniform(0.8, 2.2)
        tile = np.clip(
            cv2.resize(tile, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA), 0, 255
        )
        tile = np.concatenate([tile, tile[:, ::-1]], 1)
        tile = np.concatenate([tile, tile[::-1]], 0)
        times = (high // tile.shape[0] + 1, wide // tile.shape[1] + 1, 1)
        image = np.tile(tile, times)[:high, :wide]
        return image * rng.uniform(0.8, 1.1, 3)
    picture = _from_stock(rng, photos)
    return np.clip(cv2.resize(picture, (wide, high), interpolation=cv2.INTER_CUBIC), 0, 255)
