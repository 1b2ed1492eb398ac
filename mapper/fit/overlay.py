"""The fitted plate drawn over the photo: outline, bores, holes and channels as curves."""

from __future__ import annotations

import numpy as np
import shapely

from mapper.fit.result import PhotoFit
from mapper.plate.model import Plate

__all__ = ["fit_overlay"]

CHORD_MM = 4.0  # straight edges are cut this short, so that lens distortion shows


def fit_overlay(fit: PhotoFit, plate: Plate) -> list[np.ndarray]:
    """Curves (K, 2) in photo pixels, in the order outline, bores, holes, channels.

    Closed curves repeat their first point; parts outside the photo are kept. A curve that
    reaches behind the camera is cut there.
    """
    outline = np.asarray(plate.outline_mm, dtype=float)
    curves = [np.vstack((outline, outline[:1]))]
    for x, y, diameter in [(d.x_mm, d.y_mm, d.bore_diameter_mm) for d in plate.drops] + [
        (h.x_mm, h.y_mm, h.diameter_mm) for h in plate.holes
    ]:
        angle = np.linspace(0, 2 * np.pi, 73)
        curves.append(np.column_stack((np.cos(angle), np.sin(angle))) * (diameter / 2) + (x, y))
    bands = [
        shapely.LineString(c.points_mm).buffer(c.width_mm / 2, cap_style="flat", join_style="mitre")
        for c in plate.channels
        if len(c.points_mm) > 1
    ]
    for part in shapely.get_parts(shapely.union_all(bands)) if bands else ():
        curves += [shapely.get_coordinates(r) for r in (part.exterior, *part.interiors)]
    out = []
    for curve in curves:
        dense = shapely.get_coordinates(shapely.segmentize(shapely.LineString(curve), CHORD_MM))
        px = fit.photo_from_plate(dense)
        keep = np.isfinite(px).all(axis=1)
        for run in np.split(np.arange(len(px)), np.flatnonzero(np.diff(keep.astype(int))) + 1):
            if keep[run[0]] and len(run) > 1:
                out.append(px[run])
    return out
