"""Maps between planes from point pairs: normalised DLT, and the usual error definitions.

Source: Hartley and Zisserman, Multiple View Geometry, 2nd ed., algorithm 4.2 and chapter 4;
Hartley 1997 for the normalisation.
"""

from __future__ import annotations

import numpy as np

from mapper.fit.errors import FitFailed

__all__ = ["apply_homography", "homography_dlt", "sampson_error", "transfer_error"]


def apply_homography(homography: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Points (N, 2) mapped by a homography (3, 3)."""
    points = np.asarray(points, dtype=float).reshape(-1, 2)
    mapped = points @ homography[:, :2].T + homography[:, 2]
    return mapped[:, :2] / mapped[:, 2:]


def homography_dlt(source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Homography (3, 3) that maps `source` (N, 2) to `target` (N, 2), N >= 4.

    Scaled to h33 = 1 unless that is (nearly) zero, then to unit norm. Raises FitFailed when
    there are fewer than four points or they do not settle the map (three of four in a line).
    """
    source = np.asarray(source, dtype=float).reshape(-1, 2)
    target = np.asarray(target, dtype=float).reshape(-1, 2)
    if len(source) != len(target) or len(source) < 4:
        raise FitFailed("A map needs at least four pairs of points: click four corners.")
    if not (np.isfinite(source).all() and np.isfinite(target).all()):
        raise FitFailed("A point pair holds a number that is not finite: click it again.")
    (from_unit, s), (to_unit, t) = _unit(source), _unit(target)
    rows = dlt_rows(s, t)
    _, values, vt = np.linalg.svd(rows)
    unit_map = np.linalg.svd(vt[-1].reshape(3, 3), compute_uv=False)
    # points in a line leave the map open (rank 7), or squash the plane when only one side is
    if values[7] < 1e-9 * values[0] or unit_map[2] < 1e-9 * unit_map[0]:
        raise FitFailed("Three of the points lie in a line: click points spread over the plate.")
    homography = np.linalg.inv(to_unit) @ vt[-1].reshape(3, 3) @ from_unit
    h33 = homography[2, 2]
    if abs(h33) > 1e-12 * np.abs(homography).max():
        return homography / h33
    return homography / np.linalg.norm(homography)


def dlt_rows(source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """The linear system (2N, 9) of the direct linear transform."""
    x, y = source.T
    u, v = target.T
    one, zero = np.ones_like(x), np.zeros_like(x)
    first = np.column_stack((-x, -y, -one, zero, zero, zero, u * x, u * y, u))
    second = np.column_stack((zero, zero, zero, -x, -y, -one, v * x, v * y, v))
    return np.concatenate((first, second))


def _unit(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Similarity to centroid 0 and mean distance sqrt(2), and the points after it."""
    centre = points.mean(axis=0)
    reach = np.hypot(*(points - centre).T).mean()
    if reach < 1e-12:
        raise FitFailed("All points given are the same: click points spread over the plate.")
    scale = np.sqrt(2) / reach
    matrix = np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1.0]])
    return matrix, (points - centre) * scale


def transfer_error(
    homography: np.ndarray, source: np.ndarray, target: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Forward distance, backward distance, and their symmetric sum of squares, each (N,)."""
    forward = np.hypot(*(np.asarray(target) - apply_homography(homography, source)).T)
    back = np.hypot(*(np.asarray(source) - apply_homography(np.linalg.inv(homography), target)).T)
    return forward, back, forward**2 + back**2


def sampson_error(homography: np.ndarray, source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """First-order reprojection error (N,), squared px (Hartley and Zisserman, section 4.2.6)."""
    source = np.asarray(source, dtype=float).reshape(-1, 2)
    target = np.asarray(target, dtype=float).reshape(-1, 2)
    h = homography
    out = np.empty(len(source))
    for i, ((x, y), (u, v)) in enumerate(zip(source, target, strict=True)):
        w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
        miss = np.array(
            [
                u * w - (h[0, 0] * x + h[0, 1] * y + h[0, 2]),
                v * w - (h[1, 0] * x + h[1, 1] * y + h[1, 2]),
            ]
        )
        slope = np.array(
            [
                [u * h[2, 0] - h[0, 0], u * h[2, 1] - h[0, 1], w, 0.0],
                [v * h[2, 0] - h[1, 0], v * h[2, 1] - h[1, 1], 0.0, w],
            ]
        )
        out[i] = miss @ np.linalg.solve(slope @ slope.T, miss)
    return out
