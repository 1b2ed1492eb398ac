"""The lettering of printed sheets: one open typeface, its widths, line breaking.

The typeface comes from the `font-roboto` package, so that a sheet looks the same on every
machine and any Latin, Greek or Cyrillic id prints. Letters it lacks (Chinese, say) come from a
typeface of this computer where one has them; those that none has show as "?".
"""

from __future__ import annotations

from functools import cache
from itertools import groupby

import font_roboto
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from mapper.sheets.typefaces import face_for

__all__ = [
    "FAMILY",
    "face",
    "fit_middle",
    "fit_size",
    "fit_text",
    "lost_letters",
    "runs",
    "text_width_mm",
    "wrapped",
]

FAMILY = "Roboto"
MM_PER_POINT = 25.4 / 72


@cache
def face(bold: bool) -> str:
    """Name under which the face is registered with the PDF writer."""
    name = "SheetBold" if bold else "Sheet"
    path = font_roboto.RobotoBold if bold else font_roboto.Roboto
    pdfmetrics.registerFont(TTFont(name, path))
    return name


@cache
def _face_of(letter: str, bold: bool) -> str | None:
    """The face that a letter is printed in; None where no face has it."""
    own = face(bold)
    if ord(letter) in pdfmetrics.getFont(own).face.charToGlyph:
        return own
    return face_for(letter)


def lost_letters(text: str) -> str:
    """The letters of a text that no typeface here has, each once."""
    return "".join(ch for ch in dict.fromkeys(text) if _face_of(ch, False) is None)


def runs(text: str, bold: bool = False) -> list[tuple[str, str]]:
    """The text as (face, stretch printed in it), with "?" for what no face has, so that none
    vanishes or shows as an empty box."""
    faces = [(_face_of(ch, bold), ch) for ch in text]
    shown = [(name or face(bold), ch if name else "?") for name, ch in faces]
    return [
        (name, "".join(ch for _, ch in group))
        for name, group in groupby(shown, key=lambda one: one[0])
    ]


def text_width_mm(text: str, size_mm: float, bold: bool = False) -> float:
    """Width of one line of text at a font size, in mm."""
    points = size_mm / MM_PER_POINT
    parts = (pdfmetrics.stringWidth(part, name, points) for name, part in runs(text, bold))
    return sum(parts) * MM_PER_POINT


def fit_text(text: str, width_mm: float, size_mm: float, bold: bool = False) -> str:
    """The text, cut with an ellipsis where it is wider than `width_mm`."""
    if text_width_mm(text, size_mm, bold) <= width_mm:
        return text
    while text and text_width_mm(text + "…", size_mm, bold) > width_mm:
        text = text[:-1]
    return text + "…"


def fit_middle(text: str, width_mm: float, size_mm: float, bold: bool = False) -> str:
    """The text, cut in its middle where it is wider: names often differ at their ends only."""
    if text_width_mm(text, size_mm, bold) <= width_mm:
        return text
    keep = len(text) - 1
    while keep > 1:
        front = keep - int(0.3 * keep)  # most names tell more at their beginning
        cut = f"{text[:front].rstrip()}…{text[len(text) - keep + front :].lstrip()}"
        if text_width_mm(cut, size_mm, bold) <= width_mm:
            return cut
        keep -= 1
    return fit_text(text, width_mm, size_mm, bold)


def fit_size(
    text: str, width_mm: float, size_mm: float, least_mm: float, bold: bool = False
) -> float:
    """The font size, from `size_mm` down to `least_mm`, at which a text is no wider than that."""
    wide = text_width_mm(text, size_mm, bold)
    return size_mm if wide <= width_mm else max(least_mm, size_mm * width_mm / wide)


def wrapped(text: str, width_mm: float, size_mm: float, bold: bool = False) -> list[str]:
    """Lines of at most `width_mm`, broken at spaces; a longer word is broken where it must."""
    lines: list[str] = []
    for word in text.split():
        trial = f"{lines[-1]} {word}" if lines else word
        if lines and text_width_mm(trial, size_mm, bold) <= width_mm:
            lines[-1] = trial
            continue
        while text_width_mm(word, size_mm, bold) > width_mm and len(word) > 1:
            count = next(
                n for n in range(len(word) - 1, 0, -1)
                if n == 1 or text_width_mm(word[:n], size_mm, bold) <= width_mm
            )  # fmt: skip
            lines.append(word[:count])
            word = word[count:]
        lines.append(fit_text(word, width_mm, size_mm, bold))
    return lines
