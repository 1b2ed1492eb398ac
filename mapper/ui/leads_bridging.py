"""Bridging what nobody can see of a lead: along the channels of the plate, marked unseen."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import shapely

from mapper.plate import Drop, Exit, Plate, channel_path_mm
from mapper.records import Stretch

__all__ = ["bridged", "length_mm", "tuples"]

CHANNEL_REACH_MM = 10.0


def bridged(plate: Plate, start: tuple[float, float], end: tuple[float, float]) -> Stretch:
    """An unseen stretch along the channels; straight where no channel leads there."""
    path = _channel_way(plate, start, end)
    points = [start, *path, end]
    kept = [p for i, p in enumerate(points) if i == 0 or math.dist(p, points[i - 1]) > 1e-6]
    return Stretch(points_mm=tuples(np.array(kept)), seen=False, confidence=0.0)


def _channel_way(
    plate: Plate, start: tuple[float, float], end: tuple[float, float]
) -> list[tuple[float, float]]:
    """Corners that the channels make between two points; empty where there is no way.

    The corners of the centre lines only: a lead has no reason to come to the middle of its
    channel where the channel runs straight.
    """
    if not plate.channels or math.dist(start, end) < 1e-6:
        return []
    begin_at = _to_channel(plate, start)
    end_at = _to_channel(plate, end)
    if begin_at is None or end_at is None:
        return []
    from_here = Drop("from here", *begin_at, 2 * 0.5)
    to_there = Exit("to there", *end_at)
    drops = (from_here, *(d for d in plate.drops if d.id != from_here.id))
    asked = replace(plate, drops=drops, exits=(to_there,))
    path = channel_path_mm(asked, from_here.id, to_there.id)
    if path is None:
        return []
    length = length_mm(path) + math.dist(start, begin_at) + math.dist(end, end_at)
    if length > 4 * math.dist(start, end) + 60:
        return []  # round half the plate: a guess worse than the straight line
    return [(float(x), float(y)) for x, y in path[1:-1]]


def _to_channel(plate: Plate, mm: tuple[float, float]) -> tuple[float, float] | None:
    """The place of a channel's centre line that a point belongs to."""
    point = shapely.Point(mm)
    bore = next(
        (d for d in plate.drops if math.dist((d.x_mm, d.y_mm), mm) <= d.bore_diameter_mm / 2), None
    )
    reach = CHANNEL_REACH_MM if bore is None else bore.bore_diameter_mm
    best = None
    for channel in plate.channels:
        line = shapely.LineString(channel.points_mm)
        far = line.distance(point)
        if far <= max(reach, channel.width_mm / 2) and (best is None or far < best[0]):
            place = line.interpolate(line.project(point))
            best = (far, (float(place.x), float(place.y)))
    return None if best is None else best[1]


def length_mm(points_mm: np.ndarray) -> float:
    """Length of a polyline (N, 2) in mm."""
    return float(np.hypot(*np.diff(points_mm, axis=0).T).sum())


def tuples(points: np.ndarray) -> tuple[tuple[float, float], ...]:
    """Points (N, 2) as a record keeps them, to a ten-thousandth."""
    return tuple((round(float(x), 4), round(float(y), 4)) for x, y in points)
