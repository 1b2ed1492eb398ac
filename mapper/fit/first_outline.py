"""The corners of a rectangular plate in a photo, without a drawing.

Every four long lines that cross as a quadrilateral are asked three things: do the sides show an
edge all along, does the quadrilateral become a rectangle under the camera's focal length (its
vanishing points stand at right angles: Zhang and He 2007, "Whiteboard scanning and image
enhancement"), and do the bores lie inside. Then each side is laid on the image edge.
"""

from __future__ import annotations

import cv2
import numpy as np

from mapper.fit.camera import likely_focal_px
from mapper.fit.errors import FitFailed
from mapper.fit.outline import long_lines, side_quads
from mapper.photos import Photo

__all__ = ["find_corners", "in_order", "quad_shape"]

WORKING_PX = 1200
MOST_LINES = 12  # of each layer
COLOUR_GAIN = 5.0  # steel differs little in colour from a bench, but all along its edge
UNIT = np.array([(0, 0), (1, 0), (1, 1), (0, 1)], float)
SHARES = np.linspace(0.04, 0.96, 60)  # places along a side
CLEAR_JUMP = 25.0  # grey levels of an edge that counts in full
LEAST_SUPPORT = 0.45  # share of edge along the weakest side
SKEW_SLACK = 0.04  # cosine between the sides of a plate, with an unknown lens
NOT_FOUND = "The plate's edges were not found in the photo: click the four corners of the face."


def in_order(corners_px: np.ndarray) -> np.ndarray:
    """Four corners (4, 2) px from the lower left one anticlockwise as seen (y down).

    Raises FitFailed when they are not the corners of a convex quadrilateral.
    """
    corners = np.asarray(corners_px, dtype=float).reshape(-1, 2)
    if len(corners) != 4 or not np.isfinite(corners).all():
        raise FitFailed("An outline needs four corners: click the four corners of the face.")
    middle = corners.mean(axis=0)
    angle = np.arctan2(-(corners[:, 1] - middle[1]), corners[:, 0] - middle[0])
    corners = corners[np.argsort(angle, kind="stable")]
    step, after = np.roll(corners, -1, axis=0) - corners, np.roll(corners, -2, axis=0)
    after = after - np.roll(corners, -1, axis=0)
    turn = step[:, 0] * after[:, 1] - step[:, 1] * after[:, 0]
    size = np.hypot(*step.T)
    if (
        (turn >= 0).any()
        or size.min() < 8
        or (np.abs(turn) < 0.05 * size * np.roll(size, -1)).any()
    ):
        raise FitFailed(
            "The four corners do not make a four-sided plate: click each corner of the face once."
        )
    first = int(np.argmax(corners[:, 1] - corners[:, 0]))
    return np.roll(corners, -first, axis=0)


def quad_shape(
    corners_px: np.ndarray, focal_px: float, centre_px: tuple[float, float]
) -> tuple[float, float]:
    """Width over height of the rectangle seen as `corners_px` (4, 2), and its lack of square.

    With H from the unit square and K the camera matrix, the first two columns of K^-1 H are the
    plate's axes times width and height; the cosine between them is 0 for a true rectangle.
    """
    homography = cv2.getPerspectiveTransform(
        UNIT.astype(np.float32), np.asarray(corners_px, np.float32)
    )
    cx, cy = centre_px
    inverse_k = np.array(
        [[1 / focal_px, 0, -cx / focal_px], [0, 1 / focal_px, -cy / focal_px], [0, 0, 1]]
    )
    first, second = (inverse_k @ homography)[:, :2].T
    n1, n2 = np.linalg.norm(first), np.linalg.norm(second)
    return float(n1 / n2), float(abs(first @ second) / (n1 * n2))


def find_corners(photo: Photo, bores_px: np.ndarray | None = None) -> np.ndarray:
    """Corners (4, 2) px of the plate's face, from the lower left one anticlockwise as seen.

    `bores_px` (N, 2) are places that must lie on the plate. Raises FitFailed when no four
    lines make a plate.
    """
    height, width = photo.pixels_bgr.shape[:2]
    focal = likely_focal_px(photo)
    centre = ((width - 1) / 2, (height - 1) / 2)
    scale = min(1.0, WORKING_PX / max(height, width))
    size = (round(width * scale), round(height * scale))
    layers = _layers(cv2.resize(photo.pixels_bgr, size, interpolation=cv2.INTER_AREA))
    lines = _unlike(np.concatenate([long_lines(layer)[:MOST_LINES] for layer in layers]), size)
    if len(lines) < 4:
        raise FitFailed(NOT_FOUND)
    bores = np.zeros((0, 2)) if bores_px is None else np.asarray(bores_px, float).reshape(-1, 2)
    bores = (bores + 0.5) * scale - 0.5
    edges = _edges(layers)
    best, best_quad = 0.0, None
    for quad in side_quads(lines, size[0], size[1]):
        ring = quad.astype(np.float32).reshape(-1, 1, 2)
        inside = [cv2.pointPolygonTest(ring, (float(x), float(y)), False) > 0 for x, y in bores]
        share = np.mean(inside) if inside else 1.0
        if share < 0.7:
            continue
        _, skew = quad_shape((quad + 0.5) / scale - 0.5, focal, centre)
        if skew > 3 * SKEW_SLACK:
            continue
        support = _support(edges, quad)
        if support.min() < LEAST_SUPPORT:
            continue
        score = support.mean() * support.min() * np.exp(-0.5 * (skew / SKEW_SLACK) ** 2)
        score *= share**4 * cv2.contourArea(ring)
        if score > best:
            best, best_quad = score, quad
    if best_quad is None:
        raise FitFailed(NOT_FOUND)
    return in_order(_on_edges(_layers(photo.pixels_bgr), (best_quad + 0.5) / scale - 0.5))


