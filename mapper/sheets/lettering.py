"""The lettering of printed sheets: one open typeface, its widths, line breaking.

The typeface comes from the `font-roboto` package, so that a sheet looks the same on every
machine and any Latin, Greek or Cyrillic id prints.
"""

from __future__ import annotations

from functools import cache

import font_roboto
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

__all__ = ["FAMILY", "face", "fit_text", "printable", "text_width_mm", "wrapped"]

FAMILY = "Roboto"
MM_PER_POINT = 25.4 / 72


@cache
def face(bold: bool) -> str:
    """Name under which the face is registered with the PDF writer."""
    name = "SheetBold" if bold else "Sheet"
    path = font_roboto.RobotoBold if bold else font_roboto.Roboto
    pdfmetrics.registerFont(TTFont(name, path))
    return name


def printable(text: str) -> str:
    """Text in which a character that the typeface lacks shows as "?", so that none vanishes."""
    glyphs = pdfmetrics.getFont(face(False)).face.charToGlyph
    return "".join(ch if ord(ch) in glyphs else "?" for ch in text)


def text_width_mm(text: str, size_mm: float, bold: bool = False) -> float:
    """Width of one line of text at a font size, in mm."""
    return (
        pdfmetrics.stringWidth(printable(text), face(bold), size_mm / MM_PER_POINT) * MM_PER_POINT
    )


def fit_text(text: str, width_mm: float, size_mm: float, bold: bool = False) -> str:
    """The text, cut with an ellipsis where it is wider than `width_mm`."""
    if text_width_mm(text, size_mm, bold) <= width_mm:
        return text
    while text and text_width_mm(text + "…", size_mm, bold) > width_mm:
        text = text[:-1]
    return text + "…"


def wrapped(text: str, width_mm: float, size_mm: float, bold: bool = False) -> list[str]:
    """Lines of at most `width_mm`, broken at spaces; a longer word is cut with an ellipsis."""
    lines: list[str] = []
    for word in text.split():
        trial = f"{lines[-1]} {word}" if lines else word
        if lines and text_width_mm(trial, size_mm, bold) <= width_mm:
            lines[-1] = trial
        else:
            lines.append(fit_text(word, width_mm, size_mm, bold))
    return lines
