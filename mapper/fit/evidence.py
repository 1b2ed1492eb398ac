"""What a photo says about edges: oriented edge maps for scoring, profiles across edges.

`EdgeMaps` answers quickly, for thousands of trial poses, whether there is an edge of the right
direction near a place. `edge_offsets` measures across single edges where exactly they lie.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from mapper.fit.camera import Camera
from mapper.fit.face import FaceEdges

__all__ = [
    "EdgeMaps",
    "Offsets",
    "edge_maps",
    "edge_offsets",
    "face_slopes",
    "linear_light",
    "seen_normals",
]

BINS = 8


@dataclass(frozen=True, eq=False)
class EdgeMaps:
    """Edge strength 0..255 by direction of the gradient (mod half turn), spread by a few px.

    `strength` (BINS, H, W) uint8 at working size; `chance` (BINS,) its mean share 0..1;
    `scale` working pixels per photo pixel.
    """

    strength: np.ndarray
    chance: np.ndarray
    scale: float

    def support(self, px: np.ndarray, normals_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Support less chance (...,) of edges at photo px (..., 2), and whether in view."""
        _, height, width = self.strength.shape
        at = (px + 0.5) * self.scale - 0.5
        at = np.where(np.isfinite(at), at, -1e6)
        x, y = np.rint(at[..., 0]).astype(np.int64), np.rint(at[..., 1]).astype(np.int64)
        seen = (x >= 2) & (y >= 2) & (x < width - 2) & (y < height - 2)
        angle = np.arctan2(normals_px[..., 1], normals_px[..., 0])
        index = np.rint(np.nan_to_num(angle) * (BINS / np.pi)).astype(np.int64) % BINS
        value = self.strength[index, np.where(seen, y, 0), np.where(seen, x, 0)] / 255.0
        return np.where(seen, value - self.chance[index], 0.0), seen


def edge_maps(grey: np.ndarray, scale: float, spread_px: int = 3) -> EdgeMaps:
    """Edge maps of a working-size image (H, W) uint8 that is `scale` times the photo."""
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.2)
    gx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    size, angle = cv2.cartToPolar(gx, gy)
    level = float(np.quantile(size[::4, ::4], 0.85)) + 1e-6
    # soft step: texture counts little, a rim counts nearly full
    strength = size * size / (size * size + (2.0 * level) ** 2) * 255
    strength = strength.astype(np.uint8)
    bins = np.rint(angle * (BINS / np.pi)).astype(np.int16) % BINS
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * spread_px + 1,) * 2)
    planes = [np.where(bins == b, strength, 0).astype(np.uint8) for b in range(BINS)]
    # neighbours in direction help too: the model's direction is only roughly right
    mixed = [
        np.maximum(planes[b], np.maximum(planes[b - 1], planes[(b + 1) % BINS]))
        for b in range(BINS)
    ]
    out = np.stack([cv2.dilate(plane, kernel) for plane in mixed])
    return EdgeMaps(out, out.mean(axis=(1, 2)) / 255.0, scale)


