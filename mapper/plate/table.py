"""A plate from a table of places (CSV), as a spreadsheet saves it.

One row per place, one header row. Columns, in any order; a unit in the header must be mm:

    id             id, drop, name, number, no, nr
    x              x
    y              y
    bore_diameter  bore_diameter, bore, diameter, dia, d     (not for exits and corners)
    kind           kind, type: drop (also when blank), hole, exit, corner

`corner` rows give the outline in order, for a table that comes without one; they need no id.
Other columns are left alone. Separators: comma, semicolon or tab; decimal points or decimal
commas, not both.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Sequence
from pathlib import Path

from mapper.errors import shown
from mapper.plate.checks import (
    PlateError,
    check_id,
    check_number,
    check_plate,
    check_size,
    clean_ring,
)
from mapper.plate.model import Drop, Exit, Hole, Plate

__all__ = ["MAX_TABLE_MB", "plate_from_table"]

MAX_TABLE_MB = 5
HEADERS = {
    "id": ("id", "drop", "name", "number", "no", "nr"),
    "x": ("x",),
    "y": ("y",),
    "bore_diameter": ("bore_diameter", "bore", "diameter", "dia", "d"),
    "kind": ("kind", "type"),
}
KINDS = ("drop", "hole", "exit", "corner")


def plate_from_table(
    source: str | bytes | os.PathLike[str],
    outline_mm: Sequence[tuple[float, float]] | None = None,
    name: str = "",
) -> Plate:
    """Return the plate in a table.

    `source` is a path, the bytes of a file, or text (a string with a line break is text, one
    without is a path). `outline_mm` is the closed outline, unless the table has corner rows.
    Raises PlateError that names the row, as a spreadsheet counts it, and the column.
    """
    rows, separator = _rows(_text(source))
    header_row, header = next(
        ((number, row) for number, row in rows if any(cell.strip() for cell in row)), (0, [])
    )
    if not header_row:
        raise PlateError("The table is empty: it needs a header row and one row per drop.")
    columns = _columns(header, header_row)
    cells = [
        (number, {key: row[i].strip() for key, i in columns.items() if i < len(row)})
        for number, row in rows
        if number > header_row and any(cell.strip() for cell in row)
    ]
    for number, row in rows:
        if number > header_row and any(cell.strip() for cell in row[len(header) :]):
            raise PlateError(
                f"Row {number} has more cells than the header in row {header_row}: save the table "
                "with semicolons when it has decimal commas."
            )
    reader = _Reader(header, columns, cells, separator)
    drops, holes, exits, corners = [], [], [], []
    for number, row in cells:
        kind = row.get("kind", "").lower() or "drop"
        if kind not in KINDS:
            raise PlateError(
                f"Row {number}, column '{reader.title('kind')}': '{shown(row['kind'])}' must be "
                f"one of {', '.join(KINDS)}."
            )
        x, y = reader.number(number, row, "x"), reader.number(number, row, "y")
        if kind == "corner":
            corners.append((x, y))
            continue
        place_id = check_id(row.get("id", ""), reader.place(number, "id"))
        if kind == "exit":
            exits.append(Exit(place_id, x, y))
            continue
        diameter = check_size(
            reader.number(number, row, "bore_diameter"), reader.place(number, "bore_diameter")
        )
        if kind == "drop":
            drops.append(Drop(place_id, x, y, diameter))
        else:
            holes.append(Hole(place_id, x, y, diameter))
    if outline_mm is None:
        if not corners:
            raise PlateError(
                "The plate's outline is not known: give its width and height, "
                "or add rows of kind 'corner' to the table."
            )
        outline_mm = corners
    plate = Plate(
        name=name,
        outline_mm=clean_ring(outline_mm),
        drops=tuple(drops),
        holes=tuple(holes),
        exits=tuple(exits),
    )
    _check_twice(cells, reader)
    return check_plate(plate)


def _text(source: str | bytes | os.PathLike[str]) -> str:
    if isinstance(source, str) and ("\n" in source or "\r" in source):
        return source.removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}")
    if isinstance(source, bytes | bytearray | memoryview):
        data = bytes(source)
    else:
        try:
            data = Path(source).read_bytes()
        except (OSError, ValueError, TypeError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise PlateError(
                f"The table '{shown(source)}' cannot be read ({shown(reason)}): check the file."
            ) from error
    if len(data) > MAX_TABLE_MB * 1_000_000:
        raise PlateError(
            f"The table has {len(data) / 1e6:.0f} MB, and the limit is {MAX_TABLE_MB} MB: "
            "keep only the rows of this plate."
        )
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise PlateError("The table is a spreadsheet file: save it as CSV and add that.")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ("utf-16",)
    else:
        encodings = ("utf-8-sig", "cp1252")  # cp1252 is what older spreadsheets write
    for encoding in encodings:
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise PlateError("The table is not readable text: save it as CSV (UTF-8) and add that.")


def _rows(text: str) -> tuple[list[tuple[int, list[str]]], str]:
    """Return pairs of row number and cells, and the separator.

    Rows are counted as a spreadsheet does: blank lines are rows too.
    """
    hint = re.match(r"sep=(.)\r?\n", text)  # a line some spreadsheets write and do not show
    if hint:
        text = text[hint.end() :]
    first = next((line for line in text.splitlines() if line.strip()), "")
    outside_quotes = re.sub(r'"[^"]*"', "", first)
    separator = hint.group(1) if hint else ","
    if not hint:
        separator = next((mark for mark in "\t;" if mark in outside_quotes), ",")
    try:
        table = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        return list(enumerate(table, start=1)), separator
    except (csv.Error, TypeError, ValueError) as error:
        raise PlateError(
            f"The table cannot be taken apart ({shown(error)}): save it as CSV again."
        ) from error


def _columns(header: list[str], number: int) -> dict[str, int]:
    """Return where each known column stands; the first of two that mean the same wins."""
    columns: dict[str, int] = {}
    for i, title in enumerate(header):
        plain = re.sub(r"[\s\-]+", "_", title.strip().lower())
        plain = plain.replace("ø", "d").replace("⌀", "d")
        bare, unit = _unit(plain)
        key = next((key for key, titles in HEADERS.items() if bare in titles), None)
        if key is None or key in columns:
            continue
        if unit not in ("", "mm"):
            raise PlateError(
                f"Row {number}, column '{shown(title.strip())}': the unit '{shown(unit)}' is not "
                "known here: give the values in mm."
            )
        columns[key] = i
    missing = [key for key in ("id", "x", "y") if key not in columns]
    if missing:
        raise PlateError(
            f"Row {number} is the header and has no column '{missing[0]}': "
            "name the columns id, x, y and bore_diameter."
        )
    return columns


def _unit(title: str) -> tuple[str, str]:
    """Split 'x_[mm]', 'x_(in)', 'x_mm' into the bare title and its unit."""
    bracket = re.fullmatch(r"(.*?)_?[\[(](.*?)[\])]_?", title)
    if bracket:
        return bracket.group(1), bracket.group(2)
    for unit in ("mm", "cm", "m", "in", "inch", "um", "µm"):
        if title.endswith(f"_{unit}"):
            return title.removesuffix(f"_{unit}"), unit
    return title, ""


class _Reader:
    """Reads numbers from cells and knows how to name a place in the table."""

    def __init__(
        self,
        header: list[str],
        columns: dict[str, int],
        cells: list[tuple[int, dict[str, str]]],
        separator: str,
    ) -> None:
        self._separator = separator
        self._titles = {key: header[i].strip() for key, i in columns.items()}
        numbers = [row.get(key, "") for _, row in cells for key in ("x", "y", "bore_diameter")]
        self._commas = any("," in text for text in numbers)
        self._points = any("." in text for text in numbers)

    def title(self, key: str) -> str:
        return shown(self._titles.get(key, key))

    def place(self, number: int, key: str) -> str:
        return f"Row {number}, column '{self.title(key)}':"

    def number(self, number: int, row: dict[str, str], key: str) -> float:
        place, text = self.place(number, key), row.get(key, "")
        if not text:
            raise PlateError(f"{place} a number in mm is missing.")
        if self._commas and self._points and ("," in text or "." in text):
            raise PlateError(
                f"{place} '{shown(text)}' cannot be read for sure, because the table has both "
                "decimal points and commas: use one of them and no thousands separator."
            )
        if self._separator == "," and re.fullmatch(r"[+-]?[0-9]{1,3}(,[0-9]{3})+", text):
            raise PlateError(
                f"{place} '{shown(text)}' may be thousands or decimals: write it with a decimal "
                "point and no thousands separator."
            )
        plain = text.removesuffix("mm").strip().replace(",", ".").replace("\N{MINUS SIGN}", "-")
        if not re.fullmatch(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)(e[+-]?[0-9]{1,3})?", plain, re.I):
            raise PlateError(f"{place} '{shown(text)}' is not a number in mm.")
        return check_number(float(plain), place)


def _check_twice(cells: list[tuple[int, dict[str, str]]], reader: _Reader) -> None:
    """Name rows for an id used twice; `check_plate` would count only rows of one kind."""
    first: dict[tuple[str, str], int] = {}
    for number, row in cells:
        kind = row.get("kind", "").lower() or "drop"
        key = (kind, row.get("id", ""))
        if kind != "corner" and key in first:
            raise PlateError(
                f"{reader.place(number, 'id')} '{shown(key[1])}' is already used in row "
                f"{first[key]}: give every {kind} its own id."
            )
        first.setdefault(key, number)
