"""What the fit looks at: a photo as grey, and its point features."""

from __future__ import annotations

import cv2
import numpy as np

__all__ = ["grey_of", "point_features"]


def grey_of(pixels_bgr: np.ndarray) -> np.ndarray:
    """A picture (H, W, 3) or (H, W) uint8 as grey (H, W); one that is grey already stays."""
    return pixels_bgr if pixels_bgr.ndim == 2 else cv2.cvtColor(pixels_bgr, cv2.COLOR_BGR2GRAY)


def point_features(
    grey: np.ndarray, mask: np.ndarray | None, most: int
) -> tuple[np.ndarray, np.ndarray]:
    """Place px, size px, turn rad (K, 4) of point features, descriptors (K, 128) of unit length.

    `grey`, `mask` (H, W) uint8: only where the mask isn't 0, and about the `most` clearest.
    SIFT (Lowe 2004) with the root of Arandjelovic and Zisserman 2012.
    """
    sift = cv2.SIFT_create(most, contrastThreshold=0.015)
    points, looks = sift.detectAndCompute(grey, mask)
    if looks is None:
        return np.zeros((0, 4)), np.zeros((0, 128), np.float32)
    at = np.array([(*p.pt, p.size, np.radians(p.angle)) for p in points])
    return at, np.sqrt(looks / np.maximum(looks.sum(axis=1, keepdims=True), 1e-9))
