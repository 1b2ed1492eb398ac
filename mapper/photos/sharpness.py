"""How sharp a picture is.

The classic measures (`variance_of_laplacian`, `tenengrad`) depend on the subject, on the size
and on the noise, so they serve only to compare photos of one subject at one working size.
`edge_blur` does not: it measures how wide edges are, in pixels, in four directions.
"""

from __future__ import annotations

import cv2
import numpy as np

__all__ = [
    "WORKING_WIDTH_PX",
    "edge_blur",
    "noise_sigma",
    "tenengrad",
    "tile_sharpness",
    "variance_of_laplacian",
]

WORKING_WIDTH_PX = 1600  # halving a photo raises its measure 3 to 5 times: compare at one width
SMOOTH_PX = 1.2  # sigma of a first smoothing that tames noise; taken off the result again
REBLUR_PX = 2.0  # sigma of the known blur that edges are compared under
NOISE_FACTOR = 6.0  # an edge is clear when its gradient is this many times that of the noise
GRADIENT_PER_NOISE = 0.109  # of white noise of sigma 1, after the smoothing (computed)
MIN_GRADIENT = 3.0  # grey values per pixel; a fainter edge tells nothing on any photo
STRONGEST_SHARE = 0.5  # of a tile's clear edges; the rest is grain, texture and noise
MIN_EDGES = 40  # per tile and direction; fewer say nothing
SIGMA_RANGE_PX = (0.3, 12.0)  # outside, the comparison of the two gradients is all noise


def variance_of_laplacian(grey: np.ndarray) -> float:
    """Return the variance of the 4-neighbour Laplacian of `grey` (H, W).

    Pech-Pacheco et al., "Diatom autofocusing in brightfield microscopy", ICPR 2000.
    """
    return float(cv2.Laplacian(_depth_for_double(grey), cv2.CV_64F).var())


def tenengrad(grey: np.ndarray) -> float:
    """Return the mean of Gx^2 + Gy^2 of `grey` (H, W) with the 3 x 3 Sobel kernels.

    Tenenbaum 1970; Krotkov, "Focusing", IJCV 1988.
    """
    grey = _depth_for_double(grey)
    gx = cv2.Sobel(grey, cv2.CV_64F, 1, 0)
    gy = cv2.Sobel(grey, cv2.CV_64F, 0, 1)
    return float(np.mean(gx * gx + gy * gy))


def tile_sharpness(grey: np.ndarray, rows: int, columns: int) -> np.ndarray:
    """Return the variance of the Laplacian per tile (rows, columns) at the working width.

    For comparing photos of one subject with each other, by the median over the tiles.
    """
    small = grey
    if grey.shape[1] > WORKING_WIDTH_PX:
        height = max(1, round(grey.shape[0] * WORKING_WIDTH_PX / grey.shape[1]))
        small = cv2.resize(grey, (WORKING_WIDTH_PX, height), interpolation=cv2.INTER_AREA)
    laplacian = cv2.Laplacian(small, cv2.CV_32F)
    return np.array(
        [
            [float(tile.var()) for tile in np.array_split(band, columns, axis=1)]
            for band in np.array_split(laplacian, rows, axis=0)
        ]
    )


