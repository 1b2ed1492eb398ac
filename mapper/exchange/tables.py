"""The route map as plain tables: one CSV file each in a ZIP (RFC 4180), or one XLSX workbook.

A table has one header row. What the route-map file calls `points` is a table of its own with
one row per point, since a spreadsheet cell holds too little. `more` holds further keys as JSON.
"""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Mapping
from typing import Any

import numpy as np
import openpyxl

from mapper.errors import shown
from mapper.exchange.text import (
    MAX_BYTES,
    ExchangeError,
    check_bytes,
    fields,
    more_of,
    number_of,
    unwrapped,
    with_more,
    wrapped,
)
from mapper.routes import RouteMap, route_map_from_mapping, route_map_to_mapping

__all__ = ["TABLES", "from_csv_zip", "from_xlsx", "to_csv_zip", "to_xlsx"]

TABLES = {
    "plate": ("name", "more", "file"),
    "outline": ("x", "y"),
    "drops": ("id", "x", "y", "bore_diameter", "more"),
    "holes": ("id", "x", "y", "diameter", "more"),
    "channels": ("id", "width", "depth", "more"),
    "channel_points": ("channel", "x", "y"),
    "exits": ("id", "x", "y", "more"),
    "markers": ("id", "x", "y", "side", "angle", "more"),
    "wires": ("id", "kind", "drop", "exit", "diameter", "length", "more"),
    "wire_points": ("wire", "x", "y", "seen"),
    "crossings": ("a", "b", "x", "y", "top", "listed", "meeting", "more"),
}
_NUMBERS = {"x", "y", "bore_diameter", "diameter", "width", "depth", "side", "angle"}
_PLATE = ("name", "outline", "drops", "holes", "channels", "exits", "markers")
Rows = dict[str, list[dict[str, Any]]]
MAX_CELL = 32_000  # what a spreadsheet keeps in one cell, with a little room
ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # the same map gives the same bytes


