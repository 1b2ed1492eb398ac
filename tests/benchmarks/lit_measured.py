"""Pictures that `tests.benchmarks.traced_light` made, with their leads and crossings."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path

import cv2
import numpy as np

from tests.benchmarks.loose_cables import Cable, Scene, crosses, degraded
from tests.benchmarks.trace import judge, measure
from tests.benchmarks.trace_score import Task
from tests.benchmarks.trace_truth import Dispute, cable_crossings

__all__ = ["disputes", "measure_all", "scene", "tasks"]

SHORTEST = 20.0  # widths: nobody traces less


def _read(folder: Path, name: str) -> tuple[np.ndarray, list[dict]]:
    image = cv2.imread(str(folder / f"{name}.png"))
    leads = json.loads((folder / f"{name}.json").read_text())["leads"]
    return image, [{k: np.array(v) for k, v in lead.items()} for lead in leads if lead["xy"]]


def scene(folder: Path, name: str) -> Scene:
    """The picture with its cables; one width each, that of its middle."""
    image, leads = _read(folder, name)
    cables = tuple(
        Cable(v["xy"], v["seen"].astype(bool), float(np.median(v["width"]))) for v in leads
    )
    return Scene(image, cables, tuple(crosses(cables, [-v["depth"] for v in leads])))


def tasks(folder: Path, name: str) -> Iterator[Task]:
    """Every lead in sight from near its one end to near the other, clicked where it is seen."""
    for k, lead in enumerate(_read(folder, name)[1]):
        n, width = len(lead["xy"]), lead["width"]
        index = np.arange(n)
        ends = (index > 0.02 * n + width) & (index < 0.98 * n - width)
        seen = np.flatnonzero(lead["seen"].astype(bool) & ends)
        if len(seen) > SHORTEST * np.median(width):
            part = slice(seen[0], seen[-1] + 1)
            yield Task(f"{k}", lead["xy"][part], lead["seen"][part].astype(bool), width[part])


def disputes(folder: Path, name: str, seed: int) -> list[Dispute]:
    """Clear crossings of 8 degrees and more; paths as a hand-mended trace's."""
    return list(cable_crossings(scene(folder, name), np.random.default_rng([seed, 1])))


def measure_all(folder: Path, kinds: Iterable[str], numbers: Iterable[int]) -> None:
    whole, small = [], []
    for kind in kinds:
        names = [f"{kind}_{n:03d}" for n in numbers if (folder / f"{kind}_{n:03d}.json").exists()]
        made = [cv2.imread(str(folder / f"{name}.png")) for name in names]
        pictures = [(image, list(tasks(folder, n))) for image, n in zip(made, names, strict=True)]
        measure(kind, pictures, peers=False)
        for n, (image, name) in enumerate(zip(made, names, strict=True)):
            found = disputes(folder, name, n)
            whole.append((image, found))
            rng = np.random.default_rng([n, 2])
            small.append((degraded(image, rng), [d.shrunk(3) for d in found]))
    judge("clear crossings", whole)
    judge("clear crossings, a third, noise, JPEG 30", small)