def edge_blur(
    grey: np.ndarray, rows: int, columns: int, mask: np.ndarray | None = None
) -> np.ndarray:
    """Return how wide edges are, as the sigma of a Gaussian in pixels, (rows, columns, 4).

    `grey` (H, W) uint8 is cut into tiles; only edges inside `mask` (H, W), if given, count.
    The last axis is the direction in which edges are crossed: 0, 45, 90 and 135 degrees
    (camera shake widens those crossed along its direction and leaves the others). Each value
    is a median, NaN where a tile has too few clear edges of that direction.

    A step edge under a Gaussian of sigma s has the gradient 1 / (sqrt(2 pi) s). Blurred again
    with a known sigma b it becomes sqrt(s^2 + b^2) / s times smaller, which gives s at every
    edge (Zhuo and Sim, "Defocus map estimation from a single image", Pattern Recognition 2011).
    Only clear edges count, so noise does not make a blurred photo look sharp.
    """
    image = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), SMOOTH_PX)
    gx, gy, steep = _gradient(image)
    _, _, flat = _gradient(cv2.GaussianBlur(image, (0, 0), REBLUR_PX))
    clear = steep > max(MIN_GRADIENT, NOISE_FACTOR * GRADIENT_PER_NOISE * noise_sigma(grey))
    if mask is not None:
        clear &= mask.astype(bool)
    y, x = _edge_places(gx, gy, steep, clear)
    height, width = grey.shape
    tile = (y * rows // height) * columns + x * columns // width
    strong = _strongest(steep[y, x], tile, rows * columns)
    y, x, tile = y[strong], x[strong], tile[strong]
    ratio = steep[y, x] / np.maximum(flat[y, x], 1e-6)
    low, high = SIGMA_RANGE_PX
    smoothed = np.minimum(REBLUR_PX / np.sqrt(np.maximum(ratio**2 - 1, 1e-6)), high)
    sigma = np.sqrt(np.maximum(smoothed**2 - SMOOTH_PX**2, low**2))
    direction = np.round(np.arctan2(gy[y, x], gx[y, x]) / (np.pi / 4)).astype(int) % 4
    return _medians(sigma, 4 * tile + direction, 4 * rows * columns).reshape(rows, columns, 4)


def noise_sigma(grey: np.ndarray) -> float:
    """Return the standard deviation of the noise in `grey` (H, W).

    Immerkaer, "Fast noise variance estimation", CVIU 1996, with the median in place of the
    mean, which edges do not move.
    """
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    response = cv2.filter2D(grey[::2].astype(np.float32), cv2.CV_32F, mask)
    return float(np.median(np.abs(response))) * 1.4826 / 6


def _depth_for_double(grey: np.ndarray) -> np.ndarray:
    """OpenCV filters to double from 8 bit and from double, not from float32."""
    return grey if grey.dtype == np.uint8 else grey.astype(np.float64)


def _gradient(image: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return Gx, Gy and their length in grey values per pixel."""
    gx = cv2.Sobel(image, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(image, cv2.CV_32F, 0, 1, scale=1 / 8)
    return gx, gy, cv2.magnitude(gx, gy)


def _edge_places(
    gx: np.ndarray, gy: np.ndarray, steep: np.ndarray, clear: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return rows and columns of the clear pixels that are steepest across their edge."""
    clear[[0, -1], :] = False
    clear[:, [0, -1]] = False
    y, x = np.nonzero(clear)
    size = np.maximum(np.hypot(gx[y, x], gy[y, x]), 1e-6)
    step_x = np.rint(gx[y, x] / size).astype(int)
    step_y = np.rint(gy[y, x] / size).astype(int)
    here = steep[y, x]
    peak = (here >= steep[y + step_y, x + step_x]) & (here >= steep[y - step_y, x - step_x])
    return y[peak], x[peak]


def _strongest(strength: np.ndarray, group: np.ndarray, count: int) -> np.ndarray:
    """Return a mask of the stronger half of each group."""
    keep = np.zeros(len(strength), dtype=bool)
    for members in _members(group, count):
        if len(members):
            limit = np.quantile(strength[members], 1 - STRONGEST_SHARE)
            keep[members[strength[members] >= limit]] = True
    return keep


def _medians(values: np.ndarray, group: np.ndarray, count: int) -> np.ndarray:
    """Return the median of each group, NaN for one with too few members."""
    return np.array(
        [
            np.median(values[members]) if len(members) >= MIN_EDGES else np.nan
            for members in _members(group, count)
        ]
    )


def _members(group: np.ndarray, count: int) -> list[np.ndarray]:
    """Return the indices that belong to group 0, 1, ... count - 1."""
    order = np.argsort(group, kind="stable")
    return np.split(order, np.searchsorted(group[order], np.arange(1, count)))
