"""Paper sizes, and the frame of sheets of several pages: title block and caution on each page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from mapper.errors import MapperError, shown
from mapper.sheets.lettering import fit_size, fit_text, text_width_mm, wrapped
from mapper.sheets.scene import Item, Line, Scene, Text

__all__ = ["PAPERS_MM", "Frame", "box", "paper_size"]

# ISO 216 and ANSI/ASME Y14.1 (Letter), upright
PAPERS_MM = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "Letter": (215.9, 279.4)}
MARGIN_MM = 12.0  # what office printers leave white, and a hole punch
TITLE_MM, LEAST_TITLE_MM, MADE_MM = 6.0, 4.0, 3.4
CAUTION_MM, CAUTION_STEP_MM = 3.2, 4.4
INK = "#000000"


def paper_size(paper: str) -> tuple[float, float]:
    """Width and height of upright paper in mm. Raises MapperError for a name not known."""
    if paper not in PAPERS_MM:
        raise MapperError(f"Paper '{shown(paper, 20)}' is not known: use A4, A3 or Letter.")
    return PAPERS_MM[paper]


def box(left_mm: float, low_mm: float, wide_mm: float, high_mm: float) -> tuple:
    """The four corners of a rectangle."""
    right, top = left_mm + wide_mm, low_mm + high_mm
    return ((left_mm, low_mm), (right, low_mm), (right, top), (left_mm, top))


@dataclass(frozen=True)
class Frame:
    """What stands on each page of a sheet, upright or `across`. Lengths in mm; `floor_mm` and
    `top_mm` bound the space between caution and title."""

    title: str
    made_at: datetime
    caution: str
    paper: str = "A4"
    across: bool = False

    @property
    def size_mm(self) -> tuple[float, float]:
        wide, high = paper_size(self.paper)
        return (high, wide) if self.across else (wide, high)

    @property
    def left_mm(self) -> float:
        return MARGIN_MM

    @property
    def right_mm(self) -> float:
        return self.size_mm[0] - MARGIN_MM

    @property
    def inner_mm(self) -> float:
        return self.right_mm - self.left_mm

    @property
    def top_mm(self) -> float:
        return self.size_mm[1] - MARGIN_MM - 12.0

    @property
    def floor_mm(self) -> float:
        return MARGIN_MM + self._caution_mm + 4.0

    @property
    def _lines(self) -> list[str]:
        return wrapped(self.caution, self.inner_mm - 29, CAUTION_MM)

    @property
    def _caution_mm(self) -> float:
        return CAUTION_STEP_MM * len(self._lines) + 3

    def pages(self, bodies: Sequence[Sequence[Item]]) -> list[Scene]:
        """One scene per body, with title, date, "page n of m" and the caution."""
        wide, high = self.size_mm
        return [
            Scene(wide, high, self.title, (*self._around(number, len(bodies)), *body))
            for number, body in enumerate(bodies, start=1)
        ]

    def _around(self, number: int, count: int) -> list[Item]:
        head_mm = self.size_mm[1] - MARGIN_MM - 6
        made = f"Made {self.made_at:%Y-%m-%d %H:%M}, page {number} of {count}"
        room = self.inner_mm - text_width_mm(made, MADE_MM) - 6
        size = fit_size(self.title, room, TITLE_MM, LEAST_TITLE_MM, bold=True)
        title = fit_text(self.title, room, size, bold=True)
        caution_mm = self._caution_mm
        first_mm = MARGIN_MM + caution_mm - 4.6
        items: list[Item] = [
            Text(self.left_mm, head_mm, title, size, bold=True),
            Text(self.right_mm, head_mm, made, MADE_MM, anchor="end"),
            Line(box(self.left_mm, MARGIN_MM, self.inner_mm, caution_mm), 0.6, INK, closed=True),
            Text(self.left_mm + 3, first_mm, "CAUTION", 4.0, bold=True),
        ]
        for row, line in enumerate(self._lines):
            y_mm = first_mm - CAUTION_STEP_MM * row
            items.append(Text(self.left_mm + 26, y_mm, line, CAUTION_MM))
        return items
