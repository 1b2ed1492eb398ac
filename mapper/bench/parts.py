"""The parts of a zone as documented: what a table of parts holds, and how it is typed.

Prices are plain numbers without a currency; a lead time is in days.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from mapper.bench.conductors import AWG_RANGE, area_mm2
from mapper.bench.errors import BenchError
from mapper.bench.thermocouples import JUNCTIONS, TYPES
from mapper.errors import shown

__all__ = [
    "FIELDS",
    "INSULATIONS",
    "PART_KEYS",
    "PartField",
    "check_part",
    "field_of",
    "lead_costs",
    "number_words",
    "part_of",
    "rating_of",
    "typed_number",
    "typed_value",
    "with_ratings",
    "words_of_value",
]

MAX_TEXT = 60
_DOUBTFUL = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")  # thousands, or three decimals?


@dataclass(frozen=True)
class PartField:
    """One column of the parts table.

    `kind` is "number", "choice", "text" or "wire"; `units` maps a unit as written to its factor.
    `part` is "heater" or "sensor"; `names` are headings that files use, without the part's name.
    """

    key: str
    part: str
    words: str
    kind: str
    names: tuple[str, ...]
    low: float = 0
    high: float = 0
    units: tuple[tuple[str, float], ...] = ()
    choices: tuple[str, ...] = ()
    whole: bool = False


_DAYS = (("days", 1), ("day", 1), ("d", 1), ("weeks", 7), ("week", 7), ("wk", 7), ("w", 7))
_METRES = (("m", 1), ("mm", 0.001), ("cm", 0.01), ("ft", 0.3048), ("in", 0.0254))
_C = (("°c", 1), ("c", 1), ("degc", 1), ("deg c", 1))


def _of_each(part: str, lead: str) -> tuple[PartField, ...]:
    """The columns that heaters and thermocouples have alike."""
    return (
        PartField(f"{part}_material", part, f"{lead} lead material", "text",
                  ("lead material", "wire material", "conductor", "conductor material",
                   "material")),
        PartField(f"{part}_wire", part, f"{lead} wire size", "wire",
                  ("wire size", "lead size", "conductor size", "awg", "gauge", "wire gauge",
                   "size", "wire", "cross section")),
        PartField(f"{part}_insulation", part, f"{lead} insulation", "text",
                  ("insulation", "lead insulation", "insulation material", "wire insulation")),
        PartField(f"{part}_rating_c", part, f"{lead} insulation rating °C", "number",
                  ("insulation rating", "rating", "temperature rating", "temp rating",
                   "max temperature", "rated temperature"), 20, 1500, _C),
        PartField(f"{part}_part", part, f"{lead} order text", "text",
                  ("order text", "part", "part no", "part number", "order no", "order number",
                   "article", "item", "description")),
        PartField(f"{part}_price", part, f"{lead} price", "number",
                  ("price", "cost", "unit price", "price each", "each"), 0, 1e7),
        PartField(f"{part}_days", part, f"{lead} lead time, days", "number",
                  ("lead time", "delivery", "delivery time", "days", "leadtime"), 0, 1000, _DAYS),
    )  # fmt: skip


FIELDS: tuple[PartField, ...] = (
    PartField("volts", "heater", "Volts", "number", ("volts", "voltage", "volt", "v"),
              1, 1000, (("v", 1), ("volt", 1), ("volts", 1), ("vac", 1))),
    PartField("watts", "heater", "Watts of the zone", "number",
              ("watts", "wattage", "power", "watt", "w", "watts of the zone"),
              1, 100_000, (("w", 1), ("watt", 1), ("watts", 1), ("kw", 1000))),
    PartField("elements", "heater", "Elements in parallel", "number",
              ("elements", "elements in parallel", "heaters per zone"), 1, 12, whole=True),
    *_of_each("heater", "Heater"),
    PartField("sensor", "sensor", "Sensor type", "choice", ("type", "tc type", "sensor type"),
              choices=TYPES),
    PartField("junction", "sensor", "Sensor junction", "choice",
              ("junction", "grounded", "tip", "hot junction"), choices=JUNCTIONS),
    PartField("sensor_length_m", "sensor", "Sensor length, m", "number",
              ("length", "lead length", "loop length", "one way length"), 0.02, 200, _METRES),
    *_of_each("sensor", "Sensor"),
)  # fmt: skip
PART_KEYS = tuple(one.key for one in FIELDS)
_BY_KEY = {one.key: one for one in FIELDS}

# Continuous rating in °C and where it comes from; the lower end where sources differ.
INSULATIONS: Mapping[str, tuple[float, str]] = {
    "PVC": (70, "70 to 105 by grade; trade tables"),
    "ETFE": (150, "NFPA 70 types Z, ZW (from memory: read it before relying on it)"),
    "silicone rubber": (150, "150 to 200 by grade (from memory)"),
    "FEP": (200, "UL 758 styles rated 150 and 200 (secondary copy)"),
    "PFA": (200, "200 to 250 by grade (from memory)"),
    "PTFE": (250, "NFPA 70 table 310.4, type TFE (from memory); trade tables say 260"),
    "polyimide": (200, "200 to 260 by adhesive; trade tables say 260"),
    "mica-glass": (450, "UL 758 high-temperature styles (from memory)"),
    "glass fibre": (480, "trade tables; its binder burns off at 200 to 250 first (from memory)"),
    "silica fibre": (760, "trade tables"),
}
_INSULATION_WORDS = {
    "tfe": "PTFE", "silicone": "silicone rubber", "glass": "glass fibre",
    "fibreglass": "glass fibre", "fiberglass": "glass fibre", "glass fiber": "glass fibre",
    "glass braid": "glass fibre", "mica glass": "mica-glass", "mica": "mica-glass",
    "silica": "silica fibre", "silica fiber": "silica fibre", "pi": "polyimide",
}  # fmt: skip
_JUNCTION_WORDS = {
    "g": "grounded", "gnd": "grounded", "earthed": "grounded", "yes": "grounded",
    "y": "grounded", "true": "grounded",
    "u": "ungrounded", "ug": "ungrounded", "insulated": "ungrounded", "isolated": "ungrounded",
    "not grounded": "ungrounded", "no": "ungrounded", "n": "ungrounded", "false": "ungrounded",
    "bare": "exposed", "open tip": "exposed",
}  # fmt: skip


def field_of(key: str) -> PartField:
    """The column with that key."""
    return _BY_KEY[key]


def typed_number(text: str, what: str) -> float:
    """A number as people type it: 1,5 and 1.5, 1.234,50 and 1,234.50.

    One sign with three figures after it may be thousands or decimals, and is refused unless a
    nought stands before it. Raises BenchError.
    """
    plain = re.sub(r"[\s'\u00a0\u202f]", "", text).replace("\N{MINUS SIGN}", "-")
    if _DOUBTFUL.fullmatch(plain):
        raise BenchError(
            f"{what}: {shown(text)} may mean thousands or decimals: write it without the sign for "
            "thousands, or with one figure more or less."
        )
    both = "," in plain and "." in plain
    if both or plain.count(",") > 1 or plain.count(".") > 1:
        decimal = max(plain.rfind(","), plain.rfind("."))
        mark = plain[decimal]
        if plain.count(mark) > 1:  # 1.234.567: all of them mark thousands
            whole, rest = plain, ""
        else:
            whole, rest = plain[:decimal], "." + plain[decimal + 1 :]
        if not re.fullmatch(r"[+-]?[0-9]{1,3}([.,][0-9]{3})+", whole) or (
            len(set(re.findall(r"[.,]", whole))) > 1
        ):
            raise BenchError(f"{what}: {shown(text)} is no number: check it.")
        plain = re.sub(r"[.,]", "", whole) + rest
    plain = plain.replace(",", ".")
    if not re.fullmatch(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)(e[+-]?[0-9]{1,2})?", plain, re.I):
        raise BenchError(f"{what}: {shown(text)} is no number: check it.")
    return float(plain)


def typed_value(key: str, cell: Any, where: str, unit: str = "") -> Any:
    """The value of a column from a cell: text as typed, or a number from a spreadsheet.

    None for an empty cell. `unit` is the unit that the heading gives, for a number without one.
    Raises BenchError that names the place.
    """
    column = _BY_KEY[key]
    what = f"{shown(where)}, {column.words}"
    if cell is None or (isinstance(cell, float) and math.isnan(cell)):
        return None
    if isinstance(cell, bool):
        cell = "yes" if cell else "no"
    is_number = isinstance(cell, (int, float))
    text = f"{cell:.15g}" if is_number else str(cell).strip()
    if text in ("", "-", "–", "—") or text.casefold() in ("n/a", "none", "null", "nan"):
        return None
    if column.kind == "number":
        value = float(cell) if is_number else None
        factor = _factor(column, unit, what) if unit else 1.0
        if value is None:
            found = re.fullmatch(r"([+-]?[0-9.,' \u00a0\u202f]*[0-9.,](?:[eE][+-]?[0-9]+)?)\s*(.*)",
                                 text)  # fmt: skip
            if found is None:
                raise BenchError(f"{what}: {shown(text)} is no number: check it.")
            if found[2]:
                factor = _factor(column, found[2], what)
            value = typed_number(found[1], what)
        value = float(f"{value * factor:.12g}")
    elif column.kind == "choice":
        value = _choice(column, text, what)
    elif column.kind == "wire":
        unit = "AWG" if unit.casefold() == "awg" else unit
        value = f"{text} {unit}" if unit and re.fullmatch(r"[0-9.,]+", text) else text
        if value.isdecimal() and AWG_RANGE[0] <= int(value) <= AWG_RANGE[1]:
            raise BenchError(
                f"{what}: {shown(value)} lacks its unit: write {shown(value)} AWG, or mm or mm²."
            )
    else:
        value = text
    check_part(key, value, what)
    return int(value) if column.whole else value


def _factor(column: PartField, unit: str, what: str) -> float:
    plain = unit.strip().rstrip(".").casefold()
    units = dict(column.units)
    if column.key.endswith("_price") and len(plain) <= 4 and not any(c.isdigit() for c in plain):
        return 1.0  # a currency: prices are compared as plain numbers
    if plain not in units:
        known = ", ".join(dict.fromkeys(name for name, _ in column.units)) or "none"
        raise BenchError(f"{what}: the unit {shown(unit)} is not known here; known: {known}.")
    return units[plain]


def _choice(column: PartField, text: str, what: str) -> str:
    plain = text.casefold().strip(" .")
    if column.key == "sensor":
        letter = re.sub(r"\b(type|typ|t/c|tc)\b|[\s\-:]", "", plain).upper()
        if letter in TYPES:
            return letter
    else:
        plain = re.sub(r"\s*junction\Z", "", plain)
        plain = _JUNCTION_WORDS.get(plain, plain)
        if plain in column.choices:
            return plain
    raise BenchError(f"{what}: {shown(text)} is none of {', '.join(column.choices)}.")


def check_part(key: str, value: Any, what: str) -> None:
    """Raise BenchError when a kept value can't be that of its column."""
    column = _BY_KEY[key]
    if column.kind == "number":
        right = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not right or not column.low <= value <= column.high or (column.whole and value % 1):
            kind = "a whole number" if column.whole else "a number"
            raise BenchError(
                f"{what}: {shown(value)} should be {kind} from {column.low:g} to {column.high:g}."
            )
    elif column.kind == "choice":
        if value not in column.choices:
            raise BenchError(f"{what}: {shown(value)} is none of {', '.join(column.choices)}.")
    elif not isinstance(value, str) or len(value) > MAX_TEXT or not value.isprintable():
        raise BenchError(f"{what}: use at most {MAX_TEXT} plain characters.")
    elif column.kind == "wire":
        try:
            area_mm2(value)
        except BenchError as error:
            raise BenchError(f"{what}: {error}") from None


