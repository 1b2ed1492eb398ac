"""A table of parts from a file, CSV or XLSX: read, shown for a look, then taken in.

Three steps, so that nothing is taken in unseen: `read_grid` gives the cells, `guess_columns` says
which heading means what, `take_rows` gives the values per zone and every cell that can't be read.

A heading may carry the part ("heater", "thermocouple", "TC", "sensor") and a unit in brackets or
at its end. A heading that fits both parts (only "price") is left to the user.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from mapper.bench.errors import BenchError
from mapper.bench.parts import FIELDS, field_of, typed_value
from mapper.bench.pins import PIN_WORDS, typed_pin
from mapper.errors import shown

__all__ = ["ZONE", "Column", "Grid", "Taken", "guess_columns", "read_grid", "take_rows"]

MAX_MB = 5
MAX_UNPACKED_MB = 60
MAX_ROWS, MAX_COLUMNS = 2000, 100
ZONE = "zone"  # the column that names the zone
ZONE_NAMES = ("zone", "zone no", "zone number", "zone id", "drop", "nozzle", "no", "nr", "number",
              "id")  # fmt: skip
PART_WORDS = {
    "heater": ("heater", "heating", "element", "coil"),
    "sensor": ("thermocouple", "thermocouples", "sensor", "tc", "t c", "couple", "probe"),
}
PIN_NAMES = {
    "heater_pin_1": ("heater pin", "heater pin 1", "heater pin a", "heater 1", "heater a"),
    "heater_pin_2": ("heater pin 2", "heater pin b", "heater 2", "heater b", "heater pin other"),
    "sensor_pin_plus": ("thermocouple plus", "tc plus", "sensor plus", "tc pin plus", "sensor pin "
                        "plus", "thermocouple pin plus"),
    "sensor_pin_minus": ("thermocouple minus", "tc minus", "sensor minus", "tc pin minus",
                         "sensor pin minus", "thermocouple pin minus"),
    "plus_colour": ("colour of plus", "color of plus", "plus colour", "plus color"),
    "minus_colour": ("colour of minus", "color of minus", "minus colour", "minus color"),
}  # fmt: skip


@dataclass(frozen=True)
class Grid:
    """Cells of a table: the heading row, and (row as a spreadsheet counts, cells) below it."""

    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[Any, ...]], ...]


@dataclass(frozen=True)
class Column:
    """What a heading means: a key of the parts or pins table, `ZONE`, or None (left out)."""

    key: str | None
    unit: str = ""
    why: str = ""


@dataclass(frozen=True)
class Taken:
    """Values per zone of the job, zones that the job does not have, and what can't be read."""

    values: Mapping[str, Mapping[str, Any]]
    unknown: Mapping[str, Mapping[str, Any]]
    problems: tuple[str, ...]


def read_grid(data: bytes, name: str = "") -> Grid:
    """Cells of a CSV or XLSX file; the first row with two or more filled cells is the heading.

    Raises
    ------
    BenchError
        It is neither, too large, empty, or damaged.
    """
    if len(data) > MAX_MB * 1_000_000:
        raise BenchError(f"The table is larger than {MAX_MB} MB: keep only the rows of this plate.")
    if data.startswith(b"PK\x03\x04"):
        cells = _xlsx(data)
    elif data.startswith(b"\xd0\xcf\x11\xe0"):
        raise BenchError("This is an old spreadsheet file: save it as XLSX or CSV and add that.")
    else:
        cells = _csv(data)
    filled = [(n, row) for n, row in cells if any(not _blank(cell) for cell in row)]
    start = next((i for i, (_, row) in enumerate(filled) if _count(row) >= 2), None)
    if start is None:
        raise BenchError("The table has no heading row with two or more cells: add one.")
    header = tuple(_text(cell) for cell in filled[start][1])
    while header and not header[-1]:
        header = header[:-1]
    width = len(header)
    if width > MAX_COLUMNS:
        raise BenchError(f"The table has more than {MAX_COLUMNS} columns: keep those that matter.")
    rows = []
    for number, row in filled[start + 1 :]:
        if any(not _blank(cell) for cell in row[width:]):
            raise BenchError(
                f"Row {number} has more cells than the heading: save the table with semicolons "
                "when it has decimal commas."
            )
        rows.append((number, (*row[:width], *([None] * (width - len(row))))))
    if not rows:
        raise BenchError("The table has a heading and no rows: it needs one row per zone.")
    return Grid(header, tuple(rows))


