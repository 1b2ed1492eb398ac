"""Response tests of simulated plates with known faults, and the noise at which it stops.

    python -m tests.benchmarks.response [--plates 200] [--noise 0.1 1 2 4] [--seed 1]

Plates of 8 to 96 zones, from `tests.plate_thermal`: swapped pairs, rings of three, reversed
sensors, a dead heater, an open sensor, wild values, 3 % missing values, drift of the room. A fault
counts as named when a finding of its kind names its zone; a false one is any claim that is not
true. What the tool asks to have tested again is counted by itself. The peer in the same run is
plain assignment on the rise from the first to the last value of each turn, without a margin.
"""

from __future__ import annotations

import argparse
from collections import Counter

import numpy as np
from scipy.optimize import linear_sum_assignment

from mapper.bench.response import Response, judge_log
from mapper.bench.response_log import ResponseLog
from tests.plate_thermal import Truth, make_log, random_truth

SIZES = (8, 12, 16, 24, 32, 48, 64, 96)


def faults(truth: Truth) -> dict[str, set]:
    """What is to be named, by word."""
    names = [f"Z{z + 1:02d}" for z in range(len(truth.sensor_of))]
    moved = {
        (names[h], names[s])
        for h, s in enumerate(truth.sensor_of)
        if h != s and h not in truth.dead and s not in truth.open
    }
    return {
        "moved": moved,
        "reversed": {names[s] for s in truth.reversed},
        "dead": {names[h] for h in truth.dead},
        "open": {names[s] for s in truth.open},
    }


def named(result: Response) -> dict[str, set]:
    """The same, as the tool tells it."""
    told: dict[str, set] = {key: set() for key in ("moved", "reversed", "dead", "open")}
    for one in result.findings:
        if one.kind in ("swapped", "ring", "elsewhere"):
            told["moved"] |= set(zip(one.heaters, one.sensors, strict=True))
        elif one.kind == "reversed":
            told["reversed"] |= set(one.sensors)
        elif one.kind in ("dead heater", "silent"):
            told["dead"] |= set(one.heaters)
        elif one.kind in ("open sensor", "flat sensor"):
            told["open"] |= set(one.sensors)
    return told


def score(truth: Truth, result: Response) -> Counter:
    """Counts of one plate: faults, named, false, asked again; zones, claimed, wrong pairs."""
    want, told, count = faults(truth), named(result), Counter()
    without = {f"Z{h + 1:02d}" for h, s in enumerate(truth.sensor_of) if int(s) in truth.open}
    for key, one in want.items():
        count["faults"] += len(one)
        count["named"] += len(one & told[key])
        count["false"] += len(told[key] - one)
    # Rightly said of the heater of an open sensor: dead, or its sensor shows nothing.
    silent = {name for one in result.findings if one.kind == "silent" for name in one.heaters}
    count["false"] -= len(told["dead"] & silent & without)
    for one in result.findings:
        if one.kind == "no sensor":
            count["false"] += len(set(one.heaters) - without)
        if one.kind in ("ambiguous", "weak", "untested"):
            count["asked again"] += 1
    count["zones"] += len(truth.sensor_of)
    claimed = result.match >= 0
    count["claimed"] += int(claimed.sum())
    right = result.match == truth.sensor_of
    right[list(truth.dead)] = False
    count["wrong pairs"] += int((claimed & ~right).sum())
    return count


def peer(log: ResponseLog) -> np.ndarray:
    """(H,) column by plain assignment on last minus first of each turn."""
    temps_c = np.nan_to_num(log.temps_c, nan=20.0)
    rise = np.zeros((len(log.heaters), len(log.sensors)))
    for h in range(len(log.heaters)):
        rows = np.flatnonzero(log.on[:, h])
        rise[h] = temps_c[rows[-1]] - temps_c[rows[0]]
    return linear_sum_assignment(rise, maximize=True)[1]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plates", type=int, default=200)
    parser.add_argument("--noise", type=float, nargs="*", default=[0.1, 0.5, 1, 2, 4, 8])
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print("noise °C | faults named | false | asked again | pairs claimed | wrong | peer wrong")
    for noise_c in asked.noise:
        total = Counter()
        for plate in range(asked.plates):
            rng = np.random.default_rng([asked.seed, plate])
            zones = SIZES[plate % len(SIZES)]
            truth = random_truth(zones, rng)
            log = make_log(zones, truth, rng, noise_c=noise_c, missing=0.03)
            found = score(truth, judge_log(log))
            if found["false"] or found["wrong pairs"] or found["named"] < found["faults"]:
                print(f"  plate {plate} ({zones} zones):", dict(+found), flush=True)
            total += found
            guess = peer(log)
            able = [
                h
                for h in range(zones)
                if h not in truth.dead and int(truth.sensor_of[h]) not in truth.open
            ]
            total["peer wrong"] += int((guess[able] != truth.sensor_of[able]).sum())
            total["able"] += len(able)
        print(
            f"{noise_c:g} | {total['named']}/{total['faults']} | {total['false']} | "
            f"{total['asked again']} | {total['claimed']}/{total['able']} | "
            f"{total['wrong pairs']} | {total['peer wrong']}",
            flush=True,
        )


if __name__ == "__main__":
    main()
