"""What makes a plate acceptable, and the one error that says what does not.

Every message is one sentence that begins with the key path of the value
(`plate.drops[3].x`), so that it can be found in a file as well as in a form.
"""

from __future__ import annotations

import math
import numbers
import unicodedata
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely

from mapper.errors import MapperError, shown

if TYPE_CHECKING:
    from mapper.plate.model import Plate

__all__ = [
    "MAX_COORDINATE_MM",
    "MAX_ID_LENGTH",
    "MARKER_IDS",
    "PlateError",
    "check_angle",
    "check_id",
    "check_marker_id",
    "check_number",
    "check_plate",
    "check_size",
    "clean_line",
    "clean_ring",
    "kind_of",
]

MAX_COORDINATE_MM = 10_000.0  # 10 m: no mould plate is near that; a wrong unit usually is
MAX_ID_LENGTH = 64
MARKER_IDS = 50  # printed markers are numbered 0 to 49
SAME_POINT_MM = 1e-6  # two outline points closer than this are one point
MIN_AREA_MM2 = 1.0


class PlateError(MapperError):
    """A plate description that cannot be used; the message names the place and the remedy."""


def check_number(value: object, path: str) -> float:
    """Return `value` as a float of at most 10 m; PlateError for anything else (also a bool)."""
    if isinstance(value, bool | np.bool_) or not isinstance(value, numbers.Real):
        raise PlateError(f"{path} must be a number in millimetres, not {kind_of(value)}.")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise PlateError(f"{path} must be a finite number in millimetres.")
    if abs(number) > MAX_COORDINATE_MM:
        raise PlateError(
            f"{path} is {number:g} mm, beyond the limit of {MAX_COORDINATE_MM:g} mm (10 m): "
            "check the unit."
        )
    return number


def check_size(value: object, path: str) -> float:
    """Return a diameter, width, depth or pitch in mm: a number greater than zero."""
    number = check_number(value, path)
    if number <= 0:
        raise PlateError(f"{path} must be greater than zero, not {number:g}.")
    return number


def check_id(value: object, path: str) -> str:
    """Return an id: text of 1 to 64 characters, not blank, without control characters."""
    if not isinstance(value, str):
        raise PlateError(f"{path} must be text, not {kind_of(value)}.")
    if not value.strip():
        raise PlateError(f"{path} is empty: give it an id.")
    if len(value) > MAX_ID_LENGTH:
        raise PlateError(
            f"{path} has {len(value)} characters, and an id may have {MAX_ID_LENGTH}: "
            f"shorten '{shown(value, 24)}'."
        )
    # Cc control, Cs lone surrogate (cannot be written as UTF-8), Zl and Zp line breaks
    if any(unicodedata.category(ch) in ("Cc", "Cs", "Zl", "Zp") for ch in value):
        raise PlateError(
            f"{path} '{shown(value)}' contains a control character: type the id again."
        )
    return value


def check_marker_id(value: object, path: str) -> int:
    """Return the number of a printed marker: a whole number from 0 to 49."""
    if isinstance(value, bool | np.bool_) or not isinstance(value, numbers.Integral):
        raise PlateError(
            f"{path} must be the number printed under the marker, not {kind_of(value)}."
        )
    if not 0 <= value < MARKER_IDS:
        raise PlateError(f"{path} is {shown(value, 24)}: markers are numbered 0 to 49.")
    return int(value)


def check_angle(value: object, path: str) -> float:
    """Return an angle in degrees, from -360 to 360."""
    if isinstance(value, bool | np.bool_) or not isinstance(value, numbers.Real):
        raise PlateError(f"{path} must be a number of degrees, not {kind_of(value)}.")
    if not -360 <= value <= 360:  # also true for nan
        raise PlateError(f"{path} must be from -360 to 360 degrees, not {shown(value, 24)}.")
    return float(value)


