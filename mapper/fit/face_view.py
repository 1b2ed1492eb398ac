"""The steel face as photos show it, drawn square to the plate at one scale."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from mapper.fit.result import PhotoFit
from mapper.plate.model import Plate

__all__ = ["FaceView", "Square", "bare_face", "shown_places", "square", "view_of"]

PLACES = 60  # along either side of the plate, to see what a photo shows
INSIDE_MM = 2.0  # edges of bores and channels lead down: points nearer are not on the face
LEAST_SIDE_PX = 40
NODE_PX = 16  # a camera bends straight lines far less than a pixel over this


@dataclass(frozen=True, eq=False)
class FaceView:
    """A part of the face drawn square: mm of its first pixel, mm per pixel, rows downwards."""

    left_mm: float
    top_mm: float
    mm_per_px: float
    size: tuple[int, int]

    def plate_from_view(self, xy_px: np.ndarray) -> np.ndarray:
        """Plate mm (N, 2) of pixels (N, 2) of the view."""
        return np.column_stack(
            (
                self.left_mm + xy_px[:, 0] * self.mm_per_px,
                self.top_mm - xy_px[:, 1] * self.mm_per_px,
            )
        )

    def view_from_plate(self, xy_mm: np.ndarray) -> np.ndarray:
        """Pixels (N, 2) of the view of plate mm (N, 2)."""
        xy = np.asarray(xy_mm, dtype=float)
        return np.column_stack((xy[:, 0] - self.left_mm, self.top_mm - xy[:, 1])) / self.mm_per_px


@dataclass(frozen=True, eq=False)
class Square:
    """A photo drawn in a view: picture (H, W) uint8, and where (H, W) uint8 it is bare face."""

    picture: np.ndarray
    bare: np.ndarray


def _places(outline_mm: np.ndarray) -> np.ndarray:
    low, high = outline_mm.min(axis=0), outline_mm.max(axis=0)
    x, y = np.meshgrid(*(np.linspace(a, b, PLACES) for a, b in zip(low, high, strict=True)))
    return np.column_stack((x.ravel(), y.ravel()))


def shown_places(fit: PhotoFit, plate: Plate) -> np.ndarray:
    """Which (3600,) bool of places spread evenly over the plate a photo shows."""
    px = fit.photo_from_plate(_places(plate.outline_array))
    with np.errstate(invalid="ignore"):
        return (px >= 0).all(axis=1) & (px < (fit.width_px, fit.height_px)).all(axis=1)


def view_of(
    plate: Plate, fits: tuple[PhotoFit, ...], shown: np.ndarray, side_px: int
) -> FaceView | None:
    """A view of the `shown` places (3600,) at the scale of the coarsest fit; None when too small.

    Its long side has at most `side_px`.
    """
    if not shown.any():
        return None
    outline = plate.outline_array
    low, high = outline.min(axis=0), outline.max(axis=0)
    at = _places(outline)[shown]
    step = (high - low) / (PLACES - 1)
    low, high = np.maximum(low, at.min(axis=0) - step), np.minimum(high, at.max(axis=0) + step)
    fine = max(_mm_per_px(fit, at) for fit in fits)
    fine = max(fine, float((high - low).max()) / side_px)
    width, height = (int(n) for n in np.ceil((high - low) / fine))
    if min(width, height) < LEAST_SIDE_PX:
        return None
    return FaceView(float(low[0]), float(high[1]), fine, (width, height))


def _mm_per_px(fit: PhotoFit, at_mm: np.ndarray) -> float:
    middle = at_mm.mean(axis=0)
    px = fit.photo_from_plate(middle + np.array([[0, 0], [1, 0], [0, 1]]))
    return float(1 / np.sqrt(abs(np.linalg.det(px[1:] - px[0]))))


def square(grey: np.ndarray, fit: PhotoFit, view: FaceView, face: np.ndarray) -> Square:
    """A photo drawn in a view, evened out in light; `face` (H, W) is the view's `bare_face`."""
    x, y = _places_px(fit, view)
    middle = view.plate_from_view(np.array([view.size]) / 2.0)
    coarse = view.mm_per_px / _mm_per_px(fit, middle)
    smooth = cv2.GaussianBlur(grey, (0, 0), 0.45 * coarse) if coarse > 1.3 else grey
    picture = cv2.remap(smooth, x, y, cv2.INTER_LINEAR)
    inside = (x > 3) & (y > 3) & (x < fit.width_px - 4) & (y < fit.height_px - 4)
    light = cv2.createCLAHE(3.0, (8, 8)).apply(picture)
    return Square(light, np.where(inside, face, 0).astype(np.uint8))


def _places_px(fit: PhotoFit, view: FaceView) -> tuple[np.ndarray, np.ndarray]:
    """Photo pixels, x and y (H, W) float32 each, of every pixel of a view.

    The camera is asked at nodes; between them it is straight.
    """
    spread, nodes = zip(*(_between_nodes(count) for count in view.size), strict=True)
    x, y = np.meshgrid(*nodes)
    px = fit.photo_from_plate(view.plate_from_view(np.column_stack((x.ravel(), y.ravel()))))
    px = px.astype(np.float32).reshape(*x.shape, 2)
    across, down = spread
    return tuple(down @ px[..., k] @ across.T for k in (0, 1))


def _between_nodes(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Weights (count, K) float32 of linear interpolation among nodes, and the nodes (K,) px."""
    nodes = np.linspace(0, count - 1, max(2, -(-count // NODE_PX) + 1))
    pixel = np.arange(count)
    place = pixel / (count - 1) * (len(nodes) - 1)
    left = np.minimum(place.astype(int), len(nodes) - 2)
    weights = np.zeros((count, len(nodes)), np.float32)
    weights[pixel, left] = 1 - (place - left)
    weights[pixel, left + 1] = place - left
    return weights, nodes


def bare_face(view: FaceView, plate: Plate) -> np.ndarray:
    """Where (H, W) uint8 a view shows the face itself, well away from every edge of it."""
    width, height = view.size
    mask = np.zeros((height, width), np.uint8)

    def at(xy_mm) -> np.ndarray:
        return np.round(view.view_from_plate(np.asarray(xy_mm, float)) * 16).astype(np.int32)

    def px(mm: float) -> int:
        return max(1, round(mm / view.mm_per_px))

    cv2.fillPoly(mask, [at(plate.outline_array)], 255, shift=4)
    cv2.polylines(mask, [at(plate.outline_array)], True, 0, px(2 * INSIDE_MM), shift=4)
    rounds = [(d.x_mm, d.y_mm, d.bore_diameter_mm) for d in plate.drops]
    rounds += [(h.x_mm, h.y_mm, h.diameter_mm) for h in plate.holes]
    for x, y, diameter in rounds:
        radius = (diameter / 2 + INSIDE_MM) / view.mm_per_px
        centre = at([(x, y)])[0]
        cv2.circle(mask, [int(c) for c in centre], round(radius * 16), 0, -1, shift=4)
    for channel in plate.channels:
        thick = px(channel.width_mm + 2 * INSIDE_MM)
        cv2.polylines(mask, [at(channel.points_mm)], False, 0, thick, shift=4)
    return mask
