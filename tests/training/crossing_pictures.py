"""Invented close-ups of two leads that cross, with the truth, for training the judge.

Each picture is worked out pixel by pixel: two (or more) round or flat leads with a skin, one
lifted over the other, lit from one side over a soft surround, shadows by comparing heights
along the light, darkening near contact by the smoothed height. Then the photo: blur in linear
light, shrinking, noise, sharpening, JPEG. Everything is drawn from wide ranges. Nothing here
is shared with the pictures that the judge is measured on (`tests.benchmarks`).

    python -m tests.training.crossing_pictures OUT.npz --count 8000 --start 0
    python -m tests.training.crossing_pictures OUT.npz --count 1500 --start 200000 --more
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from mapper.trace.rectify import crossing_patch
from mapper.trace.strand import Strand
from tests.training.crossing_leads import Lead
from tests.training.crossing_photos import photo_of
from tests.training.crossing_scenes import A_ON_TOP, B_ON_TOP, MORE_TRICKS, NEITHER, scene

__all__ = ["A_ON_TOP", "B_ON_TOP", "NEITHER", "Picture", "patches", "picture"]

TAKES = 4  # photos made of one scene
WIDTH_OFF = 0.35  # in log width


@dataclass(frozen=True, eq=False)
class Picture:
    """`image_bgr` (S, S, 3) uint8, two paths (N, 2) px as someone may have traced them, the
    width guessed for both, the truth: 0 a on top, 1 b on top, 2 neither to be told."""

    image_bgr: np.ndarray
    paths: tuple[np.ndarray, np.ndarray]
    width_px: float
    answer: int


def picture(rng: np.random.Generator, only: Sequence[str] = ()) -> list[Picture]:
    """The `TAKES` photos of one random scene, each with its own slips of the paths."""
    made = scene(rng, only)
    takes = []
    for _ in range(TAKES):
        photo, scale = photo_of(rng, made.linear, made.width)
        size = len(made.linear)
        paths = []
        for k, lead in enumerate(made.leads):
            along = np.linspace(-0.8 * size, 0.8 * size, 41)
            path = lead.path(along)
            if made.trick == "touch":  # traced as if they crossed
                path = Lead(
                    lead.angle + (0.5 if k else -0.5) * rng.uniform(0.2, 0.6), 0, 0, 1
                ).path(along)
            path = (path + size / 2) * scale - 0.5
            paths.append(path + _slip(rng, along / lead.half) * 2 * lead.half * scale)
        off = np.clip(rng.normal(0, WIDTH_OFF), -1, 1)
        guess = float(made.width * scale * np.exp(off))
        takes.append(Picture(photo, (paths[0], paths[1]), guess, made.answer))
    return takes


def _slip(rng: np.random.Generator, along: np.ndarray) -> np.ndarray:
    """(N, 2) widths by which a traced line is off; `along` (N,) half widths from the middle."""
    shift = np.clip(rng.normal(0, 0.13, 2), -0.35, 0.35)
    sway = rng.normal(0, 0.05, 2) * np.sin(along / rng.uniform(3, 9) + rng.uniform(0, 6.3))[:, None]
    return shift + sway + rng.normal(0, 0.04, (len(along), 2))


def patches(rng: np.random.Generator, only: Sequence[str] = ()) -> list[tuple[np.ndarray, int]]:
    """(patch, truth) for the photos of one random scene, as the judge would cut them."""
    found = []
    for take in picture(rng, only):
        middle = np.full(2, len(take.image_bgr) / 2 - 0.5)
        a, b = (Strand.near(path, middle, "of a training picture") for path in take.paths)
        widths = (take.width_px, take.width_px)
        patch = crossing_patch(take.image_bgr, (a.points, b.points), (a.at, b.at), widths)
        if patch is not None:
            found.append((patch, take.answer))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out")
    parser.add_argument("--count", type=int, default=8000, help="scenes")
    parser.add_argument("--start", type=int, default=0, help="number of the first scene")
    parser.add_argument("--more", action="store_true", help="only tricks of MORE_TRICKS")
    chosen = parser.parse_args()
    only = MORE_TRICKS if chosen.more else ()
    cv2.setNumThreads(1)
    pictures, answers, numbers = [], [], []
    for number in range(chosen.start, chosen.start + chosen.count):
        for patch, answer in patches(np.random.default_rng([4, number]), only):
            pictures.append(patch)
            answers.append(answer)
            numbers.append(number)
    np.savez(
        chosen.out, patch=np.array(pictures), answer=np.uint8(answers), scene=np.int32(numbers)
    )


if __name__ == "__main__":
    main()
