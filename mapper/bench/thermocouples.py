"""Check of a thermocouple: loop resistance, insulation, readings at known temperatures.

Temperature and millivolts by the ITS-90 reference functions (NIST Monograph 175, IEC 60584-1),
taken from the library `thermocouple-its90`. Millivolts are added, never degrees:
E(T, T_ref) = E(T, 0) - E(T_ref, 0).
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import thermocouple_its90 as its90

from mapper.bench.conductors import loop_ohm
from mapper.bench.errors import BenchError
from mapper.bench.heaters import Verdict
from mapper.bench.limits import Limits
from mapper.bench.values import optional_number, reading
from mapper.errors import shown

__all__ = [
    "JUNCTIONS",
    "TYPES",
    "SensorPart",
    "SensorReading",
    "emf_mv",
    "head_that_explains_c",
    "judge_sensor",
    "shown_crossed_twice_c",
    "shown_on_input_c",
    "shown_reversed_c",
    "temp_c",
    "temp_from_terminals_c",
]

TYPES = ("J", "K", "N", "T", "E")
JUNCTIONS = ("grounded", "ungrounded", "exposed")


def _of(kind: str) -> its90.Thermocouple:
    if kind not in TYPES:
        raise BenchError(f"{shown(kind)} is no thermocouple type known here: use J, K, N, T or E.")
    return its90.get(kind)


def emf_mv(kind: str, temp_c: float) -> float:
    """Millivolts of a thermocouple with its tip at temp_c and its terminals at 0 °C.

    Raises BenchError outside the range of the type.
    """
    try:
        return float(_of(kind).emf(temp_c))
    except ValueError:
        raise BenchError(f"Type {kind} has no table at {temp_c:g} °C: check the number.") from None


def temp_c(kind: str, mv: float) -> float:
    """Temperature of the tip for millivolts with the terminals at 0 °C. Raises BenchError."""
    try:
        return float(_of(kind).temperature(mv))
    except ValueError:
        raise BenchError(f"Type {kind} has no table at {mv:g} mV: check the number.") from None


def temp_from_terminals_c(kind: str, mv: float, terminals_c: float) -> float:
    """Temperature of the tip from the millivolts at terminals of terminals_c."""
    return temp_c(kind, mv + emf_mv(kind, terminals_c))


def shown_on_input_c(sensor: str, input_kind: str, tip_c: float, terminals_c: float) -> float:
    """What an instrument set to `input_kind` shows for a sensor of another type."""
    mv = emf_mv(sensor, tip_c) - emf_mv(sensor, terminals_c)
    return temp_from_terminals_c(input_kind, mv, terminals_c)


def shown_reversed_c(kind: str, tip_c: float, terminals_c: float) -> float:
    """What an instrument shows when the two legs are exchanged at its terminals."""
    mv = emf_mv(kind, terminals_c) - emf_mv(kind, tip_c)
    return temp_from_terminals_c(kind, mv, terminals_c)


def shown_crossed_twice_c(kind: str, tip_c: float, head_c: float, terminals_c: float) -> float:
    """What an instrument shows when the extension is crossed at both of its ends.

    `head_c` is the place where sensor and extension meet. The extension then counts against the
    sensor: E(tip) - E(head) - (E(head) - E(terminals)).
    """
    mv = emf_mv(kind, tip_c) - 2 * emf_mv(kind, head_c) + emf_mv(kind, terminals_c)
    return temp_from_terminals_c(kind, mv, terminals_c)


def head_that_explains_c(kind: str, tip_c: float, shown_c: float, terminals_c: float) -> float:
    """Temperature of the head at which an extension crossed twice would show `shown_c`.

    Raises BenchError where no temperature of the table does.
    """
    mv = (emf_mv(kind, tip_c) - emf_mv(kind, shown_c)) / 2 + emf_mv(kind, terminals_c)
    return temp_c(kind, mv)


@dataclass(frozen=True)
class SensorPart:
    """What is documented of a thermocouple: junction (one of `JUNCTIONS`), cross-section of one
    leg in mm2 and one-way length in m, as far as they are known."""

    junction: str | None = None
    area_mm2: float | None = None
    length_m: float | None = None


@dataclass(frozen=True)
class SensorReading:
    """What was read on one thermocouple; None is not measured, inf is open.

    `shown_c` is what an instrument set to the right type, with its terminals at `terminals_c`,
    showed while the tip was at `known_c`; `shown2_c` and `known2_c` are a second such pair.
    `head_c` is where an extension begins. `loop_ohm` holds the meter's own leads.
    """

    loop_ohm: float | None = None
    known_c: float | None = None
    shown_c: float | None = None
    terminals_c: float = 25.0
    known2_c: float | None = None
    shown2_c: float | None = None
    head_c: float | None = None
    sheath_mohm: float | None = None
    meter_leads_ohm: float = 0.0

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any], where: str = "sensor") -> SensorReading:
        """Readings as kept. Raises BenchError."""
        terminals_c = optional_number(mapping, "terminals_c", -20, 60, where)
        return cls(
            reading(mapping.get("loop_ohm"), f"{where}: loop resistance"),
            optional_number(mapping, "known_c", -20, 390, where),
            optional_number(mapping, "shown_c", -300, 1500, where),
            25.0 if terminals_c is None else terminals_c,
            optional_number(mapping, "known2_c", -20, 390, where),
            optional_number(mapping, "shown2_c", -300, 1500, where),
            optional_number(mapping, "head_c", -20, 390, where),
            reading(mapping.get("sheath_mohm"), f"{where}: insulation to the sheath"),
            optional_number(mapping, "meter_leads_ohm", 0, 100, where) or 0.0,
        )

    @property
    def pairs_c(self) -> tuple[tuple[float, float], ...]:
        """(known, shown) of each bath that was read."""
        both = ((self.known_c, self.shown_c), (self.known2_c, self.shown2_c))
        return tuple(pair for pair in both if None not in pair)

    @property
    def empty(self) -> bool:
        """Whether nothing was read at all."""
        read = (self.loop_ohm, self.shown_c, self.shown2_c, self.sheath_mohm)
        return all(value is None for value in read)


def judge_sensor(
    kind: str,
    got: SensorReading,
    limits: Limits | None = None,
    part: SensorPart | None = None,
) -> Verdict:
    """Say what the readings mean; the worst finding gives the verdict.

    A reversed sensor, an extension crossed twice and a wrong input are named when they explain
    the reading; they are no reason to throw a sensor away.
    """
    _of(kind)
    limits, part = limits or Limits(), part or SensorPart()
    if got.empty:
        return Verdict("not measured")
    if got.loop_ohm is not None and math.isinf(got.loop_ohm):
        return Verdict("replace", ("No current flows: a leg or the weld at the tip is broken.",))
    findings = [_bath(kind, got, known_c, shown_c, limits) for known_c, shown_c in got.pairs_c]
    if not findings:
        closed = "The loop is closed. " if got.loop_ohm is not None else ""
        findings = [
            (
                "measure again",
                f"{closed}Polarity and type show only at a known, warm temperature.",
            )
        ]
    findings += _loop(kind, got, limits, part)
    findings += _sheath(got, limits, part)
    order = ("replace", "measure again", "dry out", "reuse")
    word = min((word for word, _ in findings), key=order.index)
    return Verdict(word, tuple(reason for _, reason in findings))


def _loop(
    kind: str, got: SensorReading, limits: Limits, part: SensorPart
) -> Iterator[tuple[str, str]]:
    """The loop resistance held against type, length and size of the legs."""
    if got.loop_ohm is None or part.area_mm2 is None or part.length_m is None:
        return
    ohm = got.loop_ohm - got.meter_leads_ohm
    expected = loop_ohm(kind, part.area_mm2, part.length_m)
    low, high = (1 - limits["loop_share"]) * expected, (1 + limits["loop_share"]) * expected
    band = f"{low:.1f} to {high:.1f} Ω for {part.length_m:g} m of type {kind}"
    if ohm < 0:
        yield (
            "measure again",
            f"{got.loop_ohm:g} Ω is less than the meter's own leads ({got.meter_leads_ohm:g} Ω).",
        )
    elif low <= ohm <= high:
        yield "reuse", f"The loop's {ohm:.1f} Ω fits ({band})."
    elif ohm < limits["loop_short_share"] * expected:
        at_m = part.length_m * ohm / expected
        yield (
            "measure again",
            f"{ohm:.1f} Ω is far below {band}: the legs may touch about {at_m:.1f} m from the "
            "terminals, and the sensor then shows that place, not its tip. Check length and size; "
            "if it stays, replace.",
        )
    elif ohm < low:
        yield "measure again", f"{ohm:.1f} Ω is below {band}: check type, length and size."
    else:
        yield (
            "measure again",
            f"{ohm:.1f} Ω is above {band}: a broken strand, a poor joint, or other data. Move the "
            "lead while measuring; if the reading jumps, replace.",
        )


def _sheath(got: SensorReading, limits: Limits, part: SensorPart) -> Iterator[tuple[str, str]]:
    """Insulation between the legs and the sheath; a grounded junction has none."""
    mohm, least = got.sheath_mohm, limits["sheath_mohm"]
    if mohm is None:
        return
    if part.junction == "grounded":
        if mohm >= least:
            yield (
                "measure again",
                "A grounded junction should be joined to its sheath, and this one is not: the "
                "weld is broken, or the junction is entered wrongly.",
            )
        else:
            yield "reuse", "Joined to its sheath, as a grounded junction should be."
    elif mohm >= least:
        yield "reuse", "Insulated from its sheath."
    elif part.junction is None:
        yield (
            "measure again",
            f"{mohm:g} MΩ to the sheath: right for a grounded junction, wrong for an ungrounded "
            "one. Enter which it is on the page Parts.",
        )
    else:
        yield (
            "dry out",
            f"{mohm:g} MΩ to the sheath is below {least:g} MΩ: magnesia draws water. Dry it out "
            "and test again before condemning it.",
        )


def _bath(
    kind: str, got: SensorReading, known_c: float, shown_c: float, limits: Limits
) -> tuple[str, str]:
    error_c = limits.class_error_c(kind, known_c) + limits["bath_error_c"]
    apart_c = abs(known_c - got.terminals_c)
    if apart_c <= 2 * error_c:
        return (
            "measure again",
            f"At {known_c:g} °C, {apart_c:g} °C from the terminals, a reversed sensor "
            "reads nearly the same: take a warmer bath.",
        )
    explained = sorted(
        (abs(shown_c - expected_c), sentence)
        for sentence, expected_c in _explanations(kind, got, known_c)
        if abs(shown_c - expected_c) <= error_c
    )
    if abs(shown_c - known_c) <= error_c:
        right = f"{shown_c:g} °C shown at {known_c:g} °C: within {error_c:.1f} °C."
        if any(sentence == CROSSED for _, sentence in explained):
            right += (
                " An extension crossed at both ends would show nearly the same here: test again "
                "with its head warmer than the instrument."
            )
        return "reuse", right
    if explained:
        others = "".join(f" Or: {sentence}" for _, sentence in explained[1:])
        return "measure again", explained[0][1] + others
    sentence = (
        f"{shown_c:g} °C shown at {known_c:g} °C: out by more than {error_c:.1f} °C, "
        "and neither reversed legs nor another input type explain it."
    )
    if got.head_c is None:
        with contextlib.suppress(BenchError):
            head_c = head_that_explains_c(kind, known_c, shown_c, got.terminals_c)
            if got.terminals_c < head_c < known_c and shown_c > got.terminals_c:
                sentence += (
                    f" An extension crossed at both ends would, with its head at {head_c:.0f} °C: "
                    "look there before throwing the sensor away."
                )
    return "replace", sentence


CROSSED = (
    "That is what an extension crossed at both ends shows with its head that warm: exchange its "
    "legs at both ends and test again."
)


def _explanations(kind: str, got: SensorReading, known_c: float) -> Iterator[tuple[str, float]]:
    with contextlib.suppress(BenchError):  # out of the table: it can't have been shown
        yield (
            "The reading falls as it would with the legs exchanged: exchange them and test again.",
            shown_reversed_c(kind, known_c, got.terminals_c),
        )
    if got.head_c is not None:
        with contextlib.suppress(BenchError):
            yield CROSSED, shown_crossed_twice_c(kind, known_c, got.head_c, got.terminals_c)
    for other in TYPES:
        if other != kind:
            try:
                wrong_input_c = shown_on_input_c(kind, other, known_c, got.terminals_c)
                wrong_sensor_c = shown_on_input_c(other, kind, known_c, got.terminals_c)
            except BenchError:
                continue
            yield f"That is what type {kind} shows on an input set to {other}.", wrong_input_c
            yield (
                f"That is what a type {other} sensor shows on an input for {kind}.",
                wrong_sensor_c,
            )