def _layers(pixels_bgr: np.ndarray) -> list[np.ndarray]:
    """Lightness and both colour axes (CIE L*a*b*), each (H, W) uint8, the colours stretched."""
    if pixels_bgr.ndim == 2:
        return [cv2.GaussianBlur(pixels_bgr, (0, 0), 1.0)]
    light, *colours = cv2.split(cv2.cvtColor(pixels_bgr, cv2.COLOR_BGR2LAB))
    out = [cv2.GaussianBlur(light, (0, 0), 1.0)]
    for colour in colours:
        wide = cv2.GaussianBlur(colour, (0, 0), 2.0).astype(np.float32)
        stretched = (wide - np.median(wide)) * COLOUR_GAIN + 128
        out.append(np.clip(stretched, 0, 255).astype(np.uint8))
    return out


def _unlike(lines: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """The lines (N, 3) without those that another layer showed before."""
    middle = np.array(size) / 2
    kept: list[np.ndarray] = []
    for line in lines:
        for other in kept:
            same = np.sign(line[:2] @ other[:2])
            turned = abs(line[0] * other[1] - line[1] * other[0])
            apart = line[:2] @ middle + line[2] - same * (other[:2] @ middle + other[2])
            if turned < 0.004 and abs(apart) < 2.0:
                break
        else:
            kept.append(line)
    return np.array(kept).reshape(-1, 3)


def _profiles(grey: np.ndarray, quad: np.ndarray, reach: float, count: int, step: float):
    """Grey values (4, count, M) across the sides, the points (4, count, 2) and normals (4, 2)."""
    ends = np.roll(quad, -1, axis=0)
    share = np.linspace(0.04, 0.96, count)
    points = quad[:, None] + (ends - quad)[:, None] * share[None, :, None]
    along = (ends - quad) / np.hypot(*(ends - quad).T)[:, None]
    normals = np.column_stack((-along[:, 1], along[:, 0]))
    offsets = np.arange(-reach, reach + step / 2, step)
    at = points[:, :, None] + normals[:, None, None] * offsets[None, None, :, None]
    flat = at.reshape(4, -1, 2).astype(np.float32)
    values = cv2.remap(
        grey, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    height, width = grey.shape
    known = ((points >= 2) & (points < (width - 2, height - 2))).all(axis=-1)
    return values.reshape(4, count, len(offsets)).astype(float), points, normals, offsets, known


def _edges(layers: list[np.ndarray]) -> np.ndarray:
    """How clear an edge is near each pixel (H, W), 0..1; nothing in the picture's border."""
    near = np.ones((5, 5), np.uint8)
    out = np.zeros(layers[0].shape, np.float32)
    for layer in layers:
        grey = layer.astype(np.float32)
        slope = cv2.magnitude(
            cv2.Sobel(grey, cv2.CV_32F, 1, 0, scale=3 / 8),
            cv2.Sobel(grey, cv2.CV_32F, 0, 1, scale=3 / 8),
        )
        out = np.maximum(out, cv2.dilate(slope, near))
    out = np.minimum(out, CLEAR_JUMP) / CLEAR_JUMP
    out[:2], out[-2:], out[:, :2], out[:, -2:] = 0, 0, 0, 0
    return out


def _support(edges: np.ndarray, quad: np.ndarray) -> np.ndarray:
    """How much of each side (4,) shows an edge, 0..1; nothing where it is out of the picture."""
    points = quad[:, None] + (np.roll(quad, -1, axis=0) - quad)[:, None] * SHARES[None, :, None]
    x, y = np.rint(points).astype(int).transpose(2, 0, 1)
    height, width = edges.shape
    known = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    return (edges[y.clip(0, height - 1), x.clip(0, width - 1)] * known).mean(axis=1)


def _on_edges(layers: list[np.ndarray], quad: np.ndarray) -> np.ndarray:
    """The quadrilateral (4, 2) px with each side laid on the steepest edge near it."""
    for reach in (8.0, 4.0):
        best = [(-1.0, _line(quad[[k, (k + 1) % 4]])) for k in range(4)]
        for layer in layers:
            values, points, normals, offsets, known = _profiles(layer, quad, reach, 160, 0.5)
            slope = values[:, :, 4:] - values[:, :, :-4]
            for side in range(4):
                # all along a side the steel is the lighter or the darker one
                sign = 1.0 if slope[side].sum() >= 0 else -1.0
                rise = sign * slope[side]
                peak = rise.argmax(axis=1)
                good = known[side] & (rise.max(axis=1) > 6)
                if good.sum() < 20:
                    continue
                clear = float(np.minimum(rise.max(axis=1), CLEAR_JUMP)[good].sum())
                if clear > best[side][0]:
                    found = points[side] + normals[side] * offsets[2:-2][peak][:, None]
                    best[side] = (clear, _line(found[good]))
        sides = [line for _, line in best]
        corners = [np.cross(sides[k - 1], sides[k]) for k in range(4)]
        quad = np.array([c[:2] / c[2] for c in corners])
    return quad


def _line(points: np.ndarray) -> np.ndarray:
    """Line (3,) through points (N, 2), with little weight for those far off (Huber)."""
    vx, vy, x, y = cv2.fitLine(points.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
    return np.array([-vy, vx, vy * x - vx * y], dtype=float)
