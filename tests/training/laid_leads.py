"""Invented pictures of leads laid in the channels of a steel plate, for training the tracer.

Bundles of 2 to 8 leads run side by side and over each other in a channel, come in from
branches, and lie partly under lumps of plastic. They are drawn by the renderer of
`tests.benchmarks.loose_cables`; ground, shade of the channel walls and plastic are added here.
Nothing is shared with the rendered plates that the tracer is measured on.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from tests.benchmarks.loose_cables import Cable, cable_heights, drawn

__all__ = ["bundled", "laid", "laid_leads", "longest_inside", "resampled"]

SKINS = (  # BGR of common insulations
    (45, 45, 190), (60, 130, 50), (220, 222, 222), (160, 195, 215), (35, 35, 38),
    (50, 75, 115), (160, 90, 50), (60, 190, 215), (130, 130, 132), (60, 120, 210),
)  # fmt: skip


def laid_leads(
    rng: np.random.Generator, size_px: tuple[int, int] = (640, 900), harder: bool = False
) -> tuple[np.ndarray, tuple[Cable, ...]]:
    """One random picture (height, width), BGR uint8, and its leads with what of them is seen."""
    image, cables, _ = laid(rng, size_px, harder)
    return image, cables


def laid(
    rng: np.random.Generator, size_px: tuple[int, int] = (640, 900), harder: bool = False
) -> tuple[np.ndarray, tuple[Cable, ...], list[np.ndarray]]:
    """As `laid_leads`, and the height of each lead's middle line above the floor, px."""
    height, width = size_px
    w = float(np.exp(rng.uniform(np.log(4.2), np.log(17))))
    count = int(rng.integers(2, 9))
    half = 0.5 * w * max(count * rng.uniform(0.7, 1.5), 2.0)
    trunk, branches = _network(rng, width, height, half)
    curves, heights, looks = [], [], []
    palette = [_skin(rng) for _ in range(int(rng.integers(1, 5)))]
    thin = rng.uniform(0.6, 1.0)
    for _ in range(count):
        course = branches[int(rng.integers(0, len(branches)))] if branches else trunk
        breadth = w * (thin if rng.random() < 0.4 else 1.0) * rng.uniform(0.94, 1.06)
        line = _laid(rng, course, half - 0.5 * breadth, breadth)
        line = longest_inside(line, breadth, (width, height))
        if len(line) > 20 * w:
            level = _wander(rng, len(line), 25 * w, 0.6) + rng.choice([0.0, 0.0, 0.9, 1.8])
            curves.append(line)
            heights.append(0.5 * breadth + w * np.maximum(level, 0.0))
            colour = palette[int(rng.integers(0, len(palette)))] + rng.normal(0, 3, 3)
            looks.append((breadth, np.clip(colour, 4, 250)))
    if not curves:
        return laid(rng, size_px, harder)
    lifted = cable_heights(rng, curves, [b for b, _ in looks])
    heights = [np.maximum(h, up) for h, up in zip(heights, lifted, strict=True)]
    floor = np.zeros((height, width), np.uint8)
    for course in [trunk, *branches]:
        fixed = np.round(course * 16).astype(np.int32)
        cv2.polylines(floor, [fixed], False, 255, max(int(2 * half), 2), cv2.LINE_AA, 4)
    ends = [tuple(int(v) for v in c[0]) for c in branches]
    for end in ends:
        cv2.circle(floor, end, int(rng.uniform(1.5, 3) * half), 255, -1, cv2.LINE_AA)
    image, cables = drawn(rng, _plate(rng, floor), curves, heights, looks, harder)
    picture = _shaded(rng, image.astype(np.float32), floor, w)
    picture, hidden = _photographed(
        rng, picture, curves, (w, half), most_lumps=6, lump=7, noise=0.5, quality=55
    )
    return picture, tuple(_uncovered(cable, hidden) for cable in cables), heights


def longest_inside(line: np.ndarray, margin: float, size_px: tuple[int, int]) -> np.ndarray:
    """The longest run of a line (N, 2) within a picture (width, height), clear of its edges."""
    inside = (line > margin).all(1) & (line < np.subtract(size_px, margin)).all(1)
    runs = np.flatnonzero(np.diff(np.concatenate([[0], inside, [0]]))).reshape(-1, 2)
    if not len(runs):
        return line[:0]
    first, end = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    return line[first:end]


