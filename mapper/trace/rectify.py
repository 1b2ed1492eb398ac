"""A crossing laid straight: lead a along x, lead b along y, both bands of one breadth.

Both paths are fitted by parabolas A(s), B(t) through the place where they meet, M. The patch
shows the picture at A(s) + B(t) - M, so each lead's middle becomes an axis whatever the angle
and the bend; s is counted in breadths of b's band along a, t the other way round.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

__all__ = ["GUESSES_PX", "PATCH", "crossing_patch", "crossing_patches"]

PATCH = 32  # samples each way
GUESSES_PX = tuple(round(1.5 * 1.48**k, 2) for k in range(8))  # 1.5 to 23: widths tried
HALF_BANDS = 2.3  # of these bands to either side of the meeting place
MIN_ANGLE_RAD = np.radians(8.0)
MOST_STRETCH = 3.5  # of a band along the other lead; leads at less than 17 degrees are cut short
SAMPLES_PER_WIDTH = 8.0
MIN_WIDTH_PX = 1.2
MOST_OFF = 2.0  # widths from the named place to where the paths meet
INSIDE = 0.6  # of a band from the meeting place must lie in the picture


@dataclass(frozen=True, eq=False)
class _Parabola:
    """p(s) = c0 + c1 s + c2 s^2, `coefficients` (3, 2) photo pixels, s about in pixels."""

    coefficients: np.ndarray

    @classmethod
    def through(cls, points: np.ndarray, at: np.ndarray, reach: float) -> _Parabola | None:
        """Least squares on the path (N, 2) with arc `at` (N,) for |arc| <= reach."""
        s = np.linspace(max(at[0], -reach), min(at[-1], reach), 33)
        if s[-1] - s[0] < 0.5 * reach or not s[0] < 0.0 < s[-1]:
            return None
        xy = np.stack([np.interp(s, at, points[:, c]) for c in (0, 1)], 1)
        basis = np.stack([np.ones_like(s), s, s**2], 1)
        weight = np.exp(-0.5 * (s / (0.7 * reach)) ** 2)[:, None]
        return cls(np.linalg.lstsq(basis * weight, xy * weight, rcond=None)[0])

    def at(self, s: np.ndarray) -> np.ndarray:
        c = self.coefficients
        s = np.asarray(s, float)[..., None]
        return c[0] + s * c[1] + s**2 * c[2]

    def slope(self, s: float) -> np.ndarray:
        return self.coefficients[1] + 2 * s * self.coefficients[2]


def _meeting(a: _Parabola, b: _Parabola, limit: float) -> tuple[float, float] | None:
    """Where the two meet (s, t), by Newton's steps from (0, 0); None when farther than limit."""
    s = t = 0.0
    for _ in range(12):
        gap = a.at(np.array(s)) - b.at(np.array(t))
        system = np.stack([a.slope(s), -b.slope(t)], 1)
        if abs(np.linalg.det(system)) < 0.02:
            return None
        ds, dt = np.linalg.solve(system, -gap)
        s, t = s + ds, t + dt
        if max(abs(s), abs(t)) > limit:
            return None
        if max(abs(ds), abs(dt)) < 1e-9:
            break
    if np.hypot(*(a.at(np.array(s)) - b.at(np.array(t)))) > 0.05:
        return None
    return float(s), float(t)


def crossing_patch(
    image_bgr: np.ndarray,
    paths: tuple[np.ndarray, np.ndarray],
    arcs: tuple[np.ndarray, np.ndarray],
    widths_px: tuple[float, float],
) -> np.ndarray | None:
    """The patch (PATCH, PATCH, 3) uint8 BGR, rows along b, columns along a; None if there is none.

    `paths` two (N, 2) photo pixels, `arcs` their arc lengths (N,), 0 nearest the place. None
    where the paths do not meet near it, meet at less than 8 degrees or at the picture's rim.
    """
    width_a, width_b = (max(float(w), MIN_WIDTH_PX) for w in widths_px)
    first = [
        _Parabola.through(p, s, 2.5 * (width_a + width_b)) for p, s in zip(paths, arcs, strict=True)
    ]
    if first[0] is None or first[1] is None:
        return None
    sin = _sin(first[0].slope(0.0), first[1].slope(0.0))
    if sin < np.sin(MIN_ANGLE_RAD):
        return None
    stretch = min(1.0 / sin, MOST_STRETCH)
    reach_a, reach_b = HALF_BANDS * width_b * stretch, HALF_BANDS * width_a * stretch
    a = _Parabola.through(paths[0], arcs[0], max(reach_a, 2.0 * width_a))
    b = _Parabola.through(paths[1], arcs[1], max(reach_b, 2.0 * width_b))
    if a is None or b is None:
        return None
    met = _meeting(a, b, MOST_OFF * max(width_a, width_b) * stretch + 4.0)
    if met is None or _sin(a.slope(met[0]), b.slope(met[1])) < np.sin(MIN_ANGLE_RAD):
        return None
    meet = a.at(np.array(met[0]))
    steps = (np.arange(PATCH) + 0.5) / PATCH * 2 - 1
    along_a = a.at(met[0] + reach_a * steps) - meet
    along_b = b.at(met[1] + reach_b * steps) - meet
    xy = meet + along_a[None, :, :] + along_b[:, None, :]
    core = np.abs(steps) * HALF_BANDS < INSIDE
    inner = xy[core][:, core]
    high, wide = image_bgr.shape[:2]
    if (inner < 0).any() or (inner > (wide - 1, high - 1)).any():
        return None
    return _sampled(image_bgr, xy, min(width_a, width_b))


def crossing_patches(
    image_bgr: np.ndarray,
    paths: tuple[np.ndarray, np.ndarray],
    arcs: tuple[np.ndarray, np.ndarray],
) -> list[np.ndarray | None]:
    """`crossing_patch` for each of `GUESSES_PX` as the width of both leads."""
    return [crossing_patch(image_bgr, paths, arcs, (guess, guess)) for guess in GUESSES_PX]


def _sin(u: np.ndarray, v: np.ndarray) -> float:
    return float(abs(u[0] * v[1] - u[1] * v[0]) / max(np.hypot(*u) * np.hypot(*v), 1e-12))


def _sampled(image_bgr: np.ndarray, xy: np.ndarray, width_px: float) -> np.ndarray:
    """Colours at `xy` (H, W, 2), from a crop shrunk so that leads are some eight pixels wide."""
    high, wide = image_bgr.shape[:2]
    times = max(int(width_px / SAMPLES_PER_WIDTH), 1)
    x0, y0 = (np.floor(xy.reshape(-1, 2).min(0)).astype(int) - 3 * times).clip(0)
    x1, y1 = np.ceil(xy.reshape(-1, 2).max(0)).astype(int) + 3 * times
    x1, y1 = min(max(x1, x0 + times), wide), min(max(y1, y0 + times), high)
    x0, y0 = min(x0, x1 - times), min(y0, y1 - times)
    x1, y1 = x0 + (x1 - x0) // times * times, y0 + (y1 - y0) // times * times
    crop = image_bgr[y0:y1, x0:x1]
    if times > 1:
        size = (crop.shape[1] // times, crop.shape[0] // times)
        crop = cv2.resize(crop, size, interpolation=cv2.INTER_AREA)
    at = ((xy - (x0, y0) + 0.5) / times - 0.5).astype(np.float32)
    return cv2.remap(crop, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