def _blank(cell: Any) -> bool:
    return cell is None or not str(cell).strip()


def _count(row: Sequence[Any]) -> int:
    return sum(1 for cell in row if not _blank(cell))


def _text(cell: Any) -> str:
    return "" if cell is None else re.sub(r"\s+", " ", str(cell)).strip()


def _xlsx(data: bytes) -> list[tuple[int, tuple[Any, ...]]]:
    # Imported here: a program that only plans should not have to load it.
    import openpyxl

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            unpacked = sum(item.file_size for item in archive.infolist())
        if unpacked > MAX_UNPACKED_MB * 1_000_000:
            raise BenchError("The spreadsheet unpacks to far too much: keep only one small sheet.")
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        sheets = book.worksheets
        for sheet in sheets:
            sheet.reset_dimensions()  # some programs write a wrong size
            rows = []
            for number, row in enumerate(sheet.iter_rows(values_only=True), start=1):
                if number > MAX_ROWS:
                    raise BenchError(f"The sheet has more than {MAX_ROWS} rows: keep those that "
                                     "belong to this plate.")  # fmt: skip
                rows.append((number, tuple(row)))
            if any(_count(row) >= 2 for _, row in rows):
                return rows
    except BenchError:
        raise
    except Exception as error:  # the library raises many kinds on a damaged file
        raise BenchError(
            f"The spreadsheet can't be read ({shown(error)}): save it again as XLSX or CSV."
        ) from error
    raise BenchError("The spreadsheet is empty: it needs a heading and one row per zone.")


def _csv(data: bytes) -> list[tuple[int, tuple[Any, ...]]]:
    encodings = ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = data.decode(encoding)
            break
        except UnicodeDecodeError:
            continue
    else:
        raise BenchError("The table is no readable text: save it as CSV (UTF-8) or XLSX.")
    if "\0" in text:
        raise BenchError("This is no table: save it as CSV or XLSX and add that.")
    hint = re.match(r"sep=(.)\r?\n", text)
    text = text[hint.end() :] if hint else text
    lines = [re.sub(r'"[^"]*"', "", line) for line in text.splitlines()[:50] if line.strip()]
    marks = hint[1] if hint else None
    if marks is None:
        marks = max("\t;,", key=lambda mark: sum(1 for line in lines if mark in line))
    try:
        rows = []
        for number, row in enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=marks), 1):
            if number > MAX_ROWS:
                raise BenchError(f"The table has more than {MAX_ROWS} rows: keep those of this "
                                 "plate.")  # fmt: skip
            rows.append((number, tuple(row)))
    except (csv.Error, TypeError, ValueError) as error:
        raise BenchError(
            f"The table can't be taken apart ({shown(error)}): save it as CSV again."
        ) from error
    shift = 1 if hint else 0
    return [(number + shift, row) for number, row in rows]


def guess_columns(header: Sequence[str]) -> tuple[Column, ...]:
    """What each heading most likely means; the first of two that mean the same wins."""
    found: list[Column] = []
    taken: set[str] = set()
    for title in header:
        column = _meaning(title)
        if column.key is not None and column.key in taken:
            column = Column(None, "", "the same as a column before it")
        if column.key is not None:
            taken.add(column.key)
        found.append(column)
    return tuple(found)


def _meaning(title: str) -> Column:
    plain, unit = _split_unit(title)
    signs = re.sub(r"[+]", " plus ", plain)
    signs = re.sub(r"[−–-](?=\s|$)", " minus ", signs)
    words = re.sub(r"[^a-z0-9]+", " ", signs).strip()
    for key, names in PIN_NAMES.items():
        if words in names or words == re.sub(r"[^a-z0-9]+", " ", PIN_WORDS[key].casefold()).strip():
            return Column(key)
    if words in ZONE_NAMES:
        return Column(ZONE)
    for column in FIELDS:  # as this tool itself writes them
        own, _ = _split_unit(column.words)
        if words == re.sub(r"[^a-z0-9]+", " ", own).strip():
            return Column(column.key, unit)
    if unit in ("awg", "mm²", "mm2") and any(words in names for names in PART_WORDS.values()):
        words += " wire size"  # "Heater AWG"
    part, rest = _split_part(words)
    fits = [
        column
        for column in FIELDS
        if part in (None, column.part)
        and (rest in column.names or (part is None and words in column.names))
    ]
    if part == "sensor" and words in ("thermocouple", "tc", "sensor"):
        fits = [field_of("sensor")]
    if len(fits) == 1:
        if rest in ("awg", "gauge", "wire gauge"):
            unit = "AWG"
        return Column(fits[0].key, unit)
    if fits:
        return Column(None, unit, "of the heater or of the thermocouple? choose")
    return Column(None, "", "not known" if words else "no heading")


