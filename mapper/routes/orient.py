"""On which side of a line a point lies, exactly, for whole arrays at once.

Source: J. R. Shewchuk, "Adaptive Precision Floating-Point Arithmetic and Fast Robust
Geometric Predicates", Discrete & Computational Geometry 18 (1997): the error bound of stage A
as a filter, and expansion sums where the filter cannot tell. Coordinates must be 0 or between
1e-100 and 1e100 in size, so that no product underflows or overflows.
"""

from __future__ import annotations

import numpy as np

__all__ = ["orientation"]

_EPS = 2.0**-53
_FILTER = (3.0 + 16.0 * _EPS) * _EPS  # ccwerrboundA of the paper
_SPLIT = 2.0**27 + 1.0  # Dekker's splitter for 53-bit numbers


def orientation(
    ax: np.ndarray,
    ay: np.ndarray,
    bx: np.ndarray,
    by: np.ndarray,
    cx: np.ndarray,
    cy: np.ndarray,
) -> np.ndarray:
    """Return +1 where c lies left of a -> b, -1 right, 0 exactly on the line; (K,) int8."""
    left = (ax - cx) * (by - cy)
    right = (ay - cy) * (bx - cx)
    det = left - right
    sign = np.sign(det).astype(np.int8)
    unsure = np.flatnonzero(np.abs(det) < _FILTER * (np.abs(left) + np.abs(right)))
    if len(unsure):
        sign[unsure] = _exact(*(np.take(v, unsure) for v in (ax, ay, bx, by, cx, cy)))
    return sign


def _exact(ax, ay, bx, by, cx, cy) -> np.ndarray:
    """Sign of ax*by - ay*bx + bx*cy - by*cx + cx*ay - cy*ax, summed without rounding."""
    parts: list[np.ndarray] = []
    for u, v in ((ax, by), (-ay, bx), (bx, cy), (-by, cx), (cx, ay), (-cy, ax)):
        product, error = _two_product(u, v)
        for term in (error, product):
            for k, part in enumerate(parts):
                term, parts[k] = _two_sum(term, part)
            parts.append(term)
    sign = np.zeros(len(ax), dtype=np.int8)
    for part in parts:  # rising size: the last part that is not zero decides
        sign = np.where(part != 0, np.sign(part).astype(np.int8), sign)
    return sign


def _two_sum(a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    total = a + b
    part = total - a
    return total, (a - (total - part)) + (b - part)


def _split(a: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    c = _SPLIT * a
    high = c - (c - a)
    return high, a - high


def _two_product(a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    product = a * b
    a_high, a_low = _split(a)
    b_high, b_low = _split(b)
    error = a_low * b_low - (((product - a_high * b_high) - a_low * b_high) - a_high * b_low)
    return product, error
