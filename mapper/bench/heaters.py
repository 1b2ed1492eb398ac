"""Cold check of a heater: does its resistance fit its volts and watts, and is it dry.

Method: R = V^2 / P (Joule). The tolerance on power turns round on resistance: power +5 % / -10 %
is resistance -4.8 % / +11.1 %. Equal elements of one zone in parallel read n / (n - k) times as
much when k of n are open, which can look like a sound, smaller heater: so the reading is held
against the power of the zone, never against "a plausible heater".

A verdict is advice on re-use. It never says that a part may be touched or energised.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from mapper.bench.limits import Limits
from mapper.bench.values import kept_number, optional_number, reading

__all__ = [
    "Heater",
    "HeaterReading",
    "Verdict",
    "expected_ohm",
    "judge_heater",
    "power_at",
]


@dataclass(frozen=True)
class Heater:
    """A zone's heater as documented: rated voltage, power of the whole zone, equal elements in
    parallel."""

    volts: float
    watts: float
    elements: int = 1

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any], where: str = "heater") -> Heater | None:
        """The heater, None while volts or watts are missing. Raises BenchError."""
        volts = optional_number(mapping, "volts", 1, 1000, where)
        watts = optional_number(mapping, "watts", 1, 100_000, where)
        elements = optional_number(mapping, "elements", 1, 12, where)
        if volts is None or watts is None:
            return None
        return cls(volts, watts, int(elements or 1))


@dataclass(frozen=True)
class HeaterReading:
    """What the meters showed; None is not measured, inf is open.

    `ohm` still holds the resistance of the meter's own leads, `meter_leads_ohm`.
    `test_volts` is the voltage of the insulation test, `part_c` the part's temperature then.
    """

    ohm: float | None = None
    insulation_mohm: float | None = None
    meter_leads_ohm: float = 0.0
    test_volts: float | None = None
    part_c: float | None = None

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any], where: str = "heater") -> HeaterReading:
        """Readings as kept: numbers, or "open". Raises BenchError."""
        return cls(
            reading(mapping.get("ohm"), f"{where}: resistance"),
            reading(mapping.get("insulation_mohm"), f"{where}: insulation"),
            optional_number(mapping, "meter_leads_ohm", 0, 100, where) or 0.0,
            optional_number(mapping, "test_volts", 1, 5000, where),
            optional_number(mapping, "part_c", -20, 1000, where),
        )

    def to_mapping(self) -> dict[str, Any]:
        return {
            "ohm": kept_number(self.ohm),
            "insulation_mohm": kept_number(self.insulation_mohm),
            "meter_leads_ohm": self.meter_leads_ohm,
            "test_volts": self.test_volts,
            "part_c": self.part_c,
        }


@dataclass(frozen=True)
class Verdict:
    """`word` is "reuse", "dry out", "measure again", "replace" or "not measured"."""

    word: str
    reasons: tuple[str, ...] = field(default=())


def expected_ohm(heater: Heater, limits: Limits | None = None) -> tuple[float, float, float]:
    """Return (nominal, lowest, highest) cold resistance in ohm of the whole zone."""
    limits = limits or Limits()
    nominal = heater.volts**2 / heater.watts
    return nominal, nominal / (1 + limits["power_plus"]), nominal / (1 - limits["power_minus"])


def power_at(heater: Heater, volts: float) -> float:
    """Power in watts on another voltage, the resistance being constant: half gives a quarter."""
    return heater.watts * (volts / heater.volts) ** 2


def judge_heater(
    heater: Heater | None, got: HeaterReading, limits: Limits | None = None
) -> Verdict:
    """Say what the readings of one heater mean; the worst finding gives the verdict."""
    limits = limits or Limits()
    if got.ohm is None and got.insulation_mohm is None:
        return Verdict("not measured")
    findings = [_resistance(heater, got, limits), _insulation(got, limits)]
    order = ("replace", "measure again", "dry out", "reuse")
    word = min((word for word, _ in findings), key=order.index)
    return Verdict(word, tuple(reason for _, reason in findings))


def _resistance(heater: Heater | None, got: HeaterReading, limits: Limits) -> tuple[str, str]:
    if got.ohm is None:
        return "measure again", "The resistance is not measured yet."
    if math.isinf(got.ohm):
        return "replace", "No current flows: the element, or a lead to it, is broken."
    if heater is None:
        return "measure again", "Volts and watts are not entered, so the reading says little."
    ohm = got.ohm - got.meter_leads_ohm
    nominal, low, high = expected_ohm(heater, limits)
    band = f"{low:.1f} to {high:.1f} Ω"
    if ohm < 0:
        return (
            "measure again",
            f"{got.ohm:g} Ω is less than the meter's own leads ({got.meter_leads_ohm:g} Ω).",
        )
    if ohm < limits["short_share"] * nominal:
        return "replace", f"{ohm:.1f} Ω is nearly a short circuit; expected {band}."
    if low <= ohm <= high:
        return "reuse", f"{ohm:.1f} Ω fits {heater.volts:g} V and {heater.watts:g} W ({band})."
    for dead in range(1, heater.elements):
        factor = heater.elements / (heater.elements - dead)
        if low * factor <= ohm <= high * factor:
            return (
                "replace",
                f"{ohm:.1f} Ω is what {heater.elements} elements in parallel read with {dead} "
                f"of them open; expected {band} for the whole zone.",
            )
    reads_like = heater.volts**2 / ohm
    return (
        "measure again",
        f"{ohm:.1f} Ω is outside {band}: it reads like {reads_like:.0f} W at "
        f"{heater.volts:g} V. Check the part's data, short the probes for the meter's own "
        "resistance and measure again; if it stays, replace.",
    )


def _insulation(got: HeaterReading, limits: Limits) -> tuple[str, str]:
    mohm, least = got.insulation_mohm, limits["insulation_mohm"]
    if mohm is None:
        return "measure again", "The insulation is not measured yet."
    warm = got.part_c is not None and got.part_c > limits["warm_c"]
    low_volts = got.test_volts is not None and got.test_volts < limits["test_volts"]
    if not mohm >= least:
        if warm:
            return (
                "measure again",
                f"{mohm:g} MΩ is below {least:g} MΩ, but the part was at {got.part_c:g} °C, and a "
                "hot element reads lower: test it again cold; if it stays low, dry it out.",
            )
        return (
            "dry out",
            f"{mohm:g} MΩ is below {least:g} MΩ. Magnesia draws water: dry it out "
            "(oven 115 to 150 °C, 4 h or longer until the reading stays; common practice, no "
            "source) and test again before condemning it.",
        )
    if low_volts:
        return (
            "measure again",
            f"{mohm:g} MΩ at {got.test_volts:g} V says less than the limit asks for, which is "
            f"meant for {limits['test_volts']:g} V DC: test again at that voltage where the part "
            "is rated for it.",
        )
    if mohm >= limits["damp_mohm"]:
        return "reuse", "The insulation reading is that of a dry element."
    return (
        "reuse",
        f"{mohm:g} MΩ is above the limit of {least:g} MΩ but damp"
        + (
            "; write down the part's temperature, since a hot part reads lower."
            if got.part_c is None
            else f" (part at {got.part_c:g} °C)."
        ),
    )