def linear_light(values: np.ndarray) -> np.ndarray:
    """sRGB grey 0..255 to linear light 0..1 (IEC 61966-2-1).

    An edge is half way up in light, not in the coded value: taken in coded values the bright
    side grows by a few tenths of a pixel.
    """
    v = np.asarray(values, dtype=np.float32) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def seen_normals(camera: Camera, edges: FaceEdges) -> tuple[np.ndarray, np.ndarray]:
    """Pixels (N, 2) of the edge samples and unit normals (N, 2) of the edges in the photo."""
    px, slopes = face_slopes(camera, edges.points_mm)
    along_mm = np.column_stack((-edges.normals[:, 1], edges.normals[:, 0]))
    along = np.einsum("nij,nj->ni", slopes, along_mm)
    normal = np.column_stack((-along[:, 1], along[:, 0]))
    out = np.einsum("nij,nj->ni", slopes, edges.normals)
    normal *= np.sign((normal * out).sum(axis=1))[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        normal = normal / np.hypot(*normal.T)[:, None]
    return px, normal


def face_slopes(camera: Camera, xy_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pixels (N, 2) and slopes d px / d mm (N, 2, 2), lens distortion left out of the slopes."""
    r = camera.rotation
    seen = xy_mm @ r[:, :2].T + camera.translation_mm
    z = seen[:, 2]
    z = np.where(z > 1e-6, z, np.nan)
    u, v = seen[:, 0] / z, seen[:, 1] / z
    radial = 1 + camera.k1 * (u * u + v * v)
    px = np.column_stack((u * radial, v * radial)) * camera.focal_px + camera.centre_px
    slopes = np.empty((len(z), 2, 2))
    for j in range(2):
        slopes[:, 0, j] = (r[0, j] - u * r[2, j]) / z
        slopes[:, 1, j] = (r[1, j] - v * r[2, j]) / z
    return px, slopes * camera.focal_px


@dataclass(frozen=True, eq=False)
class Offsets:
    """Edges found across the samples: `offset_px` (N,) along the outward normal, nan where none.

    `strength` (N,) is the jump at the edge relative to the light on both sides, 0..1.
    """

    px: np.ndarray
    normals: np.ndarray
    offset_px: np.ndarray
    strength: np.ndarray


def edge_offsets(
    image: np.ndarray,
    scale: float,
    camera: Camera,
    edges: FaceEdges,
    reach_px: float,
    step_px: float = 1.0,
    linear: bool = False,
    sides_px: tuple[float, ...] = (-1.0, 0.0, 1.0),
) -> Offsets:
    """Measure each edge across its normal, within `reach_px` (image pixels).

    `image` (H, W) uint8 grey is `scale` times the photo; px and offsets in the answer are photo
    pixels. The strongest jump wins, those nearer to the expected place a little sooner. Each
    profile is the mean of parallel ones `sides_px` along the edge, against noise.
    """
    px, normals = seen_normals(camera, edges)
    at = (px + 0.5) * scale - 0.5
    height, width = image.shape
    margin = 2.0
    with np.errstate(invalid="ignore"):
        seen = (
            (at[:, 0] >= margin)
            & (at[:, 1] >= margin)
            & (at[:, 0] < width - 1 - margin)
            & (at[:, 1] < height - 1 - margin)
        )
    offset = np.full(len(px), np.nan)
    strength = np.zeros(len(px))
    index = np.flatnonzero(seen)
    if index.size:
        count = int(np.ceil(reach_px / step_px)) + 1
        t = np.arange(-count, count + 1) * step_px
        along = np.column_stack((-normals[index, 1], normals[index, 0]))
        values = 0.0
        for side in sides_px:
            x = at[index, 0, None] + normals[index, 0, None] * t + side * along[:, 0, None]
            y = at[index, 1, None] + normals[index, 1, None] * t + side * along[:, 1, None]
            sampled = cv2.remap(
                image,
                x.astype(np.float32),
                y.astype(np.float32),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            values = values + (linear_light(sampled) if linear else sampled.astype(np.float32))
        values = values / len(sides_px)
        smooth = values.copy()
        smooth[:, 1:-1] = 0.25 * values[:, :-2] + 0.5 * values[:, 1:-1] + 0.25 * values[:, 2:]
        jump = smooth[:, 2:] - smooth[:, :-2]
        size = np.abs(jump)
        inner = t[1:-1]
        prefer = np.exp(-0.5 * (inner / (0.6 * reach_px + 1e-9)) ** 2)
        weighed = size * prefer
        best = weighed[:, 1:-1].argmax(axis=1) + 1
        row = np.arange(len(index))
        before, peak, after = size[row, best - 1], size[row, best], size[row, best + 1]
        curve = before - 2 * peak + after
        ok = (peak >= before) & (peak >= after) & (curve < -1e-9)
        shift = np.where(ok, 0.5 * (before - after) / np.where(ok, curve, 1.0), 0.0)
        place = inner[best] + np.clip(shift, -0.5, 0.5) * step_px
        light = values.max(axis=1) - values.min(axis=1) + (0.02 if linear else 6.0)
        share = peak / light
        floor = 0.01 if linear else 4.0
        good = ok & (np.abs(place) <= reach_px) & (peak > floor)
        offset[index[good]] = place[good] / scale
        strength[index[good]] = np.clip(share[good], 0, 1)
    return Offsets(px, normals, offset, strength)
