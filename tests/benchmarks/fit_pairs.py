"""Photo to photo across stages and quarter turns, beside OpenCV's SIFT + RANSAC in the same run.

    python -m tests.benchmarks.fit_pairs [--plates FOLDER]

Every two overviews of a plate from different stages, the first one turned by 0, 90, 180 and 270
degrees. A map is right when it carries all bore centres in sight of both to within 1.5 mm on the
second photo (the nozzles stand off the face, so the plane alone is not exact).
"""

from __future__ import annotations

import argparse
import itertools
import json
import time
from pathlib import Path

import cv2
import numpy as np

from mapper.fit import register_pair
from tests.benchmarks.fit import sift_homography

RIGHT_MM = 1.5


def turned(image: np.ndarray, xy: np.ndarray, quarters: int) -> tuple[np.ndarray, np.ndarray]:
    """The picture turned counterclockwise, and its points (N, 2) px with it."""
    for _ in range(quarters):
        xy = np.stack([xy[:, 1], image.shape[1] - 1 - xy[:, 0]], 1)
        image = np.ascontiguousarray(np.rot90(image))
    return image, xy


def miss_mm(found: np.ndarray | None, a: np.ndarray, b: np.ndarray, px_per_mm: float) -> float:
    if found is None:
        return np.inf
    there = cv2.perspectiveTransform(a[None].astype(float), found)[0]
    return float(np.hypot(*(there - b).T).max() / px_per_mm)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    default = Path(__file__).resolve().parents[3] / "shared" / "plates"
    parser.add_argument("--plates", type=Path, default=default)
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    kinds = {"own": register_pair, "SIFT + RANSAC": sift_homography}
    right, number, seconds = dict.fromkeys(kinds, 0), 0, dict.fromkeys(kinds, 0.0)
    for file in sorted(chosen.plates.glob("plate*/truth.json")):
        truth = json.loads(file.read_text())
        photos = [p for p in truth["photos"] if p["kind"] == "overview"]
        images = {p["file"]: cv2.imread(str(file.parent / p["file"])) for p in photos}
        for one, two in itertools.combinations(photos, 2):
            if one["stage"] == two["stage"]:
                continue
            a, b = (np.array([d["px"] for d in p["drops_px"]], float) for p in (one, two))
            drops = np.array([(d["x"], d["y"]) for d in truth["drops"]], float)
            spread_mm = np.hypot(*(drops - drops.mean(0)).T).mean()
            px_per_mm = np.hypot(*(b - b.mean(0)).T).mean() / spread_mm
            for quarters in range(4):
                image, at = turned(images[one["file"]], a, quarters)
                said = []
                for name, work in kinds.items():
                    begun = time.process_time()
                    found = work(image, images[two["file"]])
                    seconds[name] += time.process_time() - begun
                    miss = miss_mm(found, at, b, px_per_mm)
                    right[name] += miss <= RIGHT_MM
                    said.append(f"{name} {miss:.2f} mm")
                number += 1
                print(
                    f"{file.parent.name} {one['file'][:2]} {90 * quarters:3d} deg to "
                    f"{two['file'][:2]}: " + ", ".join(said),
                    flush=True,
                )
    for name in kinds:
        print(
            f"{name}: {right[name]} of {number} right, {seconds[name] / max(number, 1):.1f} s each"
        )


if __name__ == "__main__":
    main()
