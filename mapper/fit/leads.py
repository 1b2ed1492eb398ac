"""Where a lead seen in a photo lies on the plate.

A lead lies down in a channel or a pocket, so the face is the wrong plane for it: seen at an
angle, a point of the face projection may even fall outside the channel that the lead runs in.
So the depth is not looked up under the face projection; each depth that leads have on this
plate is tried, and the one that puts the point deepest inside a channel or pocket of that very
depth is taken.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
import shapely

from mapper.plate import Plate

__all__ = ["plate_from_lead"]

SLACK_MM = 2.0  # a lead may bulge over the edge of its channel by about its own diameter


class _Projects(Protocol):
    def plate_from_photo(self, xy_px: np.ndarray, depth_mm: float = 0.0) -> np.ndarray: ...


def plate_from_lead(
    fit: _Projects, plate: Plate, xy_px: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return plate points (N, 2) in mm and depths (N,) in mm for points (N, 2) px on leads.

    Outside every channel and pocket the depth is 0 (a lead lying on the face).
    """
    xy_px = np.asarray(xy_px, dtype=float).reshape(-1, 2)
    best_mm = np.asarray(fit.plate_from_photo(xy_px, 0.0), dtype=float)
    best_depth_mm = np.zeros(len(xy_px))
    best_outside_mm = np.full(len(xy_px), SLACK_MM)
    places = [
        (shapely.LineString(channel.points_mm), channel.width_mm / 2) for channel in plate.channels
    ]
    places += [
        (shapely.Point(drop.x_mm, drop.y_mm), drop.bore_diameter_mm / 2) for drop in plate.drops
    ]
    for shape, half_mm in places:
        # A lead in this channel or pocket has the depth that leads have at its middle.
        middle = (
            np.array([shape.interpolate(0.5, normalized=True).coords[0]])
            if (shape.geom_type == "LineString")
            else np.array([shape.coords[0]])
        )
        depth_mm = float(plate.lead_depth_mm(middle)[0])
        points_mm = np.asarray(fit.plate_from_photo(xy_px, depth_mm), dtype=float)
        outside_mm = shapely.distance(shape, shapely.points(points_mm)) - half_mm
        better = outside_mm < best_outside_mm
        best_mm[better], best_depth_mm[better] = points_mm[better], depth_mm
        best_outside_mm[better] = outside_mm[better]
    return best_mm, best_depth_mm
