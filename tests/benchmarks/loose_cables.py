"""Invented pictures of loose cables on a bench, with exact truth. For measuring; never for
training with the seed of the benchmark.

Every cable is a smooth space curve with a round section, drawn with a depth buffer, so that
who lies on top, what is hidden and where the shadows fall follow from the geometry. Grounds:
"plain" (bench, fabric, wood), "printed" (text, rules, drawings, strong pattern), and
"loops" (plain ground, cables that loop, cross themselves and each other). Colours may be
equal. The look varies as much as the code can make it vary: light, gloss, braid, noise,
sharpness, JPEG, scale.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from scipy.interpolate import CubicSpline

from tests.benchmarks.sleeves import random_sleeve

__all__ = [
    "Cable",
    "Cross",
    "Scene",
    "bench",
    "cable_heights",
    "crosses",
    "degraded",
    "drawn",
    "lead_colour",
    "loose_cables",
    "meetings",
]

Ground = Literal["plain", "printed", "loops"]
# Of the harder pictures: shares of leads, and the shadow's length over the height at most.
LIKE_GROUND, SLEEVED, FLATTEST = 0.15, 0.4, 1.75


@dataclass(frozen=True, eq=False)
class Cable:
    """`points_px` (N, 2) centre line, one about every pixel; `visible` (N,) bool."""

    points_px: np.ndarray
    visible: np.ndarray
    width_px: float


@dataclass(frozen=True, eq=False)
class Cross:
    """Cables `a` and `b` (may be the same) cross at vertices `ia`, `ib`; `top` is "a" or "b"."""

    a: int
    b: int
    ia: int
    ib: int
    xy_px: np.ndarray
    angle_deg: float
    top: str
    clear: bool  # nothing else near, both leads seen on both sides


@dataclass(frozen=True, eq=False)
class Scene:
    image_bgr: np.ndarray
    cables: tuple[Cable, ...]
    crosses: tuple[Cross, ...]


def loose_cables(
    rng: np.random.Generator, ground: Ground, size_px=(900, 1200), harder: bool = False
) -> Scene:
    """One random picture (height, width) with 2 to 6 cables; `harder`: see `drawn`."""
    height, width = size_px
    count = int(rng.integers(2, 6 if ground != "printed" else 5))
    base_width = float(np.exp(rng.uniform(np.log(5), np.log(22))))
    one_colour = rng.random() < 0.25
    shared = rng.uniform(20, 235, 3)
    curves, looks = [], []
    for _ in range(count):
        w = base_width * rng.uniform(0.8, 1.25)
        plan = _plan(rng, width, height, w, loops=ground == "loops")
        curves.append(plan)
        colour = lead_colour(rng)
        if one_colour:
            colour = np.clip(shared + rng.normal(0, 2, 3), 0, 255)
        looks.append((w, colour))
    heights = cable_heights(rng, curves, [w for w, _ in looks])
    image = bench(rng, height, width, printed=ground == "printed")
    image, cables = drawn(rng, image, curves, heights, looks, harder)
    return Scene(image, cables, tuple(crosses(cables, heights)))


def degraded(image_bgr: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Shrunk to a third, sensor noise, JPEG quality 30."""
    small = cv2.resize(image_bgr, None, fx=1 / 3, fy=1 / 3, interpolation=cv2.INTER_AREA)
    noisy = np.clip(small + rng.normal(0, 6, small.shape), 0, 255).astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", noisy, [cv2.IMWRITE_JPEG_QUALITY, 30])[1], 1)


def lead_colour(rng: np.random.Generator) -> np.ndarray:
    """BGR of an invented lead."""
    if rng.random() < 0.35:
        return np.full(3, rng.uniform(15, 235)) + rng.normal(0, 4, 3)
    hsv = np.uint8([[[rng.integers(0, 180), rng.integers(90, 240), rng.integers(70, 235)]]])
    return cv2.cvtColor(hsv, cv2.COLOR_HSV2BGR)[0, 0].astype(float)


