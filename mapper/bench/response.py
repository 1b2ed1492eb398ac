"""Which sensor belongs to which heater, and what is wrong, from the rises of a response test.

Method: the one-to-one assignment with the largest sum of rises (Kuhn 1955; Munkres 1957;
rectangular after Bourgeois and Lassalle 1971), by `scipy.optimize.linear_sum_assignment`, on the
size of each rise, since a reversed sensor falls. An assignment always exists, even for noise; so
a pair is claimed only when its rise stands out of its row and of its column, by ratio and by
noise. Everything else is named as what it is, or as to be tested again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment

from mapper.bench.errors import BenchError
from mapper.bench.response_log import ResponseLog, zone_key
from mapper.bench.rises import rises_of
from mapper.errors import shown

__all__ = ["Finding", "Response", "judge_log", "judge_rises"]

CLEAR_RATIO = 1.5  # a rise counts as its pair's own when this much above the next in row and column
CLEAR_SIGMAS = 5.0  # and by this many standard deviations of the difference
WEAK_SHARE = 0.2  # of the plate's usual rise: less is an answer too weak to judge by
ALIVE_SHARE = 0.08  # less is no answer at all; from here on even a neighbour's rise is one
ALIVE_SIGMAS = 8.0  # when it is this far above the noise; many neighbours are looked at
TYPED_SIGMA_C = 0.5  # how well a rise is read off a display by hand


@dataclass(frozen=True)
class Finding:
    """One thing found. `kind` is "swapped", "ring", "elsewhere", "reversed", "dead heater",
    "silent", "no sensor", "open sensor", "flat sensor", "ambiguous", "weak" or "untested"."""

    kind: str
    heaters: tuple[str, ...]
    sensors: tuple[str, ...]
    text: str


@dataclass(frozen=True, eq=False)
class Response:
    """The outcome of a response test of H heaters and S sensors.

    rise_c, sigma_c : (H, S), nan where nothing is known.
    match : (H,) column of the sensor that is claimed for each heater, -1 where none is.
    likely : (H,) column of the assignment, claimed or not, -1 where none.
    row_margin, column_margin : (H,) the pair's rise by the next of its row and of its column.
    """

    heaters: tuple[str, ...]
    sensors: tuple[str, ...]
    rise_c: np.ndarray
    sigma_c: np.ndarray
    match: np.ndarray
    likely: np.ndarray
    row_margin: np.ndarray
    column_margin: np.ndarray
    findings: tuple[Finding, ...]

    @property
    def test_again(self) -> tuple[str, ...]:
        """Heaters for which nothing is claimed and that a second test may settle."""
        kinds = ("ambiguous", "weak", "untested", "silent")
        names = [name for one in self.findings if one.kind in kinds for name in one.heaters]
        return tuple(dict.fromkeys(names))

    @property
    def right(self) -> tuple[str, ...]:
        """Heaters that answer clearly on their own sensor, the right way round."""
        own = [_own(name, self.sensors) for name in self.heaters]
        return tuple(
            name
            for h, name in enumerate(self.heaters)
            if self.match[h] >= 0 and self.match[h] == own[h]
            if self.rise_c[h, self.match[h]] > 0
        )

    def moved(self) -> dict[str, str]:
        """{heater: sensor} of the pairs claimed for another zone than their own that close among
        themselves: the corrections that leave every sensor with one zone."""
        pairs = {
            self.heaters[h]: self.sensors[s]
            for h, s in enumerate(self.match)
            if s >= 0 and s != _own(self.heaters[h], self.sensors)
        }
        while True:
            giving = {zone_key(sensor) for sensor in pairs.values()}
            taking = {zone_key(heater) for heater in pairs}
            closed = {
                heater: sensor
                for heater, sensor in pairs.items()
                if zone_key(heater) in giving and zone_key(sensor) in taking
            }
            if len(closed) == len(pairs):
                return closed
            pairs = closed

    def reversed_sensors(self) -> tuple[str, ...]:
        """Sensors claimed that fall when heated."""
        return tuple(
            self.sensors[s] for h, s in enumerate(self.match) if s >= 0 and self.rise_c[h, s] < 0
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types: what was read (the outcome is judged again from it)."""
        return {
            "heaters": list(self.heaters),
            "sensors": list(self.sensors),
            "rise_c": _plain(self.rise_c),
            "sigma_c": _plain(self.sigma_c),
        }

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any]) -> Response:
        """Judge again what `to_dict` kept. Raises BenchError for anything else."""
        try:
            names = [mapping["heaters"], mapping["sensors"]]
            arrays = [np.array(mapping[key], dtype=float) for key in ("rise_c", "sigma_c")]
        except (KeyError, TypeError, ValueError):
            raise BenchError("The response test is damaged: enter it again.") from None
        whole = all(isinstance(n, list) and all(isinstance(x, str) for x in n) for n in names)
        if not whole or any(a.shape != (len(names[0]), len(names[1])) for a in arrays):
            raise BenchError("The response test is damaged: enter it again.")
        return judge_rises(*names, *arrays)


