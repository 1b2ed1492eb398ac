"""The record of a response test: who answered whom, the rises, faults, corrections, signatures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from mapper.bench.response import Response
from mapper.bench.response_log import zone_key
from mapper.sheets.lettering import fit_text, text_width_mm, wrapped
from mapper.sheets.paper import Frame, box
from mapper.sheets.pdf import scenes_to_pdf
from mapper.sheets.scene import Item, Line, Scene, Text

__all__ = [
    "RESPONSE_CAUTION",
    "RecordedLog",
    "ResponseRecord",
    "response_sheet",
    "response_sheet_pdf",
]

# Usual cautions of the trade; topics named in OSHA 29 CFR 1910.147 and 1910.333 and EN 50110-1.
RESPONSE_CAUTION = (
    "A record of readings, no more: it does not say that anything may be touched or energised. "
    "Mains voltage kills. This test is for qualified people, with earth, residual-current "
    "protection and fuse in place, at low, limited power. Isolate, lock out and prove dead before "
    "a plug or wire is touched. A swapped pair heats the wrong nozzle: surfaces burn where nobody "
    "expects it. Local codes and licensed practice decide."
)
SIZE_MM, SMALL_MM, STEP_MM = 3.2, 2.9, 4.8  # 2.9 mm is 8.2 point
HEAD_MM = 4.2
INK, GREY = "#000000", "#6A6A6A"
CELL_MM, ROW_MM = 9.5, 5.2  # a cell in which a number is read at arm's length
NAME_MM = 20.0
PICTURE_MM = 150.0  # the grey picture of many zones, at most
MANY = 32  # zones beyond which the numbers stand as the largest few of each heater
FEW = 3
SIGNED_BY = ("Tested by, date", "Checked by, date", "Licensed electrician, date")
WORDS_LEFT = "Nothing here replaces the test that licensed practice asks for before power goes on."


@dataclass(frozen=True)
class RecordedLog:
    """A log that a test was read from; `sha256` is "" where it was not kept (or typed by hand)."""

    name: str
    sha256: str = ""
    at: str = ""
    by: str = ""


@dataclass(frozen=True)
class ResponseRecord:
    """What is known of a test besides its outcome. `corrected`: what was changed in the zone
    table, in plain sentences; empty when nothing was."""

    number: int
    logs: tuple[RecordedLog, ...] = ()
    corrected: tuple[str, ...] = ()
    note: str = ""


def response_sheet_pdf(
    result: Response, record: ResponseRecord, title: str, made_at: datetime, paper: str = "A4"
) -> bytes:
    """The sheet as PDF; arguments as for `response_sheet`."""
    return scenes_to_pdf(response_sheet(result, record, title, made_at, paper))


def response_sheet(
    result: Response, record: ResponseRecord, title: str, made_at: datetime, paper: str = "A4"
) -> list[Scene]:
    """Lay the record out on upright paper, as many pages as it takes; cautions on every one."""
    name = f"Response test {record.number}: {title}"
    page = _Pages(Frame(name, made_at, RESPONSE_CAUTION, paper))
    if record.note:
        page.words(record.note)
    claimed = int((result.match >= 0).sum())
    again = len(result.test_again)
    heaters = "heater is" if again == 1 else "heaters are"
    page.words(
        f"{len(result.right)} of {len(result.heaters)} heaters answer clearly on their own sensor; "
        f"{claimed} pairs are clear; {again} {heaters} to be tested again.",
        bold=True,
    )
    page.heading("Test")
    for log in record.logs or (RecordedLog("not recorded"),):
        when = f", put in {log.at}" if log.at else ""
        page.words(f"{log.name}{when}, by {log.by or 'nobody named'}")
        page.words(f"SHA-256 of the log: {log.sha256 or 'not kept'}", size_mm=SMALL_MM)
    page.heading("Faults")
    for one in result.findings:
        page.tick(one.text)
    if not result.findings:
        page.words("None named: every heater warmed its own sensor most, by a clear margin.")
    page.heading("To be tested again")
    page.words(", ".join(result.test_again) or "Nothing by this test.")
    page.heading("Corrected in the zone table")
    for text in record.corrected or ("Nothing was corrected from this test.",):
        page.words(text)
    _signatures(page)
    _zones(page, result)
    _picture(page, result)
    _numbers(page, result)
    return page.frame.pages(page.bodies)


class _Pages:
    """Pages that fill from the top; a block that does not fit goes on the next one."""

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self.bodies: list[list[Item]] = [[]]
        self.y_mm = frame.top_mm

    def room(self, high_mm: float) -> float:
        """Make room for a block and return the height of its top."""
        if self.y_mm - high_mm < self.frame.floor_mm and self.bodies[-1]:
            self.bodies.append([])
            self.y_mm = self.frame.top_mm
        top = self.y_mm
        self.y_mm -= high_mm
        return top

    def keep(self, high_mm: float) -> None:
        """Go to the next page now when a block would not fit on this one."""
        self.room(high_mm)
        self.y_mm += high_mm

    def add(self, *items: Item) -> None:
        self.bodies[-1] += items

    def heading(self, text: str, with_mm: float = 3 * STEP_MM) -> None:
        """A heading that is never the last line of a page."""
        top = self.room(HEAD_MM + 4.6 + with_mm)
        self.y_mm += with_mm
        self.add(Text(self.frame.left_mm, top - HEAD_MM - 1.6, text, HEAD_MM, bold=True))

    def words(self, text: str, bold: bool = False, indent_mm: float = 0.0, size_mm=SIZE_MM) -> None:
        left = self.frame.left_mm + indent_mm
        for line in wrapped(text, self.frame.inner_mm - indent_mm, size_mm, bold):
            top = self.room(STEP_MM)
            self.add(Text(left, top - 3.5, line, size_mm, bold=bold))

    def tick(self, text: str) -> None:
        """Words with a box that is ticked when it is mended."""
        self.keep(STEP_MM)
        top = self.y_mm
        self.add(Line(box(self.frame.left_mm, top - 4.3, 3.6, 3.6), 0.35, INK, closed=True))
        self.words(text, indent_mm=6.0)


def _signatures(page: _Pages) -> None:
    page.heading("Signed", 17.0)
    top, left = page.room(17.0), page.frame.left_mm
    width = (page.frame.inner_mm - 12) / 3
    for k, words in enumerate(SIGNED_BY):
        x = left + k * (width + 6)
        page.add(Line(((x, top - 10), (x + width, top - 10)), 0.35, INK))
        page.add(Text(x, top - 14, words, 3.0))
    page.words(WORDS_LEFT, size_mm=SMALL_MM)


def _ratio(value: float, rise: float) -> str:
    if math.isnan(value) or math.isnan(rise):
        return "–"
    return "alone" if math.isinf(value) else f"{value:.1f}x"


def _zone_row(result: Response, h: int) -> tuple[str, ...]:
    s = int(result.likely[h])
    if s < 0:
        return (result.heaters[h], "–", "–", "–", "–", "–", "not clear")
    own = zone_key(result.sensors[s]) == zone_key(result.heaters[h])
    clear = result.match[h] >= 0
    falls = clear and result.rise_c[h, s] < 0
    words = "not clear" if not clear else "own sensor" if own else f"SENSOR OF {result.sensors[s]}"
    rise, sigma = float(result.rise_c[h, s]), float(result.sigma_c[h, s])
    return (
        result.heaters[h],
        result.sensors[s],
        "–" if math.isnan(rise) else f"{rise:+.1f}",
        "–" if math.isnan(sigma) else f"{sigma:.2f}",
        _ratio(result.row_margin[h], rise),
        _ratio(result.column_margin[h], rise),
        f"{words}, FALLS" if falls else words,
    )


def _table(page: _Pages, heads: Sequence[str], rows: Sequence[Sequence[str]], ends) -> None:
    """Rows under a head that is repeated on each page. `ends`: where each column ends, 0 to 1."""
    left, wide = page.frame.left_mm, page.frame.inner_mm
    starts = [0.0, *ends[:-1]]

    def broken(cells: Sequence[str], bold: bool) -> list[list[str]]:
        widths = [(end - start) * wide - 2 for start, end in zip(starts, ends, strict=True)]
        pairs = zip(cells, widths, strict=True)
        return [wrapped(text, width, SIZE_MM, bold) for text, width in pairs]

    def high(lines: list[list[str]]) -> float:
        return ROW_MM + 3.8 * (max(1, *(len(cell) for cell in lines)) - 1)

    def line(cells: Sequence[str], bold: bool) -> None:
        lines = broken(cells, bold)
        top = page.room(high(lines))
        for cell, start in zip(lines, starts, strict=True):
            for k, words in enumerate(cell):
                y = top - 3.7 - 3.8 * k
                page.add(Text(left + start * wide, y, words, SIZE_MM, bold=bold))
        rule = ((left, top - high(lines)), (left + wide, top - high(lines)))
        page.add(Line(rule, 0.4 if bold else 0.1, INK if bold else GREY))

    on = None
    for row in rows:
        page.keep(ROW_MM + high(broken(row, bold=False)))
        if on != len(page.bodies):
            line(heads, bold=True)
            on = len(page.bodies)
        line(row, bold=False)


def _zones(page: _Pages, result: Response) -> None:
    page.heading("Each heater and the sensor that answers it")
    heads = ("Heater", "Sensor", "Rise °C", "± °C", "Next sensor", "Next heater", "By this test")
    rows = [_zone_row(result, h) for h in range(len(result.heaters))]
    _table(page, heads, rows, (0.16, 0.32, 0.42, 0.5, 0.62, 0.74, 1.0))
    page.words(
        "Next sensor, next heater: how many times larger the rise is than the next in its row and "
        "column. Clear means at least 1.5 times, and well above the noise.",
        size_mm=SMALL_MM,
    )


def _shade(rise: float, top: float) -> tuple[str, str]:
    """Grey of a cell and ink on it: white for no rise, dark for the largest, paper-white for
    nothing read."""
    if math.isnan(rise):
        return "#FFFFFF", INK
    depth = min(abs(rise) / top, 1.0) ** 0.7
    level = round(250 - 200 * depth)
    return f"#{level:02X}{level:02X}{level:02X}", "#FFFFFF" if depth > 0.55 else INK


def _number(rise: float) -> str:
    if math.isnan(rise):
        return "–"
    digits = 0 if abs(rise) >= 99.5 else 1
    return f"{round(rise, digits) + 0.0:.{digits}f}"


def _top(result: Response) -> float:
    return float(np.nanmax(np.abs(result.rise_c), initial=0.0)) or 1.0


def _picture(page: _Pages, result: Response) -> None:
    """The matrix in greys: heaters down, sensors across; a thick frame round each clear pair."""
    rows, columns = result.rise_c.shape
    frame = page.frame
    cell = min(CELL_MM, PICTURE_MM / rows, (frame.inner_mm - NAME_MM) / columns)
    high = cell * rows + 8.0
    page.heading("Picture of the rises", high)
    top = page.room(high) - 7.0
    left, most = frame.left_mm + NAME_MM, _top(result)
    rule = 0.1 if cell > 3 else 0.03
    every = max(1, math.ceil(2.9 / cell))  # names stand where they can be read
    for h in range(rows):
        y = top - cell * (h + 1)
        for s in range(columns):
            fill, ink = _shade(result.rise_c[h, s], most)
            x = left + cell * s
            page.add(Line(box(x, y, cell, cell), rule, GREY, fill, closed=True))
            if math.isnan(result.rise_c[h, s]):
                page.add(Line(((x, y), (x + cell, y + cell)), 0.1, GREY))
            elif result.rise_c[h, s] < -0.05 * most:
                _falls(page, x, y, cell, ink)
        if h % every == 0:
            name = fit_text(result.heaters[h], NAME_MM - 2, SMALL_MM)
            at = y + cell / 2 - 0.35 * SMALL_MM
            page.add(Text(left - 1.5, at, name, SMALL_MM, anchor="end"))
    for h in range(rows):
        if result.match[h] >= 0:
            x, y = left + cell * int(result.match[h]), top - cell * (h + 1)
            page.add(Line(box(x, y, cell, cell), min(0.7, cell / 6), INK, closed=True))
    _across(page, result.sensors, left, top + 1.4, cell)
    page.words(
        "Heaters down, sensors across. The darker, the larger the rise; white: none. Thick frame: "
        "the pair is clear. Down arrow: the sensor falls. Struck out: nothing was read.",
        size_mm=SMALL_MM,
    )


def _falls(page: _Pages, x: float, y: float, cell: float, ink: str) -> None:
    """A down arrow in a cell."""
    middle, a = x + cell / 2, cell / 5
    shaft = ((middle, y + cell - a), (middle, y + a))
    head = ((middle - a, y + 2 * a), (middle, y + a), (middle + a, y + 2 * a))
    page.add(Line(shaft, min(0.4, cell / 10), ink), Line(head, min(0.4, cell / 10), ink))


def _across(page: _Pages, names: Sequence[str], left: float, y: float, cell: float) -> None:
    """Names over columns, as many as stand clear of each other."""
    size, free = SMALL_MM, -math.inf
    for s, name in enumerate(names):
        words = fit_text(name, 3 * CELL_MM, size)
        half = text_width_mm(words, size) / 2
        x = left + cell * (s + 0.5)
        if x - half > free:
            page.add(Text(x, y, words, size, anchor="middle"))
            free = x + half + 0.8


def _numbers(page: _Pages, result: Response) -> None:
    if len(result.heaters) > MANY or len(result.sensors) > MANY:
        _largest(page, result)
        return
    frame, most = page.frame, _top(result)
    count = len(result.sensors)
    fit = math.ceil(count / math.ceil(count * CELL_MM / (frame.inner_mm - NAME_MM)))
    page.heading("Rises in °C", 4 * ROW_MM)
    for first in range(0, count, fit):
        block = range(first, min(first + fit, count))
        on = None
        for h, name in enumerate(result.heaters):
            page.keep(2 * ROW_MM)
            if on != len(page.bodies):
                top = page.room(ROW_MM + 1)
                page.add(Text(frame.left_mm, top - 3.7, "Heater", SMALL_MM, bold=True))
                for k, s in enumerate(block):
                    x = frame.left_mm + NAME_MM + CELL_MM * (k + 0.5)
                    words = fit_text(result.sensors[s], CELL_MM - 0.8, SMALL_MM, bold=True)
                    page.add(Text(x, top - 3.7, words, SMALL_MM, bold=True, anchor="middle"))
                on = len(page.bodies)
            top = page.room(ROW_MM)
            words = fit_text(name, NAME_MM - 2, SMALL_MM, bold=True)
            page.add(Text(frame.left_mm, top - 3.8, words, SMALL_MM, bold=True))
            for k, s in enumerate(block):
                _numbered(page, result, h, s, frame.left_mm + NAME_MM + CELL_MM * k, top, most)
        page.room(3.0)


def _numbered(page: _Pages, result: Response, h: int, s: int, x: float, top: float, most: float):
    fill, ink = _shade(result.rise_c[h, s], most)
    corners = box(x, top - ROW_MM, CELL_MM, ROW_MM)
    page.add(Line(corners, 0.1, GREY, fill, closed=True))
    words = _number(float(result.rise_c[h, s]))
    page.add(Text(x + CELL_MM / 2, top - 3.8, words, 3.0, colour=ink, anchor="middle"))
    if result.match[h] == s:
        inner = box(x + 0.35, top - ROW_MM + 0.35, CELL_MM - 0.7, ROW_MM - 0.7)
        page.add(Line(inner, 0.6, INK, closed=True))


def _largest(page: _Pages, result: Response) -> None:
    """Of many zones only the largest rises of each heater; the rest is in the job pack's table."""
    page.heading("Largest rises of each heater, °C")
    rows = []
    for h, name in enumerate(result.heaters):
        size = np.nan_to_num(np.abs(result.rise_c[h]))
        order = [int(s) for s in np.argsort(-size, kind="stable")[:FEW] if size[s] > 0]
        cells = [f"{result.sensors[s]}: {_number(float(result.rise_c[h, s]))}" for s in order]
        rows.append((name, *cells, *[""] * (FEW - len(cells))))
    _table(page, ("Heater", "Largest", "Second", "Third"), rows, (0.22, 0.48, 0.74, 1.0))
    page.words("All rises stand in the table of this test in the job pack.", size_mm=SMALL_MM)
