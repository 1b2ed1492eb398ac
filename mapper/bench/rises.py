"""How far each sensor rises with each heater, from the log of a response test.

Three steps. First, at every turn of a heater, the values of each sensor before and during it are
fitted by a straight line and a first-order rise that starts with the turn. That names the few
heaters that move a sensor at all. Second, those few are fitted over the whole log, each as a
mixture of first-order lags (small power leaves a plate linear), together with a slow drift; so a
neighbour that still cools from its own turn is known and taken off. Third, the rise of every
heater is read again, locally, from what is left. Noise is what the last fits leave over. Single
wild values are left out before (Hampel's rule: far from the median of their neighbours), short
gaps bridged, long ones left unknown.

Method: ordinary least squares on means of short stretches of time; variance inflation
(1 + r) / (1 - r) for residuals of lag-one correlation r (Bartlett 1946; Wilks, Statistical
Methods in the Atmospheric Sciences, section 5.2).
"""

from __future__ import annotations

import warnings

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from mapper.bench.errors import BenchError
from mapper.bench.response_log import ResponseLog

__all__ = ["rises_of"]

BINS_PER_TURN = 12
LAGS = (0.1, 0.5, 2.0, 10.0)  # time constants in lengths of a turn: sensor, nozzle .. plate
RISE_LAG = 0.5  # of the rise that is fitted locally
TURNS_PER_KNOT = 4  # of the slow drift, a broken line
MOST_MOVERS = 6  # heaters of which the whole course is fitted for one sensor
MOVER_SIGMAS, MOVER_SHARE = 5.0, 0.03
ROUNDS = 2
LEAST_BINS = 3  # of a turn, and before it, that a sensor must have shown something in
SHORT_GAP = 3  # stretches without a value that a straight line may bridge
WILD_SIGMAS, WILD_LEAST_C = 6.0, 1.0  # a value this far from its neighbours' median is wild
MOST_ALIKE = 0.95  # two heaters whose turns correlate more than this cannot be told apart


def rises_of(log: ResponseLog) -> tuple[np.ndarray, np.ndarray]:
    """Return (rise_c, sigma_c), both (H, S): the rise at the end of one turn, and its standard
    deviation; nan where the log does not tell.

    Raises
    ------
    BenchError
        No heater was ever on, or the log is too short to tell a rise from drift.
    """
    turn_s = _turn_s(log)
    lagged = _lagged(log, np.array(LAGS) * turn_s)
    bins = np.floor(log.time_s / (turn_s / BINS_PER_TURN)).astype(int)
    starts = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
    counts = np.diff(np.append(starts, len(bins)))[:, None]
    drive = (np.add.reduceat(lagged, starts) / counts).reshape(len(starts), -1, len(LAGS))
    on = np.add.reduceat(log.on, starts) / counts
    at = (np.add.reduceat(log.time_s, starts) / counts[:, 0]) / turn_s  # in lengths of a turn
    shown = _bridged(_means(_without_wild(log.temps_c), starts))
    turns = _turns(on, at)
    rise, sigma = _local(turns, shown, at, len(log.heaters), slope=True)
    if not np.isfinite(rise).any():
        raise BenchError(
            "The log is too short to tell rises from drift: log more often, and leave some "
            "minutes of rest before each heater's turn."
        )
    knots = np.linspace(at[0], at[-1], 2 + int((at[-1] - at[0]) / (2 * TURNS_PER_KNOT)))
    hats = np.stack([np.interp(at, knots, one) for one in np.eye(len(knots))], axis=1)
    for _ in range(ROUNDS):
        left, parts = _without_movers(shown, hats, drive, rise, sigma)
        rise, sigma = _local(turns, left, at, len(log.heaters), slope=False)
        for (h, s), part in parts.items():
            own, _ = _local([one for one in turns if one[0] == h], part, at, h + 1, slope=False)
            rise[h, s] += own[h, 0]
    rise[_alike(on)] = np.nan
    return rise, np.where(np.isnan(rise), np.nan, sigma)


