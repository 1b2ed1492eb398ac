"""How long it takes to find all crossings, against a bare bulk query of a spatial index.

    python -m tests.benchmarks.crossings [--repeat 5] [--points 200]

The peer is shapely's STRtree over the same segments, asked in bulk, in three ways:

- `query`: which boxes meet (`tree.query(segments)`), tree ready; candidates only, no distance.
- `+ tree`: the same with making segments and tree, which `find_crossings` does in its time.
- `decided`: the tree decides each pair too: `predicate="intersects"` for ideal lines,
  `predicate="dwithin"` with 3 mm for leads of 2.5 mm, which have to keep 0.5 mm apart as well.

`find_crossings` has to find the candidates, decide them without rounding, join them into
meetings and make the records. Leads wander over a plate that grows with their number
(`spread`), over one plate (`dense`) or lie 2 mm beside each other in a channel (`trunk`).
Growth is the exponent p of time ~ n^p between neighbouring sizes.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import Counter
from collections.abc import Callable, Sequence

import numpy as np
import shapely

from mapper.routes import Lead, find_crossings

SIZES = (100, 200, 400, 800)
SEED = 20260  # any; fixed so that a run can be repeated


def spread(count: int, points: int, rng: np.random.Generator) -> list[np.ndarray]:
    """Leads of about 300 mm that wander over a plate; the plate grows with their number."""
    side = 500.0 * math.sqrt(count / 100)
    routes = []
    for _ in range(count):
        heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.12, points - 1))
        steps = np.stack([np.cos(heading), np.sin(heading)], axis=1) * (300.0 / (points - 1))
        start = rng.uniform(0, side, 2)
        routes.append(np.concatenate([start[None], start + np.cumsum(steps, axis=0)]))
    return routes


def dense(count: int, points: int, rng: np.random.Generator) -> list[np.ndarray]:
    """The same leads, all on one plate of 500 mm."""
    return [route / math.sqrt(count / 100) for route in spread(count, points, rng)]


def trunk(count: int, points: int, rng: np.random.Generator) -> list[np.ndarray]:
    """Leads that run along a channel 2 mm beside each other and change places now and then."""
    x = np.linspace(0, 400, points)
    routes = []
    for n in range(count):
        lane = 2.0 * n + np.cumsum(rng.normal(0, 0.15, points))
        routes.append(np.stack([x, lane], axis=1))
    return routes


def best_of(repeat: int, works: Sequence[Callable[[], object]]) -> list[float]:
    """Processor time of each, best of `repeat`; they take turns, so that all see the same load."""
    best = [math.inf] * len(works)
    for _ in range(repeat):
        for n, work in enumerate(works):
            begin = time.process_time()
            work()
            best[n] = min(best[n], time.process_time() - begin)
    return best


def measure(routes: list[np.ndarray], diameter_mm: float | None, repeat: int):
    leads = [
        Lead(f"L{n:04d}", "other", f"D{n}", f"X{n}", route, diameter_mm)
        for n, route in enumerate(routes)
    ]
    pairs = np.concatenate([np.stack([route[:-1], route[1:]], axis=1) for route in routes])
    segments = shapely.linestrings(pairs)
    tree = shapely.STRtree(segments)
    tree.query(segments[:1])  # the tree is built at the first query

    def bare() -> None:
        tree.query(segments)

    def with_tree() -> None:
        again = shapely.linestrings(pairs)
        shapely.STRtree(again).query(again)

    def decided() -> None:
        if diameter_mm is None:
            tree.query(segments, predicate="intersects")
        else:
            tree.query(segments, predicate="dwithin", distance=diameter_mm + 0.5)

    def ours() -> None:
        find_crossings(leads)

    kinds = Counter(one.kind for one in find_crossings(leads))
    return best_of(repeat, (bare, with_tree, decided, ours)), kinds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeat", type=int, default=5)
    parser.add_argument("--points", type=int, default=200)
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES)
    options = parser.parse_args()
    print(f"shapely {shapely.__version__}, numpy {np.__version__}; best of {options.repeat}")
    print(
        f"{'processor time, s':22}{'query':>8}{'+ tree':>8}{'decided':>8}{'ours':>8}"
        f"  ratio to{'query':>7}{'+ tree':>8}{'decided':>8}{'growth':>8}  found"
    )
    for name, make in (("spread", spread), ("dense", dense), ("trunk", trunk)):
        for diameter_mm in (None, 2.5):
            before = None
            for count in options.sizes:
                routes = make(count, options.points, np.random.default_rng(SEED))
                times, kinds = measure(routes, diameter_mm, options.repeat)
                ours, growth = times[-1], ""
                if before is not None:
                    growth = f"{math.log(ours / before[1]) / math.log(count / before[0]):.2f}"
                before = count, ours
                label = f"{name} {count}, {'lines' if diameter_mm is None else '2.5 mm'}"
                query, whole, decided = (ours / peer for peer in times[:-1])
                print(
                    f"{label:22}{''.join(f'{one:8.3f}' for one in times)}"
                    f"{query:17.2f}{whole:8.2f}{decided:8.2f}{growth:>8}"
                    f"  {dict(sorted(kinds.items()))}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
