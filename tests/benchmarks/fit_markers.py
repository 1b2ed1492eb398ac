"""What printed markers do for a fit: under heavy cover, and when they lie wrongly.

    python -m tests.benchmarks.fit_markers [--plates N] [--size 2000x1500] [--json FILE]

Random plates and photos of `fit_scenes` with six markers each, whose places are measured with an
error of 0.15 mm (1 sigma in x and in y). Cover: plastic over 85 to 100 % of the photo, markers
on top; the peer is the same photo fitted without what the plate says about markers. Wrong: the
photo as rendered, with markers that lie elsewhere than the plate says; none may be wrong and
called good.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from mapper.fit import FitFailed, fit_photo
from mapper.photos import Photo
from mapper.plate import Marker, Plate
from tests.benchmarks.fit_scenes import Scene, random_plate, random_scene
from tests.marker_painter import with_markers

COUNT, SIDE_MM, MEASURED_MM = 6, 25.0, 0.15
WRONG_MM = 0.5


def laid(rng: np.random.Generator, plate: Plate) -> tuple[Marker, ...] | None:
    """Six markers on bare face, far from one another; None where the plate has no room."""
    low, high = plate.outline_array.min(axis=0), plate.outline_array.max(axis=0)
    reach = 0.75 * SIDE_MM
    taken = [(d.x_mm, d.y_mm, d.bore_diameter_mm / 2) for d in plate.drops]
    taken += [(h.x_mm, h.y_mm, h.diameter_mm / 2) for h in plate.holes]
    tried = rng.uniform(low + reach, high - reach, (4000, 2))
    free = [p for p in tried if all(math.dist(p, t[:2]) > t[2] + reach for t in taken)]
    chosen: list[np.ndarray] = []
    while free and len(chosen) < COUNT:
        far = [min((math.dist(p, c) for c in chosen), default=0.0) for p in free]
        chosen.append(free.pop(int(np.argmax(far))))
    if len(chosen) < COUNT or min(math.dist(chosen[-1], c) for c in chosen[:-1]) < 2 * reach:
        return None
    return tuple(
        Marker(n, *(float(v) for v in place.round(2)), SIDE_MM, float(rng.integers(0, 360)))
        for n, place in enumerate(chosen)
    )


def measured(rng: np.random.Generator, markers: tuple[Marker, ...]) -> tuple[Marker, ...]:
    """The markers as a person with a caliper enters them."""
    return tuple(
        replace(m, x_mm=m.x_mm + dx, y_mm=m.y_mm + dy)
        for m, (dx, dy) in zip(markers, rng.normal(0, MEASURED_MM, (len(markers), 2)), strict=True)
    )


def under_plastic(rng: np.random.Generator, pixels: np.ndarray, share: float) -> np.ndarray:
    """The photo with plastic over a share of it."""
    height, width = pixels.shape[:2]
    small = rng.normal(0, 1, (height // 8, width // 8)).astype(np.float32)
    where = cv2.GaussianBlur(small, (0, 0), 9)
    where = cv2.resize(where, (width, height), interpolation=cv2.INTER_CUBIC)
    edge = np.quantile(where, share)
    mask = np.clip((edge - where) / (0.1 * where.std()) + 0.5, 0, 1)[..., None]
    tone = cv2.GaussianBlur(rng.normal(0, 1, small.shape).astype(np.float32), (0, 0), 6)
    tone = cv2.resize(tone / tone.std(), (width, height))[..., None]
    plastic = rng.uniform(60, 190) + 18 * tone + rng.normal(0, 2, (height, width, 1))
    return np.clip(np.rint(pixels * (1 - mask) + plastic * mask), 0, 255).astype(np.uint8)


def slid(by_mm: float) -> Callable[[Plate, tuple[Marker, ...]], tuple[Marker, ...]]:
    """All markers moved together along x."""
    return lambda plate, markers: tuple(replace(m, x_mm=m.x_mm + by_mm) for m in markers)


def half_turned(plate: Plate, markers: tuple[Marker, ...]) -> tuple[Marker, ...]:
    """All markers as on the plate turned by half a turn."""
    middle = (plate.outline_array.min(axis=0) + plate.outline_array.max(axis=0)) / 2
    return tuple(
        replace(
            m,
            x_mm=float(2 * middle[0] - m.x_mm),
            y_mm=float(2 * middle[1] - m.y_mm),
            angle_deg=(m.angle_deg + 180) % 360,
        )
        for m in markers
    )


WRONGS: dict[str, Callable[[Plate, tuple[Marker, ...]], tuple[Marker, ...]]] = {
    "all slid 0.5 mm": slid(0.5),
    "all slid 0.9 mm": slid(0.9),
    "all slid 3 mm": slid(3.0),
    "all slid 20 mm": slid(20.0),
    "all turned half a turn": half_turned,
    "numbers mixed up": lambda plate, ms: tuple(
        replace(m, id=ms[(n + 1) % len(ms)].id) for n, m in enumerate(ms)
    ),
    "all printed at 94 %": lambda plate, ms: tuple(
        replace(m, side_mm=0.94 * m.side_mm) for m in ms
    ),
    "all upside down": lambda plate, ms: tuple(
        replace(m, angle_deg=(m.angle_deg + 180) % 360) for m in ms
    ),
    "half of them slid 2 mm": lambda plate, ms: tuple(
        replace(m, x_mm=m.x_mm + 2.0 * (n % 2)) for n, m in enumerate(ms)
    ),
}


def photo_of(scene: Scene, pixels: np.ndarray) -> Photo:
    """The scene's photo with other pixels."""
    height, width = pixels.shape[:2]
    return Photo(pixels, "scene", "0" * 64, None, None, scene.focal_px, width, height)


