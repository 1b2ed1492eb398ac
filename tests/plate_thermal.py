"""A plate with heaters and sensors as lumped masses: logs of response tests with known truth.

Every zone has a nozzle (small mass, close to its heater and sensor) on a cell of the plate (large
mass); cells conduct to their neighbours in the grid and lose heat to the room. Nothing of this is
used by the code under test, which knows neither the masses nor the conductances. Units: J/K, W/K,
W, s, °C. Masses and conductances are invented, of the size of a small nozzle on a steel plate.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import expm

from mapper.bench.response_log import ResponseLog


@dataclass
class Truth:
    """What is wrong with a plate. `sensor_of[h]`: which sensor sits in heater h."""

    sensor_of: np.ndarray
    reversed: set[int] = field(default_factory=set)  # sensors
    dead: set[int] = field(default_factory=set)  # heaters
    open: set[int] = field(default_factory=set)  # sensors


def conductances(zones: int, columns: int, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """(A, B): dT/dt = A T + B P for 2 x zones masses, nozzles first."""
    nozzle = rng.uniform(80, 200, zones)
    cell = rng.uniform(1500, 3000, zones)
    seat = rng.uniform(0.4, 0.8, zones)
    a = np.zeros((2 * zones, 2 * zones))

    def join(i: int, j: int, w_k: float) -> None:
        for one, other in ((i, j), (j, i)):
            a[one, one] -= w_k
            a[one, other] += w_k

    for z in range(zones):
        join(z, zones + z, seat[z])
        if (z + 1) % columns and z + 1 < zones:
            join(zones + z, zones + z + 1, rng.uniform(2, 6))
            join(z, z + 1, rng.uniform(0.0, 0.06))  # air and melt between nozzles
        if z + columns < zones:
            join(zones + z, zones + z + columns, rng.uniform(2, 6))
        a[zones + z, zones + z] -= rng.uniform(0.3, 0.8)
    mass = np.concatenate([nozzle, cell])
    b = np.vstack([np.diag(1 / nozzle), np.zeros((zones, zones))])
    return a / mass[:, None], b


def make_log(
    zones: int,
    truth: Truth,
    rng: np.random.Generator,
    noise_c: float = 0.1,
    step_s: float = 5.0,
    turn_s: float = 120.0,
    rest_s: float = 120.0,
    missing: float = 0.0,
    power_w: float = 40.0,
    drift_c: float = 2.0,
) -> ResponseLog:
    """A log of every heater's turn, one after the other, as its sensors show it."""
    columns = max(2, round(np.sqrt(zones)))
    a, b = conductances(zones, columns, rng)
    turn, rest = round(turn_s / step_s), round(rest_s / step_s)
    rows = rest + zones * (turn + rest)
    on = np.zeros((rows, zones))
    for place, h in enumerate(rng.permutation(zones)):
        start = rest + place * (turn + rest)
        on[start : start + turn, h] = 1.0
    watts = power_w * rng.uniform(0.6, 1.5, zones)
    watts[list(truth.dead)] = 0.0
    n = len(a)
    whole = expm(np.block([[a, b], [np.zeros((zones, n + zones))]]) * step_s)
    step, push = whole[:n, :n], whole[:n, n:]
    temps = np.zeros((rows, n))
    for i in range(1, rows):
        temps[i] = step @ temps[i - 1] + push @ (on[i - 1] * watts)
    seconds = np.arange(rows) * step_s
    shown = np.empty((rows, zones))
    lag = rng.uniform(0.3, 0.8, zones)  # per step: sensors follow their nozzle a little late
    nozzles = temps[:, :zones]
    late = np.zeros(zones)
    for i in range(rows):
        late = late + lag * (nozzles[i] - late)
        shown[i, truth.sensor_of] = late
    room = drift_c * np.sin(2 * np.pi * (seconds / seconds[-1] * rng.uniform(0.3, 0.9) + 0.1))
    sign = np.ones(zones)
    sign[list(truth.reversed)] = -1
    shown = 23 + sign * (shown + room[:, None]) + rng.normal(0, 0.3, zones)
    shown += rng.normal(0, noise_c, shown.shape)
    wild = rng.random(shown.shape) < 0.002
    shown[wild] += rng.uniform(-80, 80, int(wild.sum()))
    shown[rng.random(shown.shape) < missing] = np.nan
    shown[:, list(truth.open)] = np.nan
    names = tuple(f"Z{z + 1:02d}" for z in range(zones))
    return ResponseLog(seconds, names, shown, names, on)


def random_truth(zones: int, rng: np.random.Generator) -> Truth:
    """Up to two swapped pairs, a ring of three, two reversed, one dead and one open part.

    Dead and open ones are put where the rest tells them: a dead heater whose own sensor is open,
    or is swapped with another silent one, cannot be told from outside by anybody.
    """
    sensor_of = np.arange(zones)
    free = list(rng.permutation(zones))
    for _ in range(int(rng.integers(0, 3))):
        if len(free) >= 6:
            i, j = free.pop(), free.pop()
            sensor_of[[i, j]] = sensor_of[[j, i]]
    if len(free) >= 8 and rng.random() < 0.3:
        i, j, k = free.pop(), free.pop(), free.pop()
        sensor_of[[i, j, k]] = sensor_of[[j, k, i]]
    truth = Truth(sensor_of)
    truth.reversed = {int(s) for s in rng.choice(zones, int(rng.integers(0, 3)), replace=False)}
    if len(free) >= 3 and rng.random() < 0.6:
        truth.dead = {int(free.pop())}
    if len(free) >= 3 and rng.random() < 0.6:
        truth.open = {int(free.pop())}
    truth.reversed -= truth.open | {int(sensor_of[h]) for h in truth.dead}
    return truth
