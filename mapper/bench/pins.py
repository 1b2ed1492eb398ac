"""The user's own table of connector pins: what is entered twice, left out or turned round.

A pin is written as plug and pin, `X1:7` (as IEC 61666 writes a terminal), or the pin alone.

Conductor colours are hints only. Codes: IEC 60584-3, and ANSI MC96.1 / ASTM E230; withdrawn
national codes (DIN 43710, JIS C1610-1981, BS 1843) are still found in old plates. All read in
secondary copies.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from mapper.bench.errors import BenchError
from mapper.errors import shown

__all__ = [
    "COLOUR_CODES",
    "COLOUR_TRAPS",
    "PIN_KEYS",
    "PIN_WORDS",
    "PinFinding",
    "check_pins",
    "colour_hints",
    "plain_pin",
    "read_spare",
    "typed_pin",
]

PIN_WORDS = {
    "heater_pin_1": "Heater pin",
    "heater_pin_2": "Heater pin, other",
    "sensor_pin_plus": "Thermocouple +",
    "sensor_pin_minus": "Thermocouple −",
    "plus_colour": "Colour of +",
    "minus_colour": "Colour of −",
}
PIN_KEYS = tuple(PIN_WORDS)
PINS = PIN_KEYS[:4]
MAX_PIN = 24

# type -> (colour of +, colour of -)
COLOUR_CODES: Mapping[str, Mapping[str, tuple[str, str]]] = {
    "IEC 60584-3": {
        "J": ("black", "white"), "K": ("green", "white"), "N": ("pink", "white"),
        "T": ("brown", "white"), "E": ("violet", "white"),
    },
    "ANSI MC96.1 / ASTM E230": {
        "J": ("white", "red"), "K": ("yellow", "red"), "N": ("orange", "red"),
        "T": ("blue", "red"), "E": ("violet", "red"),
    },
    "DIN 43710 (withdrawn)": {"J": ("red", "blue"), "K": ("red", "green")},
    "JIS C1610-1981 (withdrawn)": {kind: ("red", "white") for kind in "JKTE"},
    "BS 1843 (withdrawn)": {"J": ("yellow", "blue"), "K": ("brown", "blue")},
}  # fmt: skip
COLOUR_TRAPS = (
    "Colour never decides alone: soot, melt and heat bleach it.",
    "White is + in US type J and − everywhere in IEC.",
    "Red is − in US codes and + in the old DIN and JIS codes.",
    "Green is + of type K in IEC and − of type K in the old DIN code.",
    "A magnet is a hint too: the iron leg of J is + and strongly drawn; of K the weakly drawn "
    "leg is − (common practice; copies contradict each other).",
    "Prove polarity: warm the tip and watch the reading rise.",
)
_SAME_COLOUR = {"purple": "violet", "grey": "gray"}


@dataclass(frozen=True)
class PinFinding:
    """`kind` is "twice", "gap", "missing", "polarity" or "colour" (a hint only)."""

    kind: str
    sentence: str
    zones: tuple[str, ...] = ()


def typed_pin(cell: Any, where: str) -> str | None:
    """A pin or colour as typed, None when empty. Raises BenchError."""
    if cell is None or (isinstance(cell, float) and cell != cell):
        return None
    text = f"{cell:.15g}" if isinstance(cell, (int, float)) else str(cell).strip()
    if not text:
        return None
    if len(text) > MAX_PIN or not text.isprintable():
        raise BenchError(f"{shown(where)}: {shown(text)} is no pin: use at most {MAX_PIN} signs.")
    return text


def read_spare(text: str) -> tuple[str, ...]:
    """Pins left free on purpose, as typed: "X1:23, X1:24, 40-42". Raises BenchError."""
    spare: list[str] = []
    for part in filter(None, re.split(r"[,;\s]+", text)):
        many = re.fullmatch(r"(.*?)([0-9]{1,4})-([0-9]{1,4})", part)
        if many and int(many[2]) <= int(many[3]) <= int(many[2]) + 500:
            spare += [f"{many[1]}{number}" for number in range(int(many[2]), int(many[3]) + 1)]
        else:
            made = typed_pin(part, "Spare pins")
            spare += [] if made is None else [made]
    return tuple(spare)


def plain_pin(pin: str) -> str:
    """One writing for one pin: "x1 : 07" is "X1:7"."""
    plain = re.sub(r"\s+", "", pin).upper().lstrip("-")
    return re.sub(r"(?<![0-9])0+(?=[0-9])", "", plain)


def _parts(pin: str) -> tuple[str, int | None]:
    """(plug and letters, number) of a pin; the number is None where it ends in none."""
    found = re.fullmatch(r"(.*?)([0-9]{1,6})", plain_pin(pin))
    return (found[1], int(found[2])) if found else (plain_pin(pin), None)


def check_pins(
    zones: Iterable[tuple[str, Mapping[str, Any]]], spare: Iterable[str] = ()
) -> tuple[PinFinding, ...]:
    """What is wrong or doubtful in the pin table; `zones` gives (zone id, its data).

    Pins may be the same number on two plugs when the plug is written with them. Zones without
    any pin are named only when others have some.
    """
    zones = [(zone, data) for zone, data in zones]
    found: list[PinFinding] = []
    used: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for zone, data in zones:
        for key in PINS:
            if data.get(key):
                used[plain_pin(data[key])].append((zone, key))
    if not used:
        return ()
    for pin, places in used.items():
        if len(places) > 1:
            where = ", ".join(f"{shown(zone)} {PIN_WORDS[key]}" for zone, key in places)
            found.append(
                PinFinding(
                    "twice",
                    f"Pin {shown(pin)} is entered {len(places)} times: {where}.",
                    tuple(dict.fromkeys(zone for zone, _ in places)),
                )
            )
    spare_names = {plain_pin(pin) for pin in spare}
    for pin in sorted(spare_names & set(used)):
        zone, key = used[pin][0]
        found.append(
            PinFinding("twice", f"Pin {shown(pin)} is kept as spare, and {shown(zone)} "
                       f"{PIN_WORDS[key]} uses it.", (zone,))
        )  # fmt: skip
    found += _missing(zones)
    found += _gaps(used, spare_names)
    found += _turned(zones)
    found += _colours(zones)
    return tuple(found)


def _missing(zones: list[tuple[str, Mapping[str, Any]]]) -> Iterable[PinFinding]:
    bare = [zone for zone, data in zones if not any(data.get(key) for key in PINS)]
    if bare:
        yield PinFinding("missing", f"No pin entered: {_listed(bare)}.", tuple(bare))
    for zone, data in zones:
        if zone not in bare:
            lacking = [PIN_WORDS[key] for key in PINS if not data.get(key)]
            if lacking:
                yield PinFinding("missing", f"{shown(zone)} lacks {', '.join(lacking)}.", (zone,))


def _gaps(used: Mapping[str, Any], spare: set[str]) -> Iterable[PinFinding]:
    """Numbers left out between the first and the last pin of one plug."""
    numbers: dict[str, set[int]] = defaultdict(set)
    for pin in used:
        plug, number = _parts(pin)
        if number is not None:
            numbers[plug].add(number)
    for plug, here in sorted(numbers.items()):
        free = {number for name, number in map(_parts, spare) if name == plug}
        last = max(here)
        if len(here) < 2 or last - min(here) > 2000:
            continue
        gaps = [n for n in range(min(here), last) if n not in here and n not in free]
        if gaps:
            yield PinFinding(
                "gap",
                f"Not used between {plug}{min(here)} and {plug}{last}: {_runs(plug, gaps)}. "
                "Enter them, or name them as spare.",
            )


def _runs(plug: str, numbers: list[int]) -> str:
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    words = [f"{plug}{a}" if a == b else f"{plug}{a} to {b}" for a, b in runs]
    return _listed(words)


def _turned(zones: list[tuple[str, Mapping[str, Any]]]) -> Iterable[PinFinding]:
    """Zones whose + and - stand the other way round than in all, or nearly all, others."""
    steps = {}
    for zone, data in zones:
        if data.get("sensor_pin_plus") and data.get("sensor_pin_minus"):
            plug, plus = _parts(data["sensor_pin_plus"])
            other, minus = _parts(data["sensor_pin_minus"])
            if plug == other and plus is not None and minus is not None and plus != minus:
                steps[zone] = minus - plus
    for zone, step in steps.items():
        same = sum(1 for other in steps.values() if other == -step)
        alike = sum(1 for other in steps.values() if other == step)
        if same >= 3 and alike * 4 <= same:
            yield PinFinding(
                "polarity",
                f"{shown(zone)}: + and − stand the other way round than in {same} other zones. "
                "Look at the plug; then warm the tip, and the reading must rise.",
                (zone,),
            )


def _plain_colour(text: str) -> str:
    word = text.strip().casefold()
    return _SAME_COLOUR.get(word, word)


def colour_hints(
    kind: str | None, plus: str | None, minus: str | None
) -> tuple[tuple[str, str, bool], ...]:
    """Codes that know this pair: (code, type, turned round). Only a hint, see `COLOUR_TRAPS`.

    `kind` narrows it to one type, None looks at all.
    """
    if not plus or not minus:
        return ()
    pair = (_plain_colour(plus), _plain_colour(minus))
    hints = []
    for code, table in COLOUR_CODES.items():
        for letter, colours in table.items():
            if kind in (None, letter) and pair in (colours, colours[::-1]):
                hints.append((code, letter, pair != colours))
    return tuple(hints)


def _colours(zones: list[tuple[str, Mapping[str, Any]]]) -> Iterable[PinFinding]:
    for zone, data in zones:
        plus, minus, kind = data.get("plus_colour"), data.get("minus_colour"), data.get("sensor")
        if not plus or not minus:
            continue
        hints = colour_hints(kind, plus, minus)
        pair = f"{shown(plus, 20)} / {shown(minus, 20)}"
        if not hints:
            other = colour_hints(None, plus, minus)
            if kind and other:
                codes = ", ".join(f"type {letter} in {code}" for code, letter, _ in other[:3])
                yield PinFinding(
                    "colour",
                    f"{shown(zone)}: {pair} is no pair of type {kind}, but {codes}. Hint only.",
                    (zone,),
                )
            continue
        right = [f"{code} (type {letter})" for code, letter, turned in hints if not turned]
        turned = [f"{code} (type {letter})" for code, letter, turned in hints if turned]
        if turned and not right:
            yield PinFinding(
                "colour",
                f"{shown(zone)}: {pair} is the pair of {_listed(turned)} with + and − exchanged. "
                "Hint only: warm the tip and watch the reading rise.",
                (zone,),
            )
        elif turned and right:
            yield PinFinding(
                "colour",
                f"{shown(zone)}: {pair} fits {_listed(right)}, and turned round {_listed(turned)}: "
                "colour can't tell.",
                (zone,),
            )


def _listed(words: list[str], most: int = 12) -> str:
    shown_words = [shown(word) for word in words[:most]]
    more = len(words) - most
    return ", ".join(shown_words) + (f" and {more} more" if more > 0 else "")
