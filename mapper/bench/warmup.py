"""Warm-up watch: fit the first-order rise of a part that is heated, and say when it will be warm.

Model: T(t) = end - lift exp(-t / tau) + creep t, with creep not below 0. The first two terms are
the answer of one mass with one loss to constant power (Newton's law of cooling; Incropera & DeWitt,
Fundamentals of Heat and Mass Transfer, the lumped capacitance method); the creep is the plate
behind it, which warms slowly. How long it creeps nobody can see in the readings: the earliest time
of a target takes it to go on, the latest takes it to stop now.

Fitted by least squares for each time constant, after `scipy.optimize.least_squares` with a soft
loss has shown which single values are wild. The interval comes from the profile of the fit: every
time constant that explains the values about as well as the best is kept (F ratio; Bates & Watts
1988, chapter 6), and the answer is the range of what these say. That stays honest while the curve
still looks straight, where a linear error would not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import f as f_ratio

from mapper.bench.errors import BenchError
from mapper.bench.logs import celsius, read_log_table
from mapper.errors import shown

__all__ = ["Rise", "WarmUp", "fit_rise", "read_warm_up", "warnings_for"]

LEAST_POINTS = 5
LEAST_RISE_C = 3.0
CONFIDENCE = 0.95
SHARE_SEEN = 0.25  # of the way to the end; before that nobody can tell where it ends
READ_TO_C = 0.3  # readings are not better than this, whatever the fit leaves over
SOON_S = 300.0
MAX_POINTS = 100_000
PROFILE = 160
ZOOMS = 3
ROUGH_C, ROUGH_SHARE = 3.0, 0.08  # readings this far off the curve do not follow one
LEAST_SHARE = 0.7  # of the readings must belong to the rise
UNLIKE = (
    "The readings do not follow one rise that levels off: the power was changed, the sensor moved, "
    "or plastic melts. Start a new warm-up from here."
)
MOST_FITTED = 1500  # more readings than that are thinned out


@dataclass(frozen=True)
class WarmUp:
    """A warm-up as logged: (seconds, °C) in order, and what it is held against."""

    name: str
    points: tuple[tuple[float, float], ...] = ()
    target_c: float = 200.0
    resin: str = "unknown"
    stop_c: float | None = None  # set by hand; else the resin's
    rating_c: float | None = None  # of the lead insulation
    extra: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any]) -> WarmUp:
        """The warm-up as kept. Raises BenchError for anything else."""
        try:
            points = tuple((float(t), float(c)) for t, c in mapping.get("points", ()))
            numbers = [float(mapping.get("target_c", 200.0))]
            limits = [
                None if mapping.get(key) is None else float(mapping[key])
                for key in ("stop_c", "rating_c")
            ]
            texts = [mapping.get("name", ""), mapping.get("resin", "unknown")]
        except (TypeError, ValueError, AttributeError, OverflowError):
            raise BenchError("The warm-up is damaged: enter it again.") from None
        every = [*numbers, *(one for one in limits if one is not None), *sum(points, ())]
        in_order = all(a[0] <= b[0] for a, b in zip(points[:-1], points[1:], strict=True))
        if (
            not all(isinstance(one, str) for one in texts)
            or not all(math.isfinite(one) for one in every)
            or not in_order
            or len(points) > MAX_POINTS
        ):
            raise BenchError("The warm-up is damaged: enter it again.")
        known = ("name", "points", "target_c", "resin", "stop_c", "rating_c")
        extra = {key: value for key, value in mapping.items() if key not in known}
        return cls(texts[0], points, numbers[0], texts[1], limits[0], limits[1], extra)

    def to_dict(self) -> dict[str, Any]:
        return {
            **self.extra,
            "name": self.name,
            "points": [list(point) for point in self.points],
            "target_c": self.target_c,
            "resin": self.resin,
            "stop_c": self.stop_c,
            "rating_c": self.rating_c,
        }


@dataclass(frozen=True)
class Rise:
    """The fit of a warm-up.

    tau_s, end_c : best fit (end_c without the creep), None while nothing can be told.
    creep_c_s, creep_most_c_s : best and largest creep. *_range : 95 % ranges, where an infinite
    upper end means that the values do not bound it. target_s : seconds from the first point at
    which the target is reached, None for never or not to be told; target_range_s as the others.
    `text` says all that in words.
    """

    text: str
    known: bool = False
    tau_s: float | None = None
    end_c: float | None = None
    start_c: float | None = None
    tau_range_s: tuple[float, float] | None = None
    end_range_c: tuple[float, float] | None = None
    target_s: float | None = None
    target_range_s: tuple[float, float] | None = None
    spread_c: float | None = None
    creep_c_s: float = 0.0
    creep_most_c_s: float = 0.0

    def at_c(self, time_s: np.ndarray) -> np.ndarray:
        """(N,) °C of the fitted curve; only when `tau_s` is known."""
        decay = np.exp(-np.asarray(time_s, float) / self.tau_s)
        creep = self.creep_c_s * np.asarray(time_s, float)
        return self.end_c - (self.end_c - self.start_c) * decay + creep


def read_warm_up(data: bytes | str, column: str | None = None) -> tuple[tuple[float, float], ...]:
    """Read (seconds, °C) from a logged table: the column named, or the first with temperatures.

    Raises
    ------
    BenchError
        There is no such table or column.
    """
    table = read_log_table(data)
    temps_c = {
        i: values for i in range(len(table.titles)) if (values := celsius(table, i)) is not None
    }
    filled = [i for i, values in temps_c.items() if np.isfinite(values).any()]
    if column is not None:
        names = [title.casefold() for title in table.titles]
        if column.casefold() not in names:
            raise BenchError(f"The log has no column {shown(column)}: choose another.")
        at = names.index(column.casefold())
        if at not in temps_c:
            raise BenchError(
                f"Column {shown(column)} is in {shown(table.units[at])}, which is no temperature: "
                "choose another."
            )
        filled = [i for i in filled if i == at]
    if not filled:
        raise BenchError("The log has no column with temperatures: add one, in °C, °F or K.")
    values = temps_c[filled[0]]
    there = np.isfinite(values) & (values > -100) & (values < 1500)
    return tuple(
        (float(t), float(c)) for t, c in zip(table.time_s[there], values[there], strict=True)
    )


def fit_rise(points: Sequence[tuple[float, float]], target_c: float) -> Rise:
    """Fit the rise and say when `target_c` will be reached, or that it can't be told yet."""
    values = np.array(points, float).reshape(-1, 2)
    if len(values) < LEAST_POINTS:
        return Rise(f"{LEAST_POINTS - len(values)} more readings are needed before anything shows.")
    thin = values[:: len(values) // MOST_FITTED + 1]
    values = thin if thin[-1, 0] == values[-1, 0] else np.vstack([thin, values[-1:]])
    time_s, temp_c = values[:, 0] - values[0, 0], values[:, 1]
    span_s = float(time_s[-1])
    if span_s <= 0 or len(np.unique(time_s)) < LEAST_POINTS:
        return Rise("The readings need different times.")
    ahead = np.median(temp_c[-3:]) - np.median(temp_c[:3])
    reached = np.flatnonzero(temp_c >= target_c)
    if len(reached) and temp_c[-1] >= target_c:
        at_s = float(time_s[reached[0]])
        return Rise(
            f"The target of {target_c:g} °C is reached.", True, target_s=at_s,
            target_range_s=(at_s, at_s),
        )  # fmt: skip
    if ahead < LEAST_RISE_C:
        return Rise(
            f"The temperature has risen by {max(ahead, 0):.1f} °C only: too little to say anything."
        )
    return _told(time_s, temp_c, span_s, target_c)


def _told(time_s: np.ndarray, temp_c: np.ndarray, span_s: float, target_c: float) -> Rise:
    taus = np.geomspace(span_s / 200, span_s * 200, PROFILE)
    longest_s = float(taus[-1])
    weight = _weights(time_s, temp_c, taus)
    for _ in range(ZOOMS):  # into the time constants that explain the values about equally well
        fits = _curves(time_s, temp_c, taus, weight)
        best = int(np.argmin(fits.losses))
        free = max(weight.sum() - 4, 1.0)
        residual = (fits.at_c(best, time_s) - temp_c)[weight > 0]
        widen = _widening(residual)
        least = float(fits.losses[best])
        spread2 = max(least / free, READ_TO_C**2)
        level = float(f_ratio.ppf(CONFIDENCE, 1, max(free / widen, 1.0)))
        bound = least + spread2 * widen * level
        within = np.flatnonzero(fits.losses <= bound)
        low, high = max(within[0] - 1, 0), min(within[-1] + 1, len(taus) - 1)
        taus = np.geomspace(taus[low], taus[high], PROFILE)
    rough = math.sqrt(least / free) > max(ROUGH_C, ROUGH_SHARE * float(np.ptp(temp_c)))
    if fits.lifts[best] <= 0 or rough or weight.sum() < LEAST_SHARE * len(weight):
        return Rise(UNLIKE)
    kept = np.flatnonzero((fits.losses <= bound) & (fits.lifts > 0))
    variants = [one for side in (-1, 1) for one in fits.with_creep(kept, side, bound)]
    earliest = min(one.first_s(target_c, span_s, math.inf) for one in variants)
    latest = max(one.first_s(target_c, span_s, span_s) for one in variants)
    best_one = fits.one(best)
    creep_most = max(one.creep for one in variants)
    open_ended = fits.taus[kept[-1]] >= 0.9 * longest_s
    levels_c = [one.end + one.creep * span_s for one in variants]
    end_range = (min(levels_c), math.inf if open_ended else max(levels_c))
    tau_high = math.inf if open_ended else float(fits.taus[kept].max())
    numbers = {
        "tau_s": best_one.tau,
        "end_c": best_one.end,
        "start_c": best_one.end - best_one.lift,
        "tau_range_s": (float(fits.taus[kept].min()), tau_high),
        "end_range_c": end_range,
        "spread_c": math.sqrt(least / free),
        "creep_c_s": best_one.creep,
        "creep_most_c_s": creep_most,
    }
    levels = (
        f"It levels off at {_from_to(*end_range)} °C "
        f"(time constant {_span(numbers['tau_range_s'][0], tau_high)})"
        if math.isfinite(end_range[1])
        else "Where it levels off can't be told yet"
    )
    an_hour_c = creep_most * 3600
    creeps = an_hour_c > 3 and math.isfinite(latest)
    levels += f", and creeps on by up to {an_hour_c:.0f} K an hour." if creeps else "."
    guess_s = best_one.first_s(target_c, span_s, math.inf)
    if math.isinf(earliest):
        text = f"As it is heated now, {target_c:g} °C will not be reached. {levels}"
        return Rise(text, True, **numbers, target_range_s=(math.inf, math.inf))
    soonest = max(earliest - span_s, 0.0)
    seen = 1 - math.exp(-span_s / tau_high) if math.isfinite(tau_high) else 0.0
    if math.isinf(latest) or seen < SHARE_SEEN:
        perhaps = "" if math.isfinite(latest) else ", perhaps never"
        if math.isfinite(guess_s) and not open_ended:
            perhaps += f"; a guess is {_span(guess_s - span_s)}"
        text = (
            f"When {target_c:g} °C will be reached can't be told yet: not before "
            f"{_span(soonest)} from now{perhaps}. {levels} Keep logging."
        )
        return Rise(text, False, **numbers, target_range_s=(earliest, math.inf))
    text = (
        f"{target_c:g} °C will be reached in {_span(soonest, latest - span_s)} from now. {levels}"
    )
    at_s = min(max(guess_s, earliest), latest)
    return Rise(text, True, **numbers, target_s=at_s, target_range_s=(earliest, latest))


@dataclass(frozen=True)
class _Curve:
    """T(t) = end - lift exp(-t / tau) + creep t."""

    end: float
    lift: float
    tau: float
    creep: float

    def first_s(self, target_c: float, from_s: float, creep_until_s: float) -> float:
        """When it first reaches `target_c` after `from_s`, inf when it does not in a long time."""
        at_s = np.concatenate([[from_s], from_s + from_s * np.geomspace(1e-3, 50, 400)])
        creep = self.creep * np.minimum(at_s, creep_until_s)
        temp_c = self.end - self.lift * np.exp(-at_s / self.tau) + creep
        above = np.flatnonzero(temp_c >= target_c)
        if not len(above):
            return math.inf
        i = int(above[0])
        if i == 0:
            return from_s
        share = (target_c - temp_c[i - 1]) / max(temp_c[i] - temp_c[i - 1], 1e-12)
        return float(at_s[i - 1] + share * (at_s[i] - at_s[i - 1]))


@dataclass(frozen=True, eq=False)
class _Fits:
    """Least squares for each of P time constants; `free_creep` may lie below 0, `creeps` not."""

    taus: np.ndarray
    losses: np.ndarray
    creeps: np.ndarray
    free_creep: np.ndarray
    free_losses: np.ndarray
    curvature: np.ndarray
    lifts: np.ndarray
    _at_zero: tuple[np.ndarray, np.ndarray, np.ndarray, float, float]

    def one(self, i: int, creep: float | None = None) -> _Curve:
        creep = float(self.creeps[i] if creep is None else creep)
        slope, per_creep, mean_d, mean_t, mean_x = (
            *(one[i] for one in self._at_zero[:3]),
            *self._at_zero[3:],
        )
        a = float(slope - per_creep * creep)
        return _Curve(float(mean_t - a * mean_d - creep * mean_x), -a, float(self.taus[i]), creep)

    def at_c(self, i: int, time_s: np.ndarray) -> np.ndarray:
        one = self.one(i)
        return one.end - one.lift * np.exp(-time_s / one.tau) + one.creep * time_s

    def with_creep(self, kept: np.ndarray, side: int, bound: float) -> list[_Curve]:
        """The curves with the least (-1) or most (1) creep within the bound."""
        room = np.maximum(bound - self.free_losses, 0)
        reach = np.sqrt(
            np.divide(room, self.curvature, out=np.zeros_like(room), where=self.curvature > 0)
        )
        creeps = np.maximum(self.free_creep + side * reach, 0)
        return [self.one(i, creeps[i]) for i in kept]


def _curves(time_s: np.ndarray, temp_c: np.ndarray, taus: np.ndarray, weight: np.ndarray) -> _Fits:
    total = weight.sum()
    decay = np.exp(-time_s / taus[:, None])
    mean_d = decay @ weight / total
    mean_t, mean_x = float(weight @ temp_c) / total, float(weight @ time_s) / total
    d, t, x = decay - mean_d[:, None], temp_c - mean_t, time_s - mean_x
    dd = np.maximum((d * d) @ weight, 1e-12)
    dx, dt = d @ (weight * x), d @ (weight * t)
    xx, xt, tt = float(weight @ (x * x)), float(weight @ (x * t)), float(weight @ (t * t))
    plain = np.maximum(tt - dt * dt / dd, 0.0)
    # Where the decay itself is nearly straight no creep can be told from it: it stands for both.
    curvature = np.where(xx - dx * dx / dd > 1e-4 * xx, xx - dx * dx / dd, 0.0)
    across = xt - dx * dt / dd
    free = np.divide(across, curvature, out=np.zeros_like(across), where=curvature > 0)
    free_losses = np.maximum(plain - curvature * free**2, 0.0)
    creeps = np.maximum(free, 0.0)
    losses = free_losses + curvature * (creeps - free) ** 2
    lifts = -(dt / dd - dx / dd * creeps)
    kept = (dt / dd, dx / dd, mean_d, mean_t, mean_x)
    return _Fits(taus, losses, creeps, free, free_losses, curvature, lifts, kept)


def _weights(time_s: np.ndarray, temp_c: np.ndarray, taus: np.ndarray) -> np.ndarray:
    """1 for what belongs to the rise, 0 for single wild values; from a fit with a soft loss."""
    start, end = float(temp_c[0]), float(temp_c.max())
    first = [math.log(max(time_s[-1] / 2, 1e-6)), end, start]
    low, high = math.log(taus[0]), math.log(taus[-1])

    def off_by(p: np.ndarray) -> np.ndarray:
        return p[1] - (p[1] - p[2]) * np.exp(-time_s / math.exp(p[0])) - temp_c

    def slopes(p: np.ndarray) -> np.ndarray:
        share = time_s / math.exp(p[0])
        decay = np.exp(-share)
        return np.stack([(p[2] - p[1]) * decay * share, 1 - decay, decay], axis=1)

    found = least_squares(
        off_by,
        [min(max(first[0], low), high), first[1], first[2]],
        slopes,
        bounds=([low, -1e5, -1e5], [high, 1e5, 1e5]),
        loss="soft_l1",
        f_scale=1.0,
        x_scale=[1.0, 50.0, 50.0],
        max_nfev=60,
    )
    off = np.abs(found.fun)
    return (off <= max(6 * 1.4826 * float(np.median(off)), 3 * READ_TO_C)).astype(float)


def _widening(residual: np.ndarray) -> float:
    """(1 + r) / (1 - r) for residuals of lag-one correlation r."""
    power = float(residual @ residual)
    r = float(residual[1:] @ residual[:-1]) / power if power > 0 else 0.0
    r = min(max(r, 0.0), 0.9)
    return (1 + r) / (1 - r)


def _span(low_s: float, high_s: float | None = None) -> str:
    def one(seconds: float) -> str:
        if math.isinf(seconds):
            return "without bound"
        if seconds < 90:
            return f"{seconds:.0f} s"
        return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"

    if high_s is None or one(low_s) == one(high_s):
        return one(low_s)
    return f"{one(low_s)} to {one(high_s)}"


def _from_to(low: float, high: float) -> str:
    return f"{low:.0f}" if f"{low:.0f}" == f"{high:.0f}" else f"{low:.0f} to {high:.0f}"


def warnings_for(
    points: Sequence[tuple[float, float]], rise: Rise, limit_c: float, what: str
) -> tuple[str, ...]:
    """Plain sentences on a limit: passed, near, or on the way to be passed and when."""
    if not points:
        return ()
    now_c = float(points[-1][1])
    if now_c >= limit_c:
        return (f"STOP: {now_c:.0f} °C is at or over the {limit_c:.0f} °C of {what}.",)
    out = []
    if rise.tau_s is not None:
        last_s = max(points[-1][0] - points[0][0], 1.0)
        end_c = rise.end_range_c[1] + rise.creep_most_c_s * last_s  # as long again
        if end_c >= limit_c:
            ends = "it may not level off below" if math.isinf(end_c) else "it may get to"
            best = _Curve(rise.end_c, rise.end_c - rise.start_c, rise.tau_s, rise.creep_c_s)
            when_s = best.first_s(limit_c, last_s, math.inf) - last_s
            soon = "" if math.isinf(when_s) else f", in about {_span(max(when_s, 0.0))}"
            hurry = " Lower the power now." if when_s < SOON_S else ""
            out.append(f"Mind {what}: {ends} its {limit_c:.0f} °C{soon}.{hurry}")
    if not out and now_c > limit_c - 20:
        out.append(f"{now_c:.0f} °C is within 20 K of the {limit_c:.0f} °C of {what}.")
    return tuple(out)
