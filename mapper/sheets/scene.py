"""A drawing on paper, independent of the file form it is written in.

Paper frame: millimetres, origin at the lower-left corner of the sheet, x right, y up.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Circle", "Item", "Line", "Picture", "Scene", "Text"]

Point = tuple[float, float]


@dataclass(frozen=True)
class Line:
    """An open or closed polyline; `fill` only counts for closed ones; `dash_mm` empty = solid."""

    points_mm: tuple[Point, ...]
    width_mm: float = 0.25
    colour: str | None = "#000000"
    fill: str | None = None
    closed: bool = False
    dash_mm: tuple[float, ...] = ()


@dataclass(frozen=True)
class Circle:
    """A circle by its centre."""

    x_mm: float
    y_mm: float
    radius_mm: float
    width_mm: float = 0.25
    colour: str | None = "#000000"
    fill: str | None = None


@dataclass(frozen=True)
class Text:
    """One line of text; (x_mm, y_mm) is its anchor on the base line, `size_mm` the font size."""

    x_mm: float
    y_mm: float
    text: str
    size_mm: float = 3.0
    bold: bool = False
    colour: str = "#000000"
    anchor: Literal["start", "middle", "end"] = "start"


@dataclass(frozen=True, eq=False)
class Picture:
    """A JPEG that fills a rectangle; (x_mm, y_mm) is its lower left corner."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    jpeg: bytes


Item = Line | Circle | Picture | Text


@dataclass(frozen=True)
class Scene:
    """One sheet with its items in drawing order."""

    width_mm: float
    height_mm: float
    title: str
    items: tuple[Item, ...]
