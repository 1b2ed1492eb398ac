"""Crossings in invented pictures of whole leads, for choosing when the judge may answer.

Loose cables (`tests.benchmarks.loose_cables`, with numbers that no benchmark uses) and leads laid
in channels (`tests.training.laid_leads`), as they are and shrunk to a third with noise and
JPEG 30; held-out close-ups, with and without an answer. Clear places: both leads seen on both
sides, the upper one in the crossing. The network is trained on none of them. What the network
looks at and what the painted stories say is stored, for `tests.training.judge_limit`.

    python -m tests.training.judge_places PLACES.npz
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator

import cv2
import numpy as np

from mapper.trace.ground import as_ground
from mapper.trace.judge import patches_of, told_by_stories
from mapper.trace.rectify import GUESSES_PX, PATCH
from tests.benchmarks.loose_cables import Cable, degraded, loose_cables, meetings
from tests.benchmarks.trace_truth import MIN_ANGLE_DEG, Dispute, cable_crossings
from tests.training.crossing_pictures import picture
from tests.training.crossing_scenes import MORE_TRICKS, NEITHER
from tests.training.laid_leads import laid

__all__ = ["pictures"]

SEED = 57
CLOSEUPS = 100_000  # the first of the scenes that training holds out
HALF_SEEN = 300_000
KINDS = ("plain", "printed", "loops")


def pictures(number: int) -> Iterator[tuple[str, np.ndarray, list[Dispute]]]:
    """(kind, picture, its crossings): scene `number`, whole and shrunk. Odd numbers are laid."""
    rng = np.random.default_rng([SEED, number])
    if number % 2:
        name = "laid"
        image, cables, heights = laid(rng)
        disputes = list(laid_crossings(cables, heights, rng))
    else:
        name = "loose"
        scene = loose_cables(rng, KINDS[number // 2 % 3], (640, 900))
        image, disputes = scene.image_bgr, list(cable_crossings(scene, rng, clear_only=False))
    yield name, image, disputes
    yield f"{name}, degraded", degraded(image, rng), [d.shrunk(3) for d in disputes]


def laid_crossings(
    cables: tuple[Cable, ...], heights: list[np.ndarray], rng: np.random.Generator
) -> Iterator[Dispute]:
    """Where one lead lies on another; the rule for clear is that of the rendered plates."""
    for a, b, ia, ib, angle in meetings([c.points_px for c in cables]):
        lift = heights[a][ia] - heights[b][ib]
        widths = cables[a].width_px, cables[b].width_px
        if a == b or angle < MIN_ANGLE_DEG or abs(lift) < 0.4 * sum(widths):
            continue
        top = "a" if lift > 0 else "b"
        paths, clear = [], True
        for k, i, side in ((a, ia, "a"), (b, ib, "b")):
            line, w = cables[k].points_px, cables[k].width_px
            off = (np.arange(len(line)) - i) / w
            for flank in ((off > 1.5) & (off < 4), (off < -1.5) & (off > -4)):
                clear &= bool(flank.any()) and cables[k].visible[flank].mean() >= 0.8
            if side == top:
                clear &= cables[k].visible[np.abs(off) < 1].mean() >= 0.9
            near = line[max(i - 150, 0) : i + 150 : 3]
            slip = rng.normal(0, 0.12 * w, 2) + rng.normal(0, 0.05 * w, near.shape)
            paths.append(near + slip)
        place = 0.5 * (cables[a].points_px[ia] + cables[b].points_px[ib])
        yield Dispute(paths[0], paths[1], place, top, float(min(widths)), bool(clear))


def closeups(number: int) -> Iterator[tuple[str, np.ndarray, list[Dispute]]]:
    """Photos of held-out close-up `number`; where nothing can be told `top` is empty."""
    for first, only in ((CLOSEUPS, ()), (HALF_SEEN, MORE_TRICKS)):
        if only and number % 5:
            continue
        for n, take in enumerate(picture(np.random.default_rng([4, first + number]), only)):
            clear = take.answer != NEITHER
            if clear and n > 1:
                continue
            kind = "close-up" if clear else "half seen" if only else "neither"
            middle = np.full(2, len(take.image_bgr) / 2 - 0.5)
            top = "ab"[take.answer] if clear else ""
            yield kind, take.image_bgr, [Dispute(*take.paths, middle, top, take.width_px)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out")
    parser.add_argument("--scenes", type=int, default=80)
    parser.add_argument("--closeups", type=int, default=420)
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    blank = np.zeros((PATCH, PATCH, 3), np.uint8)
    rows: dict[str, list] = {k: [] for k in ("kind", "patch", "there", "told", "top", "clear")}
    made = [(pictures, n) for n in range(chosen.scenes)]
    made += [(closeups, n) for n in range(chosen.closeups)]
    for make, number in made:
        for kind, image, disputes in make(number):
            ground = as_ground(image)
            for d in disputes:
                found = patches_of(ground, d.path_a, d.path_b, d.xy_px)
                rows["kind"].append(kind)
                rows["patch"].append([blank if p is None else p for p in found])
                rows["there"].append([p is not None for p in found])
                asked = kind != "close-up"  # slow; these are for the network alone
                told = asked and told_by_stories(ground, d.path_a, d.path_b, d.xy_px).top
                rows["told"].append(told or "")
                rows["top"].append(d.top)
                rows["clear"].append(d.clear)
    np.savez(chosen.out, guesses=GUESSES_PX, **{k: np.array(v) for k, v in rows.items()})


if __name__ == "__main__":
    main()