def _turns(on: np.ndarray, at: np.ndarray) -> list[tuple[int, int, int, int]]:
    """(heater, first bin of the window, first bin of the turn, one past its last) of each."""
    edges = np.diff(np.pad((on > 0.5).astype(int), ((1, 1), (0, 0))), axis=0)
    found = []
    for h in range(on.shape[1]):
        begins, ends = np.flatnonzero(edges[:, h] > 0), np.flatnonzero(edges[:, h] < 0)
        for begin, end in zip(begins, ends, strict=True):
            first = int(np.searchsorted(at, at[begin] - 1.0))
            found.append((h, first, int(begin), int(end)))
    return found


def _local(
    turns: list[tuple[int, int, int, int]],
    shown: np.ndarray,
    at: np.ndarray,
    heaters: int,
    slope: bool,
) -> tuple[np.ndarray, np.ndarray]:
    """(rise, sigma), (heaters, S): a first-order rise over what was there before each turn."""
    sensors = shown.shape[1]
    total, weight = np.zeros((heaters, sensors)), np.zeros((heaters, sensors))
    power, along, free = np.zeros(sensors), np.zeros(sensors), np.zeros(sensors)
    for h, first, begin, end in turns:
        since = at[first:end] - (at[begin] - 0.5 / BINS_PER_TURN)
        shape = np.where(since > 0, 1 - np.exp(-np.maximum(since, 0) / RISE_LAG), 0.0)
        columns = [np.ones_like(since), shape / max(shape[-1], 1e-9)]
        design = np.stack(columns + ([since] if slope else []), axis=1)
        y = shown[first:end]
        there = np.isfinite(y)
        enough = (there[: begin - first].sum(axis=0) >= LEAST_BINS) & (
            there[begin - first :].sum(axis=0) >= LEAST_BINS
        )
        if not enough.any():
            continue
        y, there = np.where(there, y, 0.0)[:, enough], there[:, enough].astype(float)
        alike = there[:, :1] if there.all() else there  # one inverse does when nothing is missing
        inverse = np.linalg.pinv(np.einsum("bi,bs,bj->sij", design, alike, design))
        found = (inverse @ (y.T @ design)[:, :, None])[:, :, 0]
        residual = (y - design @ found.T) * there
        power[enough] += (residual**2).sum(axis=0)
        along[enough] += (residual[1:] * residual[:-1]).sum(axis=0)
        free[enough] += there.sum(axis=0) - design.shape[1]
        one = 1 / np.maximum(inverse[:, 1, 1], 1e-12)
        total[h, enough] += one * found[:, 1]
        weight[h, enough] += one
    known = weight > 0
    rise = np.divide(total, weight, out=np.full(total.shape, np.nan), where=known)
    r = np.clip(np.divide(along, power, out=np.zeros_like(power), where=power > 0), 0, 0.9)
    spread = np.sqrt(power / np.maximum(free, 1) * (1 + r) / (1 - r))
    return rise, np.divide(spread, np.sqrt(weight), out=np.full(rise.shape, np.nan), where=known)


def _without_movers(
    shown: np.ndarray, hats: np.ndarray, drive: np.ndarray, rise: np.ndarray, sigma: np.ndarray
) -> tuple[np.ndarray, dict[tuple[int, int], np.ndarray]]:
    """What is left of each sensor without drift and the heaters that move it; and the part of
    each of those, (B, 1), by (heater, sensor)."""
    left, parts = shown.copy(), {}
    lags = drive.shape[2]
    for s in range(shown.shape[1]):
        rows = np.isfinite(shown[:, s])
        size = np.nan_to_num(np.abs(rise[:, s]))
        least = np.maximum(MOVER_SIGMAS * np.nan_to_num(sigma[:, s]), MOVER_SHARE * size.max())
        movers = [h for h in np.argsort(-size)[:MOST_MOVERS] if size[h] > least[h]]
        while movers and rows.sum() < 2 * (hats.shape[1] + lags * len(movers)):
            movers.pop()
        if rows.sum() < 2 * hats.shape[1]:
            continue
        design = np.hstack([hats, *(drive[:, h] for h in movers)])
        weights, *_ = np.linalg.lstsq(design[rows], shown[rows, s], rcond=1e-8)
        left[:, s] -= design @ weights
        for k, h in enumerate(movers):
            at = hats.shape[1] + lags * k
            parts[h, s] = (drive[:, h] @ weights[at : at + lags])[:, None]
    return left, parts


