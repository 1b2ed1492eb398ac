"""A run of a lead laid straight: the photo along it, from left to right, as seen from above."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from mapper.fit.crops import Fit

__all__ = ["Strip", "strip_of_run"]

SMOOTH_MM = 12.0  # the middle of the strip follows the lead that softly, so that bends don't fold
STEP_MM = 0.5


@dataclass(frozen=True, eq=False)
class Strip:
    """`pixels_bgr` (H, W, 3); left edge at `low_mm` of the lead's arc length; `middle_mm` (N, 2)
    is the line that runs along its middle, every `STEP_MM`; `shown` 0..1 is the part of the
    middle that the photo covers."""

    pixels_bgr: np.ndarray
    low_mm: float
    px_per_mm: float
    middle_mm: np.ndarray
    shown: float

    def px_from_plate(self, xy_mm: np.ndarray) -> np.ndarray:
        """Map plate mm (N, 2) near the run to pixels of the strip (N, 2)."""
        xy_mm = np.asarray(xy_mm, float).reshape(-1, 2)
        tangent, normal = _frame(self.middle_mm)
        apart = xy_mm[:, None] - self.middle_mm[None]
        nearest = np.argmin((apart**2).sum(2), axis=1)
        off = xy_mm - self.middle_mm[nearest]
        along = nearest * STEP_MM + (off * tangent[nearest]).sum(1)
        across = (off * normal[nearest]).sum(1)
        middle = self.pixels_bgr.shape[0] / 2
        return np.column_stack(
            [along * self.px_per_mm - 0.5, middle - across * self.px_per_mm - 0.5]
        )


def strip_of_run(
    pixels_bgr: np.ndarray,
    fit: Fit,
    points_mm: np.ndarray,
    run_mm: tuple[float, float],
    depth_mm: float,
    half_mm: float,
    px_per_mm: float,
) -> Strip:
    """Lay the run between two arc lengths of a line (N, 2) straight.

    The middle of the strip is the line, smoothed; `depth_mm` is how deep below the face it lies.
    """
    steps = np.hypot(*np.diff(points_mm, axis=0).T)
    arc = np.concatenate([[0.0], np.cumsum(steps)])
    half = round(SMOOTH_MM / 2 / STEP_MM)
    s = run_mm[0] + STEP_MM * np.arange(-half, round((run_mm[1] - run_mm[0]) / STEP_MM) + half + 1)
    line = np.column_stack([np.interp(s, arc, points_mm[:, k]) for k in (0, 1)])
    kernel = np.ones(2 * half + 1) / (2 * half + 1)
    middle = np.column_stack([np.convolve(line[:, k], kernel, "valid") for k in (0, 1)])
    _, normal = _frame(middle)
    wide = max(2, round((len(middle) - 1) * STEP_MM * px_per_mm))
    high = max(2, round(2 * half_mm * px_per_mm))
    rows = np.array([half_mm, 0.0, -half_mm])  # exact there and even between
    nodes_mm = middle[None] + rows[:, None, None] * normal[None]
    nodes = np.asarray(fit.photo_from_plate(nodes_mm.reshape(-1, 2), depth_mm), float)
    nodes = nodes.reshape(3, len(middle), 2)
    node_x, node_y = np.meshgrid(
        np.linspace(0, len(middle) - 1, wide, dtype=np.float32),
        np.linspace(0, 2, high, dtype=np.float32),
    )
    maps = [
        cv2.remap(nodes[:, :, k].astype(np.float32), node_x, node_y, cv2.INTER_LINEAR)
        for k in (0, 1)
    ]
    picture = cv2.remap(
        pixels_bgr,
        *maps,
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(235, 235, 235),
    )
    height, width = pixels_bgr.shape[:2]
    x, y = nodes[1].T
    shown = float(((x >= 0) & (x < width) & (y >= 0) & (y < height)).mean())
    return Strip(picture, run_mm[0], px_per_mm, middle, shown)


def _frame(line: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Unit tangents and normals (to the left) of a line (N, 2)."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    return tangent, np.column_stack([-tangent[:, 1], tangent[:, 0]])
