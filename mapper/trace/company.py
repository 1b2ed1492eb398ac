"""Other leads that are drawn along the very line of one of the two at a crossing.

Where the middles of two leads lie much nearer than half a width, one lies on the other and the
picture shows the upper one only. Who asks about the lower one would be told about the wrong
lead. No patch shows that; only the lines that are drawn tell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mapper.trace.strand import Strand

__all__ = ["Company"]

NEAREST = 1 / 3  # widths from middle to middle; see docs/measurements.md
REACH = 2.5  # widths to both sides of the crossing
ALONGSIDE_RAD = np.radians(25.0)


@dataclass(frozen=True, eq=False)
class Company:
    """The lines (N, 2) of other leads near a crossing, photo pixels; how wide leads are there."""

    lines: tuple[np.ndarray, ...]
    width_px: float

    def lies_on(self, strand: Strand) -> bool:
        """Whether one of them runs along the same line for at least half of the way."""
        at = np.linspace(-REACH, REACH, 11) * self.width_px
        places = strand.place(at)
        return any(self._shared(line, places, strand.direction) >= 0.5 for line in self.lines)

    def _shared(self, line: np.ndarray, places: np.ndarray, direction: np.ndarray) -> float:
        """Share of `places` (P, 2) that lie on `line`, where it runs the same way."""
        step = np.diff(line, axis=0)
        length = np.hypot(*step.T)
        start, step, length = (part[length > 1e-9] for part in (line[:-1], step, length))
        if not len(length):
            return 0.0
        off = places[:, None] - start
        part = np.clip(np.einsum("pij,ij->pi", off, step) / length**2, 0, 1)
        away = np.hypot(*(off - part[..., None] * step).transpose(2, 0, 1))
        nearest = away.argmin(1)
        same_way = np.abs(step @ direction / length)[nearest] > np.cos(ALONGSIDE_RAD)
        return float(np.mean((away.min(1) < NEAREST * self.width_px) & same_way))
