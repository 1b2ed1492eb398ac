"""The log of a response test: what every sensor showed, and which heater was on when.

Which heater was on is told by one column that names it (`zone`, `energised`, `heated`, `on`), or
by one column per heater whose title ends in `on`, `power`, `output` or `duty`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from mapper.bench.errors import BenchError
from mapper.bench.logs import LoggedTable, celsius, read_log_table
from mapper.bench.values import OPEN_WORDS
from mapper.errors import shown

__all__ = ["ResponseLog", "read_response_log", "zone_key"]

# What no sensor of a cold plate under a short test shows: instruments flag an open input with an
# upscale or downscale value (common practice, no source).
LOWEST_C, HIGHEST_C = -60.0, 600.0
NAMING = ("zone", "energised", "energized", "heated", "heater", "on", "active zone", "zone on")
NOBODY = ("", "-", "--", "0", "off", "none", "no", "rest", "nan")
_POWER = re.compile(r"(.+?)[\s_\-.:]*(?:on|power|output|duty|heat|heating|pwr)", re.I)
_SENSOR_WORDS = re.compile(
    r"[\s_\-.:]*(?:temperature|temp|thermocouple|tc|sensor|actual|pv|°c|°f|-t|_t)\Z", re.I
)


@dataclass(frozen=True, eq=False)
class ResponseLog:
    """A response test of H heaters and S sensors.

    time_s : (N,) seconds. temps_c : (N, S), nan where the sensor showed none.
    on : (N, H) share of its power at which each heater ran, 0 to 1.
    """

    time_s: np.ndarray
    sensors: tuple[str, ...]
    temps_c: np.ndarray
    heaters: tuple[str, ...]
    on: np.ndarray


def zone_key(name: str) -> str:
    """What two ways of writing one zone have in common: Z1, Z01, "zone 1" and 1 are the same."""
    plain = _SENSOR_WORDS.sub("", name.strip().casefold())
    match = re.fullmatch(r"(?:zone|sensor|heater|tc|z|t|h)?[\s_\-.#]*0*([0-9]+)(?:-[ht])?", plain)
    return match.group(1) if match else plain


def read_response_log(data: bytes | str) -> ResponseLog:
    """Read the log of a response test.

    Raises
    ------
    BenchError
        It is no log, or does not tell which heater was on when.
    """
    table = read_log_table(data)
    titles = [title.casefold() for title in table.titles]
    naming = next((i for i, title in enumerate(titles) if title in NAMING), None)
    power = {
        i: match.group(1).strip()
        for i, title in enumerate(table.titles)
        if i != naming and (match := _POWER.fullmatch(title))
    }
    if naming is not None:
        heaters, on = _named(table, naming)
        power = {}
    else:
        heaters, on = tuple(power.values()), _powered(table, list(power))
    if not heaters:
        raise BenchError(
            "The log does not tell which heater was on: add a column called zone that names it "
            "in every row, or one column per heater such as 'Z01 on' with 0 and 1."
        )
    keys = [zone_key(name) for name in heaters]
    temps_of = {
        i: values
        for i in range(len(titles))
        if i != naming
        and i not in power
        and not _remarks(table, i, keys)
        and (values := celsius(table, i)) is not None
    }
    sensors = list(temps_of)
    if not sensors:
        raise BenchError("The log has no column of a sensor: add one per thermocouple.")
    twice = next((n for n, key in zip(heaters, keys, strict=True) if keys.count(key) > 1), None)
    if twice is not None:
        raise BenchError(f"The heater {shown(twice)} is written in two ways: use one name.")
    temps_c = np.stack(list(temps_of.values()), axis=1)
    with np.errstate(invalid="ignore"):
        temps_c[(temps_c < LOWEST_C) | (temps_c > HIGHEST_C)] = np.nan
    names = tuple(_SENSOR_WORDS.sub("", table.titles[i]) or table.titles[i] for i in sensors)
    place = {zone_key(name): i for i, name in enumerate(names)}
    # Heaters in the order of the sensors, not in that of their turns.
    order = sorted(range(len(heaters)), key=lambda h: (place.get(keys[h], len(place)), h))
    return ResponseLog(table.time_s, names, temps_c, tuple(heaters[h] for h in order), on[:, order])


def _remarks(table: LoggedTable, column: int, heaters: list[str]) -> bool:
    """True for a column of words that belongs to no heater: it is no sensor that is open."""
    words = {word.casefold() for word in table.words[column]} - {*NOBODY, *OPEN_WORDS}
    numbers = np.isfinite(table.values[:, column]).any()
    return bool(words) and not numbers and zone_key(table.titles[column]) not in heaters


def _named(table: LoggedTable, column: int) -> tuple[tuple[str, ...], np.ndarray]:
    words = [re.sub(r"\.0+\Z", "", word) for word in table.words[column]]
    heaters = tuple(dict.fromkeys(word for word in words if word.casefold() not in NOBODY))
    on = np.array([[float(word == heater) for heater in heaters] for word in words])
    return heaters, on.reshape(len(words), len(heaters))


def _powered(table: LoggedTable, columns: list[int]) -> np.ndarray:
    """(N, H) share of the largest value that each heater's column holds."""
    yes = ("on", "yes", "true", "x")
    on = np.zeros((len(table.time_s), len(columns)))
    for k, i in enumerate(columns):
        said = [word.casefold() in yes for word in table.words[i]]
        values = np.where(said, 1.0, np.nan_to_num(table.values[:, i]))
        top = values.max(initial=0.0)
        on[:, k] = np.clip(values, 0, None) / top if top > 0 else 0.0
    return on
