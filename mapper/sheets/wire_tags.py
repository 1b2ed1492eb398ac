"""Wire tags for label stock: the lead's id in large letters and as a QR code."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from reportlab.graphics.barcode.qr import QrCodeWidget

from mapper.errors import MapperError, shown
from mapper.routes import Lead
from mapper.sheets.lettering import fit_text, text_width_mm
from mapper.sheets.paper import paper_size
from mapper.sheets.pdf import scenes_to_pdf
from mapper.sheets.scene import Item, Line, Scene, Text

__all__ = ["TagStock", "wire_tag_sheets", "wire_tags_pdf"]

# ISO/IEC 18004: four modules of white round the code
QUIET_MODULES = 4
# Three dots of a label printer with 8 dots per mm (common practice, no source)
LEAST_MODULE_MM = 0.375
PAD_MM = 1.2
ID_MM, LEAST_ID_MM = 12.0, 2.4
SMALL_MM, SMALLEST_MM, LOW_MM = 2.9, 2.6, 14.0  # the smallest on labels lower than LOW_MM
LINE = 1.15


@dataclass(frozen=True)
class TagStock:
    """Label stock, all in mm: the label's size, and how labels stand on a sheet.

    `paper` is "A4", "A3" or "Letter", or "" for a roll: one label per page. Without `left_mm`
    the columns stand in the middle of the sheet.
    """

    width_mm: float = 45.0
    height_mm: float = 22.0
    columns: int = 4
    gap_across_mm: float = 2.0
    gap_down_mm: float = 0.0
    top_mm: float = 12.0
    left_mm: float | None = None
    paper: str = "A4"


def wire_tags_pdf(
    leads: Sequence[Lead], stock: TagStock | None = None, both_ends: bool = False
) -> bytes:
    """The tags as PDF, true to size; arguments as for `wire_tag_sheets`."""
    return scenes_to_pdf(wire_tag_sheets(leads, stock, both_ends))


def wire_tag_sheets(
    leads: Sequence[Lead], stock: TagStock | None = None, both_ends: bool = False
) -> list[Scene]:
    """One tag per lead, in the order given, row by row; with `both_ends` one for each end.

    Raises MapperError for stock that does not fit its paper, for no lead, and for a label that
    is too small for an id to be read from it.
    """
    stock = stock or TagStock()
    if not leads:
        raise MapperError("There is no lead to tag yet: trace or list the leads first.")
    places, (width_mm, height_mm) = _places(stock)
    ends = ("drop end", "exit end") if both_ends else ("",)
    tags = [(lead, end) for lead in leads for end in ends]
    scenes = []
    for start in range(0, len(tags), len(places)):
        items: list[Item] = []
        on_page = tags[start : start + len(places)]
        for (lead, end), (left_mm, low_mm) in zip(on_page, places, strict=False):
            items += _tag(lead, end, stock, left_mm, low_mm)
        scenes.append(Scene(width_mm, height_mm, "Wire tags", tuple(items)))
    return scenes


def _places(stock: TagStock) -> tuple[list[tuple[float, float]], tuple[float, float]]:
    """Lower left corners of the labels of one page, and the page's size."""
    wide, high = stock.width_mm, stock.height_mm
    if not (math.isfinite(wide) and math.isfinite(high) and 10 <= high <= 200 and wide <= 297):
        raise MapperError("A label must be from 10 to 200 mm high and at most 297 mm wide.")
    if wide < high:
        raise MapperError("A label must be at least as wide as it is high: turn it by a quarter.")
    if not stock.paper:
        return [(0.0, 0.0)], (wide, high)
    paper_wide, paper_high = paper_size(stock.paper)
    gaps = (stock.gap_across_mm, stock.gap_down_mm, stock.top_mm, stock.left_mm or 0.0)
    if stock.columns < 1 or not all(math.isfinite(gap) and gap >= 0 for gap in gaps):
        raise MapperError("Label columns must be 1 or more, and no gap or margin below 0.")
    across = stock.columns * wide + (stock.columns - 1) * stock.gap_across_mm
    left = (paper_wide - across) / 2 if stock.left_mm is None else stock.left_mm
    # stock is cut from the sheet: a label may reach the edge, as sheets without margin do
    rows = int((paper_high - stock.top_mm + stock.gap_down_mm + 1e-6) // (high + stock.gap_down_mm))
    if left < -1e-6 or left + across > paper_wide + 1e-6 or rows < 1:
        raise MapperError(
            f"{stock.columns} columns of {wide:g} x {high:g} mm do not fit on {stock.paper}: "
            "take fewer columns, a smaller label or larger paper."
        )
    return [
        (
            left + column * (wide + stock.gap_across_mm),
            paper_high - stock.top_mm - row * (high + stock.gap_down_mm) - high,
        )
        for row in range(rows)
        for column in range(stock.columns)
    ], (paper_wide, paper_high)


def _tag(lead: Lead, end: str, stock: TagStock, left_mm: float, low_mm: float) -> list[Item]:
    """One tag: the code at the left, the id beside it, drop, exit and kind below."""
    # the code's own white is its distance from the label's edge
    side = min(stock.height_mm, 0.45 * stock.width_mm)
    low = low_mm + (stock.height_mm - side) / 2
    items = _code(lead.id, left_mm, low, side)
    x = left_mm + side
    room_wide = left_mm + stock.width_mm - PAD_MM - x
    small_mm = SMALL_MM if stock.height_mm >= LOW_MM else SMALLEST_MM
    way = f"{lead.drop} > {lead.exit}" if lead.exit else lead.drop
    small = [way, end or lead.kind] if stock.height_mm < 18 or not end else [way, lead.kind, end]
    room_high = stock.height_mm - 2 * PAD_MM - LINE * small_mm * len(small)
    lines, size = _id_lines(lead.id, room_wide, room_high)
    high = LINE * (size * len(lines) + small_mm * len(small))
    y = low_mm + (stock.height_mm + high) / 2
    for text in lines:
        y -= LINE * size
        items.append(Text(x, y + 0.25 * size, text, size, bold=True))
    for text in small:
        y -= LINE * small_mm
        words = fit_text(text, room_wide, small_mm)
        items.append(Text(x, y + 0.25 * small_mm, words, small_mm))
    return items


def _id_lines(text: str, wide_mm: float, high_mm: float) -> tuple[list[str], float]:
    """The whole id in as few lines as give the largest letters. Raises MapperError."""
    best: tuple[float, list[str]] = (0.0, [])
    for count in range(1, 5):
        step = math.ceil(len(text) / count)
        lines = [text[k : k + step] for k in range(0, len(text), step)]
        widest = max(text_width_mm(line, 1.0, bold=True) for line in lines)
        size = min(ID_MM, wide_mm / widest, high_mm / (LINE * len(lines)))
        # an id in one piece reads best, so another line has to be worth it
        if size > 1.3 * best[0]:
            best = (size, lines)
    if best[0] < LEAST_ID_MM:
        raise MapperError(
            f"The id {shown(text, 64)} can't be read on so small a label: take a larger label."
        )
    return best[1], best[0]


def _code(text: str, left_mm: float, low_mm: float, side_mm: float) -> list[Item]:
    """The QR code of a text, with its white, in a square. Raises MapperError when too fine."""
    count, rings = _rings(text)
    module = side_mm / count
    if module < LEAST_MODULE_MM:
        raise MapperError(
            f"The code of {shown(text, 64)} would be too fine to read: take a label at least "
            f"{math.ceil(count * LEAST_MODULE_MM)} mm high and "
            f"{math.ceil(count * LEAST_MODULE_MM / 0.45)} mm wide."
        )
    return [
        Line(
            tuple((left_mm + module * x, low_mm + module * y) for x, y in ring),
            colour=None,
            fill=fill,
            closed=True,
        )
        for ring, fill in rings
    ]


@lru_cache(maxsize=512)
def _rings(text: str) -> tuple[int, tuple[tuple[tuple[tuple[float, float], ...], str], ...]]:
    """A QR code (ISO/IEC 18004, level M): modules per side with the white round it, and rings.

    Rings are in modules from the lower left of the white, each with its fill, in drawing order.
    They are whole areas, so that no hair line is left between modules.
    """
    maker = QrCodeWidget(text, barLevel="M").qr
    maker.make()
    dark = np.array(maker.modules, dtype=bool)
    rows, columns = np.nonzero(dark[::-1])
    rows, columns = rows + QUIET_MODULES, columns + QUIET_MODULES
    area = shapely.coverage_union_all(shapely.box(columns, rows, columns + 1, rows + 1))
    rings = [
        (shapely.Polygon(ring).area, ring, fill)
        for part in shapely.get_parts(area)
        for ring, fill in [(part.exterior, "#000000"), *((r, "#FFFFFF") for r in part.interiors)]
    ]
    # what lies inside a ring is smaller than it, and is drawn after it
    return len(dark) + 2 * QUIET_MODULES, tuple(
        (tuple(map(tuple, shapely.get_coordinates(ring)[:-1].tolist())), fill)
        for _, ring, fill in sorted(rings, key=lambda one: -one[0])
    )
