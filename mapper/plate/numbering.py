"""The order in which drops are numbered, and the ids they get."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np

from mapper.errors import shown
from mapper.plate.checks import PlateError, check_id

__all__ = ["Numbering", "numbered_ids", "numbering_order"]

StartCorner = Literal["lower left", "lower right", "upper left", "upper right"]
_CORNERS = ("lower left", "lower right", "upper left", "upper right")


@dataclass(frozen=True)
class Numbering:
    """Where counting starts, which way it runs, and how the first id looks.

    `along`: "rows" counts along a row first, "columns" up or down a column first.
    `serpentine`: every second line is counted backwards.
    `first_id`: its last digits are counted up with the same number of places:
    "D01" gives D01, D02, ...; "N7b" gives N7b, N8b, ...
    """

    start: StartCorner = "upper left"
    along: Literal["rows", "columns"] = "rows"
    serpentine: bool = False
    first_id: str = "D01"

    def __post_init__(self) -> None:
        if self.start not in _CORNERS:
            raise PlateError(f"The start corner must be one of {', '.join(_CORNERS)}.")
        if self.along not in ("rows", "columns"):
            raise PlateError("Count along rows or along columns.")
        check_id(self.first_id, "The first id")
        if not re.search(r"[0-9]", self.first_id):
            raise PlateError(
                f"The first id '{shown(self.first_id)}' has no number to count up: "
                "write it like D01."
            )


def numbered_ids(count: int, first_id: str) -> list[str]:
    """Return `count` ids that count up the last run of digits in `first_id`."""
    digits = list(re.finditer(r"[0-9]+", first_id))
    if not digits:
        raise PlateError(f"The first id '{shown(first_id)}' has no number to count up.")
    last = digits[-1]
    head, tail, first = first_id[: last.start()], first_id[last.end() :], int(last.group())
    places = len(last.group())
    return [
        check_id(f"{head}{first + i:0{places}d}{tail}", f"The id of drop {i + 1}")
        for i in range(count)
    ]


def numbering_order(
    centres_mm: np.ndarray, numbering: Numbering, line_gap_mm: float = 5.0
) -> np.ndarray:
    """Return the indices of `centres_mm` (N, 2) in counting order.

    Centres belong to one row (column) while neighbours differ by at most `line_gap_mm` in
    y (x); so slightly staggered bores stay in one line.
    """
    centres = np.asarray(centres_mm, dtype=float).reshape(-1, 2)
    across = 1 if numbering.along == "rows" else 0
    signs = np.array(
        [-1.0 if "right" in numbering.start else 1.0, -1.0 if "upper" in numbering.start else 1.0]
    )
    counted = centres * signs
    by_line = np.argsort(counted[:, across], kind="stable")
    steps = np.diff(counted[by_line, across]) > line_gap_mm
    order: list[int] = []
    for number, line in enumerate(np.split(by_line, np.flatnonzero(steps) + 1)):
        run = line[np.argsort(counted[line, 1 - across], kind="stable")]
        order.extend(run[::-1] if numbering.serpentine and number % 2 else run)
    return np.array(order, dtype=int)
