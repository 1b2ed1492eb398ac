"""Invented close-ups of two leads that cross, with the truth, for training the judge.

Each picture is worked out pixel by pixel: two (or more) round or flat leads with a skin, one
lifted over the other, lit from one side over a soft surround, shadows by comparing heights
along the light, darkening near contact by the smoothed height. Then the photo: blur in linear
light, shrinking, noise, sharpening, JPEG. Everything is drawn from wide ranges. Nothing here
is shared with the pictures that the judge is measured on (`tests.benchmarks`).

    python -m tests.training.crossing_pictures OUT.npz --count 8000 --start 0

"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import cv2
import numpy as np

from mapper.trace.rectify import crossing_patch
from tests.training.crossing_leads import Lead
from tests.training.crossing_photos import photo_of
from tests.training.crossing_scenes import A_ON_TOP, B_ON_TOP, NEITHER, scene

__all__ = ["A_ON_TOP", "B_ON_TOP", "NEITHER", "Picture", "patches", "picture"]

TAKES = 4  # photos made of one scene


@dataclass(frozen=True, eq=False)
class Picture:
    """`image_bgr` (S, S, 3) uint8, two paths (N, 2) px as someone may have traced them, the
    widths used, the truth: 0 a on top, 1 b on top, 2 neither to be told."""

    image_bgr: np.ndarray
    paths: tuple[np.ndarray, np.ndarray]
    widths_px: tuple[float, float]
    answer: int


def picture(rng: np.random.Generator) -> list[Picture]:
    """The `TAKES` photos of one random scene, each with its own slips of the paths."""
    linear, leads, answer, w, trick = scene(rng)
    takes = []
    for _ in range(TAKES):
        photo, scale = photo_of(rng, linear.astype(np.float32), w)
        paths, widths = [], []
        for k, lead in enumerate(leads):
            along = np.linspace(-0.8 * len(linear), 0.8 * len(linear), 41)
            path = lead.path(along)
            if trick == "touch":  # traced as if they crossed
                path = Lead(
                    lead.angle + (0.5 if k else -0.5) * rng.uniform(0.2, 0.6), 0, 0, 1
                ).path(along)
            path = (path + len(linear) / 2) * scale - 0.5
            width = 2 * lead.half * scale
            slip = np.clip(rng.normal(0, 0.13, 2), -0.35, 0.35) * width
            path = path + slip + rng.normal(0, 0.04 * width, path.shape)
            seen = np.hypot(width, rng.uniform(0, 2.4)) if rng.random() < 0.6 else width
            paths.append(path)
            widths.append(float(seen * np.exp(np.clip(rng.normal(0, 0.3), -0.7, 0.7))))
        takes.append(Picture(photo, (paths[0], paths[1]), (widths[0], widths[1]), answer))
    return takes


def patches(rng: np.random.Generator) -> list[tuple[np.ndarray, int]]:
    """(patch, truth) for the photos of one random scene, as the judge would cut them."""
    found = []
    for take in picture(rng):
        arcs = []
        middle = np.full(2, len(take.image_bgr) / 2 - 0.5)
        for path in take.paths:
            at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
            arcs.append(at - at[np.argmin(np.hypot(*(path - middle).T))])
        patch = crossing_patch(take.image_bgr, take.paths, (arcs[0], arcs[1]), take.widths_px)
        if patch is not None:
            found.append((patch, take.answer))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out")
    parser.add_argument("--count", type=int, default=8000, help="scenes")
    parser.add_argument("--start", type=int, default=0, help="number of the first scene")
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    pictures, answers, numbers = [], [], []
    for number in range(chosen.start, chosen.start + chosen.count):
        for patch, answer in patches(np.random.default_rng([4, number])):
            pictures.append(patch)
            answers.append(answer)
            numbers.append(number)
    np.savez(
        chosen.out, patch=np.array(pictures), answer=np.uint8(answers), scene=np.int32(numbers)
    )


if __name__ == "__main__":
    main()
