"""What a response test changes in the zone table, and how two tests become one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from mapper.bench.errors import BenchError
from mapper.bench.parts import FIELDS
from mapper.bench.response import Response, judge_rises
from mapper.bench.response_log import zone_key
from mapper.errors import shown

__all__ = ["combined", "corrected_zones", "correction_words", "sensor_side"]

PINS = ("sensor_pin_plus", "sensor_pin_minus")
READ_ON_SENSOR = (
    *("loop_ohm", "sheath_mohm", "known_c", "shown_c", "known2_c", "shown2_c"),
    *("head_c", "terminals_c", "sensor_leads_ohm"),
)
# All that goes with the thermocouple behind a pair of pins: data, pins, colours, readings.
SENSOR_KEYS = frozenset(
    {one.key for one in FIELDS if one.part == "sensor"}
    | {*PINS, "plus_colour", "minus_colour", *READ_ON_SENSOR}
)


def sensor_side(data: Mapping[str, Any]) -> dict[str, Any]:
    """The part of a zone's data that belongs to its thermocouple."""
    return {key: value for key, value in data.items() if key in SENSOR_KEYS}


def corrected_zones(
    zones: Mapping[str, Mapping[str, Any]], result: Response
) -> dict[str, dict[str, Any]]:
    """Return the zones that change, {zone: new data}, from {zone: data} as it is.

    Where a heater was found to heat another zone's sensor, and the exchange closes, that
    thermocouple's data, pins and readings go to the heater's zone. Where a sensor falls, its two
    pins change places. Nothing else changes; what is not claimed changes nothing.
    """
    by_key = {zone_key(name): name for name in zones}
    changed: dict[str, dict[str, Any]] = {}
    for heater, sensor in result.moved().items():
        to, source = by_key.get(zone_key(heater)), by_key.get(zone_key(sensor))
        if to is None or source is None:
            raise BenchError(
                f"{shown(heater if to is None else sensor)} is no zone of this job: name the "
                "columns of the test after the zones."
            )
        kept = {key: value for key, value in zones[to].items() if key not in SENSOR_KEYS}
        changed[to] = {**kept, **sensor_side(zones[source])}
    falling = {zone_key(name) for name in result.reversed_sensors()}
    for h, s in enumerate(result.match):
        if s < 0 or zone_key(result.sensors[s]) not in falling:
            continue
        moved = result.moved().get(result.heaters[h])
        zone = by_key.get(zone_key(result.heaters[h] if moved else result.sensors[s]))
        data = changed.get(zone, dict(zones.get(zone, {})))
        plus, minus = (data.get(key) for key in PINS)
        if zone is not None and plus is not None and minus is not None:
            changed[zone] = {**data, PINS[0]: minus, PINS[1]: plus}
    return {zone: data for zone, data in changed.items() if data != dict(zones[zone])}


def correction_words(
    zones: Mapping[str, Mapping[str, Any]],
    changed: Mapping[str, Mapping[str, Any]],
    result: Response,
) -> tuple[str, ...]:
    """What `corrected_zones` changed, one plain sentence per zone, for the record."""
    source = {zone_key(heater): sensor for heater, sensor in result.moved().items()}
    words = []
    for zone, data in changed.items():
        taken = source.get(zone_key(zone))
        what = "+ and - pin changed places" if taken is None else f"thermocouple of {taken} taken"
        before, after = (_pins(one) for one in (zones[zone], data))
        pins = f"; pins were {before}, are {after}" if before != after else ""
        words.append(f"Zone {zone}: {what}{pins}.")
    return tuple(words)


def _pins(data: Mapping[str, Any]) -> str:
    return " / ".join(str(data.get(key) or "none") for key in PINS)


def combined(first: Response, later: Response) -> Response:
    """One outcome from a test and a later one of some heaters: the later rows count.

    Raises BenchError when the later test has none of the sensors of the first.
    """
    column = {zone_key(name): i for i, name in enumerate(first.sensors)}
    row = {zone_key(name): i for i, name in enumerate(first.heaters)}
    if not any(zone_key(name) in column for name in later.sensors):
        raise BenchError("The two tests have no sensor in common: keep them as two tests.")
    extra = [name for name in later.heaters if zone_key(name) not in row]
    heaters = (*first.heaters, *extra)
    shape = (len(heaters), len(first.sensors))
    rise, sigma = np.full(shape, np.nan), np.full(shape, np.nan)
    rise[: len(first.heaters)], sigma[: len(first.heaters)] = first.rise_c, first.sigma_c
    at = {zone_key(name): i for i, name in enumerate(heaters)}
    for h, heater in enumerate(later.heaters):
        to = at[zone_key(heater)]
        for s, sensor in enumerate(later.sensors):
            if zone_key(sensor) in column and np.isfinite(later.rise_c[h, s]):
                rise[to, column[zone_key(sensor)]] = later.rise_c[h, s]
                sigma[to, column[zone_key(sensor)]] = later.sigma_c[h, s]
    return judge_rises(heaters, first.sensors, rise, sigma)
