"""After the bench: verdicts counted, what to order, and what cleaning in-house costs.

Money is in plain numbers of one currency, the user's own. What is not entered is not guessed:
a sum that needs it is None, and its name is listed as missing.

A lead that broke during teardown takes its part along. A part of which the verdict is still open
(measure again, dry out, not measured) may go either way, so costs have a low end (all of those
can be used again) and a high end (none can).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

from mapper.bench.errors import BenchError
from mapper.bench.limits import Limits
from mapper.bench.parts import words_of_value
from mapper.bench.zones import Zone
from mapper.errors import shown

__all__ = [
    "COST_WORDS",
    "WORDS",
    "Comparison",
    "Costs",
    "OrderLine",
    "PartVerdict",
    "compare_costs",
    "counts",
    "longest_days",
    "order_lines",
    "part_verdicts",
    "total_price",
]

WORDS = ("reuse", "dry out", "measure again", "not measured", "replace")
PART_NAMES = {"heater": "Heater", "sensor": "Thermocouple"}
DESCRIBED_BY = {
    "heater": ("volts", "watts", "elements", "heater_material", "heater_wire",
               "heater_insulation"),
    "sensor": ("sensor", "junction", "sensor_length_m", "sensor_material", "sensor_wire",
               "sensor_insulation"),
}  # fmt: skip
UNIT_OF = {"volts": " V", "watts": " W", "sensor_length_m": " m"}


@dataclass(frozen=True)
class PartVerdict:
    """One part and what becomes of it; `part` is "heater" or "sensor", `broken` says that its
    lead broke during teardown."""

    zone: str
    part: str
    word: str
    price: float | None = None
    days: float | None = None
    text: str = ""
    broken: bool = False

    @property
    def open(self) -> bool:
        """Whether it may still go either way."""
        return self.word not in ("reuse", "replace")


@dataclass(frozen=True)
class OrderLine:
    """Alike parts to order. `price` is for one, `days` the lead time; None is not entered."""

    part: str
    text: str
    zones: tuple[str, ...]
    price: float | None = None
    days: float | None = None

    @property
    def quantity(self) -> int:
        return len(self.zones)

    @property
    def total(self) -> float | None:
        return None if self.price is None else self.price * self.quantity


def part_verdicts(
    zones: Iterable[Zone],
    limits: Limits | None = None,
    broken: Collection[str] = (),
    not_there: Collection[str] = (),
) -> tuple[PartVerdict, ...]:
    """The heater and the thermocouple of every zone; `broken` holds lead ids (`Z07-H`).

    A part whose lead is in `not_there` is left out, unless somebody measured it.
    """
    found = []
    for zone in zones:
        for part, suffix, verdict in (
            ("heater", "H", zone.heater_verdict(limits)),
            ("sensor", "T", zone.sensor_verdict(limits)),
        ):
            lead = f"{zone.id}-{suffix}"
            lost = lead in broken
            if lead in not_there and verdict.word == "not measured" and not lost:
                continue
            found.append(
                PartVerdict(
                    zone.id,
                    part,
                    "replace" if lost else verdict.word,
                    zone.data.get(f"{part}_price"),
                    zone.data.get(f"{part}_days"),
                    _described(zone, part),
                    lost,
                )
            )
    return tuple(found)


def _described(zone: Zone, part: str) -> str:
    """How an order calls the part: the user's own order text, else what is documented of it."""
    own = zone.data.get(f"{part}_part")
    values = []
    for key in DESCRIBED_BY[part]:
        value = zone.data.get(key)
        if value is None or (key == "elements" and value == 1):
            continue
        word = words_of_value(key, value) + UNIT_OF.get(key, "")
        values.append(
            f"type {word}" if key == "sensor" else f"{word} elements" if key == "elements" else word
        )
    text = ", ".join(values)
    return f"{own} ({text})" if own and text else own or text or "data not entered"


def counts(parts: Iterable[PartVerdict]) -> dict[str, dict[str, int]]:
    """part -> verdict -> how many, verdicts that nobody has left out."""
    parts = tuple(parts)
    return {
        part: {
            word: number
            for word in WORDS
            if (number := sum(1 for one in parts if one.part == part and one.word == word))
        }
        for part in PART_NAMES
    }


def order_lines(parts: Iterable[PartVerdict], also_open: bool = False) -> tuple[OrderLine, ...]:
    """What to order: parts to replace, alike ones together; `also_open` adds undecided ones."""
    grouped: dict[tuple[Any, ...], list[str]] = {}
    for one in parts:
        if one.word == "replace" or (also_open and one.open):
            key = (one.part, one.text, one.price, one.days)
            grouped.setdefault(key, []).append(one.zone)
    return tuple(
        OrderLine(part, text, tuple(zones), price, days)
        for (part, text, price, days), zones in grouped.items()
    )


def total_price(lines: Iterable[OrderLine]) -> float | None:
    """Price of all lines; None when one has no price."""
    totals = [line.total for line in lines]
    return None if None in totals else math.fsum(totals)


def longest_days(lines: Iterable[OrderLine]) -> float | None:
    """Longest lead time; None when one is not entered, 0 when nothing is ordered."""
    days = [line.days for line in lines]
    return None if None in days else max(days, default=0.0)


# What the user enters: key -> (words, low, high).
COST_WORDS: Mapping[str, tuple[str, float, float]] = {
    "hours": ("Hours of work in-house", 0, 10_000),
    "rate": ("Cost of one hour", 0, 1e6),
    "consumables": ("Consumables and equipment, whole cost", 0, 1e8),
    "consumables_share": ("Share of it that this job bears, %", 0, 100),
    "inhouse_days": ("Days in-house, without waiting for parts", 0, 1000),
    "quote": ("Quote for sending the plate out", 0, 1e9),
    "freight": ("Freight and packing, both ways", 0, 1e8),
    "outside_days": ("Days away", 0, 1000),
    "day_cost": ("Cost of one day without the mould", 0, 1e8),
}