def _plan(rng, width: int, height: int, w: float, loops: bool) -> np.ndarray:
    """Centre line (N, 2), one point per pixel, from one side of the picture to another."""
    margin = 3 * w
    for _ in range(200):
        knots = int(rng.integers(3, 6))
        side = rng.integers(0, 2)
        t = np.linspace(0, 1, knots)
        spread = rng.uniform(0.08, 0.3)
        if side == 0:
            xy = np.stack([t * width, height * (rng.uniform(0.15, 0.85) + 0 * t)], 1)
        else:
            xy = np.stack([width * (rng.uniform(0.15, 0.85) + 0 * t), t * height], 1)
        xy = xy + rng.normal(0, spread, (knots, 2)) * min(width, height)
        if loops and rng.random() < 0.7:
            xy = _with_loop(rng, xy, w)
        at = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
        if (np.diff(at) < 4 * w).any() and not loops:
            continue
        if (np.diff(at) < 1).any():
            continue
        spline = CubicSpline(at, xy)
        dense = spline(np.linspace(0, at[-1], int(at[-1] * 4)))
        arc = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(dense, axis=0).T))])
        n = int(arc[-1])
        line = np.stack([np.interp(np.arange(n), arc, dense[:, c]) for c in (0, 1)], 1)
        d1 = np.gradient(line, axis=0)
        d2 = np.gradient(d1, axis=0)
        k = np.abs(d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0])
        inside = (line > margin).all(1) & (line < (width - margin, height - margin)).all(1)
        if cv2.GaussianBlur(k[:, None].astype(np.float32), (1, 9), 3).max() > 1 / (2.2 * w):
            continue
        first, last = np.flatnonzero(inside)[[0, -1]] if inside.any() else (0, 0)
        if last - first > 0.5 * min(width, height) and inside[first:last].all():
            return line[first:last]
    x = np.arange(margin, width - margin)
    return np.stack([x, np.full(len(x), height * rng.uniform(0.2, 0.8))], 1)


def _with_loop(rng, xy: np.ndarray, w: float) -> np.ndarray:
    """A full turn put in at one knot."""
    k = int(rng.integers(1, len(xy) - 1)) if len(xy) > 2 else 1
    r = rng.uniform(4, 10) * w + 20
    along = xy[min(k + 1, len(xy) - 1)] - xy[k - 1]
    heading = np.arctan2(along[1], along[0])
    turn = rng.choice([-1.0, 1.0])
    angles = np.linspace(0, 2 * np.pi, 7)[:-1] * turn
    normal = np.array([-np.sin(heading), np.cos(heading)]) * turn
    centre = xy[k] + normal * r
    ring = centre + r * np.stack(
        [np.cos(heading - turn * np.pi / 2 + angles), np.sin(heading - turn * np.pi / 2 + angles)],
        1,
    )
    shift = np.array([np.cos(heading), np.sin(heading)]) * r * 0.5
    ring = ring + np.linspace(-1, 1, len(ring))[:, None] * shift
    return np.concatenate([xy[:k], ring, xy[k + 1 :]])


def cable_heights(
    rng: np.random.Generator, curves: list[np.ndarray], widths: list[float]
) -> list[np.ndarray]:
    """Height of each centre line above the ground, px; at crossings one lies on the other."""
    heights = [np.full(len(c), 0.5 * w) for c, w in zip(curves, widths, strict=True)]
    for a, b, ia, ib, _ in meetings(curves):
        up, low = ((a, ia), (b, ib)) if rng.random() < 0.5 else ((b, ib), (a, ia))
        need = heights[low[0]][low[1]] + 0.5 * (widths[a] + widths[b])
        s = np.arange(len(curves[up[0]])) - up[1]
        reach = 2.5 * (widths[a] + widths[b])
        hump = need * np.exp(-0.5 * (s / reach) ** 2)
        heights[up[0]] = np.maximum(heights[up[0]], hump)
    return [cv2.GaussianBlur(h[:, None], (1, 7), 2)[:, 0] for h in heights]


