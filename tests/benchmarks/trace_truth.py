"""Leads to trace and crossings to judge, with the truth, from rendered plates and cables."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from mapper.trace import Company
from tests.benchmarks.loose_cables import Scene
from tests.benchmarks.trace_score import Task

__all__ = [
    "Dispute",
    "cable_crossings",
    "cable_tasks",
    "plate_crossings",
    "plate_tasks",
    "plates",
    "stretch_tasks",
]

MIN_ANGLE_DEG = 8.0
LEAST_SEEN = 20  # vertices of a stretch
FROM_COVER = 2  # vertices between a click and what covers the lead


@dataclass(frozen=True, eq=False)
class Dispute:
    """A crossing in one picture: two paths (N, 2) px, the place, and which lies on top."""

    path_a: np.ndarray
    path_b: np.ndarray
    xy_px: np.ndarray
    top: str
    width_px: float
    clear: bool = True
    others: tuple[np.ndarray, ...] = ()  # lines of the other leads

    def company(self) -> Company:
        return Company(self.others, self.width_px)

    def shrunk(self, times: float) -> Dispute:
        def small(p: np.ndarray) -> np.ndarray:
            return (p + 0.5) / times - 0.5

        return Dispute(
            small(self.path_a),
            small(self.path_b),
            small(self.xy_px),
            self.top,
            self.width_px / times,
            self.clear,
            tuple(small(line) for line in self.others),
        )


def plates(folder: Path) -> Iterator[tuple[str, dict, dict, np.ndarray]]:
    """(name, truth, photo entry, image) of every photo of every plate."""
    for truth_file in sorted(folder.glob("plate*/truth.json")):
        truth = json.loads(truth_file.read_text())
        for photo in truth["photos"]:
            image = cv2.imread(str(truth_file.parent / photo["file"]))
            yield f"{truth_file.parent.name} {photo['file'][:-4]}", truth, photo, image


def _width_px(truth: dict, photo: dict, lead: str) -> np.ndarray:
    wire = next(w for w in truth["wires"] if w["id"] == lead)
    away = np.array(wire["points"]) @ np.array(photo["R"]).T + np.ravel(photo["t"])
    return photo["K"][0][0] * wire["diameter"] / away[:, 2]


def plate_tasks(truth: dict, photo: dict) -> Iterator[Task]:
    """Leads of which at least 20 vertices lie well inside visible runs, clicked there."""
    for wire in photo["wires"]:
        seen = np.array(wire["visible"])
        inner = cv2.erode(seen.astype(np.uint8)[:, None], np.ones((5, 1)))[:, 0]
        inner = np.flatnonzero(inner)
        if len(inner) < 20:
            continue
        part = slice(inner[0], inner[-1] + 1)
        line = np.array(wire["polyline_px"])
        width = _width_px(truth, photo, wire["id"])
        yield Task(wire["id"], line[part], seen[part], width[part])


def stretch_tasks(truth: dict, photo: dict) -> Iterator[Task]:
    """Every stretch of those leads that is seen all along, clicked at both its ends."""
    for lead in plate_tasks(truth, photo):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], lead.visible.astype(int), [0]])))
        for first, end in edges.reshape(-1, 2) + (FROM_COVER, -FROM_COVER):
            if end - first >= LEAST_SEEN:
                part = slice(first, end)
                yield Task(
                    f"{lead.name} from {first}",
                    lead.points_px[part],
                    lead.visible[part],
                    lead.width_px[part],
                )


def plate_crossings(truth: dict, photo: dict, clear_only: bool = True) -> Iterator[Dispute]:
    """Crossings of 8 degrees and more; `clear_only`: whose leads are seen on all four sides,
    the upper one in the crossing, too.
    """
    wires = {w["id"]: w for w in truth["wires"]}
    seen_wires = {w["id"]: w for w in photo["wires"]}
    for c in truth["crossings"]:
        if c["self"] or c["angle_deg"] < MIN_ANGLE_DEG:
            continue
        paths, clear, width = [], True, []
        for side in ("a", "b"):
            wire, vertex = wires[c[side]], c[f"vertex_{side}"]
            points = np.array(wire["points"])
            at = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
            off = at - np.interp(vertex, np.arange(len(at)), at)
            d = wire["diameter"]
            seen = np.array(seen_wires[c[side]]["visible"])
            for flank in ((off > 1.5 * d) & (off < 4 * d), (off < -1.5 * d) & (off > -4 * d)):
                clear &= bool(flank.any()) and seen[flank].mean() >= 0.8
            if c["over"] == c[side]:
                clear &= seen[np.abs(off) < d].mean() >= 0.9
            i = int(round(vertex))
            near = slice(max(i - 40, 0), i + 41)
            paths.append(np.array(seen_wires[c[side]]["polyline_px"])[near])
            width.append(_width_px(truth, photo, c[side])[i])
        if clear or not clear_only:
            z = c["z_a"] if c["over"] == c["a"] else c["z_b"]
            place = cv2.projectPoints(
                np.array([[[c["x"], c["y"], z]]]),
                cv2.Rodrigues(np.array(photo["R"]))[0],
                np.array(photo["t"], float).reshape(3, 1),
                np.array(photo["K"]),
                np.array(photo["dist"], float),
            )[0].reshape(2)
            top = "a" if c["over"] == c["a"] else "b"
            others = tuple(
                np.array(wire["polyline_px"])
                for wire in photo["wires"]
                if wire["id"] not in (c["a"], c["b"])
            )
            yield Dispute(paths[0], paths[1], place, top, float(min(width)), clear, others)


def cable_tasks(scene: Scene) -> Iterator[Task]:
    """Every cable from near its one end to near the other, clicked where it is seen."""
    for k, cable in enumerate(scene.cables):
        n = len(cable.points_px)
        index = np.arange(n)
        ends = (index > 0.02 * n + cable.width_px) & (index < 0.98 * n - cable.width_px)
        seen = np.flatnonzero(cable.visible & ends)
        part = slice(seen[0], seen[-1] + 1)
        width = np.full(n, cable.width_px)[part]
        yield Task(f"{k}", cable.points_px[part], cable.visible[part], width)


def cable_crossings(
    scene: Scene, rng: np.random.Generator, clear_only: bool = True
) -> Iterator[Dispute]:
    """Crossings of 8 degrees and more; the paths are off the middle as a hand-mended trace's."""
    for c in scene.crosses:
        if (clear_only and not c.clear) or c.angle_deg < MIN_ANGLE_DEG:
            continue
        paths = []
        for k, i in ((c.a, c.ia), (c.b, c.ib)):
            cable = scene.cables[k]
            line = cable.points_px[max(i - 150, 0) : i + 150 : 3]
            w = cable.width_px
            paths.append(line + rng.normal(0, 0.12 * w, 2) + rng.normal(0, 0.05 * w, line.shape))
        width = min(scene.cables[k].width_px for k in (c.a, c.b))
        others = tuple(
            cable.points_px for k, cable in enumerate(scene.cables) if k not in (c.a, c.b)
        )
        yield Dispute(paths[0], paths[1], c.xy_px, c.top, width, c.clear, others)
