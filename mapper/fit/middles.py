"""Where a lead really shows in a photo beside a crossing, for its height.

A route says where a lead runs on the plate, at a depth that was assumed; on a photo from
another side a lead that lies higher or lower shows beside its drawn line. Its true middle is
looked for near that line, on both sides of the crossing, so the crossing itself may be covered.
Where another lead runs so near that one might be taken for the other, nothing is read.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Protocol

import numpy as np
import shapely

__all__ = ["Snap", "seen_middles"]

STEP_MM = 0.8
NEAR_MM = 10.0  # of the crossing, along the lead
REACH_MM = 1.8  # a lead 5 mm off its assumed depth, seen at 20 degrees
NARROWEST, WIDEST = 0.55, 1.6  # seen width against the lead's own
LEAST_FOUND = 0.6  # share of the places on either side at which the lead was found
LEAST_PLACES = 3

# What is nearest to a place on the photo: ((x, y), width) px within a reach in px, or None.
Snap = Callable[[tuple[float, float], float], tuple[tuple[float, float], float] | None]


class _Projects(Protocol):
    def photo_from_plate(self, xy_mm: np.ndarray, depth_mm: Any = 0.0) -> np.ndarray: ...


def seen_middles(
    fit: _Projects,
    snap: Snap,
    line_mm: np.ndarray,
    xy_mm: Sequence[float],
    depth_mm: float,
    diameter_mm: float,
    others_mm: Sequence[np.ndarray],
) -> np.ndarray | None:
    """Middles (M, 2) px of a lead on a photo, on both sides of the place `xy_mm` (2,).

    Parameters
    ----------
    line_mm : (N, 2) the lead's route around the place, where it was seen.
    depth_mm : the depth below the face that the route was drawn with there.
    others_mm : routes (K, 2) of all other leads around the place, also of the one crossed.

    None where the lead is not plainly found, alone, on both sides.
    """
    place = np.asarray(xy_mm, float)
    route = shapely.LineString(np.asarray(line_mm, float))
    middle = float(shapely.line_locate_point(route, shapely.Point(place)))
    rest = shapely.union_all([shapely.LineString(one) for one in others_mm if len(one) > 1])
    alone_mm = REACH_MM + diameter_mm
    found = []
    for side in (-1.0, 1.0):
        at = middle + side * np.arange(STEP_MM, NEAR_MM + STEP_MM / 2, STEP_MM)
        at = at[(at >= 0) & (at <= route.length)]
        points = shapely.line_interpolate_point(route, at)
        if not rest.is_empty:
            points = points[shapely.distance(points, rest) > alone_mm]
        if len(points) < LEAST_PLACES:
            return None
        xy = shapely.get_coordinates(points)
        px = np.asarray(fit.photo_from_plate(xy, depth_mm))
        beside = np.asarray(fit.photo_from_plate(xy + [1.0, 0.0], depth_mm))
        scale = float(np.median(np.hypot(*(beside - px).T)))
        hits = [snap((float(x), float(y)), REACH_MM * scale) for x, y in px]
        own = [
            hit[0]
            for hit in hits
            if hit is not None and NARROWEST < hit[1] / (diameter_mm * scale) < WIDEST
        ]
        if len(own) < max(LEAST_PLACES, LEAST_FOUND * len(px)):
            return None
        found.append(np.array(own))
    return np.concatenate([found[0][::-1], found[1]])
