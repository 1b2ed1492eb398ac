"""Reading a logged table: a time column, columns of numbers, columns of words.

Loggers write many forms: commas, semicolons or tabs, decimal commas, a few lines of their own
before the header, clock times or seconds, words where a sensor is open. What cannot be read for
sure is refused with the row and column; a cell without a number is a missing value.
"""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from mapper.bench.errors import BenchError
from mapper.errors import shown

__all__ = ["LoggedTable", "celsius", "read_log_table"]

MAX_MB = 20
MAX_ROWS = 100_000
MAX_COLUMNS = 500
MAX_PREAMBLE = 60  # rows of its own that a logger may write before the header
TIME_TITLES = ("time", "t", "timestamp", "elapsed", "zeit", "uhrzeit", "seconds", "minutes")
DATE_TITLES = ("date", "datum", "day")
UNIT_S = {"ms": 1e-3, "s": 1.0, "sec": 1.0, "seconds": 1.0, "min": 60.0, "minutes": 60.0}
UNIT_S |= {"h": 3600.0, "hours": 3600.0}
DAY_S = 86_400.0
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)(e[+-]?[0-9]{1,3})?", re.I)
_CLOCK = re.compile(r"(?:([0-9]{1,4}):)?([0-9]{1,2}):([0-9]{1,2}(?:[.,][0-9]+)?)")
_DATES = ("%Y-%m-%d", "%d.%m.%Y", "%Y/%m/%d", "%d.%m.%y")


@dataclass(frozen=True, eq=False)
class LoggedTable:
    """A logged table, C columns besides the time.

    time_s : (N,) seconds from the first row, never falling.
    titles : (C,) as written, without the unit.
    units : (C,) what stood in brackets, or "".
    values : (N, C) numbers, nan where there is none.
    words : (C,) of (N,) cells as written, stripped.
    """

    time_s: np.ndarray
    titles: tuple[str, ...]
    units: tuple[str, ...]
    values: np.ndarray
    words: tuple[tuple[str, ...], ...]


def read_log_table(data: bytes | str) -> LoggedTable:
    """Read a logged table from the bytes (or the text) of a file.

    Raises
    ------
    BenchError
        It is no such table; the sentence names the row and the column.
    """
    rows, separator = _rows(_text(data))
    start, time_at = _header(rows, separator)
    number, header = rows[start]
    body = [(n, cells) for n, cells in rows[start + 1 :] if any(cell.strip() for cell in cells)]
    if len(body) > MAX_ROWS:
        raise BenchError(
            f"The log has more than {MAX_ROWS} rows: log every few seconds, or cut it in parts."
        )
    time_s = _times(header, body, time_at, separator)
    kept = [i for i, title in enumerate(header) if title.strip() and i not in time_at]
    if not kept:
        raise BenchError(f"Row {number} names no column besides the time: add the sensors.")
    split = [_unit(header[i]) for i in kept]
    titles = tuple(title for title, _ in split)
    twice = next((one for one in titles if titles.count(one) > 1), None)
    if twice is not None:
        raise BenchError(f"Row {number}: two columns are called {shown(twice)}: rename one.")
    words = tuple(
        tuple(cells[i].strip() if i < len(cells) else "" for _, cells in body) for i in kept
    )
    values = np.array([[_number(cell, separator) for cell in one] for one in words], float).T
    return LoggedTable(
        time_s, titles, tuple(unit for _, unit in split), values.reshape(len(body), -1), words
    )


def celsius(table: LoggedTable, column: int) -> np.ndarray | None:
    """Return the (N,) values of a column in °C, nan where there is none.

    A column without a unit is taken as °C; None where its unit is none of a temperature.
    """
    unit = table.units[column].casefold().replace("°", "").replace("degrees", "").strip()
    values, unit = table.values[:, column], unit.removeprefix("deg").strip()
    if unit in ("", "c", "celsius"):
        return values
    if unit in ("f", "fahrenheit"):
        return (values - 32) / 1.8
    if unit in ("k", "kelvin"):
        return values - 273.15
    return None


def _text(data: bytes | str) -> str:
    if isinstance(data, str):
        return data.removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}")
    if len(data) > MAX_MB * 1_000_000:
        raise BenchError(f"The log is larger than {MAX_MB} MB: cut it in parts.")
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise BenchError("The log is a spreadsheet file: save it as CSV and add that.")
    wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    for encoding in ("utf-16",) if wide else ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise BenchError("The log is not readable text: save it as CSV (UTF-8) and add that.")


def _rows(text: str) -> tuple[list[tuple[int, list[str]]], str]:
    hint = re.match(r"sep=(.)\r?\n", text)  # a line that some spreadsheets write and do not show
    text = text[hint.end() :] if hint else text
    lines = [re.sub(r'"[^"]*"', "", line) for line in text.splitlines()[: MAX_PREAMBLE + 20]]
    if hint:
        separator = hint.group(1)
    else:
        # The mark that stands in most lines: a preamble seldom holds as many.
        counts = {mark: sum(mark in line for line in lines) for mark in "\t;,"}
        separator = max(counts, key=counts.get)
    try:
        table = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        rows = [(n, cells) for n, cells in enumerate(table, 1)]
    except (csv.Error, TypeError, ValueError) as error:
        raise BenchError(
            f"The log cannot be taken apart ({shown(error)}): save it as CSV again."
        ) from error
    if any(len(cells) > MAX_COLUMNS for _, cells in rows[: MAX_PREAMBLE + 2]):
        raise BenchError(f"The log has more than {MAX_COLUMNS} columns: keep those of this plate.")
    return rows, separator


