"""First plate from a photo on the overviews of the plates handed out.

    python -m tests.benchmarks.first_plate [--corners found] [folder of plates]

Four corners are given 6 px off at random (or found, with `--corners found`), the known distance
is the plate's width, clicked at its corners. Pitch, bore and holes against the renderer's truth;
time is that of the process.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

from mapper.fit import FitFailed, KnownDistance, first_plate
from mapper.photos import load_photo
from tests.truth import true_plate, truth_of

HOLE_MM = 1.0  # a hole found farther from every true one is false


def main() -> None:
    """Print one line a photo."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=Path("../shared/plates"))
    parser.add_argument("--corners", choices=("clicked", "found"), default="clicked")
    asked = parser.parse_args()
    for folder in sorted(p.parent for p in asked.folder.glob("*/truth.json")):
        truth = truth_of(folder)
        for record in truth["photos"]:
            if "overview" in record["file"]:
                print(_line(folder, truth, record, asked.corners == "clicked"), flush=True)


def _line(folder: Path, truth: dict, record: dict, clicked: bool) -> str:
    drawing = true_plate(truth)
    corners = np.array(record["plate_corners_px"], float)
    rough = corners + np.random.default_rng(1).uniform(-6, 6, (4, 2))
    known = KnownDistance(tuple(corners[0]), tuple(corners[1]), drawing.width_mm)
    photo = load_photo(folder / record["file"])
    name = f"{folder.name}/{record['file']}"
    start = time.process_time()
    try:
        found = first_plate(photo, known, rough if clicked else None)
    except FitFailed as error:
        return f"{name}: refused: {error} ({time.process_time() - start:.1f} s)"
    spent = time.process_time() - start
    x, y = (np.unique([getattr(d, f"{k}_mm") for d in drawing.drops]) for k in "xy")
    pitch = [found.pitch_x_mm / np.diff(x).mean() - 1, found.pitch_y_mm / np.diff(y).mean() - 1]
    there = np.array([(h.x_mm, h.y_mm) for h in drawing.holes])
    turned = (drawing.width_mm, drawing.height_mm) - there
    holes = np.array([(h.x_mm, h.y_mm) for h in found.plate.holes]).reshape(-1, 2)
    false = min(
        int((np.hypot(*(holes[:, None] - t).transpose(2, 0, 1)).min(axis=1) > HOLE_MM).sum())
        for t in (there, turned)
    )
    bore = found.bore_diameter_mm - drawing.drops[0].bore_diameter_mm
    return (
        f"{name}: {found.rows} x {found.columns} ({len(y)} x {len(x)}), pitch "
        f"{100 * pitch[0]:+.2f} / {100 * pitch[1]:+.2f} %, bore {bore:+.2f} mm, holes "
        f"{len(holes) - false} of {len(there)} and {false} false, {spent:.1f} s"
    )


if __name__ == "__main__":
    main()