def meetings(curves: list[np.ndarray]):
    """(a, b, ia, ib, angle_deg) of all crossings, on every second point."""
    step = 2
    for a in range(len(curves)):
        for b in range(a, len(curves)):
            p, q = curves[a][::step], curves[b][::step]
            dp, dq = np.diff(p, axis=0), np.diff(q, axis=0)
            cross = dp[:, None, 0] * dq[None, :, 1] - dp[:, None, 1] * dq[None, :, 0]
            off = q[None, :-1] - p[:-1, None]
            with np.errstate(divide="ignore", invalid="ignore"):
                t = (off[..., 0] * dq[None, :, 1] - off[..., 1] * dq[None, :, 0]) / cross
                u = (off[..., 0] * dp[:, None, 1] - off[..., 1] * dp[:, None, 0]) / cross
            hit = (t >= 0) & (t < 1) & (u >= 0) & (u < 1)
            for i, j in np.argwhere(hit):
                if a == b and j <= i + 5:
                    continue
                angle = np.degrees(
                    np.arcsin(min(abs(cross[i, j]) / (np.hypot(*dp[i]) * np.hypot(*dq[j])), 1.0))
                )
                yield a, b, int(i * step), int(j * step), float(angle)


def drawn(
    rng: np.random.Generator,
    ground: np.ndarray,
    curves: list[np.ndarray],
    heights: list[np.ndarray],
    looks: list[tuple[float, np.ndarray]],
    harder: bool = False,
) -> tuple[np.ndarray, tuple[Cable, ...]]:
    """Cables with `curves` (N, 2) px, `heights` (N,) px and (width px, BGR colour) on `ground`.

    `harder`, for training: leads with a sleeve of `tests.benchmarks.sleeves`, leads hardly told
    from the ground by colour, light that comes in flat, dark shadows. BGR uint8 picture and the
    cables with what of them is seen.
    """
    height, width = ground.shape[:2]
    zoom = 2
    h2, w2 = height * zoom, width * zoom
    canvas = cv2.resize(ground, (w2, h2), interpolation=cv2.INTER_LINEAR).astype(np.float32)
    depth = np.zeros(h2 * w2, np.float32)
    owner = np.full(h2 * w2, -1, np.int32)
    place = np.full(h2 * w2, -1, np.int32)
    flat = canvas.reshape(-1, 3)
    light = rng.normal(0, 1, 2)
    light = light / np.hypot(*light) * rng.uniform(0.1, 0.9)
    if harder:
        light = light / np.hypot(*light) * rng.uniform(0.1, FLATTEST)
    sun = np.array([*light, 1.0]) / np.hypot(1.0, np.hypot(*light))
    gloss, ambient = rng.uniform(0, 0.9) ** 2, rng.uniform(0.35, 0.8)
    braid = rng.random() < 0.3
    shadow_map = np.zeros(h2 * w2, np.float32)
    everything = []
    for k, (curve, z, (w, colour)) in enumerate(zip(curves, heights, looks, strict=True)):
        n = len(curve)
        s = np.arange(0, n - 1, 0.4 / zoom)
        x, y, zc = (np.interp(s, np.arange(n), v) for v in (curve[:, 0], curve[:, 1], z))
        dx, dy = (np.interp(s, np.arange(n), np.gradient(curve[:, c])) for c in (0, 1))
        norm = np.hypot(dx, dy)
        nx, ny = -dy / norm, dx / norm
        u = np.linspace(-0.98, 0.98, max(int(w * zoom / 0.45), 5))
        up = np.sqrt(1 - u**2)
        outline, dark, skin = 1.0, 1.0, colour
        if harder and rng.random() < LIKE_GROUND:
            there = np.round(curve[n // 2]).astype(int)
            skin = colour = ground[there[1], there[0]] * rng.uniform(0.75, 1.25)
        if harder and rng.random() < SLEEVED:
            outline, dark, share = random_sleeve(rng)(s / w, np.arcsin(u))
            second = lead_colour(rng)
            skin = colour + share[..., None] * (second - colour)
        px = (x[:, None] + 0.5 * w * outline * u * nx[:, None] + 0.5) * zoom - 0.5
        py = (y[:, None] + 0.5 * w * outline * u * ny[:, None] + 0.5) * zoom - 0.5
        pz = (zc[:, None] + 0.5 * w * outline * up) * zoom
        shade = np.clip(u * (nx * sun[0] + ny * sun[1])[:, None] + up * sun[2], 0, 1)
        value = (ambient + (1 - ambient) * shade) * dark
        if braid:
            pitch = 0.9 * w
            value = value * (
                1
                + 0.12
                * np.sin(2 * np.pi * (s[:, None] / pitch + u))
                * np.sin(2 * np.pi * (s[:, None] / pitch - u))
            )
        glint = gloss * 160 * shade ** rng.uniform(15, 60)
        rgb = value[..., None] * skin + glint[..., None]
        ix, iy = np.round(px).astype(int), np.round(py).astype(int)
        ok = (ix >= 0) & (ix < w2) & (iy >= 0) & (iy < h2)
        pix = (iy * w2 + ix)[ok]
        zz, cc = pz[ok].astype(np.float32), rgb[ok]
        where = np.broadcast_to(np.round(s)[:, None], ok.shape)[ok].astype(np.int32)
        order = np.argsort(zz, kind="stable")
        pix, zz, cc, where = pix[order], zz[order], cc[order], where[order]
        win = zz > depth[pix]
        pix, zz, cc, where = pix[win], zz[win], cc[win], where[win]
        depth[pix], owner[pix], place[pix] = zz, k, where
        flat[pix] = cc
        everything.append((px, py, pz))
    for px, py, pz in everything:
        qx = np.round(px - light[0] * pz).astype(int)
        qy = np.round(py - light[1] * pz).astype(int)
        ok = (qx >= 0) & (qx < w2) & (qy >= 0) & (qy < h2)
        np.maximum.at(shadow_map, (qy * w2 + qx)[ok], pz[ok].astype(np.float32))
    yy, xx = np.mgrid[0:h2, 0:w2].reshape(2, -1)
    qx = np.clip(np.round(xx - light[0] * depth), 0, w2 - 1).astype(int)
    qy = np.clip(np.round(yy - light[1] * depth), 0, h2 - 1).astype(int)
    shaded = (shadow_map[qy * w2 + qx] > depth + 2.5 * zoom).reshape(h2, w2).astype(np.float32)
    soft = rng.uniform(0.6, 4.0) * zoom
    shaded = cv2.GaussianBlur(shaded, (0, 0), soft)
    dark = rng.uniform(0.15, 0.9 if harder else 0.6)
    canvas = flat.reshape(h2, w2, 3) * (1 - dark * shaded)[..., None]
    image = cv2.resize(canvas, (width, height), interpolation=cv2.INTER_AREA)
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float32)
    tilt = rng.uniform(-0.25, 0.25, 2)
    image *= (1 + tilt[0] * (xx / width - 0.5) + tilt[1] * (yy / height - 0.5))[..., None]
    image = cv2.GaussianBlur(image, (0, 0), rng.uniform(0.4, 1.3))
    image = image + rng.normal(0, rng.uniform(1, 6), image.shape)
    image = np.clip(image, 0, 255).astype(np.uint8)
    quality = int(rng.integers(60, 96))
    image = cv2.imdecode(cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], 1)
    owner, place = owner.reshape(h2, w2), place.reshape(h2, w2)
    cables = []
    for k, curve in enumerate(curves):
        ix = np.clip(np.round((curve[:, 0] + 0.5) * zoom - 0.5).astype(int), 0, w2 - 1)
        iy = np.clip(np.round((curve[:, 1] + 0.5) * zoom - 0.5).astype(int), 0, h2 - 1)
        mine = (owner[iy, ix] == k) & (np.abs(place[iy, ix] - np.arange(len(curve))) < 12)
        cables.append(Cable(curve, mine, looks[k][0]))
    return image, tuple(cables)


