"""The `plate` object of a route-map file, to and from a Plate.

Keys that this version does not know are kept in `extra` of the record they stand in,
and written back after the known ones.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from mapper.errors import shown
from mapper.plate.checks import (
    PlateError,
    check_angle,
    check_id,
    check_marker_id,
    check_number,
    check_plate,
    check_size,
    clean_ring,
    kind_of,
)
from mapper.plate.model import Channel, Drop, Exit, Hole, Marker, Plate

__all__ = ["plate_from_mapping", "plate_to_mapping"]

Item = TypeVar("Item")
_PLATE_KEYS = ("name", "outline", "drops", "holes", "channels", "exits", "markers")


def plate_from_mapping(mapping: Mapping[str, Any], path: str = "plate") -> Plate:
    """Return the plate that `mapping` (parsed JSON) describes.

    `path` is the key path that messages begin with. Raises PlateError at the first fault.
    """
    if not isinstance(mapping, Mapping):
        raise PlateError(f"{path} must be an object, not {kind_of(mapping)}.")
    name = mapping.get("name", "")
    if not isinstance(name, str):
        raise PlateError(f"{path}.name must be text, not {kind_of(name)}.")
    if "outline" not in mapping:
        raise PlateError(f"{path}.outline is missing: list the corner points of the plate.")
    plate = Plate(
        name=name,
        outline_mm=clean_ring(_points(mapping["outline"], f"{path}.outline")),
        drops=_items(mapping, "drops", path, _drop),
        holes=_items(mapping, "holes", path, _hole),
        channels=_items(mapping, "channels", path, _channel),
        exits=_items(mapping, "exits", path, _exit),
        extra=_extra(mapping, _PLATE_KEYS, path),
        markers=_items(mapping, "markers", path, _marker),
    )
    return check_plate(plate, path)


def plate_to_mapping(plate: Plate) -> dict[str, Any]:
    """Return the `plate` object: plain dicts, lists, floats and text, ready for JSON."""
    # most plates have no markers: then the file does not speak of them
    markers = {
        "markers": [
            {
                "id": int(marker.id),
                "x": float(marker.x_mm),
                "y": float(marker.y_mm),
                "side": float(marker.side_mm),
                "angle": float(marker.angle_deg),
                **marker.extra,
            }
            for marker in plate.markers
        ]
    }
    return {
        "name": plate.name,
        "outline": [[float(x), float(y)] for x, y in plate.outline_mm],
        "drops": [
            {
                "id": drop.id,
                "x": float(drop.x_mm),
                "y": float(drop.y_mm),
                "bore_diameter": float(drop.bore_diameter_mm),
                **drop.extra,
            }
            for drop in plate.drops
        ],
        "holes": [
            {
                "id": hole.id,
                "x": float(hole.x_mm),
                "y": float(hole.y_mm),
                "diameter": float(hole.diameter_mm),
                **hole.extra,
            }
            for hole in plate.holes
        ],
        "channels": [
            {
                "id": channel.id,
                "points": [[float(x), float(y)] for x, y in channel.points_mm],
                "width": float(channel.width_mm),
                "depth": float(channel.depth_mm),
                **channel.extra,
            }
            for channel in plate.channels
        ],
        "exits": [
            {"id": exit_.id, "x": float(exit_.x_mm), "y": float(exit_.y_mm), **exit_.extra}
            for exit_ in plate.exits
        ],
        **(markers if plate.markers else {}),
        **plate.extra,
    }


def _items(
    mapping: Mapping[str, Any],
    key: str,
    path: str,
    make: Callable[[Mapping[str, Any], str], Item],
) -> tuple[Item, ...]:
    values = mapping.get(key, [])
    where = f"{path}.{key}"
    if not isinstance(values, list | tuple):
        raise PlateError(f"{where} must be a list, not {kind_of(values)}.")
    made = []
    for i, value in enumerate(values):
        if not isinstance(value, Mapping):
            raise PlateError(f"{where}[{i}] must be an object, not {kind_of(value)}.")
        made.append(make(value, f"{where}[{i}]"))
    return tuple(made)


def _need(mapping: Mapping[str, Any], key: str, path: str) -> Any:
    if key not in mapping:
        raise PlateError(f"{path}.{key} is missing: add it.")
    return mapping[key]


def _drop(mapping: Mapping[str, Any], path: str) -> Drop:
    return Drop(
        id=check_id(_need(mapping, "id", path), f"{path}.id"),
        x_mm=check_number(_need(mapping, "x", path), f"{path}.x"),
        y_mm=check_number(_need(mapping, "y", path), f"{path}.y"),
        bore_diameter_mm=check_size(_need(mapping, "bore_diameter", path), f"{path}.bore_diameter"),
        extra=_extra(mapping, ("id", "x", "y", "bore_diameter"), path),
    )


def _hole(mapping: Mapping[str, Any], path: str) -> Hole:
    return Hole(
        id=check_id(_need(mapping, "id", path), f"{path}.id"),
        x_mm=check_number(_need(mapping, "x", path), f"{path}.x"),
        y_mm=check_number(_need(mapping, "y", path), f"{path}.y"),
        diameter_mm=check_size(_need(mapping, "diameter", path), f"{path}.diameter"),
        extra=_extra(mapping, ("id", "x", "y", "diameter"), path),
    )


def _channel(mapping: Mapping[str, Any], path: str) -> Channel:
    return Channel(
        id=check_id(_need(mapping, "id", path), f"{path}.id"),
        points_mm=_points(_need(mapping, "points", path), f"{path}.points"),
        width_mm=check_size(_need(mapping, "width", path), f"{path}.width"),
        depth_mm=check_size(_need(mapping, "depth", path), f"{path}.depth"),
        extra=_extra(mapping, ("id", "points", "width", "depth"), path),
    )


def _exit(mapping: Mapping[str, Any], path: str) -> Exit:
    return Exit(
        id=check_id(_need(mapping, "id", path), f"{path}.id"),
        x_mm=check_number(_need(mapping, "x", path), f"{path}.x"),
        y_mm=check_number(_need(mapping, "y", path), f"{path}.y"),
        extra=_extra(mapping, ("id", "x", "y"), path),
    )


def _marker(mapping: Mapping[str, Any], path: str) -> Marker:
    return Marker(
        id=check_marker_id(_need(mapping, "id", path), f"{path}.id"),
        x_mm=check_number(_need(mapping, "x", path), f"{path}.x"),
        y_mm=check_number(_need(mapping, "y", path), f"{path}.y"),
        side_mm=check_size(_need(mapping, "side", path), f"{path}.side"),
        angle_deg=check_angle(mapping.get("angle", 0.0), f"{path}.angle"),
        extra=_extra(mapping, ("id", "x", "y", "side", "angle"), path),
    )


def _points(value: Any, path: str) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list | tuple):
        raise PlateError(f"{path} must be a list of [x, y] points, not {kind_of(value)}.")
    points = []
    for i, point in enumerate(value):
        if not isinstance(point, list | tuple) or len(point) != 2:
            raise PlateError(f"{path}[{i}] must be a point [x, y].")
        points.append(
            (check_number(point[0], f"{path}[{i}][0]"), check_number(point[1], f"{path}[{i}][1]"))
        )
    return tuple(points)


def _extra(mapping: Mapping[str, Any], known: tuple[str, ...], path: str) -> dict[str, Any]:
    """Return the unknown keys; a number in them that isn't finite could not be written back."""
    extra = {key: value for key, value in mapping.items() if key not in known}
    waiting = [(f"{path}.{shown(key)}", value) for key, value in extra.items()]
    while waiting:
        where, value = waiting.pop()
        if isinstance(value, float) and not math.isfinite(value):
            raise PlateError(f"{where} must be a finite number.")
        if isinstance(value, Mapping):
            waiting.extend((f"{where}.{shown(key)}", inner) for key, inner in value.items())
        elif isinstance(value, list | tuple):
            waiting.extend((f"{where}[{i}]", inner) for i, inner in enumerate(value))
    return extra