def _photographed(
    rng, picture: np.ndarray, curves, w_half, *, most_lumps: int, lump: float, noise: float, quality
) -> tuple[np.ndarray, np.ndarray]:
    """The picture with lumps of plastic on the leads, from a camera, and (H, W) what they hide."""
    w, half = w_half
    hidden = np.zeros(picture.shape[:2], np.float32)
    for _ in range(int(rng.integers(0, most_lumps + 1))):
        line = curves[int(rng.integers(0, len(curves)))]
        place = line[int(rng.integers(0, len(line)))] + rng.normal(0, half, 2)
        picture, hidden = _lump(rng, picture, hidden, place, float(rng.uniform(1, lump) * w))
    picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.3, 0.9))
    picture = np.clip(picture + rng.normal(0, rng.uniform(noise, 5), picture.shape), 0, 255)
    code = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(quality, 97))]
    return cv2.imdecode(cv2.imencode(".jpg", picture.astype(np.uint8), code)[1], 1), hidden


def _uncovered(cable: Cable, hidden: np.ndarray) -> Cable:
    x, y = np.round(cable.points_px).astype(int).T
    return replace(cable, visible=cable.visible & (hidden[y, x] < 0.5))


def _skin(rng: np.random.Generator) -> np.ndarray:
    if rng.random() < 0.75:
        return np.array(SKINS[int(rng.integers(0, len(SKINS)))]) * rng.uniform(0.75, 1.12)
    return rng.uniform(15, 235, 3)


def _network(rng, width: int, height: int, half: float):
    """Middle lines of the trunk channel and of the branches, each with the trunk behind it."""
    turned = rng.random() < 0.5
    long, broad = (height, width) if turned else (width, height)
    x = np.linspace(-0.1, 1.1, int(rng.integers(2, 5)) + 1) * long
    y = broad * (rng.uniform(0.25, 0.75) + rng.normal(0, rng.choice([0.0, 0.08]), len(x)))
    knots = np.stack([x, y], 1)
    slant = rng.uniform(-0.25, 0.25)
    knots[:, 1] += slant * (knots[:, 0] - 0.5 * long)
    branches = []
    for _ in range(int(rng.integers(0, 4))):
        at = rng.uniform(0.1, 0.8) * long
        joint = np.array([at, np.interp(at, knots[:, 0], knots[:, 1])])
        lean = np.radians(rng.choice([90, rng.uniform(40, 90)])) * rng.choice([-1, 1])
        start = joint + rng.uniform(0.15, 0.4) * broad * np.array([-np.cos(lean), np.sin(lean)])
        branches.append(np.concatenate([[start, joint], knots[knots[:, 0] > at + 3 * half]]))
    lines = [_rounded(k, half * rng.uniform(1.3, 2.5) + 2) for k in (knots, *branches)]
    if turned:
        lines = [line[:, ::-1].copy() for line in lines]
    return lines[0], lines[1:]


def resampled(line: np.ndarray) -> np.ndarray:
    """One point per pixel."""
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    return np.stack([np.interp(np.arange(int(at[-1])), at, line[:, c]) for c in (0, 1)], 1)


def _rounded(knots: np.ndarray, radius: float) -> np.ndarray:
    line = resampled(knots)
    return resampled(_smoothed(line, radius))


def _smoothed(values: np.ndarray, sigma: float) -> np.ndarray:
    """Columns of `values` (N, C) smoothed along; the ends stay where they are."""
    n = int(3 * sigma) + 1
    before = 2 * values[0] - values[1 : n + 1][::-1]
    behind = 2 * values[-1] - values[-n - 1 : -1][::-1]
    padded = np.concatenate([before, values, behind])
    smooth = cv2.GaussianBlur(padded, (1, 2 * n + 1), sigma, borderType=cv2.BORDER_REPLICATE)
    return smooth[len(before) : len(before) + len(values)]


def _wander(rng, count: int, every: float, size: float) -> np.ndarray:
    """A smooth random course, one value per pixel."""
    knots = rng.normal(0, size, int(count / every) + 4)
    at = np.arange(count) / every + rng.uniform(0, 1)
    i, t = at.astype(int), at % 1
    t = t * t * (3 - 2 * t)
    return knots[i] * (1 - t) + knots[i + 1] * t


def _laid(rng, course: np.ndarray, room: float, w: float) -> np.ndarray:
    """A lead along `course`, to one side of it and wandering, at most `room` off the middle."""
    way = np.gradient(course, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-6)[:, None]
    off = rng.uniform(-1, 1) * room + _wander(
        rng, len(course), rng.uniform(12, 40) * w, rng.uniform(0.1, 1.0) * w
    )
    if rng.random() < 0.3:
        off += np.sign(-off[0]) * room / (1 + np.exp(-_ramp(rng, len(course), w)))
    off = np.clip(off, -room, room)
    line = course + off[:, None] * np.stack([-way[:, 1], way[:, 0]], 1)
    return resampled(_smoothed(resampled(line), 1.2 * w))