def crosses(cables: tuple[Cable, ...], heights) -> Iterator[Cross]:
    """Where cables cross; `heights`: of every vertex of each, px, towards the camera."""
    met = list(meetings([c.points_px for c in cables]))
    for n, (a, b, ia, ib, angle) in enumerate(met):
        xy = 0.5 * (cables[a].points_px[ia] + cables[b].points_px[ib])
        w = max(cables[a].width_px, cables[b].width_px)
        clear = True
        for k, i in ((a, ia), (b, ib)):
            c = cables[k]
            reach = int(4 * w / max(np.sin(np.radians(angle)), 0.2))
            inner = int(1.3 * w / max(np.sin(np.radians(angle)), 0.2))
            before = c.visible[max(i - reach, 0) : max(i - inner, 0)]
            behind = c.visible[i + inner : i + reach]
            clear &= min(len(before), len(behind)) > w and min(before.mean(), behind.mean()) > 0.9
            for m, (a2, b2, ja, jb, _) in enumerate(met):
                if m != n:
                    for k2, j in ((a2, ja), (b2, jb)):
                        clear &= not (k2 == k and abs(j - i) < reach)
        lift = abs(heights[a][ia] - heights[b][ib])
        clear &= lift > 0.4 * (cables[a].width_px + cables[b].width_px)
        top = "a" if heights[a][ia] > heights[b][ib] else "b"
        seen = cables[a].visible[ia] if top == "a" else cables[b].visible[ib]
        yield Cross(a, b, ia, ib, xy, angle, top, bool(clear and seen))


