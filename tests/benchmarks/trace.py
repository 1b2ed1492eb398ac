"""Measure the tracer and the crossing judge, beside two library methods in the same run.

    python -m tests.benchmarks.trace cables [--count 12] [--peers]
    python -m tests.benchmarks.trace plates [--peers]
    python -m tests.benchmarks.trace stretches [--peers]
    python -m tests.benchmarks.trace judge [--count 12]
    python -m tests.benchmarks.trace propose [--count 12]

`plates` traces leads from end to end, under what covers them, too; `stretches` each part of them
that is seen without a break. Plates are read from MAPPER_PLATES or ../shared/plates. Times are
process time on one core. The peers get the same two clicks and no extra ones: scikit-image's Sato
filter with `route_through_array`, and OpenCV's `IntelligentScissorsMB`.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import cv2
import numpy as np
from skimage.filters import sato
from skimage.graph import route_through_array

from mapper.trace import judge_crossing, prepare, propose, trace_between
from mapper.trace.ground import as_ground
from tests.benchmarks.loose_cables import degraded, loose_cables
from tests.benchmarks.trace_score import Task, mend, score
from tests.benchmarks.trace_truth import (
    Dispute,
    cable_crossings,
    cable_tasks,
    plate_crossings,
    plate_tasks,
    plates,
    stretch_tasks,
)

SEED = 20
KINDS = ("plain", "printed", "loops")


def sato_route(image_bgr: np.ndarray) -> Callable[[Task], np.ndarray]:
    grey = cv2.cvtColor(image_bgr, cv2.COLOR_BGR2GRAY).astype(float)
    sigmas = (1.5, 3.0, 5.0)
    ridge = np.maximum(sato(grey, sigmas, black_ridges=False), sato(grey, sigmas))
    cost = 1.0 / (0.02 + ridge / np.percentile(ridge, 99))

    def trace(task: Task) -> np.ndarray:
        ends = [tuple(int(v) for v in np.round(p[::-1])) for p in task.points_px[[0, -1]]]
        return np.array(route_through_array(cost, *ends, geometric=True)[0])[:, ::-1]

    return trace


def scissors(image_bgr: np.ndarray) -> Callable[[Task], np.ndarray]:
    tool = cv2.segmentation.IntelligentScissorsMB()
    tool.setEdgeFeatureCannyParameters(32, 100)
    tool.setGradientMagnitudeMaxLimit(200)
    tool.applyImage(image_bgr)

    def trace(task: Task) -> np.ndarray:
        start, end = (tuple(int(v) for v in np.round(p)) for p in task.points_px[[0, -1]])
        tool.buildMap(start)
        return tool.getContour(end).reshape(-1, 2)

    return trace


Rows = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def measure(name: str, pictures: list[tuple[np.ndarray, list[Task]]], peers: bool) -> Rows:
    """Print how right the leads of some pictures are traced, and return what that was told from."""
    rows, seconds, preparing, size = [], [], [], []
    for image, tasks in pictures:
        begun = time.process_time()
        ground = prepare(image)
        preparing.append(time.process_time() - begun)
        for task in tasks:

            def trace(clicks: list[np.ndarray], ground=ground) -> np.ndarray:
                begun = time.process_time()
                points = trace_between(ground, clicks[0], clicks[-1], clicks[1:-1]).points
                seconds.append(time.process_time() - begun)
                return points

            first, last, extra = mend(trace, task)
            rows.append((first.within, first.right, last.within, last.right, extra))
            size.append(task.visible.sum())
    found = np.array(rows, float), np.array(size, float), np.array(preparing), np.array(seconds)
    _tell(name, found)
    if peers:
        _measure_peers(pictures, found[1])
    return found


def _tell(name: str, found: Rows) -> None:
    r, weight, preparing, seconds = found
    print(
        f"{name:32s} leads {len(r):3d}  two clicks: within radius "
        f"{100 * np.average(r[:, 0], weights=weight):5.1f} %, right {100 * r[:, 1].mean():5.1f} %"
        f"  mended: {100 * np.average(r[:, 2], weights=weight):5.1f} %, "
        f"{100 * r[:, 3].mean():5.1f} %, extra clicks {r[:, 4].mean():4.2f}"
        f"  prepare {np.median(preparing):4.2f} s, trace {np.median(seconds):5.3f} s"
        f" (95th {np.percentile(seconds, 95):5.3f})",
        flush=True,
    )


def _measure_peers(pictures: list[tuple[np.ndarray, list[Task]]], weight: np.ndarray) -> None:
    for peer in (sato_route, scissors):
        scores, seconds = [], []
        for image, tasks in pictures:
            trace = peer(image)
            for task in tasks:
                begun = time.process_time()
                line = trace(task)
                seconds.append(time.process_time() - begun)
                result = score(line, task)
                scores.append((result.within, result.right))
        s = np.array(scores, float)
        print(
            f"    {peer.__name__:28s} leads {len(s):3d}  two clicks: within radius "
            f"{100 * np.average(s[:, 0], weights=weight):5.1f} %, "
            f"right {100 * s[:, 1].mean():5.1f} %  trace {np.median(seconds):5.3f} s",
            flush=True,
        )


def judge(name: str, cases: list[tuple[np.ndarray, list[Dispute]]]) -> None:
    """Each crossing with the lines of all other leads, as when a whole plate is drawn."""
    right = answered = total = 0
    seconds = []
    for image, disputes in cases:
        ground = as_ground(image)
        for d in disputes:
            begun = time.process_time()
            answer = judge_crossing(ground, d.path_a, d.path_b, d.xy_px, d.company())
            seconds.append(time.process_time() - begun)
            total += 1
            answered += answer.top is not None
            right += answer.top == d.top
    print(
        f"{name:32s} crossings {total:4d}  answered {100 * answered / max(total, 1):5.1f} %  "
        f"right when answered {100 * right / max(answered, 1):5.1f} % "
        f"({answered - right} wrong)  {np.median(seconds):5.3f} s",
        flush=True,
    )


def _not_clear(disputes: Iterable[Dispute], image: np.ndarray) -> list[Dispute]:
    """Those inside the picture whose truth is known, though the place is not clear."""
    high, wide = image.shape[:2]
    inside = (d for d in disputes if not d.clear and (d.xy_px >= 0).all())
    return [d for d in inside if (d.xy_px <= (wide - 1, high - 1)).all()]


def _propose(name: str, pictures: list[tuple[np.ndarray, list[Task]]]) -> None:
    """Ends of all leads given at once, without saying which belong together."""
    leads = offered = wrong = 0
    for image, tasks in pictures:
        starts, ends = ([t.points_px[k] for t in tasks] for k in (0, -1))
        found = propose(prepare(image), starts, ends)
        leads += len(tasks)
        offered += len(found)
        for p in found:
            joined = p.start == p.end
            wrong += not (joined and score(p.trace.points, tasks[p.start]).right)
    print(f"{name:32s} leads {leads:3d}  offered {offered:3d}, of these wrong {wrong}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("cables", "plates", "stretches", "judge", "propose"))
    parser.add_argument("--count", type=int, default=12, help="cable pictures per kind")
    parser.add_argument("--peers", action="store_true")
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    default = Path(__file__).resolve().parents[3] / "shared" / "plates"
    folder = Path(os.environ.get("MAPPER_PLATES", default))
    if chosen.what in ("plates", "stretches"):
        tasks = plate_tasks if chosen.what == "plates" else stretch_tasks
        found = [
            measure(name, [(image, list(tasks(truth, photo)))], chosen.peers)
            for name, truth, photo, image in plates(folder)
        ]
        _tell("all", tuple(np.concatenate(part) for part in zip(*found, strict=True)))
        return
    rng = np.random.default_rng(SEED)
    judged: dict[str, list[tuple[np.ndarray, list[Dispute]]]] = {"full": [], "degraded": []}
    unclear: list[tuple[np.ndarray, list[Dispute]]] = []
    apart = np.random.default_rng([SEED, 1])
    for kind in KINDS:
        scenes = [
            loose_cables(np.random.default_rng([SEED, k, KINDS.index(kind)]), kind)
            for k in range(chosen.count)
        ]
        if chosen.what == "cables":
            measure(kind, [(s.image_bgr, list(cable_tasks(s))) for s in scenes], chosen.peers)
        if chosen.what == "propose":
            _propose(kind, [(s.image_bgr, list(cable_tasks(s))) for s in scenes])
        for s in scenes if chosen.what == "judge" else ():
            disputes = list(cable_crossings(s, rng))
            judged["full"].append((s.image_bgr, disputes))
            small = [d.shrunk(3) for d in disputes]
            judged["degraded"].append((degraded(s.image_bgr, rng), small))
            every = cable_crossings(s, apart, clear_only=False)
            unclear.append((s.image_bgr, _not_clear(every, s.image_bgr)))
    if chosen.what == "propose":
        for name, truth, photo, image in plates(folder):
            _propose(name, [(image, list(plate_tasks(truth, photo)))])
    if chosen.what == "judge":
        _judge_all(judged, rng, list(plates(folder)), {"cables": unclear, "plates": []})


def _judge_all(judged: dict, rng, photos: list, unclear: dict) -> None:
    for name, cases in judged.items():
        judge(f"cables, {name}", cases)
    seen = [(image, list(plate_crossings(truth, photo))) for _, truth, photo, image in photos]
    judge("plates, full", seen)
    judge("plates, degraded", [(degraded(i, rng), [d.shrunk(3) for d in ds]) for i, ds in seen])
    for _, truth, photo, image in photos:
        every = plate_crossings(truth, photo, clear_only=False)
        unclear["plates"].append((image, _not_clear(every, image)))
    for name, cases in unclear.items():
        other = np.random.default_rng([SEED, 2])
        judge(f"{name}, not clear", cases)
        small = [(degraded(i, other), [d.shrunk(3) for d in ds]) for i, ds in cases]
        judge(f"{name}, not clear, degraded", small)


if __name__ == "__main__":
    main()