def _turn_s(log: ResponseLog) -> float:
    """Median length of a turn of a heater."""
    edges = np.diff(np.pad((log.on > 0.5).astype(int), ((1, 1), (0, 0))), axis=0)
    ends_s = np.append(log.time_s, log.time_s[-1])
    lengths = [
        ends_s[np.flatnonzero(edges[:, h] < 0)] - ends_s[np.flatnonzero(edges[:, h] > 0)]
        for h in range(edges.shape[1])
    ]
    all_s = np.concatenate(lengths) if lengths else np.array([])
    if not (all_s > 0).any():
        raise BenchError("No heater was on in this log, so no sensor can be told by it.")
    return float(np.median(all_s[all_s > 0]))


def _lagged(log: ResponseLog, lags_s: np.ndarray) -> np.ndarray:
    """(N, H * K) each heater's power through each first-order lag, H-major."""
    heaters = log.on.shape[1]
    drive = np.repeat(log.on, len(lags_s), axis=1)
    keep = np.exp(-np.diff(log.time_s)[:, None] / np.tile(lags_s, heaters))
    out = np.zeros_like(drive)
    for i in range(1, len(drive)):  # power holds from one row to the next
        out[i] = drive[i - 1] + (out[i - 1] - drive[i - 1]) * keep[i - 1]
    return out


def _without_wild(temps_c: np.ndarray) -> np.ndarray:
    """The values with wild ones made nan: far from the median of five rows."""
    if len(temps_c) < 5:
        return temps_c
    around = sliding_window_view(np.pad(temps_c, ((2, 2), (0, 0)), mode="edge"), 5, axis=0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # rows and columns without any value
        off = np.abs(temps_c - np.nanmedian(around, axis=-1))
        usual = 1.4826 * np.nanmedian(off, axis=0)
    return np.where(off > np.maximum(WILD_SIGMAS * usual, WILD_LEAST_C), np.nan, temps_c)


def _means(temps_c: np.ndarray, starts: np.ndarray) -> np.ndarray:
    there = np.isfinite(temps_c)
    sums = np.add.reduceat(np.where(there, temps_c, 0.0), starts)
    counts = np.add.reduceat(there.astype(float), starts)
    return np.divide(sums, counts, out=np.full(sums.shape, np.nan), where=counts > 0)


def _bridged(shown: np.ndarray) -> np.ndarray:
    """Short gaps bridged by a straight line; long ones stay nan."""
    out = shown.copy()
    for column in out.T:
        gone = np.isnan(column)
        if not gone.any() or gone.all():
            continue
        at = np.flatnonzero(~gone)
        for low, high in zip(at[:-1], at[1:], strict=True):
            if 1 < high - low <= SHORT_GAP + 1:
                inside = np.arange(low + 1, high)
                column[inside] = np.interp(inside, [low, high], column[[low, high]])
    return out


def _alike(on: np.ndarray) -> np.ndarray:
    """(H,) heaters that were on together with another, or never."""
    varies = on.std(axis=0) > 0
    out = ~varies
    if varies.sum() > 1:
        with np.errstate(invalid="ignore", divide="ignore"):
            alike = np.nan_to_num(np.corrcoef(on, rowvar=False)) > MOST_ALIKE
        np.fill_diagonal(alike, False)
        out |= alike.any(axis=1)
    return out