def clean_ring(points: Iterable[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Return the ring without repeated neighbours and without a repeated last point."""
    ring: list[tuple[float, float]] = []
    for x, y in points:
        if not ring or math.dist(ring[-1], (x, y)) > SAME_POINT_MM:
            ring.append((float(x), float(y)))
    while len(ring) > 1 and math.dist(ring[0], ring[-1]) <= SAME_POINT_MM:
        ring.pop()
    return tuple(ring)


def check_plate(plate: Plate, path: str = "plate") -> Plate:
    """Return the same plate when all of it is sound; PlateError at the first fault otherwise.

    For plates put together in code or edited in a form; the readers call it as their last step.
    """
    if not isinstance(plate.name, str):
        raise PlateError(f"{path}.name must be text, not {kind_of(plate.name)}.")
    polygon = _check_outline(plate.outline_mm, f"{path}.outline")
    if not plate.drops:
        raise PlateError(
            f"{path}.drops is a plate with no drops: add at least one nozzle position."
        )
    for kind in ("drops", "holes", "channels", "exits"):
        _check_ids([item.id for item in getattr(plate, kind)], f"{path}.{kind}")
    for i, drop in enumerate(plate.drops):
        _check_point((drop.x_mm, drop.y_mm), f"{path}.drops[{i}]")
        check_size(drop.bore_diameter_mm, f"{path}.drops[{i}].bore_diameter")
    for i, hole in enumerate(plate.holes):
        _check_point((hole.x_mm, hole.y_mm), f"{path}.holes[{i}]")
        check_size(hole.diameter_mm, f"{path}.holes[{i}].diameter")
    for i, channel in enumerate(plate.channels):
        where = f"{path}.channels[{i}]"
        for j, point in enumerate(channel.points_mm):
            check_number(point[0], f"{where}.points[{j}][0]")
            check_number(point[1], f"{where}.points[{j}][1]")
        if len(clean_line(channel.points_mm)) < 2:
            raise PlateError(f"{where}.points needs at least 2 different points along the channel.")
        check_size(channel.width_mm, f"{where}.width")
        check_size(channel.depth_mm, f"{where}.depth")
    for i, exit_ in enumerate(plate.exits):
        _check_point((exit_.x_mm, exit_.y_mm), f"{path}.exits[{i}]")
    _check_markers(plate, path)
    _check_inside(plate, polygon, path)
    return plate


def clean_line(points: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return the points of a line without repeated neighbours."""
    line: list[tuple[float, float]] = []
    for point in points:
        if not line or math.dist(line[-1], point) > SAME_POINT_MM:
            line.append(point)
    return line


def _check_point(point: tuple[float, float], path: str) -> None:
    check_number(point[0], f"{path}.x")
    check_number(point[1], f"{path}.y")


def _check_outline(outline: Sequence[tuple[float, float]], path: str) -> shapely.Polygon:
    for i, (x, y) in enumerate(outline):
        check_number(x, f"{path}[{i}][0]")
        check_number(y, f"{path}[{i}][1]")
    ring = clean_ring(outline)
    if len(ring) < 3:
        raise PlateError(f"{path} needs at least 3 different points, and has {len(ring)}.")
    polygon = shapely.Polygon(ring)
    if not polygon.is_valid:
        place = shapely.is_valid_reason(polygon).partition("[")[2].rstrip("]").replace(" ", ", ")
        near = f" near ({place}) mm" if place else ""
        raise PlateError(f"{path} crosses or touches itself{near}: put its points in order.")
    if polygon.area < MIN_AREA_MM2:
        raise PlateError(f"{path} encloses no area: its points lie on one line.")
    return polygon


def _check_ids(ids: Sequence[object], path: str) -> None:
    first: dict[str, int] = {}
    for i, value in enumerate(ids):
        text = check_id(value, f"{path}[{i}].id")
        if text in first:
            raise PlateError(
                f"{path}[{i}].id '{shown(text)}' is already used by {path}[{first[text]}]: "
                "give every one its own id."
            )
        first[text] = i


def _check_markers(plate: Plate, path: str) -> None:
    first: dict[int, int] = {}
    for i, marker in enumerate(plate.markers):
        where = f"{path}.markers[{i}]"
        check_marker_id(marker.id, f"{where}.id")
        if marker.id in first:
            raise PlateError(
                f"{where}.id {marker.id} is already used by {path}.markers[{first[marker.id]}]: "
                "lay every marker once."
            )
        first[marker.id] = i
        _check_point((marker.x_mm, marker.y_mm), where)
        check_size(marker.side_mm, f"{where}.side")
        check_angle(marker.angle_deg, f"{where}.angle")


def _check_inside(plate: Plate, polygon: shapely.Polygon, path: str) -> None:
    """Bore and marker centres lie on the plate; a hole may be a notch, so its rim has to."""
    for kind, items, reach in (
        ("drops", plate.drops, np.zeros(len(plate.drops))),
        ("holes", plate.holes, np.array([hole.diameter_mm / 2 for hole in plate.holes])),
        ("markers", plate.markers, np.zeros(len(plate.markers))),
    ):
        if not items:
            continue
        centres = shapely.points([(item.x_mm, item.y_mm) for item in items])
        outside = np.flatnonzero(shapely.distance(polygon, centres) > reach + SAME_POINT_MM)
        if outside.size:
            i = int(outside[0])
            raise PlateError(
                f"{path}.{kind}[{i}] '{shown(items[i].id)}' at ({items[i].x_mm:g}, "
                f"{items[i].y_mm:g}) mm lies outside the outline: correct its x and y, "
                "or the outline."
            )


def kind_of(value: object) -> str:
    """Return what a wrong value is, in the words of the file form."""
    if value is None:
        return "nothing (null)"
    if isinstance(value, bool | np.bool_):
        return "true or false"
    if isinstance(value, str):
        return f"the text '{shown(value, 24)}'"
    if isinstance(value, numbers.Number):
        return f"{shown(value, 24)}"
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list | tuple):
        return "a list"
    return f"a {shown(type(value).__name__)}"
