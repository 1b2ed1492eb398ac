"""Reading the numbers that people write down at a bench: decimal commas, units, "open"."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from mapper.bench.errors import BenchError
from mapper.errors import shown

__all__ = ["OPEN_WORDS", "kept_number", "optional_number", "reading"]

# What meters and people show for "no current flows"; common practice, no source.
OPEN_WORDS = ("open", "ol", "o.l", "o.l.", "0l", "inf", "∞")


def reading(text: Any, what: str) -> float | None:
    """Return a resistance as typed: a number not below 0, inf for "OL" or "open", None for "".

    Raises
    ------
    BenchError
        It is neither.
    """
    if text is None:
        return None
    words = str(text).strip().casefold()
    if words in ("", "nan", "none"):
        return None
    if words in OPEN_WORDS:
        return math.inf
    try:
        value = float(words.replace(",", "."))
    except ValueError:
        value = math.nan
    if not value >= 0:
        raise BenchError(f"{what}: {shown(text)} is no reading; type a number, or OL for open.")
    return value


def optional_number(
    mapping: Mapping[str, Any], key: str, low: float, high: float, where: str
) -> float | None:
    """Return ``mapping[key]`` as a number within [low, high], None when it is not given.

    Raises
    ------
    BenchError
        It is no number, or out of these bounds.
    """
    value = mapping.get(key)
    if value is None:
        return None
    right = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not right or not low <= value <= high:
        raise BenchError(
            f"{where}: {key} should be a number from {low:g} to {high:g}, not {shown(value)}."
        )
    return float(value)


def kept_number(value: float | None) -> float | str | None:
    """A reading as JSON keeps it: inf has no number there and is the word "open"."""
    return "open" if value is not None and math.isinf(value) else value