def bench(rng, height: int, width: int, printed: bool) -> np.ndarray:
    """Float BGR (height, width, 3) of a table."""
    image = np.full((height, width, 3), rng.uniform(30, 235, 3) * [1, 1, 1], np.float32)
    grey = rng.random() < 0.6
    if grey:
        image[:] = rng.uniform(30, 235) + rng.normal(0, 6, 3)
    kind = rng.integers(0, 4)
    noise = rng.normal(0, 1, (height, width)).astype(np.float32)
    if kind == 1:  # grain of wood or brushed metal
        noise = cv2.GaussianBlur(noise, (0, 0), sigmaX=25, sigmaY=0.8)
        image += (noise / noise.std() * rng.uniform(2, 9))[..., None]
    elif kind == 2:  # weave
        yy, xx = np.mgrid[0:height, 0:width]
        p = rng.uniform(4, 12)
        image += (np.sin(2 * np.pi * xx / p) * np.sin(2 * np.pi * yy / p) * rng.uniform(2, 8))[
            ..., None
        ]
    elif kind == 3:  # stains
        noise = cv2.GaussianBlur(noise, (0, 0), 40)
        image += (noise / noise.std() * rng.uniform(3, 14))[..., None]
    if printed:
        image = np.clip(image, 0, 255).astype(np.uint8)
        _print_on(rng, image)
        image = cv2.GaussianBlur(image.astype(np.float32), (0, 0), 0.7)
    return np.clip(image, 0, 255)


def _print_on(rng, image: np.ndarray) -> None:
    """Text, rules, curves and patches in strong colours."""
    height, width = image.shape[:2]

    def ink():
        return tuple(float(v) for v in rng.uniform(0, 255, 3))

    for _ in range(int(rng.integers(5, 25))):
        p = rng.uniform(0, 1, 2) * (width, height)
        q = p + rng.normal(0, 150, 2)
        cv2.rectangle(image, tuple(int(v) for v in p), tuple(int(v) for v in q), ink(), -1)
    for _ in range(int(rng.integers(10, 40))):
        p, q = rng.uniform(0, 1, (2, 2)) * (width, height)
        thick = int(rng.integers(1, 12))
        cv2.line(
            image, tuple(int(v) for v in p), tuple(int(v) for v in q), ink(), thick, cv2.LINE_AA
        )
    for _ in range(int(rng.integers(5, 25))):
        p = rng.uniform(0, 1, 2) * (width, height)
        r = int(rng.uniform(10, 200))
        cv2.circle(image, tuple(int(v) for v in p), r, ink(), int(rng.integers(1, 9)), cv2.LINE_AA)
    for _ in range(int(rng.integers(10, 40))):
        p = rng.uniform(0, 1, 2) * (width, height)
        word = "".join(chr(c) for c in rng.integers(65, 90, int(rng.integers(3, 12))))
        cv2.putText(
            image,
            word,
            tuple(int(v) for v in p),
            cv2.FONT_HERSHEY_SIMPLEX,
            float(rng.uniform(0.4, 2.5)),
            ink(),
            int(rng.integers(1, 6)),
            cv2.LINE_AA,
        )