def _split_unit(title: str) -> tuple[str, str]:
    """(heading, unit): "Lead time (weeks)", "Price [EUR]", "Length, mm", "lead_time_days"."""
    plain = title.casefold().replace("_", " ").strip()
    bracket = re.fullmatch(r"(.*?)\s*[\[(]\s*(.*?)\s*[\])]", plain)
    if bracket:
        return bracket[1], bracket[2]
    units = {name for column in FIELDS for name, _ in column.units} - {"in"}
    found = re.fullmatch(r"(.+?)[\s,/]+(\S+)", plain)
    if found and found[2] in units | {"awg", "mm²", "mm2"} and found[1].strip(" ,"):
        return found[1].strip(" ,"), found[2]
    return plain, ""


def _split_part(words: str) -> tuple[str | None, str]:
    for part, names in PART_WORDS.items():
        for name in names:
            if words.startswith(f"{name} "):
                return part, words[len(name) :].strip()
            if words.endswith(f" {name}"):
                return part, words[: -len(name)].strip()
    return None, words


def take_rows(grid: Grid, columns: Sequence[Column], zones: Sequence[str]) -> Taken:
    """Values per zone. `zones` are those of the job; a file may write Z07 as 7, "Zone 7", D07.

    Raises BenchError when no column names the zone, or one key stands in two columns.
    """
    keys = [column.key for column in columns]
    if ZONE not in keys:
        raise BenchError("No column names the zone: say which one does.")
    twice = next((key for key in keys if key is not None and keys.count(key) > 1), None)
    if twice is not None:
        words = "Zone" if twice == ZONE else PIN_WORDS.get(twice) or field_of(twice).words
        raise BenchError(f"Two columns are both taken for {words}: leave one of them out.")
    at = keys.index(ZONE)
    values: dict[str, dict[str, Any]] = {}
    unknown: dict[str, dict[str, Any]] = {}
    first_row: dict[str, int] = {}
    problems: list[str] = []
    for number, row in grid.rows:
        name = _text(f"{row[at]:g}" if isinstance(row[at], float) else row[at])
        if not name:
            problems.append(f"Row {number} names no zone, and is left out.")
            continue
        if len(name) > 40 or not name.isprintable():
            problems.append(f"Row {number}: {shown(name)} is no name of a zone.")
            continue
        zone = _zone_of(name, zones)
        key = zone or name
        if key in first_row:
            problems.append(
                f"Row {number}: zone {shown(name)} stands in row {first_row[key]} already."
            )
            continue
        first_row[key] = number
        got = {}
        for column, cell in zip(columns, row, strict=True):
            if column.key in (None, ZONE):
                continue
            where = f"Row {number}, zone {shown(name)}"
            try:
                if column.key in PIN_WORDS:
                    value = typed_pin(cell, f"{where}, {PIN_WORDS[column.key]}")
                else:
                    value = typed_value(column.key, cell, where, column.unit)
            except BenchError as error:
                problems.append(str(error))
                continue
            if value is not None:
                got[column.key] = value
        (values if zone else unknown)[key] = got
    return Taken(values, unknown, tuple(problems))


def _zone_of(name: str, zones: Sequence[str]) -> str | None:
    """The job's zone that a file means: the same name, else the only one of the same number."""
    alike = [zone for zone in zones if zone.casefold() == name.casefold()]
    if alike:
        return alike[0]
    number = re.fullmatch(r"(?:zone|drop|nozzle|no|nr|z|d|n)?[\s.\-#]*0*([0-9]+)", name.casefold())
    if number is None:
        return None
    same = [
        zone
        for zone in zones
        if (found := re.fullmatch(r"(?:zone|z)?[\s.\-]*0*([0-9]+)", zone.casefold()))
        and found[1] == number[1]
    ]
    return same[0] if len(same) == 1 else None
