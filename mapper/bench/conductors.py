"""Sizes of conductors as people write them, and the loop resistance of a thermocouple.

Gauge numbers: d = 0.127 mm * 92^((36 - n) / 39) (ASTM B258).
Loop resistance: R = (rho_plus + rho_minus) * L / A, L the one-way length.
"""

from __future__ import annotations

import math
import re

from mapper.bench.errors import BenchError
from mapper.errors import shown

__all__ = ["AWG_RANGE", "area_mm2", "awg_diameter_mm", "loop_ohm", "loop_ohm_per_m"]

AWG_RANGE = (4, 50)
# micro-ohm centimetre at 20 °C, both legs of a type together; ASTM MNL 12, read in a secondary
# copy. Iron is given as 10 to 13: with 10 a type J loop comes out 5 to 6 % below public tables.
LOOP_RHO_UOHM_CM = {
    "J": 10.0 + 48.9,
    "K": 70.6 + 29.4,
    "N": 97.8 + 34.6,
    "T": 1.724 + 48.9,
    "E": 70.6 + 48.9,
}
_NUMBER = r"([0-9]+(?:[.,][0-9]+)?)"
_AWG = re.compile(r"(?:awg|ga|gauge|#)?\s*([0-9]{1,2})\s*(?:awg|ga|gauge)?\Z")
_AREA = re.compile(_NUMBER + r"\s*(?:mm2|mm²|mm\^2|sqmm|sq\.? ?mm|qmm)\Z")
_ROUND = re.compile(r"(?:[ød⌀]\s*)?" + _NUMBER + r"\s*mm\Z")
_STRANDS = re.compile(r"([0-9]{1,4})\s*[x×*]\s*(?:[ød⌀]\s*)?" + _NUMBER + r"\s*(?:mm)?\Z")


def awg_diameter_mm(gauge: float) -> float:
    """Diameter of a solid wire of that American gauge (ASTM B258)."""
    return 0.127 * 92 ** ((36 - gauge) / 39)


def area_mm2(size: str) -> float:
    """Cross-section of a conductor from its size as written.

    "24 AWG", "0.5 mm" (diameter), "0,22 mm²" (cross-section), "7x0.2 mm" (strands).

    Raises
    ------
    BenchError
        It is none of these, or no size of a lead.
    """
    text = size.strip().casefold()
    if found := _AREA.match(text):
        area = _value(found[1])
    elif found := _STRANDS.match(text):
        area = int(found[1]) * _circle_mm2(_value(found[2]))
    elif found := _ROUND.match(text):
        area = _circle_mm2(_value(found[1]))
    elif (found := _AWG.match(text)) and not text.isdecimal():
        gauge = int(found[1])
        low, high = AWG_RANGE
        area = _circle_mm2(awg_diameter_mm(gauge)) if low <= gauge <= high else 0.0
    else:
        raise BenchError(
            f"{shown(size)} is no wire size: write it like 24 AWG, 0.5 mm, 0.22 mm² or 7x0.2 mm."
        )
    if not 1e-4 <= area <= 50:
        raise BenchError(f"{shown(size)} is no size that a lead has: check it.")
    return area


def _value(text: str) -> float:
    return float(text.replace(",", "."))


def _circle_mm2(diameter_mm: float) -> float:
    return math.pi / 4 * diameter_mm**2


def loop_ohm_per_m(kind: str, area: float) -> float:
    """Resistance of both legs per metre of one-way length at 20 °C; `area` of one leg in mm²."""
    if kind not in LOOP_RHO_UOHM_CM:
        raise BenchError(f"{shown(kind)} is no thermocouple type known here: use J, K, N, T or E.")
    return LOOP_RHO_UOHM_CM[kind] * 0.01 / area


def loop_ohm(kind: str, area: float, length_m: float) -> float:
    """Resistance of the whole loop in ohm at 20 °C."""
    return loop_ohm_per_m(kind, area) * length_m
