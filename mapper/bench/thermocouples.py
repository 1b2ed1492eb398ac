"""Check of a thermocouple: continuity, and a reading at a known temperature.

Temperature and millivolts by the ITS-90 reference functions (NIST Monograph 175, IEC 60584-1),
taken from the library `thermocouple-its90`. Millivolts are added, never degrees:
E(T, T_ref) = E(T, 0) - E(T_ref, 0).
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import thermocouple_its90 as its90

from mapper.bench.errors import BenchError
from mapper.bench.heaters import Verdict
from mapper.bench.values import optional_number, reading
from mapper.errors import shown

__all__ = [
    "TYPES",
    "SensorReading",
    "class_2_c",
    "emf_mv",
    "judge_sensor",
    "shown_on_input_c",
    "shown_reversed_c",
    "temp_c",
    "temp_from_terminals_c",
]

TYPES = ("J", "K", "N", "T", "E")
# IEC 60584-1 class 2, (least, share of the temperature); read in a secondary copy.
CLASS_2 = {kind: (2.5, 0.0075) for kind in "JKNE"} | {"T": (1.0, 0.0075)}


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


def class_2_c(kind: str, at_c: float) -> float:
    """Largest error in °C of new wire of class 2 (IEC 60584-1) at a temperature."""
    _of(kind)
    least, share = CLASS_2[kind]
    return max(least, share * abs(at_c))


@dataclass(frozen=True)
class SensorReading:
    """What was read on one thermocouple; None is not measured, inf is open.

    `shown_c` is what an instrument set to the right type, with its terminals at `terminals_c`,
    showed while the tip was at `known_c`.
    """

    loop_ohm: float | None = None
    known_c: float | None = None
    shown_c: float | None = None
    terminals_c: float = 25.0

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any], where: str = "sensor") -> SensorReading:
        """Readings as kept. Raises BenchError."""
        terminals_c = optional_number(mapping, "terminals_c", -20, 60, where)
        return cls(
            reading(mapping.get("loop_ohm"), f"{where}: loop resistance"),
            optional_number(mapping, "known_c", -20, 390, where),
            optional_number(mapping, "shown_c", -300, 1500, where),
            25.0 if terminals_c is None else terminals_c,
        )


def judge_sensor(kind: str, got: SensorReading, extra_error_c: float = 2.0) -> Verdict:
    """Say what the readings mean. `extra_error_c` is the instrument's and the bath's error.

    A reversed sensor and a wrong input are named when they explain the reading and nothing
    nearer does; they are no reason to throw a sensor away.
    """
    _of(kind)
    if got.loop_ohm is None and got.shown_c is None:
        return Verdict("not measured")
    if got.loop_ohm is not None and math.isinf(got.loop_ohm):
        return Verdict("replace", ("No current flows: a leg or the weld at the tip is broken.",))
    if got.shown_c is None or got.known_c is None:
        return Verdict(
            "measure again",
            ("The loop is closed. Polarity and type show only at a known, warm temperature.",),
        )
    error_c = class_2_c(kind, got.known_c) + extra_error_c
    apart_c = abs(got.known_c - got.terminals_c)
    if apart_c <= 2 * error_c:
        return Verdict(
            "measure again",
            (
                f"At {got.known_c:g} °C, {apart_c:g} °C from the terminals, a reversed sensor "
                "reads nearly the same: take a warmer bath.",
            ),
        )
    if abs(got.shown_c - got.known_c) <= error_c:
        return Verdict(
            "reuse", (f"{got.shown_c:g} °C shown at {got.known_c:g} °C: within {error_c:.1f} °C.",)
        )
    for sentence, expected_c in _explanations(kind, got):
        if abs(got.shown_c - expected_c) <= error_c:
            return Verdict("measure again", (sentence,))
    return Verdict(
        "replace",
        (
            f"{got.shown_c:g} °C shown at {got.known_c:g} °C: out by more than {error_c:.1f} °C, "
            "and neither reversed legs nor another input type explain it.",
        ),
    )


def _explanations(kind: str, got: SensorReading):
    with contextlib.suppress(BenchError):  # out of the table: it can't have been shown
        yield (
            "The reading falls as it would with the legs exchanged: exchange them and test again.",
            shown_reversed_c(kind, got.known_c, got.terminals_c),
        )
    for other in TYPES:
        if other != kind:
            try:
                wrong_input_c = shown_on_input_c(kind, other, got.known_c, got.terminals_c)
                wrong_sensor_c = shown_on_input_c(other, kind, got.known_c, got.terminals_c)
            except BenchError:
                continue
            yield f"That is what type {kind} shows on an input set to {other}.", wrong_input_c
            yield (
                f"That is what a type {other} sensor shows on an input for {kind}.",
                wrong_sensor_c,
            )
