"""Printable sheet of square markers, with a bar that shows whether it was printed true to size."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
import shapely

from mapper.errors import MapperError, shown
from mapper.fit.markers import MARKER_DICTIONARY, MARKER_MODULES, marker_bits
from mapper.plate.checks import check_marker_id
from mapper.sheets.lettering import fit_text, text_width_mm, wrapped
from mapper.sheets.paper import paper_size
from mapper.sheets.pdf import scenes_to_pdf
from mapper.sheets.scene import Item, Line, Scene, Text

__all__ = [
    "BAR_MM",
    "MARKER_CAUTION",
    "marker_sheet_pdf",
    "marker_sheets",
    "read_marker_ids",
]

BAR_MM = 100.0
LEAST_SIDE_MM, MOST_SIDE_MM = 8.0, 150.0
MARGIN_MM = 12.0  # what office printers leave white
LABEL_MM = 5.0
GAP_MM = 2.0

# common practice, no source
MARKER_CAUTION = (
    "Paper burns. Take every marker off before heat for melt-off goes on, or use markers on metal. "
    "Lay and lift markers only on a plate that is cold and cut off from power; local codes and "
    "licensed practice override anything shown here."
)
HOW = (
    "Cut along the dashed lines and keep the white rim. Lay the markers flat on the bare face, "
    "spread out to the corners, each number once; hold them with thin double-sided tape. Measure "
    "the middle of each one from the plate's lower left corner, and enter it on the page Plate. "
    "Angle 0 is with the number reading upright as the plate is drawn; turned a quarter "
    "counterclockwise it is 90. A marker must not move between photos."
)


def read_marker_ids(text: str) -> tuple[int, ...]:
    """Numbers of markers from text such as "0-7, 12". Raises MapperError."""
    ids: list[int] = []
    for part in filter(None, re.split(r"[,;\s]+", re.sub(r"\s*-\s*", "-", text.strip()))):
        match = re.fullmatch(r"([0-9]{1,4})(?:-([0-9]{1,4}))?", part)
        if match is None:
            raise MapperError(
                f"The numbers '{shown(text, 40)}' can't be read: write them as 0-7, 12."
            )
        first, last = int(match[1]), int(match[2] or match[1])
        if last < first:
            raise MapperError(f"'{part}' runs backwards: write the smaller number first.")
        ids += range(first, min(last, 9999) + 1)
    return tuple(ids)


def marker_sheet_pdf(side_mm: float, ids: Sequence[int], paper: str = "A4") -> bytes:
    """The sheets as PDF, true to size; arguments as for `marker_sheets`."""
    return scenes_to_pdf(marker_sheets(side_mm, ids, paper))


def marker_sheets(side_mm: float, ids: Sequence[int], paper: str = "A4") -> list[Scene]:
    """Lay out markers of a side (mm, of the black square) on as many sheets as they need.

    Raises MapperError for a size, a number or a paper that can't be printed.
    """
    width_mm, height_mm = paper_size(paper)
    if not (math.isfinite(side_mm) and LEAST_SIDE_MM <= side_mm <= MOST_SIDE_MM):
        raise MapperError(
            f"The side of a marker must be from {LEAST_SIDE_MM:g} to {MOST_SIDE_MM:g} mm."
        )
    if not ids:
        raise MapperError("No marker is asked for: give their numbers, such as 0-7.")
    for one in ids:
        check_marker_id(one, "A marker's number")
    if len(set(ids)) < len(ids):
        raise MapperError("A marker's number is given twice: lay every marker once.")
    head, head_mm = _head(side_mm, width_mm, height_mm)
    foot_mm = MARGIN_MM + 15.0
    cell_width_mm = side_mm + 2 * _rim_mm(side_mm) + GAP_MM
    cell_height_mm = cell_width_mm + LABEL_MM
    columns = int((width_mm - 2 * MARGIN_MM + GAP_MM) // cell_width_mm)
    rows = int((height_mm - MARGIN_MM - head_mm - foot_mm + GAP_MM) // cell_height_mm)
    if columns < 1 or rows < 1:
        raise MapperError(
            f"A marker of {side_mm:g} mm does not fit on {paper}: take a smaller side or larger "
            "paper."
        )
    most = columns * rows
    pages = [ids[start : start + most] for start in range(0, len(ids), most)]
    scenes = []
    for number, page in enumerate(pages, start=1):
        items = [*head, *_bar(width_mm, f"sheet {number} of {len(pages)}")]
        for place, one in enumerate(page):
            row, column = divmod(place, columns)
            left = MARGIN_MM + column * cell_width_mm
            top = height_mm - MARGIN_MM - head_mm - row * cell_height_mm
            items += _marker(one, side_mm, left, top)
        scenes.append(Scene(width_mm, height_mm, "Markers for the plate's face", tuple(items)))
    return scenes


def _rim_mm(side_mm: float) -> float:
    """White that has to stay round the black square for it to be found: one module."""
    return max(side_mm / MARKER_MODULES, 3.0)


def _head(side_mm: float, width_mm: float, height_mm: float) -> tuple[list[Item], float]:
    """Title, how to lay them and the caution; and the height they take."""
    within = width_mm - 2 * MARGIN_MM
    top = height_mm - MARGIN_MM
    title = f"Markers for the plate's face: side {side_mm:g} mm, {MARKER_DICTIONARY}"
    items: list[Item] = [
        Text(MARGIN_MM, top - 5, fit_text(title, within, 5, bold=True), 5, bold=True)
    ]
    y = top - 11
    for line in wrapped(HOW, within, 3.2):
        items.append(Text(MARGIN_MM, y, line, 3.2))
        y -= 4.4
    lines = wrapped(MARKER_CAUTION, within - 29, 3.2)
    high = 4.4 * len(lines) + 3
    box_top = y + 1.5
    items.append(
        Line(_rectangle(MARGIN_MM, box_top - high, within, high), width_mm=0.6, closed=True)
    )
    y = box_top - 4.6
    items.append(Text(MARGIN_MM + 3, y, "CAUTION", 4.0, bold=True))
    for line in lines:
        items.append(Text(MARGIN_MM + 26, y, line, 3.2))
        y -= 4.4
    return items, top - (box_top - high) + 5.0


def _bar(width_mm: float, sheet: str) -> list[Item]:
    """The bar at the foot that shows whether the print is true to size."""
    left, y = MARGIN_MM, MARGIN_MM + 6.0
    items: list[Item] = [Line(((left, y), (left + BAR_MM, y)), width_mm=0.4)]
    for tick in range(11):
        high = 4.0 if tick % 5 == 0 else 2.5
        x = left + tick * BAR_MM / 10
        items.append(Line(((x, y), (x, y + high)), width_mm=0.25))
    items.append(
        Text(
            left,
            MARGIN_MM,
            "Measure this: 100 mm from end to end. If not, print at 100 %, without fitting to "
            "the page.",
            3.2,
        )
    )
    items.append(Text(width_mm - MARGIN_MM, y + 1, sheet, 3.2, anchor="end"))
    return items


def _marker(one: int, side_mm: float, left_mm: float, top_mm: float) -> list[Item]:
    """One marker with its white rim, its number under it and a line to cut along."""
    rim = _rim_mm(side_mm)
    wide = side_mm + 2 * rim
    low = top_mm - rim - side_mm
    items: list[Item] = [
        Line(
            _rectangle(left_mm, top_mm - wide - LABEL_MM, wide, wide + LABEL_MM),
            width_mm=0.15,
            colour="#8A8A8A",
            closed=True,
            dash_mm=(1.5, 1.5),
        ),
        Line(
            _rectangle(left_mm + rim, low, side_mm, side_mm),
            colour=None,
            fill="#000000",
            closed=True,
        ),
    ]
    module = side_mm / MARKER_MODULES
    # whole areas, so that no hair line is left between modules
    white = shapely.union_all(
        [
            shapely.box(
                left_mm + rim + column * module,
                low + side_mm - (row + 1) * module,
                left_mm + rim + (column + 1) * module,
                low + side_mm - row * module,
            )
            for row, column in np.argwhere(marker_bits(one))
        ]
    )
    for area in shapely.get_parts(white):
        for ring, fill in [(area.exterior, "#FFFFFF"), *((r, "#000000") for r in area.interiors)]:
            points = tuple(map(tuple, shapely.get_coordinates(ring)[:-1].tolist()))
            items.append(Line(points, colour=None, fill=fill, closed=True))
    label = f"{one}   ({side_mm:g} mm)"
    size = min(4.0, 4.0 * (wide - 2) / text_width_mm(label, 4.0))
    middle = left_mm + wide / 2
    items.append(Text(middle, top_mm - wide - LABEL_MM + 2, label, size, anchor="middle"))
    return items


def _rectangle(left, low, wide, high) -> tuple[tuple[float, float], ...]:
    return ((left, low), (left + wide, low), (left + wide, low + high), (left, low + high))
