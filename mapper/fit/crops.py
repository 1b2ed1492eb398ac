"""Enlarged crops of a place on the plate, turned upright into the plate frame.

A crop shows a square around a place of the plate as a fitted photo saw it, resampled as if
looked at straight from above at the depth of the leads, so that crops of different photos
lie the same way round and at the same scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np

__all__ = ["Crop", "crop_of_place", "photo_scale_px_per_mm"]

_NODES = 13  # the map is exact at this many nodes a side and smooth between them


class Fit(Protocol):
    """The part of a fit that a crop needs."""

    def photo_from_plate(self, xy_mm: np.ndarray, depth_mm: float = 0.0) -> np.ndarray:
        """Map plate mm at a depth to photo pixels."""
        ...


@dataclass(frozen=True, eq=False)
class Crop:
    """A picture around a place. `half_mm` is half its height on the plate; `shown` is the part
    of it that the photo covers, 0..1."""

    pixels_bgr: np.ndarray
    x_mm: float
    y_mm: float
    half_mm: float
    shown: float

    @property
    def px_per_mm(self) -> float:
        """Scale of the crop."""
        return self.pixels_bgr.shape[0] / (2 * self.half_mm)

    @property
    def half_width_mm(self) -> float:
        """Half the width on the plate."""
        return self.pixels_bgr.shape[1] / (2 * self.px_per_mm)

    def px_from_plate(self, xy_mm: np.ndarray) -> np.ndarray:
        """Map plate mm (N, 2) to pixels of the crop (N, 2)."""
        xy_mm = np.asarray(xy_mm, float).reshape(-1, 2)
        scale = self.px_per_mm
        return np.column_stack(
            [
                (xy_mm[:, 0] - self.x_mm + self.half_width_mm) * scale - 0.5,
                (self.y_mm + self.half_mm - xy_mm[:, 1]) * scale - 0.5,
            ]
        )


def photo_scale_px_per_mm(fit: Fit, x_mm: float, y_mm: float, depth_mm: float) -> float:
    """Pixels per mm of a fitted photo around a place, the smaller of both directions."""
    around = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) + [x_mm, y_mm]
    px = np.asarray(fit.photo_from_plate(around, depth_mm), float)
    return float(np.linalg.norm(px[1:] - px[0], axis=1).min())


def crop_of_place(
    pixels_bgr: np.ndarray,
    fit: Fit,
    x_mm: float,
    y_mm: float,
    depth_mm: float,
    half_mm: float = 14.0,
    size_px: tuple[int, int] = (560, 420),
) -> Crop | None:
    """Cut a piece out of a fitted photo; None where the photo does not show the place.

    Parameters
    ----------
    pixels_bgr : (H, W, 3) uint8, the upright photo.
    fit : maps plate mm at a depth to photo pixels.
    x_mm, y_mm, depth_mm : the place, and how deep below the face the leads lie there.
    half_mm : half the height of the crop on the plate.
    size_px : (width, height) of the crop.
    """
    height, width = pixels_bgr.shape[:2]
    middle = np.asarray(fit.photo_from_plate(np.array([[x_mm, y_mm]]), depth_mm), float)[0]
    if not (np.isfinite(middle).all() and 0 <= middle[0] < width and 0 <= middle[1] < height):
        return None
    # Nodes stand at the centres of the first and last crop pixels and between them.
    wide, high = size_px
    steps = np.linspace(-1.0, 1.0, _NODES)
    mm_per_px = 2 * half_mm / high
    grid_x, grid_y = np.meshgrid(
        x_mm + steps * (wide - 1) / 2 * mm_per_px, y_mm - steps * (high - 1) / 2 * mm_per_px
    )
    nodes = np.asarray(
        fit.photo_from_plate(np.column_stack([grid_x.ravel(), grid_y.ravel()]), depth_mm), float
    ).reshape(_NODES, _NODES, 2)
    if not np.isfinite(nodes).all():
        return None
    node_x, node_y = np.meshgrid(
        np.linspace(0, _NODES - 1, wide, dtype=np.float32),
        np.linspace(0, _NODES - 1, high, dtype=np.float32),
    )
    maps = [
        cv2.remap(nodes[:, :, k].astype(np.float32), node_x, node_y, cv2.INTER_LINEAR)
        for k in range(2)
    ]
    crop = cv2.remap(
        pixels_bgr,
        maps[0],
        maps[1],
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(235, 235, 235),
    )
    inside = (maps[0] >= 0) & (maps[0] < width) & (maps[1] >= 0) & (maps[1] < height)
    return Crop(crop, x_mm, y_mm, half_mm, float(inside.mean()))
