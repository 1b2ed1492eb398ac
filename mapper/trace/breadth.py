"""How wide two crossing leads are, read across their traced paths near the crossing.

The picture is read across a path at many stations and the median taken, so what lies across
the lead drops out and the lead stays. Two steps that face each other, one on either side of
the path, bound a lead. Both leads are read together: on one bench they are seldom of very
different thickness, and a step inside a glint or beside a shadow is then passed over.
"""

from __future__ import annotations

import cv2
import numpy as np

from mapper.trace.evidence import sample, to_lab
from mapper.trace.strand import Strand

__all__ = ["lead_widths"]

STATIONS = 41
ACROSS = 61
FAR_PX = (18.0, 60.0)  # reach across and along of the first look
CLOSE = (1.6, 4.0)  # the same of the second look, in widths
OFF_MIDDLE = 0.3  # in widths; paths are traced that well
LIKE_WIDTHS = 0.45  # in log width, between the two leads
LIKE_BEFORE = 0.4  # in log width, second look against first
LEAST_STEP = 0.02  # Lab units; fainter edges are noise
NARROWEST_PX = 1.3
NARROWER = 0.6


def lead_widths(
    image_bgr: np.ndarray, strands: tuple[Strand, Strand]
) -> tuple[float, float] | None:
    """Widths of both leads in photo pixels; None when either shows no two edges."""
    size = 2 * FAR_PX[1] + FAR_PX[0]
    looks = []
    for times in (1, 2):
        found = [
            _edges(image_bgr, s, FAR_PX[0] * times, FAR_PX[1] * times, size * times)
            for s in strands
        ]
        looks.append(found)
    grid = np.exp(np.linspace(np.log(NARROWEST_PX), np.log(50.0), 48))
    curves = []
    for k in (0, 1):
        curve = np.zeros(len(grid))
        for look in looks:
            if look[k] is not None:
                np.maximum.at(curve, np.searchsorted(grid, look[k][0]).clip(0, 47), look[k][1])
        curves.append(cv2.GaussianBlur(curve[:, None], (1, 5), 0.8)[:, 0])
    if min(c.max() for c in curves) < LEAST_STEP:
        return None
    unlike = np.log(grid[:, None] / grid[None]) / LIKE_WIDTHS
    both = np.sqrt(curves[0][:, None] * curves[1][None]) * np.exp(-0.5 * unlike**2)
    i, j = np.unravel_index(int(both.argmax()), both.shape)
    return _closer(image_bgr, strands[0], grid[i]), _closer(image_bgr, strands[1], grid[j])


def _closer(image_bgr: np.ndarray, strand: Strand, width: float) -> float:
    along = max(CLOSE[1] * width, 12.0)
    found = _edges(image_bgr, strand, max(CLOSE[0] * width, 3.0), along, along + 3 * width)
    if found is None:
        return float(width)
    widths, steps = found
    value = steps * np.exp(-0.5 * (np.log(widths / width) / LIKE_BEFORE) ** 2)
    return float(widths[int(value.argmax())])


def _edges(
    image_bgr: np.ndarray, strand: Strand, across_px: float, along_px: float, crop_px: float
) -> tuple[np.ndarray, np.ndarray] | None:
    """(widths, step heights in Lab units) of all pairs of steps that face each other."""
    s = np.linspace(max(strand.at[0], -along_px), min(strand.at[-1], along_px), STATIONS)
    places = strand.place(s)
    high, wide = image_bgr.shape[:2]
    inside = (places >= 0).all(1) & (places <= (wide - 1, high - 1)).all(1)
    if inside.sum() < 6:
        return None
    ahead = max(0.1 * along_px, 2.0)
    way = strand.place(s + ahead) - strand.place(s - ahead)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    u = np.linspace(-across_px, across_px, ACROSS)
    middle = strand.place(np.zeros(1))[0]
    x0, y0 = np.clip(np.floor(middle - crop_px), 0, None).astype(int)
    x1, y1 = np.ceil(middle + crop_px + 1).astype(int)
    lab = to_lab(image_bgr[y0:y1, x0:x1])
    step = u[1] - u[0]
    lab = cv2.GaussianBlur(lab, (0, 0), max(0.6 * step, 0.4))
    at = places[inside, None] + u[:, None] * np.stack([-way[:, 1], way[:, 0]], 1)[inside, None]
    skin = sample(lab, at - (x0, y0))
    profile = np.median(skin, axis=0)
    reach = max(round(0.8 / step), 1)
    rise = np.zeros_like(profile)
    rise[reach:-reach] = profile[2 * reach :] - profile[: -2 * reach]
    spread = np.median(np.abs(skin - profile), axis=0).sum(1)
    rise = rise / (2.0 + spread)[:, None]
    size = np.linalg.norm(rise, axis=1)
    i, j = np.triu_indices(ACROSS, k=2)
    off, breadth = 0.5 * (u[i] + u[j]), u[j] - u[i]
    keep = (breadth >= NARROWEST_PX) & (np.abs(off) < breadth)
    i, j, off, breadth = (v[keep] for v in (i, j, off, breadth))
    facing = -np.einsum("nc,nc->n", rise[i], rise[j]) / np.maximum(size[i] * size[j], 1e-9)
    height = np.minimum(size[i], size[j]) * np.clip(facing, 0, 1)
    height = height * np.exp(-0.5 * (off / (OFF_MIDDLE * breadth)) ** 2)
    height = height * breadth**-NARROWER
    return breadth, height
