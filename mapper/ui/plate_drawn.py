"""Channels and exits drawn by hand, put into the plate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from mapper.plate import Channel, Exit, Plate, check_plate

__all__ = ["channel_added", "exit_added", "snapped"]

SNAP_MM = 6.0  # a click this near to a drop, an exit or a channel's end means that place


def snapped(plate: Plate, x_mm: float, y_mm: float) -> tuple[float, float]:
    """The drop, exit or channel point within SNAP_MM of a click, or else the click itself."""
    targets = [(drop.x_mm, drop.y_mm) for drop in plate.drops]
    targets += [(place.x_mm, place.y_mm) for place in plate.exits]
    targets += [point for channel in plate.channels for point in channel.points_mm]
    nearest = min(targets, key=lambda p: math.dist(p, (x_mm, y_mm)), default=None)
    if nearest is not None and math.dist(nearest, (x_mm, y_mm)) <= SNAP_MM:
        return nearest
    return round(x_mm, 2), round(y_mm, 2)


def _free_id(start: str, taken: Sequence[str]) -> str:
    number = 1
    while f"{start}{number}" in taken:
        number += 1
    return f"{start}{number}"


def channel_added(
    plate: Plate, points_mm: Sequence[tuple[float, float]], width_mm: float, depth_mm: float
) -> Plate:
    """The plate with one more channel under the next free id. Raises PlateError."""
    name = _free_id("C", [channel.id for channel in plate.channels])
    channel = Channel(name, tuple(map(tuple, points_mm)), width_mm, depth_mm)
    return check_plate(replace(plate, channels=(*plate.channels, channel)))


def exit_added(plate: Plate, x_mm: float, y_mm: float) -> Plate:
    """The plate with one more exit, put onto the nearest place of the outline."""
    ring = plate.outline_array
    start, step = ring, np.roll(ring, -1, axis=0) - ring
    size = (step * step).sum(axis=1)
    share = ((np.array([x_mm, y_mm]) - start) * step).sum(axis=1) / np.where(size > 0, size, 1)
    feet = start + np.clip(share, 0, 1)[:, None] * step
    x, y = feet[np.argmin(np.linalg.norm(feet - [x_mm, y_mm], axis=1))]
    name = _free_id("X", [place.id for place in plate.exits])
    place = Exit(name, round(float(x), 2), round(float(y), 2))
    return check_plate(replace(plate, exits=(*plate.exits, place)))
