"""Measure the height of one lead over another from two or more fitted photos.

    python -m tests.benchmarks.height [--plates FOLDER] [--off 0.35]

Photos of one plate are fitted without clicks. The leads' seen middles are the true ones, moved
as a whole by `--off` px (normal) per lead and photo, as a traced line would be. Every crossing
of 8 degrees and more counts, also covered ones.
"""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path

import numpy as np

from mapper.fit import FitFailed, LeadsInPhoto, fit_photo, height_shift
from mapper.photos import load_photo
from tests.truth import true_plate

DEFAULT = Path(__file__).resolve().parents[3] / "shared" / "plates"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plates", default=os.environ.get("MAPPER_PLATES", str(DEFAULT)))
    parser.add_argument("--off", type=float, default=0.35)
    chosen = parser.parse_args()
    rng = np.random.default_rng(4)
    for truth_file in sorted(Path(chosen.plates).glob("plate*/truth.json")):
        truth = json.loads(truth_file.read_text())
        plate = true_plate(truth)
        fits = []
        for photo in truth["photos"]:
            try:
                fit = fit_photo(load_photo(truth_file.parent / photo["file"]), plate)
            except FitFailed:
                continue
            if fit.verdict == "good":
                fits.append((fit, {w["id"]: w for w in photo["wires"]}))
        _measure(truth_file.parent.name, truth, fits, chosen.off, rng)


def _measure(name: str, truth: dict, fits: list, off_px: float, rng) -> None:
    total = measured = answered = wrong = 0
    scaled = []
    for c in truth["crossings"]:
        if c["self"] or c["angle_deg"] < 8:
            continue
        total += 1
        views = []
        for fit, wires in fits:
            paths = []
            for side in ("a", "b"):
                wire = wires[c[side]]
                i = int(round(c[f"vertex_{side}"]))
                near = slice(max(i - 25, 0), i + 26)
                line = np.array(wire["polyline_px"])[near][np.array(wire["visible"])[near]]
                paths.append(line + rng.normal(0, off_px, 2))
            views.append(LeadsInPhoto(fit, *paths))
        depth = -0.5 * (c["z_a"] + c["z_b"])
        found = height_shift(views, (c["x"], c["y"]), depth)
        if found is None:
            continue
        measured += 1
        scaled.append((found.higher_mm - (c["z_a"] - c["z_b"])) / found.sigma_mm)
        if found.top is not None:
            answered += 1
            wrong += (found.top == "a") != (c["over"] == c["a"])
    z = np.abs(scaled) if scaled else np.zeros(1)
    print(
        f"{name}: {len(fits)} good photos, {total} crossings, measured in two {measured}, "
        f"answered {answered}, wrong {wrong}; errors within one sigma {100 * (z < 1).mean():.0f} %,"
        f" two {100 * (z < 2).mean():.0f} %, largest {z.max():.1f} sigma",
        flush=True,
    )


if __name__ == "__main__":
    main()