def judge_log(log: ResponseLog) -> Response:
    """Judge the log of a response test. Raises BenchError when it holds no rises."""
    rise_c, sigma_c = rises_of(log)
    return judge_rises(log.heaters, log.sensors, rise_c, sigma_c)


def judge_rises(
    heaters: Sequence[str],
    sensors: Sequence[str],
    rise_c: np.ndarray,
    sigma_c: np.ndarray | float = TYPED_SIGMA_C,
) -> Response:
    """Judge rises (H, S) in °C, nan where nothing was read.

    A sensor belongs to the heater of the same zone (Z1 and Z01 are the same); its name is that
    of its zone. Raises BenchError for another shape and for names used twice.
    """
    heaters, sensors = tuple(heaters), tuple(sensors)
    rise = np.array(rise_c, dtype=float)
    if rise.shape != (len(heaters), len(sensors)) or not heaters or not sensors:
        raise BenchError("The rises need one row per heater and one column per sensor.")
    for names, word in ((heaters, "heater"), (sensors, "sensor")):
        keys = [zone_key(name) for name in names]
        twice = next((n for n, key in zip(names, keys, strict=True) if keys.count(key) > 1), None)
        if twice is not None:
            raise BenchError(f"The {word} {shown(twice)} stands there twice: rename one.")
    rise[~np.isfinite(rise)] = np.nan
    sigma = np.where(np.isnan(rise), np.nan, np.broadcast_to(sigma_c, rise.shape))
    return _Judge(heaters, sensors, rise, sigma).outcome()


