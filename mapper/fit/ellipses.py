"""Round things in a photo: dark holes, nozzle heads and the rims of bores, as ellipses.

Two finders. `level_ellipses` follows the contours of many grey levels and keeps those that are
ellipses: a hole with a sharp rim gives the same ellipse at many levels, which is its weight.
`rim_circles` looks for the rims of bores, of which wires and channels leave only arcs, by a
gradient Hough transform in a view that has been turned square to the plate.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

__all__ = ["Blobs", "level_ellipses", "local_ratio", "rim_circles"]

LEVELS = range(16, 240, 12)
LEAST_POINTS, MOST_POINTS = 16, 1000
LEAST_AXIS_RATIO = 0.62  # a circle seen at 50 degrees
LEAST_CONVEX = 0.88


@dataclass(frozen=True, eq=False)
class Blobs:
    """Ellipses in pixels: centre (N, 2), shape matrix (N, 2, 2), weight (N,), dark (N,) bool.

    The shape matrix S has the squared semi-axes as eigenvalues: (x - c)' S^-1 (x - c) = 1.
    """

    centre_px: np.ndarray
    shape_px2: np.ndarray
    weight: np.ndarray
    dark: np.ndarray

    def __len__(self) -> int:
        return len(self.centre_px)

    @property
    def radius_px(self) -> np.ndarray:
        """Geometric mean of the semi-axes (N,)."""
        return np.linalg.det(self.shape_px2) ** 0.25

    def take(self, index: np.ndarray) -> Blobs:
        """The blobs at `index` (integers or booleans)."""
        return Blobs(
            self.centre_px[index], self.shape_px2[index], self.weight[index], self.dark[index]
        )

    def scaled(self, factor: float) -> Blobs:
        """The same blobs in an image enlarged by `factor` (pixel centres kept)."""
        return Blobs(
            (self.centre_px + 0.5) * factor - 0.5,
            self.shape_px2 * factor**2,
            self.weight,
            self.dark,
        )


def level_ellipses(grey: np.ndarray) -> Blobs:
    """Ellipses that the grey-level contours of an image (H, W) uint8 draw.

    `weight` counts the levels at which the same ellipse was met; `dark` says that the inside is
    darker than the rim.
    """
    rows = []
    for level in LEVELS:
        mask = (grey < level).view(np.uint8)
        contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
        if tree is None:
            continue
        for contour, parent in zip(contours, tree[0, :, 3], strict=True):
            if not LEAST_POINTS <= len(contour) <= MOST_POINTS:
                continue
            fitted = _ellipse_of(contour)
            if fitted is not None:
                dark = parent < 0  # outer contours of the dark set enclose darkness
                rows.append((*fitted, dark, level))
    if not rows:
        empty = np.zeros(0)
        return Blobs(np.zeros((0, 2)), np.zeros((0, 2, 2)), empty, empty.astype(bool))
    return _merged(rows)


def _ellipse_of(contour: np.ndarray) -> tuple[float, float, np.ndarray] | None:
    area = cv2.contourArea(contour)
    if area < 25 or area < LEAST_CONVEX * cv2.contourArea(cv2.convexHull(contour)):
        return None
    moments = cv2.moments(contour)
    x, y = moments["m10"] / moments["m00"], moments["m01"] / moments["m00"]
    # the covariance of a filled ellipse is a quarter of its shape matrix
    shape = (4 / moments["m00"]) * np.array(
        [[moments["mu20"], moments["mu11"]], [moments["mu11"], moments["mu02"]]]
    )
    half, spread = (
        (shape[0, 0] + shape[1, 1]) / 2,
        np.hypot((shape[0, 0] - shape[1, 1]) / 2, shape[0, 1]),
    )
    small, large = half - spread, half + spread
    if small <= 1 or small < LEAST_AXIS_RATIO**2 * large:
        return None
    if not 0.93 < area / (np.pi * np.sqrt(small * large)) < 1.07:
        return None
    offset = contour[:, 0, :] - (x, y)
    level = np.einsum("ni,ij,nj->n", offset, np.linalg.inv(shape), offset)
    miss = np.abs(np.sqrt(level) - 1) * np.sqrt(small)
    if np.quantile(miss, 0.9) > max(0.7, 0.04 * np.sqrt(large)):
        return None
    return x, y, shape


def _merged(rows: list[tuple]) -> Blobs:
    """One ellipse for each set that agrees in place and size; the one of the middle level."""
    centre = np.array([(r[0], r[1]) for r in rows])
    shape = np.array([r[2] for r in rows])
    dark = np.array([r[3] for r in rows])
    level = np.array([r[4] for r in rows])
    radius = np.linalg.det(shape) ** 0.25
    # strongest first: those with most neighbours
    away = np.hypot(
        centre[:, None, 0] - centre[None, :, 0], centre[:, None, 1] - centre[None, :, 1]
    )
    reach = 0.12 * np.minimum(radius[:, None], radius[None, :]) + 0.7
    size = np.abs(radius[:, None] - radius[None, :])
    same = (away < reach) & (size < reach) & (dark[:, None] == dark[None, :])
    order = np.argsort(-same.sum(axis=1), kind="stable")
    free = np.ones(len(rows), bool)
    picked, weight = [], []
    for i in order:
        if not free[i]:
            continue
        members = np.flatnonzero(same[i] & free)
        free[members] = False
        middle = members[np.argsort(level[members], kind="stable")[len(members) // 2]]
        picked.append(middle)
        weight.append(len(np.unique(level[members])))
    index = np.array(picked)
    return Blobs(centre[index], shape[index], np.array(weight, float), dark[index])


def local_ratio(shape_px2: np.ndarray, jacobian: np.ndarray) -> np.ndarray:
    """Axis ratio (..., N) >= 1 of ellipses after local maps `jacobian` (..., N, 2, 2)."""
    turned = jacobian @ shape_px2 @ np.swapaxes(jacobian, -1, -2)
    half = (turned[..., 0, 0] + turned[..., 1, 1]) / 2
    spread = np.hypot((turned[..., 0, 0] - turned[..., 1, 1]) / 2, turned[..., 0, 1])
    return np.sqrt((half + spread) / np.maximum(half - spread, 1e-12))


def rim_circles(grey: np.ndarray, least_px: float, most_px: float) -> np.ndarray:
    """Circles (N, 4): x, y, radius, share of the rim that shows an edge; best first.

    `grey` (H, W) uint8 is a view square to the plate.
    """
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.0)
    found = cv2.HoughCircles(
        smooth,
        cv2.HOUGH_GRADIENT_ALT,
        1.5,
        8,
        param1=150,
        param2=0.5,
        minRadius=max(5, int(least_px)),
        maxRadius=int(most_px),
    )
    if found is None:
        return np.zeros((0, 4))
    circles = found[0][:, :3].astype(float)
    angle = np.arange(64) * (2 * np.pi / 64)
    unit = np.column_stack((np.cos(angle), np.sin(angle)))
    steps = np.arange(-3.0, 3.5, 0.5)
    radius = circles[:, 2, None, None] + steps[None, None, :]
    x = circles[:, 0, None, None] + unit[None, :, 0, None] * radius
    y = circles[:, 1, None, None] + unit[None, :, 1, None] * radius
    shape = x.shape
    values = cv2.remap(
        smooth,
        x.reshape(shape[0], -1).astype(np.float32),
        y.reshape(shape[0], -1).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).reshape(shape)
    jump = np.abs(values[:, :, 4:].astype(float) - values[:, :, :-4]).max(axis=2)
    share = (jump > 18).mean(axis=1)
    order = np.argsort(-share, kind="stable")
    return np.column_stack((circles, share))[order]
