"""Typefaces of this computer that stand in for letters which the sheets' own typeface lacks.

Only TrueType outlines can be put into the PDF, and only faces whose maker allows that (OpenType
specification, table OS/2, fsType: bit 1 forbids it).
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

__all__ = ["face_for"]

MOST_FILES = 1500
RESTRICTED = 0x0002
NO_LETTER = 0x2FFFF  # planes above hold no letters of a living language; private use neither


@dataclass(frozen=True, eq=False)
class _Candidate:
    """A face in a file and the code points it has."""

    path: Path
    number: int
    has: frozenset[int]


def _folders() -> list[Path]:
    """Where this system keeps its fonts."""
    home = Path.home()
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA", str(home))
        return [
            Path(os.environ.get("WINDIR", "C:/Windows")) / "Fonts",
            Path(local) / "Microsoft" / "Windows" / "Fonts",
        ]
    if sys.platform == "darwin":
        return [Path("/System/Library/Fonts"), Path("/Library/Fonts"), home / "Library" / "Fonts"]
    return [
        *(Path("/usr/share/fonts"), Path("/usr/local/share/fonts")),
        *(home / ".local" / "share" / "fonts", home / ".fonts"),
    ]


@cache
def _candidates() -> tuple[_Candidate, ...]:
    """All usable faces of the system, those with the most letters first."""
    paths = [
        path
        for folder in _folders()
        if folder.is_dir()
        for path in sorted(folder.rglob("*"))
        if path.suffix.lower() in (".ttf", ".ttc")
    ]
    found = [one for path in paths[:MOST_FILES] for one in _faces(path)]
    return tuple(sorted(found, key=lambda one: (-len(one.has), str(one.path), one.number)))


def _faces(path: Path) -> list[_Candidate]:
    # Imported here: most sheets need no other typeface.
    from fontTools.ttLib import TTCollection
    from fontTools.ttLib import TTFont as FontFile

    try:
        if path.suffix.lower() == ".ttc":
            fonts = TTCollection(path, lazy=True).fonts
        else:
            fonts = [FontFile(path, lazy=True)]
        return [
            _Candidate(path, number, frozenset(font.getBestCmap() or ()))
            for number, font in enumerate(fonts)
            if "glyf" in font and not font["OS/2"].fsType & RESTRICTED
        ]
    except Exception:  # foreign font files fail in many ways, and a sheet must not
        return []


@cache
def _registered(path: Path, number: int) -> str | None:
    name = f"Other {path.name} {number}"
    try:
        pdfmetrics.registerFont(TTFont(name, str(path), subfontIndex=number))
    except Exception:  # a font that the PDF writer can't take
        return None
    return name


@cache
def face_for(letter: str) -> str | None:
    """Name under which a face with that letter is registered with the PDF writer; None for none."""
    code = ord(letter)
    if code > NO_LETTER or 0xE000 <= code <= 0xF8FF:
        return None
    for one in _candidates():
        if code in one.has and (name := _registered(one.path, one.number)):
            return name
    return None