def to_csv_zip(route_map: RouteMap) -> bytes:
    """The tables as CSV files (UTF-8, comma, decimal point) in one ZIP."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as pack:
        for name, rows in _rows(route_map).items():
            text = io.StringIO(newline="")
            writer = csv.DictWriter(text, TABLES[name], lineterminator="\r\n")
            writer.writeheader()
            writer.writerows(
                {k: repr(v) if isinstance(v, float) else v for k, v in row.items()} for row in rows
            )
            info = zipfile.ZipInfo(f"{name}.csv", ZIP_TIME)
            info.compress_type = zipfile.ZIP_DEFLATED
            pack.writestr(info, text.getvalue().encode("utf-8"))
    return buffer.getvalue()


def to_xlsx(route_map: RouteMap) -> bytes:
    """The tables as sheets of one workbook.

    Raises ExchangeError where one cell would have to hold more than a spreadsheet keeps.
    """
    book = openpyxl.Workbook(write_only=True)
    for name, rows in _rows(route_map).items():
        sheet = book.create_sheet(name)
        sheet.append(TABLES[name])
        for row in rows:
            cells = [row.get(column, "") for column in TABLES[name]]
            if any(isinstance(cell, str) and len(cell) > MAX_CELL for cell in cells):
                raise ExchangeError(
                    f"A row of {name} holds more text than a spreadsheet cell keeps: "
                    "export the CSV tables instead."
                )
            sheet.append([None if cell == "" else cell for cell in cells])
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def from_csv_zip(data: bytes) -> RouteMap:
    """The map of the tables of `to_csv_zip`, also after edits in a spreadsheet.

    Raises ExchangeError for what holds no such tables, RouteMapError for an unsound map.
    """
    check_bytes(data, "ZIP")
    tables: Rows = {}
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as pack:
            if sum(info.file_size for info in pack.infolist()) > MAX_BYTES:
                raise ExchangeError(
                    "The tables unpack to more than any plate needs: choose others."
                )
            for name in TABLES:
                if f"{name}.csv" in pack.namelist():
                    tables[name] = _csv_rows(name, pack.read(f"{name}.csv"))
    except ExchangeError:
        raise
    except Exception as fault:  # broken ZIP files fail in many ways
        raise ExchangeError(
            f"This ZIP file can't be read ({shown(fault)}): choose another."
        ) from fault
    return route_map_from_mapping(_document(tables))


def from_xlsx(data: bytes) -> RouteMap:
    """The map of the workbook of `to_xlsx`, also after edits in a spreadsheet.

    Raises ExchangeError for what holds no such tables, RouteMapError for an unsound map.
    """
    check_bytes(data, "XLSX")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as pack:
            if sum(info.file_size for info in pack.infolist()) > 4 * MAX_BYTES:
                raise ExchangeError("The workbook unpacks to more than any plate needs.")
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        tables = {
            name: _named(name, [list(row) for row in book[name].iter_rows(values_only=True)])
            for name in TABLES
            if name in book.sheetnames
        }
    except ExchangeError:
        raise
    except Exception as fault:  # broken workbooks fail in many ways
        raise ExchangeError(
            f"This workbook can't be read ({shown(fault)}): choose another."
        ) from fault
    return route_map_from_mapping(_document(tables))


def _rows(route_map: RouteMap) -> Rows:
    document = route_map_to_mapping(route_map)
    plate = document["plate"]
    tables: Rows = {name: [] for name in TABLES}
    tables["plate"] = [
        {
            "name": wrapped(plate["name"]),
            "more": fields(plate, _PLATE),
            "file": fields(document, ("plate", "wires", "crossings")),
        }
    ]
    tables["outline"] = [{"x": x, "y": y} for x, y in plate["outline"]]
    for name in ("drops", "holes", "channels", "exits", "markers"):
        for one in plate.get(name, ()):
            tables[name].append(_row(name, one, ("points",)))
            for x, y in one.get("points", ()):
                tables["channel_points"].append({"channel": wrapped(one["id"]), "x": x, "y": y})
    for lead, one in zip(route_map.leads, document["wires"], strict=True):
        row = _row("wires", one, ("points", "seen"))
        steps = lead.points_mm[1:] - lead.points_mm[:-1]
        row["length"] = round(float(np.hypot(*steps.T).sum()), 1)
        tables["wires"].append(row)
        seen = [*one["seen"], None] if "seen" in one else [None] * len(one["points"])
        for (x, y), flag in zip(one["points"], seen, strict=True):
            cell = "" if flag is None else "yes" if flag else "no"
            tables["wire_points"].append({"wire": wrapped(one["id"]), "x": x, "y": y, "seen": cell})
    for one in document["crossings"]:
        row = _row("crossings", {**one, "top": one["top"] or "open"}, ())
        tables["crossings"].append(row | {"listed": "yes"})
    for one in route_map.crossings:
        row = {"a": wrapped(one.a), "b": wrapped(one.b), "x": one.x_mm, "y": one.y_mm}
        row |= {"top": one.top or "open", "listed": "no", "meeting": one.kind}
        tables["crossings"].append(row)
    return tables


def _row(name: str, one: Mapping[str, Any], apart: tuple[str, ...]) -> dict[str, Any]:
    """One record as a row: known columns, and the rest in `more`."""
    own = [c for c in TABLES[name] if c not in ("more", "length", "listed", "meeting")]
    row: dict[str, Any] = {}
    for column in own:
        if column in one:
            value = one[column]
            row[column] = wrapped(value) if isinstance(value, str) else value
            if column in _NUMBERS:
                row[column] = float(value)
    return row | {"more": fields(one, (*own, *apart))}


def _csv_rows(name: str, data: bytes) -> list[dict[str, Any]]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ExchangeError(
            f"{name}.csv is not UTF-8 text: save it as CSV with UTF-8 and zip it again."
        ) from None
    csv.field_size_limit(MAX_BYTES)
    delimiter = ";" if text.split("\n", 1)[0].count(";") else ","
    return _named(name, list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)))


def _named(name: str, rows: list[list[Any]]) -> list[dict[str, Any]]:
    if not rows:
        return []
    header = [str(cell or "").strip().lower() for cell in rows[0]]
    found = []
    for number, row in enumerate(rows[1:], 2):
        values = {
            key: "" if cell is None else cell for key, cell in zip(header, row, strict=False) if key
        }
        if any(cell != "" for cell in values.values()):
            found.append({**values, "": f"row {number} of {name}"})
    return found


def _document(tables: Rows) -> dict[str, Any]:
    for name in ("plate", "outline", "wires", "wire_points"):
        if name not in tables:
            raise ExchangeError(f"The table {name} is missing: add it.")
    if len(tables["plate"]) != 1:
        raise ExchangeError("The table plate must have exactly one row below its header.")
    first = tables["plate"][0]
    plate: dict[str, Any] = {
        "name": unwrapped(str(first.get("name", ""))),
        "outline": [_point(row) for row in tables["outline"]],
    }
    for name in ("drops", "holes", "channels", "exits", "markers"):
        plate[name] = [_record(name, row) for row in tables.get(name, ())]
    for channel in plate["channels"]:
        channel["points"] = []
    _put_points(plate["channels"], tables.get("channel_points", []), "channel")
    if not plate["markers"]:
        del plate["markers"]
    wires = [_record("wires", row) for row in tables["wires"]]
    for wire in wires:
        wire["points"] = []
    flags = _put_points(wires, tables["wire_points"], "wire")
    for wire in wires:
        seen = flags.get(wire["id"], [])[:-1]
        if any(flag != "" for flag in seen):
            wire["seen"] = [flag != "no" for flag in seen]
    judged = []
    for row in tables.get("crossings", ()):
        if str(row.get("listed", "yes")).strip().lower() == "no":
            continue
        one = _record("crossings", row)
        one["top"] = None if one.get("top") in ("open", None) else one["top"]
        judged.append(one)
    plate = with_more(plate, first.get("more"), "more of the plate")
    head = more_of(first.get("file"), "file of the plate")
    return {**head, "plate": plate, "wires": wires, "crossings": judged}


def _record(name: str, row: Mapping[str, Any]) -> dict[str, Any]:
    where = row[""]
    one: dict[str, Any] = {}
    for column in TABLES[name]:
        value = row.get(column, "")
        if value == "" or column in ("more", "length", "listed", "meeting"):
            continue
        if column in _NUMBERS:
            one[column] = number_of(value, f"{column} in {where}")
        elif name == "markers" and column == "id":
            one[column] = int(number_of(value, f"{column} in {where}"))
        else:
            one[column] = unwrapped(_cell_text(value))
    return with_more(one, row.get("more"), f"more in {where}")


def _cell_text(value: Any) -> str:
    """A spreadsheet turns an id like 7 into a number."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


def _point(row: Mapping[str, Any]) -> list[float]:
    return [number_of(row.get(axis, ""), f"{axis} in {row['']}") for axis in ("x", "y")]


def _put_points(
    owners: list[dict[str, Any]], rows: list[dict[str, Any]], column: str
) -> dict[str, list[str]]:
    """Hand each owner its points; returns the `seen` cells, one per point."""
    by_id = {owner.get("id"): owner for owner in owners}
    flags: dict[str, list[str]] = {}
    for row in rows:
        name = unwrapped(_cell_text(row.get(column, "")))
        if name not in by_id:
            raise ExchangeError(f"{row['']} names {column} '{shown(name)}', which has no row.")
        by_id[name]["points"].append(_point(row))
        flags.setdefault(name, []).append(str(row.get("seen", "")).strip().lower())
    return flags