def _ramp(rng, count: int, w: float) -> np.ndarray:
    return (np.arange(count) - rng.uniform(0.2, 0.8) * count) / (rng.uniform(1.5, 6) * w)


def _plate(rng, floor: np.ndarray) -> np.ndarray:
    """Brushed steel with the darker floor of the channels, float BGR."""
    height, width = floor.shape
    noise = rng.normal(0, 1, (height, width)).astype(np.float32)
    brushed = cv2.GaussianBlur(noise, (0, 0), sigmaX=rng.uniform(8, 40), sigmaY=0.7)
    if rng.random() < 0.3:
        brushed = cv2.resize(np.ascontiguousarray(brushed.T), (width, height))
    blotch = cv2.GaussianBlur(rng.normal(0, 1, (height, width)).astype(np.float32), (0, 0), 45)
    steel = rng.uniform(85, 200) + brushed / brushed.std() * rng.uniform(3, 22)
    steel += blotch / blotch.std() * rng.uniform(2, 18)
    image = steel[..., None] * (1 + rng.normal(0, 0.02, 3))
    for _ in range(int(rng.integers(0, 12))):
        p, q = (rng.uniform(0, 1, (2, 2)) * (width, height)).astype(int).tolist()
        cv2.line(image, p, q, [float(rng.uniform(60, 250))] * 3, 1, cv2.LINE_AA)
    base = rng.uniform(22, 110) * (1 + rng.normal(0, 0.03, 3))
    grain = cv2.GaussianBlur(noise[::-1], (0, 0), 1.0)
    milled = base + (grain / grain.std() * rng.uniform(0.5, 6))[..., None]
    share = floor[..., None].astype(np.float32) / 255
    image = image * (1 - share) + milled * share
    if rng.random() < 0.6:  # a broken edge that catches light
        rim = cv2.morphologyEx(floor, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
        image += rim[..., None].astype(np.float32) / 255 * rng.uniform(-40, 70)
    return np.clip(image, 0, 255).astype(np.float32)


def _shaded(rng, image: np.ndarray, floor: np.ndarray, w: float) -> np.ndarray:
    """The wall on the side of the light throws its shade over floor and leads."""
    way, far = rng.uniform(0, 2 * np.pi), rng.uniform(0.2, 2.5) * w
    move = np.float32([[1, 0, far * np.cos(way)], [0, 1, far * np.sin(way)]])
    face = cv2.warpAffine(255 - floor, move, floor.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
    dark = (face.astype(np.float32) / 255) * (floor.astype(np.float32) / 255)
    dark = cv2.GaussianBlur(dark, (0, 0), rng.uniform(0.5, 0.4 * w + 1))
    image = image * (1 - rng.uniform(0.1, 0.65) * dark)[..., None]
    gloom = 1 - rng.uniform(0, 0.35) * floor.astype(np.float32) / 255
    return image * gloom[..., None]


def _lump(rng, image: np.ndarray, hidden: np.ndarray, place: np.ndarray, size: float):
    """Hardened plastic over `place`; returns the picture and what is hidden (0..1)."""
    height, width = hidden.shape
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float32)
    grid = rng.normal(0, 1, (int(height / size) + 4, int(width / size) + 4))
    wild = cv2.resize(grid, (width, height), interpolation=cv2.INTER_CUBIC)
    far = np.hypot(xx - place[0], (yy - place[1]) * rng.uniform(0.6, 1.6)) / size
    field = (1.2 - far + 0.45 * wild).astype(np.float32)
    cover = np.clip(field * size / 1.5 + 0.5, 0, 1)
    bump = cv2.GaussianBlur(np.clip(field, 0, 0.5), (0, 0), 0.15 * size + 0.6)
    lit = cv2.Sobel(bump, -1, 1, 0) * rng.uniform(-1, 1) + cv2.Sobel(bump, -1, 0, 1)
    colour = np.full(3, rng.uniform(150, 235)) if rng.random() < 0.5 else rng.uniform(20, 220, 3)
    tone = colour * np.clip(1 + lit * rng.uniform(-2, 2), 0.35, 1.4)[..., None]
    return image * (1 - cover[..., None]) + tone * cover[..., None], np.maximum(hidden, cover)


def bundled(
    rng: np.random.Generator, size_px: tuple[int, int] = (260, 900), harder: bool = False
) -> tuple[np.ndarray, tuple[Cable, ...]]:
    """A stretch of channel full of thin leads side by side: picture and leads, as `laid_leads`.

    Leads keep their lanes, change places with a neighbour over or under it, come in from the
    side and leave; some lie in a second row on top.
    """
    height, width = size_px
    w = float(np.exp(rng.uniform(np.log(3.5), np.log(9.5))))
    count = int(rng.integers(3, 13))
    pitch = w * rng.uniform(0.4, 1.1)
    course = _channel_course(rng, width, height)
    way = np.gradient(course, axis=0)
    way /= np.hypot(*way.T)[:, None]
    side = np.stack([-way[:, 1], way[:, 0]], 1)
    lanes = _lanes(rng, count, len(course), w) * pitch
    palette = [_skin(rng) for _ in range(int(rng.integers(1, 6)))]
    curves, heights, looks, doors = [], [], [], []
    thin, slack = rng.uniform(0.6, 1.0), rng.uniform(0.0, 0.35)
    for lane in lanes:
        breadth = w * (thin if rng.random() < 0.3 else 1.0) * rng.uniform(0.95, 1.05)
        off = lane + _wander(rng, len(course), rng.uniform(12, 40) * w, slack * w)
        line = course + off[:, None] * side
        if rng.random() < 0.4:  # comes in from the side, or leaves to it
            at = int(rng.uniform(0.1, 0.7) * len(line))
            out = side[at] * rng.choice([-1.0, 1.0]) + rng.uniform(-0.8, 0.3) * way[at]
            door = line[at] + out * rng.uniform(0.3, 0.7) * height
            line = np.concatenate([[door], line[at : at + 1], line[at + int(2 * w) :]])
            line = _rounded(line, rng.uniform(1.0, 2.0) * w + 1)
            doors.append((door, course[at]))
        line = resampled(_smoothed(resampled(line), 1.0 * w))
        if rng.random() < 0.5:
            line = line[::-1]
        line = longest_inside(line, breadth, (width, height))
        if len(line) <= 20 * w:
            continue
        level = _wander(rng, len(line), 25 * w, 0.35) + rng.choice([0.0, 0.0, 0.4, 0.85])
        curves.append(line)
        heights.append(0.5 * breadth + w * np.maximum(level, 0.0))
        colour = palette[int(rng.integers(0, len(palette)))] + rng.normal(0, 3, 3)
        looks.append((breadth, np.clip(colour, 4, 250)))
    if len(curves) < 2:
        return bundled(rng, size_px, harder)
    lifted = cable_heights(rng, curves, [b for b, _ in looks])
    heights = [np.maximum(h, up) for h, up in zip(heights, lifted, strict=True)]
    half = 0.5 * pitch * count * rng.uniform(0.95, 1.5) + 0.5 * w
    floor = np.zeros((height, width), np.uint8)
    for piece in [course, *(np.array(d) for d in doors)]:
        breadth = 2 * half if piece is course else rng.uniform(2, 5) * w
        fixed = np.round(piece * 16).astype(np.int32)
        cv2.polylines(floor, [fixed], False, 255, max(int(breadth), 2), cv2.LINE_AA, 4)
    ground = _plate(rng, floor)
    if rng.random() < 0.35:  # shadowless: floor and face alike
        ground = cv2.GaussianBlur(ground, (0, 0), 4) * rng.uniform(0.6, 1.3)
    image, cables = drawn(rng, np.clip(ground, 0, 255), curves, heights, looks, harder)
    picture = _shaded(rng, image.astype(np.float32), floor, w)
    picture, hidden = _photographed(
        rng, picture, curves, (w, half), most_lumps=4, lump=6, noise=0.3, quality=60
    )
    return picture, tuple(_uncovered(cable, hidden) for cable in cables)


def _channel_course(rng, width: int, height: int) -> np.ndarray:
    knots = int(rng.integers(2, 6))
    x = np.linspace(-0.05, 1.05, knots) * width
    y = height * (0.5 + rng.normal(0, rng.choice([0.02, 0.1]), knots))
    return _rounded(np.stack([x, y], 1), rng.uniform(10, 60))


def _lanes(rng, count: int, length: int, w: float) -> np.ndarray:
    """(count, length) lane numbers about zero; neighbours change places now and then."""
    order = list(rng.permutation(count).astype(float) - 0.5 * (count - 1))
    lanes = np.repeat(np.array(order)[:, None], length, 1)
    for at in np.sort(rng.uniform(0, length, int(rng.integers(0, count)))):
        i = int(rng.integers(0, count))
        now = lanes[:, -1]
        apart = np.abs(now - now[i])
        apart[i] = np.inf
        j = int(np.argmin(apart + rng.uniform(0, 1, count)))
        share = 1 / (1 + np.exp(-(np.arange(length) - at) / (rng.uniform(1.0, 5) * w)))
        move = (now[j] - now[i]) * share
        lanes[i] += move
        if rng.random() < 0.8:
            lanes[j] -= move
    return lanes