def tried(scene: Scene, pixels: np.ndarray, plate: Plate, **about: object) -> dict[str, object]:
    """One fit with its errors at the drops in sight."""
    start = time.perf_counter()
    row: dict[str, object] = dict(about)
    try:
        fit = fit_photo(photo_of(scene, pixels), plate)
    except FitFailed:
        row |= {"verdict": "refused", "error_mm": None, "method": ""}
    else:
        xy = np.array([(d.x_mm, d.y_mm) for d in plate.drops])
        px = scene.camera.project_face(xy)
        seen = (px >= 0).all(axis=1) & (px < pixels.shape[1::-1]).all(axis=1)
        error = np.hypot(*(fit.plate_from_photo(px[seen]) - xy[seen]).T)
        worst = float(np.nan_to_num(error, nan=1e3).max(initial=0.0))
        row |= {"verdict": fit.verdict, "error_mm": worst, "method": fit.method}
    return row | {"seconds": round(time.perf_counter() - start, 2)}


def rows(plates: int, size: tuple[int, int]) -> Iterator[dict[str, object]]:
    """All cases, plate by plate."""
    for number in range(plates):
        rng = np.random.default_rng([number, 77])
        plate = random_plate(rng)
        true = laid(rng, plate)
        if true is None:
            continue
        entered = replace(plate, markers=measured(rng, true))
        scene = random_scene(rng, plate, size, "overview")
        for share in (0.85, 1.0):
            pixels = under_plastic(rng, scene.pixels_bgr, share)
            pixels = with_markers(pixels, scene.camera, true)
            case = f"covered {share:.0%}"
            yield tried(scene, pixels, entered, number=number, case=case, markers=True)
            yield tried(scene, pixels, plate, number=number, case=case, markers=False)
        pixels = with_markers(scene.pixels_bgr, scene.camera, true)
        yield tried(scene, pixels, entered, number=number, case="as rendered", markers=True)
        yield tried(scene, pixels, plate, number=number, case="as rendered", markers=False)
        for case, wrong in WRONGS.items():
            pixels = with_markers(scene.pixels_bgr, scene.camera, wrong(plate, true))
            yield tried(scene, pixels, entered, number=number, case=case, markers=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plates", type=int, default=8)
    parser.add_argument("--size", default="2000x1500")
    parser.add_argument("--json", type=Path)
    arguments = parser.parse_args()
    width, height = (int(part) for part in arguments.size.split("x"))
    kept: list[dict[str, object]] = []
    for row in rows(arguments.plates, (width, height)):
        kept.append(row)
        print(json.dumps(row), flush=True)
    cases = list(dict.fromkeys((row["case"], row["markers"]) for row in kept))
    print(f"{'case':26} markers  good doubtful refused  worst drop: median, worst mm  wrong+good")
    for case, with_them in cases:
        those = [r for r in kept if (r["case"], r["markers"]) == (case, with_them)]
        errors = [r["error_mm"] for r in those if r["error_mm"] is not None]
        verdicts = [r["verdict"] for r in those]
        wrong = sum(r["verdict"] == "good" and r["error_mm"] > WRONG_MM for r in those)
        middle, worst = (np.median(errors), max(errors)) if errors else (math.nan, math.nan)
        print(
            f"{case:26} {'with' if with_them else 'none':7}  {verdicts.count('good'):4} "
            f"{verdicts.count('doubtful'):8} {verdicts.count('refused'):7}  "
            f"{middle:17.2f} {worst:8.2f}        {wrong:6}"
        )
    if arguments.json:
        arguments.json.write_text(json.dumps(kept, indent=1))


if __name__ == "__main__":
    main()