def part_of(data: Mapping[str, Any]) -> dict[str, Any]:
    """Only what is documented of a zone, without readings and pins: to copy from job to job."""
    return {key: data[key] for key in PART_KEYS if data.get(key) is not None}


def words_of_value(key: str, value: Any) -> str:
    """A kept value as it stands in the table."""
    if value is None:
        return ""
    return number_words(value) if _BY_KEY[key].kind == "number" else str(value)


def number_words(value: float) -> str:
    """A number as `typed_number` reads it back: 1.125 is written 1.1250."""
    text = f"{value:.12g}"
    return f"{text}0" if _DOUBTFUL.fullmatch(text) else text


def rating_of(insulation: str) -> float | None:
    """Usual continuous rating in °C of an insulation by its name (`INSULATIONS`), None unknown."""
    plain = insulation.strip().casefold()
    plain = _INSULATION_WORDS.get(plain, plain).casefold()
    return next((c for name, (c, _) in INSULATIONS.items() if name.casefold() == plain), None)


def with_ratings(data: Mapping[str, Any]) -> dict[str, Any]:
    """The data of a zone with empty insulation ratings filled from the material's name."""
    filled = dict(data)
    for part in ("heater", "sensor"):
        name = data.get(f"{part}_insulation")
        if name and data.get(f"{part}_rating_c") is None and rating_of(name) is not None:
            filled[f"{part}_rating_c"] = rating_of(name)
    return filled


def lead_costs(zones: Iterable[tuple[str, Mapping[str, Any]]]) -> dict[str, float]:
    """Lead id -> what a new part costs when that lead is lost, where a price is known.

    `zones` gives (zone id, its data). A broken lead costs the part it belongs to: `Z07-H` the
    heater of Z07, `Z07-T` its thermocouple. Prices are plain numbers without a currency.
    """
    costs = {}
    for zone, data in zones:
        for suffix, key in (("H", "heater_price"), ("T", "sensor_price")):
            if data.get(key) is not None:
                costs[f"{zone}-{suffix}"] = float(data[key])
    return costs
