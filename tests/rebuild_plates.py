"""Invented plates for the rebuild planner."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace

from mapper.plate import Channel, Drop, Exit, Plate
from mapper.rebuild import WantedLead

__all__ = ["comb_plate", "random_plate", "two_leads_per_drop"]


def random_plate(seed: int, rows: int = 2, columns: int = 3) -> Plate:
    """A crooked lattice of channels, some missing, with two ways out at its lower edge."""
    rng = random.Random(seed)
    at = {
        (i, j): (60 + 70 * i + rng.uniform(-12, 12), 60 + 70 * j + rng.uniform(-12, 12))
        for i in range(columns)
        for j in range(rows)
    }
    lines = [
        (at[i, j], at[i + di, j + dj])
        for i, j in at
        for di, dj in ((1, 0), (0, 1))
        if (i + di, j + dj) in at and rng.random() < 0.85
    ]
    ends = [(at[i, 0][0], 0.0) for i in rng.sample(range(columns), 2)]
    lines += [((x, next(y0 for x0, y0 in at.values() if x0 == x)), (x, y)) for x, y in ends]
    channels = tuple(
        Channel(f"C{k}", line, rng.choice([8.0, 12.0, 16.0]), rng.choice([8.0, 14.0]))
        for k, line in enumerate(lines, start=1)
    )
    drops = tuple(
        Drop(f"D{k:02d}", *at[place], 30.0)
        for k, place in enumerate(rng.sample(sorted(at), rng.randint(2, 4)), start=1)
    )
    exits = tuple(Exit(f"X{k}", x, y) for k, (x, y) in enumerate(ends, start=1))
    width, height = columns * 70.0 + 60, rows * 70.0 + 60
    outline = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))
    return Plate("invented", outline, drops, (), channels, exits)


def comb_plate(rows: int, columns: int, trunk_mm: tuple[float, float] = (30.0, 25.0)) -> Plate:
    """Rows of drops, each on its own channel, between two trunk channels that lead out."""
    width = columns * 60.0 + 60
    plate = Plate.grid(rows, columns, 60, 70, (60, 60), 40, width, rows * 70.0 + 60)
    left, right, top = 30.0, width - 30.0, 60.0 + 70 * (rows - 1)
    channels = [
        Channel(f"R{j + 1}", ((left, 60.0 + 70 * j), (right, 60.0 + 70 * j)), 16.0, 18.0)
        for j in range(rows)
    ]
    channels += [
        Channel("left", ((left, 0.0), (left, top)), *trunk_mm),
        Channel("right", ((right, 0.0), (right, top)), *trunk_mm),
    ]
    exits = (Exit("X1", left, 0.0), Exit("X2", right, 0.0))
    return replace(plate, channels=tuple(channels), exits=exits)


def two_leads_per_drop(plate: Plate, drops: Sequence[str] | None = None) -> list[WantedLead]:
    """A heater lead of 2.5 mm and a thermocouple lead of 2 mm for each drop."""
    return [
        WantedLead(f"Z{drop.id[1:]}-{suffix}", kind, drop.id, diameter_mm)
        for drop in plate.drops
        if drops is None or drop.id in drops
        for suffix, kind, diameter_mm in (("H", "heater", 2.5), ("T", "thermocouple", 2.0))
    ]
