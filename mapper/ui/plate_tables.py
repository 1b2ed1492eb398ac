"""Tables of a plate as the editor shows them, and the plate made from edited tables."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from mapper.errors import shown
from mapper.plate import Channel, Drop, Exit, Hole, Marker, Plate, PlateError, check_plate

__all__ = ["COLUMNS", "in_words", "plate_with_rows", "points_of", "rows_of", "words_of_points"]

# Columns of each table: attribute of the record, heading.
COLUMNS: dict[str, tuple[tuple[str, str], ...]] = {
    "drops": (("id", "drop"), ("x_mm", "x mm"), ("y_mm", "y mm"), ("bore_diameter_mm", "bore mm")),
    "holes": (("id", "hole"), ("x_mm", "x mm"), ("y_mm", "y mm"), ("diameter_mm", "bore mm")),
    "channels": (
        ("id", "channel"),
        ("points_mm", "points: x y; x y; ..."),
        ("width_mm", "width mm"),
        ("depth_mm", "depth mm"),
    ),
    "exits": (("id", "exit"), ("x_mm", "x mm"), ("y_mm", "y mm")),
    "markers": (
        ("id", "no."),
        ("x_mm", "x mm"),
        ("y_mm", "y mm"),
        ("side_mm", "side mm"),
        ("angle_deg", "angle °"),
    ),
}
RECORDS = {
    "drops": Drop,
    "holes": Hole,
    "channels": Channel,
    "exits": Exit,
    "markers": Marker,
}
MAY_BE_EMPTY: dict[str, Any] = {"angle_deg": 0.0}
_NUMBER = re.compile(r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)")


def rows_of(plate: Plate, kind: str) -> list[dict[str, Any]]:
    """Rows of one table: heading -> value."""
    rows = []
    for item in getattr(plate, kind):
        row = {head: getattr(item, name) for name, head in COLUMNS[kind]}
        if kind == "channels":
            row[COLUMNS[kind][1][1]] = words_of_points(item.points_mm)
        if kind == "markers":  # a number, in a column of text as every other id
            row[COLUMNS[kind][0][1]] = str(item.id)
        rows.append(row)
    return rows


def words_of_points(points_mm: Sequence[tuple[float, float]]) -> str:
    """Points as text: "60 60; 248 60"."""
    return "; ".join(f"{x:.10g} {y:.10g}" for x, y in points_mm)


def points_of(text: str, where: str) -> tuple[tuple[float, float], ...]:
    """Points from text. Raises PlateError that names the place."""
    points = []
    for number, pair in enumerate(filter(str.strip, re.split(r"[;\n]", text)), start=1):
        values = pair.replace("(", " ").replace(")", " ").split()
        if len(values) == 1:
            values = values[0].split(",")
        values = [value.rstrip(",") for value in values]
        if len(values) != 2 or not all(_NUMBER.fullmatch(value) for value in values):
            raise PlateError(
                f"{where}: point {number} '{shown(pair.strip(), 24)}' is not two numbers; write "
                "points as x y; x y."
            )
        points.append((float(values[0].replace(",", ".")), float(values[1].replace(",", "."))))
    return tuple(points)


def plate_with_rows(plate: Plate, kind: str, rows: Sequence[Mapping[str, Any]]) -> Plate:
    """The plate with one of its tables replaced.

    Wholly empty rows are left aside. Raises PlateError that names the table and the row.
    """
    old = {item.id: item for item in getattr(plate, kind)}
    items = []
    for number, row in enumerate(rows, start=1):
        values = {name: _cell(row.get(head)) for name, head in COLUMNS[kind]}
        if all(value is None for value in values.values()):
            continue
        where = f"{kind.capitalize()}, row {number}"
        values = {n: MAY_BE_EMPTY.get(n) if v is None else v for n, v in values.items()}
        missing = [head for name, head in COLUMNS[kind] if values[name] is None]
        if missing:
            raise PlateError(f"{where}: fill in {missing[0].partition(':')[0]}.")
        values["id"] = str(values["id"]).strip()
        if kind == "channels":
            values["points_mm"] = points_of(str(values["points_mm"]), where)
        if kind == "markers":
            values["id"] = _marker_number(values["id"], where)
        extra = old[values["id"]].extra if values["id"] in old else {}
        items.append(RECORDS[kind](**values, extra=extra))
    changed = replace(plate, **{kind: tuple(items)})
    try:
        return check_plate(changed)
    except PlateError as error:
        raise PlateError(in_words(str(error))) from error


def _marker_number(text: str, where: str) -> int:
    if not re.fullmatch("[0-9]{1,4}", text):
        raise PlateError(
            f"{where}: '{shown(text, 24)}' is not the number printed under a marker, 0 to 49."
        )
    return int(text)


def _cell(value: Any) -> Any:
    """None for an empty cell, however the editor writes it."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return None
    if isinstance(value, str) and not value.strip():
        return None
    return value


def in_words(message: str) -> str:
    """A message that names a place by its key path, with the path said as table and row."""

    def row(match: re.Match[str]) -> str:
        column = f", {match[3].replace('_', ' ')}" if match[3] else ""
        return f"{match[1].capitalize()}, row {int(match[2]) + 1}{column}:"

    return (
        re.sub(
            r"plate\.(drops|holes|channels|exits|markers)\[(\d+)\](?:\.(\w+))?(?:\[\d+\])*",
            row,
            message,
        )
        .replace("plate.outline", "The outline")
        .replace("plate.drops is a plate", "This is a plate")
    )
