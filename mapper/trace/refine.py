"""From a chain of line elements to a smooth centre line with a confidence per stretch."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import make_smoothing_spline

from mapper.trace.model import Trace

__all__ = ["smooth_line"]

BRIDGED = 0.45  # confidence of a stretch bridged over up to `NARROW` widths
NARROW = 4.0
STEP = 0.5  # points per width along the result


def smooth_line(xy_px: np.ndarray, sure: np.ndarray, width_px: float) -> Trace:
    """`xy_px` (N, 2) in order, `sure` (N,) 0..1 belief in each, to a Trace."""
    step = np.hypot(*np.diff(xy_px, axis=0).T)
    keep = np.concatenate([[True], step > 0.05 * width_px])
    xy_px, sure = xy_px[keep], sure[keep]
    step = np.hypot(*np.diff(xy_px, axis=0).T)
    at = np.concatenate([[0.0], np.cumsum(step)])
    gap = step > 1.5 * width_px
    belief = np.minimum(sure[:-1], sure[1:])
    belief = np.where(
        gap, np.minimum(belief, np.where(step > NARROW * width_px, 0.2, BRIDGED)), belief
    )
    if len(xy_px) < 6:
        return Trace(xy_px, belief)
    # lam = (stiffness length)^3: irons out what is shorter than about a width.
    lam = 0.02 * width_px**3
    x = make_smoothing_spline(at, xy_px[:, 0], lam=lam)
    y = make_smoothing_spline(at, xy_px[:, 1], lam=lam)
    count = max(int(np.ceil(at[-1] / max(STEP * width_px, 1.5))), 1) + 1
    fine = np.linspace(0.0, at[-1], count)
    middle = 0.5 * (fine[1:] + fine[:-1])
    slot = np.clip(np.searchsorted(at, middle) - 1, 0, len(step) - 1)
    return Trace(np.stack([x(fine), y(fine)], 1), np.clip(belief[slot], 0.0, 1.0))