@dataclass(frozen=True)
class Costs:
    """What the user enters about cost; None is not entered.

    `quote_has_parts` says whether the quote includes new parts throughout; when not, the same
    parts are bought as in-house.
    """

    hours: float | None = None
    rate: float | None = None
    consumables: float | None = None
    consumables_share: float | None = None  # per cent
    inhouse_days: float | None = None
    quote: float | None = None
    freight: float | None = None
    outside_days: float | None = None
    day_cost: float | None = None
    quote_has_parts: bool = True

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Costs:
        """Costs as kept; unknown keys are left alone. Raises BenchError."""
        if not isinstance(mapping, Mapping):
            raise BenchError("The costs of the job are damaged: enter them again.")
        values: dict[str, Any] = {}
        for key, (words, low, high) in COST_WORDS.items():
            value = mapping.get(key)
            if value is None:
                continue
            right = isinstance(value, (int, float)) and not isinstance(value, bool)
            if not right or not low <= value <= high:
                raise BenchError(
                    f"{words}: {shown(value)} should be a number from {low:g} to {high:g}."
                )
            values[key] = float(value)
        parts = mapping.get("quote_has_parts", True)
        if not isinstance(parts, bool):
            raise BenchError("Whether the quote includes parts should be yes or no.")
        return cls(**values, quote_has_parts=parts)

    def to_mapping(self) -> dict[str, Any]:
        values = {one.name: getattr(self, one.name) for one in fields(self)}
        return {key: value for key, value in values.items() if value is not None}


@dataclass(frozen=True)
class Comparison:
    """Cleaning in-house beside sending out; pairs are (low end, high end), None what lacks a
    number.

    `break_even` is the share (0..1) of the value of all parts that has to be fit for re-use for
    both ways to cost the same, downtime counted when its cost is entered. Below 0 in-house is
    cheaper even when nothing can be used again, above 1 never; None when it can't be told, or
    when re-use makes no difference between the two.
    """

    inhouse: tuple[float, float] | None
    outside: tuple[float, float] | None
    inhouse_down_days: tuple[float, float] | None
    outside_down_days: float | None
    reuse_share: tuple[float, float] | None
    break_even: float | None
    downtime_counted: bool
    missing: tuple[str, ...] = field(default=())

    @property
    def savings(self) -> tuple[float, float] | None:
        """What in-house saves: (at least, at most); below 0 it costs more."""
        if self.inhouse is None or self.outside is None:
            return None
        both = [out - own for own, out in zip(self.inhouse, self.outside, strict=True)]
        return min(both), max(both)


def compare_costs(parts: Sequence[PartVerdict], costs: Costs) -> Comparison:
    """Set the two ways beside each other.

    In-house = hours x rate + parts + share x consumables (+ days down x cost of a day).
    Outside = quote + freight (+ the same parts when the quote has none) (+ days x cost of a day).
    Parts are ordered at once, so the mould is down for the longer of the work and the lead time.
    """
    low_lines, high_lines = order_lines(parts), order_lines(parts, also_open=True)
    bought = _pair(total_price(low_lines), total_price(high_lines))
    wait = _pair(longest_days(low_lines), longest_days(high_lines))
    missing = [
        COST_WORDS[key][0] for key in ("hours", "rate", "quote") if getattr(costs, key) is None
    ]
    if costs.consumables is not None and costs.consumables_share is None:
        missing.append(COST_WORDS["consumables_share"][0])
    if bought is None:
        missing.append("Prices of all parts that may have to be replaced")

    down = None
    if costs.inhouse_days is not None and wait is not None:
        down = (max(costs.inhouse_days, wait[0]), max(costs.inhouse_days, wait[1]))
    outside_down = costs.outside_days
    if outside_down is not None and not costs.quote_has_parts:
        outside_down = None if wait is None else max(outside_down, wait[1])
    downtime = costs.day_cost is not None and down is not None and outside_down is not None
    if costs.day_cost is not None and not downtime:
        missing.append("Days of both ways and lead times: without them downtime is left out")

    work = None
    shared = costs.consumables is None or costs.consumables_share is not None
    if costs.hours is not None and costs.rate is not None and shared:
        work = costs.hours * costs.rate
        work += (costs.consumables or 0.0) * (costs.consumables_share or 0.0) / 100
    sent = None if costs.quote is None else costs.quote + (costs.freight or 0.0)
    day = costs.day_cost if downtime else 0.0
    days_in, days_out = (down, outside_down) if downtime else ((0.0, 0.0), 0.0)

    inhouse = outside = None
    if work is not None and bought is not None:
        inhouse = tuple(work + bought[i] + day * days_in[i] for i in (0, 1))
    if sent is not None and (costs.quote_has_parts or bought is not None):
        more = (0.0, 0.0) if costs.quote_has_parts else bought
        outside = tuple(sent + more[i] + day * days_out for i in (0, 1))

    whole = [one.price for one in parts]
    value = math.fsum(whole) if whole and None not in whole else None
    share = break_even = None
    if value:
        if bought is not None:
            share = (1 - bought[1] / value, 1 - bought[0] / value)
        if work is not None and sent is not None and costs.quote_has_parts:
            # In-house with a share r re-used: work + (1 - r) value + downtime at its high end.
            break_even = 1 - (sent + day * days_out - work - day * days_in[1]) / value
    return Comparison(
        inhouse, outside, down, outside_down, share, break_even, downtime, tuple(missing)
    )


def _pair(low: float | None, high: float | None) -> tuple[float, float] | None:
    return None if low is None or high is None else (low, high)