def _header(rows: list[tuple[int, list[str]]], separator: str) -> tuple[int, tuple[int, ...]]:
    """(row index of the header, columns that hold the time)."""
    for start, (_, cells) in enumerate(rows[:MAX_PREAMBLE]):
        titles = [_unit(cell)[0].casefold() for cell in cells]
        if sum(bool(title) for title in titles) < 2 or _numeric(cells, separator):
            continue
        below = next((c for _, c in rows[start + 1 :] if any(x.strip() for x in c)), None)
        if below is None:
            continue
        time = next((i for i, title in enumerate(titles) if title in TIME_TITLES), None)
        date = next((i for i, title in enumerate(titles) if title in DATE_TITLES), None)
        at = tuple(i for i in (date, time) if i is not None) or (0,)
        if all(i < len(below) for i in at) and _moment(below, at, separator) is not None:
            return start, at
    raise BenchError(
        "The log has no header with a time column and sensors: the first column should be called "
        "time, and every sensor should have a name."
    )


def _numeric(cells: list[str], separator: str) -> bool:
    filled = [cell for cell in cells if cell.strip()]
    numbers = sum(not math.isnan(_number(cell, separator)) for cell in filled)
    # Sensors may be called 1, 2, 3; then the title of the time still is a word.
    return numbers == len(filled) or _moment(cells, (0,), separator) is not None


def _number(cell: str, separator: str) -> float:
    plain = cell.strip().replace("\N{MINUS SIGN}", "-").rstrip("°CcFf% ").strip()
    if "," in plain:
        if "." in plain or plain.count(",") > 1:
            return math.nan  # thousands or decimals: not to be told
        plain = plain.replace(",", ".")
    if not _NUMBER.fullmatch(plain):
        return math.nan
    value = float(plain)
    return value if math.isfinite(value) else math.nan


def _moment(cells: list[str], at: tuple[int, ...], separator: str) -> tuple[float, str] | None:
    """(value, kind): seconds of a date and time, of a clock, or a bare number."""
    text = " ".join(cells[i].strip() for i in at if i < len(cells))
    plain = text.replace(",", ".")
    try:
        when = datetime.fromisoformat(plain)
        if not re.fullmatch(r"[0-9.]+", plain):
            return _seconds(when), "date"
    except ValueError:
        pass
    day, _, clock = plain.rpartition(" ")
    match = _CLOCK.fullmatch(clock)
    if match:
        hours, minutes, seconds = (float(part or 0) for part in match.groups())
        at_s = 3600 * hours + 60 * minutes + seconds
        if not day:
            return at_s, "clock"
        for form in _DATES:
            try:
                return _seconds(datetime.strptime(day, form)) + at_s, "date"
            except ValueError:
                continue
        return None
    value = _number(text, separator)
    return None if math.isnan(value) else (value, "number")


def _seconds(when: datetime) -> float:
    return (when.replace(tzinfo=None) - datetime(1970, 1, 1)).total_seconds()


def _times(
    header: list[str], body: list[tuple[int, list[str]]], at: tuple[int, ...], separator: str
) -> np.ndarray:
    title, unit = _unit(header[at[-1]])
    factor = UNIT_S.get(unit.casefold()) or UNIT_S.get(title.casefold(), 1.0)
    times: list[float] = []
    shift_s, kinds = 0.0, set()
    for number, cells in body:
        found = _moment(cells, at, separator)
        if found is None:
            cell = cells[at[-1]] if at[-1] < len(cells) else ""
            raise BenchError(
                f"Row {number}, column {shown(title)}: {shown(cell)} is no time: write seconds, "
                "hh:mm:ss, or a date and time."
            )
        value, kind = found
        kinds.add(kind)
        value = value * factor if kind == "number" else value
        if kind == "clock" and times and value + shift_s < times[-1] - DAY_S / 2:
            shift_s += DAY_S  # past midnight
        if times and value + shift_s < times[-1]:
            raise BenchError(f"Row {number}: the time runs backwards: sort the rows by time.")
        times.append(value + shift_s)
    if len(kinds) > 1:
        raise BenchError("The time column mixes forms: use seconds, or hh:mm:ss, in all rows.")
    if not times:
        raise BenchError("The log has a header and no rows.")
    time_s = np.array(times)
    return time_s - time_s[0]


def _unit(title: str) -> tuple[str, str]:
    """Split "Z01 temp [°C]" into title and unit."""
    match = re.fullmatch(r"\s*(.*?)\s*[\[(]\s*([^\[\]()]*?)\s*[\])]\s*", title, re.S)
    return (match.group(1).strip(), match.group(2)) if match else (title.strip(), "")
