"""What a fit can hold on to: corners, bores and holes in the face; and how deep leads lie."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from mapper.plate.model import Plate

__all__ = ["Feature", "lead_depth_mm", "plate_features"]

# A lead bundle lies in layers from the channel floor up. On three rendered plates the median lead
# lies at 0.73 to 0.83 of the channel depth, and at 0.7 of it in the pockets.
LEAD_DEPTH_SHARE = 0.75
# In a pocket leads come up from the nozzle into the channel.
POCKET_DEPTH_SHARE = 0.7
POCKET_DEPTH_MM = 10.0  # without any channel drawn: the middle of the usual 5 to 18 mm

# A vertex is a corner when the edge turns enough there and is straight long enough on both
# sides; the vertices of a rounded corner drawn as short chords are none.
CORNER_TURN_RAD = math.radians(30)
CORNER_EDGE_MM = 3.0
CORNER_EDGE_SHARE = 0.01  # of the perimeter, for very small plates


@dataclass(frozen=True)
class Feature:
    """A place in the face (z = 0) that can be found in a photo."""

    id: str
    kind: Literal["corner", "drop", "hole"]
    x_mm: float
    y_mm: float
    diameter_mm: float | None = None


def plate_features(plate: Plate) -> tuple[Feature, ...]:
    """Return corners ("corner 1", ... in outline order), then drops, then holes.

    Ids are unique: a hole (drop) that shares an id with a feature before it is called
    "hole <id>" ("drop <id>").
    """
    features = [
        Feature(f"corner {i}", "corner", x, y)
        for i, (x, y) in enumerate(_corners(plate.outline_mm), start=1)
    ]
    taken = {feature.id for feature in features}
    places = [("drop", d.id, d.x_mm, d.y_mm, d.bore_diameter_mm) for d in plate.drops]
    places += [("hole", h.id, h.x_mm, h.y_mm, h.diameter_mm) for h in plate.holes]
    for kind, feature_id, x, y, diameter in places:
        while feature_id in taken:
            feature_id = f"{kind} {feature_id}"
        taken.add(feature_id)
        features.append(Feature(feature_id, kind, x, y, diameter))
    return tuple(features)


def lead_depth_mm(plate: Plate, xy_mm: np.ndarray) -> np.ndarray:
    """Return the typical depth (N,) >= 0 of a lead below the face at `xy_mm` (N, 2).

    In a channel 0.75 of its depth (the deepest where channels overlap), in a bore pocket a
    middle value, elsewhere 0.
    """
    xy = np.asarray(xy_mm, dtype=float).reshape(-1, 2)
    points = shapely.points(xy)
    depth = np.zeros(len(xy))
    for channel in plate.channels:
        line = shapely.LineString(channel.points_mm)
        inside = shapely.dwithin(line, points, channel.width_mm / 2)
        depth[inside] = np.maximum(depth[inside], LEAD_DEPTH_SHARE * channel.depth_mm)
    deepest = max((channel.depth_mm for channel in plate.channels), default=0.0)
    pocket = POCKET_DEPTH_SHARE * deepest or POCKET_DEPTH_MM
    for drop in plate.drops:
        away = np.hypot(xy[:, 0] - drop.x_mm, xy[:, 1] - drop.y_mm)
        depth[away <= drop.bore_diameter_mm / 2] = pocket
    return depth


def _corners(outline: tuple[tuple[float, float], ...]) -> list[tuple[float, float]]:
    ring = np.asarray(outline, dtype=float)
    before, after = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    length_before, length_after = np.hypot(*before.T), np.hypot(*after.T)
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.abs(np.arctan2(cross, (before * after).sum(axis=1)))
    long_enough = min(CORNER_EDGE_MM, CORNER_EDGE_SHARE * float(length_after.sum()))
    sharp = (turn >= CORNER_TURN_RAD) & (np.minimum(length_before, length_after) >= long_enough)
    return [(float(x), float(y)) for x, y in ring[sharp]]
