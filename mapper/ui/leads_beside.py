"""The same place in all fitted photos: frames at the depths where leads lie, panes beside.

A frame maps pixels to mm at one depth. A lead in a channel lies deeper than the face, so photos
from different sides agree on its place only at that depth: 15 mm deep seen at 20 degrees is
5.5 mm off on the face (depth times the tangent of the angle).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from mapper.plate import Plate
from mapper.ui.canvas import Depth, Line, Pane
from mapper.ui.leads_sight import Sight
from mapper.ui.overlay import frames_of
from mapper.ui.tiles import OpenPhoto

__all__ = ["PANES", "depths_of", "pane"]

PANES = 5  # photos that are sent; the canvas shows the first three with the place in them


def depths_of(plate: Plate) -> tuple[tuple[float, ...], list[Depth]]:
    """Depths in mm, the face first, and where on the plate each of them holds."""
    parts = []
    for channel in plate.channels:
        points = np.array(channel.points_mm, dtype=float)
        longest = int(np.argmax(np.hypot(*np.diff(points, axis=0).T)))
        middle = (points[longest] + points[longest + 1]) / 2
        parts.append((points, channel.width_mm / 2, middle))
    for drop in plate.drops:
        middle = np.array([drop.x_mm, drop.y_mm], dtype=float)
        parts.append((np.array([middle, middle]), drop.bore_diameter_mm / 2, middle))
    found: list[float] = [0.0]
    where = []
    for points, half_mm, middle in parts:
        depth_mm = round(float(plate.lead_depth_mm(middle[None])[0]), 1)
        if depth_mm not in found:
            found.append(depth_mm)
        where.append(Depth(points, float(half_mm), found.index(depth_mm)))
    return tuple(found), where


def pane(
    name: str,
    opened: OpenPhoto,
    sight: Sight,
    depths_mm: Sequence[float],
    lines: Callable[[Sight], list[Line]],
) -> Pane:
    """A photo beside the one that is worked on, with the same leads drawn."""
    frames = frames_of(sight.fit, depths_mm)
    return Pane(sight.sha256, name, opened, frames, lines(sight))
