"""Text and numbers as every one of the forms can carry them, and back without loss."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import unquote

from mapper.errors import MapperError, shown

__all__ = [
    "MAX_BYTES",
    "ExchangeError",
    "check_bytes",
    "check_xml",
    "fields",
    "more_of",
    "number_of",
    "points_of",
    "points_text",
    "unwrapped",
    "with_more",
    "wrapped",
]

MAX_BYTES = 64 * 1024 * 1024  # as for the route-map file
FORMULA = "=+-@"  # a spreadsheet would take a text that begins so for a formula


class ExchangeError(MapperError):
    """A file that can't be read as a route map; the message says what to do."""


def check_bytes(data: bytes, form: str) -> bytes:
    """Refuse a file that is larger than any route map."""
    if len(data) > MAX_BYTES:
        raise ExchangeError(
            f"This {form} file has more than {MAX_BYTES // 1024 // 1024} MB, which no plate "
            "needs: choose another file."
        )
    return data


def check_xml(data: bytes, form: str) -> bytes:
    """Refuse an XML file that is too large, or that declares entities, before it is parsed."""
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        raise ExchangeError(
            f"This {form} file declares a document type, which could hide other files: "
            "take that line out."
        )
    return check_bytes(data, form)


def wrapped(text: str) -> str:
    """The text with what XML, DXF or a spreadsheet can't carry written as %XX of its UTF-8."""
    if text.isascii() and text.isalnum():
        return text
    last = len(text) - 1
    return "".join(
        "".join(f"%{byte:02X}" for byte in ch.encode("utf-8"))
        if ch in "%^\\" or not ch.isprintable() or (n == 0 and ch in FORMULA)
        or (ch == " " and n in (0, last)) or ord(ch) > 0xFFFF
        else ch
        for n, ch in enumerate(text)
    )  # fmt: skip


def unwrapped(text: str) -> str:
    """The text as it was before `wrapped`."""
    try:
        return unquote(text, errors="strict")
    except UnicodeDecodeError:
        return text  # somebody's own %, not ours


def number_of(text: Any, where: str) -> float:
    """A finite number, or ExchangeError that names the place."""
    try:
        value = float(str(text).strip())
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ExchangeError(f"{where} must be a number, not '{shown(text)}': correct it.")
    return value


def points_text(points: Iterable[Iterable[float]]) -> str:
    """Points as `x,y x,y ...`, each number with all its digits."""
    return " ".join(",".join(repr(float(value)) for value in point) for point in points)


def points_of(text: str, where: str) -> list[list[float]]:
    """The points of `points_text`; spaces and commas both part numbers, as in SVG."""
    values = [number_of(one, where) for one in text.replace(",", " ").split()]
    if len(values) % 2:
        raise ExchangeError(f"{where} has an odd count of numbers: give x and y of each point.")
    return [[x, y] for x, y in zip(values[::2], values[1::2], strict=True)]


def fields(mapping: Mapping[str, Any], known: Iterable[str]) -> str:
    """The keys beyond the known ones as JSON text, or "" when there are none."""
    known = set(known)
    rest = {key: value for key, value in mapping.items() if key not in known}
    return json.dumps(rest, separators=(",", ":"), allow_nan=False) if rest else ""


def more_of(text: Any, where: str) -> dict[str, Any]:
    """The keys that `fields` wrote."""
    if not text:
        return {}
    try:
        rest = json.loads(str(text))
    except (ValueError, RecursionError):
        rest = None
    if not isinstance(rest, dict):
        raise ExchangeError(f"{where} must be one JSON object, or empty: correct it.")
    return rest


def with_more(known: dict[str, Any], text: Any, where: str) -> dict[str, Any]:
    """The known keys with those of `fields` behind them; these never stand in for one."""
    return {**known, **{k: v for k, v in more_of(text, where).items() if k not in known}}