class _Judge:
    """Works out one outcome; every finding is made from the same few arrays."""

    def __init__(
        self,
        heaters: tuple[str, ...],
        sensors: tuple[str, ...],
        rise: np.ndarray,
        sigma: np.ndarray,
    ) -> None:
        self.heaters, self.sensors, self.rise, self.sigma = heaters, sensors, rise, sigma
        self.own = np.array([_own(name, sensors) for name in heaters])
        self.size = np.nan_to_num(np.abs(rise))
        self.noise = np.nan_to_num(sigma)
        self.open = np.isnan(rise).all(axis=0)
        self.untested = np.isnan(rise).all(axis=1)
        tops = self.size.max(axis=1)
        # The usual rise of a plate: dead and unseen heaters must not pull it down.
        loud = tops[tops > CLEAR_SIGMAS * self.noise.max(axis=1)]
        self.usual = float(np.median(loud[loud >= np.median(loud) / 2])) if len(loud) else 0.0
        rows, columns = linear_sum_assignment(self.size, maximize=True)
        self.likely = np.full(len(heaters), -1)
        self.likely[rows] = columns
        self.row_margin = np.full(len(heaters), np.nan)
        self.column_margin = np.full(len(heaters), np.nan)
        self.match = np.full(len(heaters), -1)
        for h, s in enumerate(self.likely):
            if s >= 0 and self._clear(h, s):
                self.match[h] = s

    def _clear(self, h: int, s: int) -> bool:
        best, clear = self.size[h, s], True
        others = (
            (np.delete(self.size[h], s), np.delete(self.noise[h], s), self.row_margin),
            (np.delete(self.size[:, s], h), np.delete(self.noise[:, s], h), self.column_margin),
        )
        for sizes, noises, margin in others:
            second = sizes.max(initial=0.0)
            margin[h] = best / second if second > 0 else (np.inf if best > 0 else np.nan)
            gaps = best - sizes
            clear &= bool((gaps >= CLEAR_SIGMAS * np.hypot(noises, self.noise[h, s])).all())
            clear &= best >= CLEAR_RATIO * second
        # What was not read in this row or column might have been larger.
        unread = np.isnan(self.rise[h]) & ~self.open
        unread_rows = np.isnan(self.rise[:, s]) & ~self.untested
        clear &= not unread.any() and not unread_rows.any()
        loud = best >= max(WEAK_SHARE * self.usual, CLEAR_SIGMAS * self.noise[h, s])
        return bool(clear and loud and best > 0)

    def outcome(self) -> Response:
        about_heaters = [*self._moved(), *self._reversed(), *self._unmatched_heaters()]
        findings = [*about_heaters, *self._unmatched_sensors()]
        return Response(
            self.heaters,
            self.sensors,
            self.rise,
            self.sigma,
            self.match,
            self.likely,
            self.row_margin,
            self.column_margin,
            tuple(findings),
        )

    def _moved(self) -> list[Finding]:
        """Rings of exchanged sensors; what does not close is named by itself."""
        zone_of = {zone_key(name): h for h, name in enumerate(self.heaters)}
        follow = {
            h: zone_of.get(zone_key(self.sensors[s]))
            for h, s in enumerate(self.match)
            if s >= 0 and s != self.own[h]
        }
        found, told = [], set()
        for start in follow:
            ring, at = [start], follow[start]
            while at in follow and at not in ring:
                ring.append(at)
                at = follow[at]
            if start in told or at != start:
                continue
            told.update(ring)
            names = tuple(self.heaters[h] for h in ring)
            sensors = tuple(self.sensors[self.match[h]] for h in ring)
            if len(ring) == 2:
                text = (
                    f"{names[0]} and {names[1]} are swapped: each heats the sensor of the other. "
                    "With a controller each would drive the other's heater, one to full power."
                )
                found.append(Finding("swapped", names, sensors, text))
            else:
                pairs = ", ".join(
                    f"heater {h} heats sensor {s}" for h, s in zip(names, sensors, strict=True)
                )
                text = f"{len(ring)} zones are exchanged in a ring: {pairs}."
                found.append(Finding("ring", names, sensors, text))
        for h in follow:
            if h not in told:
                heater, sensor = self.heaters[h], self.sensors[self.match[h]]
                text = f"Heater {heater} heats sensor {sensor}, which is not its own."
                found.append(Finding("elsewhere", (heater,), (sensor,), text))
        return found

    def _reversed(self) -> list[Finding]:
        return [
            Finding(
                "reversed",
                (self.heaters[h],),
                (self.sensors[s],),
                f"Sensor {self.sensors[s]} falls by {-self.rise[h, s]:.1f} °C when heater "
                f"{self.heaters[h]} heats: its two legs are reversed.",
            )
            for h, s in enumerate(self.match)
            if s >= 0 and self.rise[h, s] < 0
        ]

    def _unmatched_heaters(self) -> list[Finding]:
        left = [h for h in range(len(self.heaters)) if self.match[h] < 0]
        return [self._why_not(h) for h in left]

    def _why_not(self, h: int) -> Finding:
        name = self.heaters[h]
        if self.untested[h]:
            return Finding(
                "untested", (name,), (), f"{name} was not tested by itself: give it a turn alone."
            )
        sizes, noises = self.size[h], self.noise[h]
        taken = np.isin(np.arange(len(self.sensors)), self.match[self.match >= 0])
        s = int(np.argmax(sizes))
        readable = CLEAR_SIGMAS * noises.max() < WEAK_SHARE * self.usual
        missing = [self.sensors[i] for i in np.flatnonzero(self.open)]
        blind = bool(missing) or self.own[h] < 0  # a sensor that nobody can read may be its own
        if not readable or self.usual == 0:
            text = (
                f"{name}: nothing rises above the noise of {noises.max():.2g} °C. Test it again "
                "with a longer turn."
            )
            return Finding("weak", (name,), (), text)
        if sizes[s] < ALIVE_SHARE * self.usual:
            return self._no_answer(h, missing)
        heats = (sizes > np.maximum(ALIVE_SHARE * self.usual, ALIVE_SIGMAS * noises)).any()
        if blind and heats and (taken[s] or sizes[s] < WEAK_SHARE * self.usual):
            text = (
                f"{name} heats its neighbours, but its own sensor does not show it "
                f"({', '.join(missing) or 'not logged'}): mend the sensor, then test {name} again."
            )
            return Finding("no sensor", (name,), tuple(missing), text)
        if sizes[s] < WEAK_SHARE * self.usual:
            text = (
                f"{name} answers weakly: at most {sizes[s]:.1f} °C, where {self.usual:.1f} °C is "
                "usual here. Measure its resistance and test it again with a longer turn."
            )
            return Finding("weak", (name,), (), text)
        near = np.argsort(-sizes)[:2]
        rivals = tuple(self.sensors[i] for i in near)
        values = " and ".join(f"{self.sensors[i]} by {self.rise[h, i]:.1f} °C" for i in near)
        text = (
            f"{name} is not clear: it moves {values}, or another heater moves them about as much. "
            "Let the plate rest longer and test it again."
        )
        return Finding("ambiguous", (name,), rivals, text)

    def _no_answer(self, h: int, missing: list[str]) -> Finding:
        """Nothing rose: dead, unless a sensor that shows nothing may be the one that was heated."""
        name, own = self.heaters[h], self.own[h]
        if not missing and own >= 0 and self._lives(own):
            text = (
                f"No sensor rises with {name}, though all sensors work: its heater, fuse or lead "
                "is dead. Measure the resistance, isolated."
            )
            return Finding("dead heater", (name,), (), text)
        blind = missing or ([self.sensors[own]] if own >= 0 else ["not logged"])
        text = (
            f"No sensor rises with {name}. Its heater is dead, or the sensor in it shows nothing "
            f"({', '.join(blind)}): measure the resistance of both, isolated."
        )
        return Finding("silent", (name,), tuple(missing), text)

    def _lives(self, s: int) -> bool:
        """Whether a sensor follows any heater at all, if only a neighbour."""
        least = np.maximum(ALIVE_SHARE * self.usual, ALIVE_SIGMAS * self.noise[:, s])
        return bool((self.size[:, s] > least).any())

    def _unmatched_sensors(self) -> list[Finding]:
        found = []
        for s, name in enumerate(self.sensors):
            if self.open[s]:
                text = f"Sensor {name} shows nothing: it is open, or not connected."
                found.append(Finding("open sensor", (), (name,), text))
            elif self._heated_but_flat(s):
                text = (
                    f"Sensor {name} follows no heater, not even a neighbour: shorted on the way, "
                    "or not in the plate."
                )
                found.append(Finding("flat sensor", (), (name,), text))
        return found

    def _heated_but_flat(self, s: int) -> bool:
        """A sensor that shows a value and no rise, though its heater warms the neighbours."""
        own = np.flatnonzero(self.own == s)
        if self._lives(s) or not len(own) or self.match[own[0]] >= 0 or self.usual == 0:
            return False
        h = own[0]
        heats = self.size[h] > np.maximum(ALIVE_SHARE * self.usual, ALIVE_SIGMAS * self.noise[h])
        readable = CLEAR_SIGMAS * self.noise[:, s].max() < WEAK_SHARE * self.usual
        return bool(heats.any() and readable)


def _own(heater: str, sensors: Sequence[str]) -> int:
    key = zone_key(heater)
    return next((i for i, name in enumerate(sensors) if zone_key(name) == key), -1)


def _plain(values: np.ndarray) -> list[list[float | None]]:
    return [[None if np.isnan(v) else round(float(v), 4) for v in row] for row in values]
