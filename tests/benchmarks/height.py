"""Measure the height of one lead over another from two or more fitted photos.

    python -m tests.benchmarks.height [--plates FOLDER] [--off 0.35] [--read]

Photos of one plate are fitted without clicks. The leads' seen middles are the true ones, moved
as a whole by `--off` px (normal) per lead and photo, as a traced line would be. Every crossing
of 8 degrees and more counts, also covered ones. With `--read` the middles are not given but read
from the photos, as the page Crossings does: true routes, drawn at the usual depth of a lead there,
and the leads found beside them. Then it is also counted at how many crossings every photo leaves
the judge without an answer.
"""

from __future__ import annotations

import argparse
import json
import os
from contextlib import suppress
from pathlib import Path

import numpy as np

from mapper.fit import FitFailed, LeadsInPhoto, fit_photo, height_shift, seen_middles
from mapper.photos import load_photo
from mapper.plate import Plate
from mapper.trace import Ground, TraceError, judge_crossing, prepare, snap_to_wire
from tests.truth import true_plate

DEFAULT = Path(__file__).resolve().parents[3] / "shared" / "plates"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plates", default=os.environ.get("MAPPER_PLATES", str(DEFAULT)))
    parser.add_argument("--off", type=float, default=0.35)
    parser.add_argument("--read", action="store_true")
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
                wires = {w["id"]: w for w in photo["wires"]}
                ground = prepare(load_photo(truth_file.parent / photo["file"]).pixels_bgr)
                fits.append((fit, wires, ground))
        if chosen.read:
            _read(truth_file.parent.name, truth, plate, fits)
        else:
            _measure(truth_file.parent.name, truth, fits, chosen.off, rng)


def _read(name: str, truth: dict, plate: Plate, fits: list) -> None:
    routes = {w["id"]: np.array(w["points"])[:, :2] for w in truth["wires"]}
    wide = {w["id"]: w["diameter"] for w in truth["wires"]}
    total = measured = answered = wrong = silent = added = against = 0
    for c in truth["crossings"]:
        if c["self"] or c["angle_deg"] < 8:
            continue
        total += 1
        place, pair = np.array([c["x"], c["y"]]), (c["a"], c["b"])
        depth = float(plate.lead_depth_mm(place[None])[0])
        near = {k: line[np.hypot(*(line - place).T) < 40] for k, line in routes.items()}
        views, said = [], set()
        for fit, _, ground in fits:
            paths = []
            for own in pair:
                rest = [line for k, line in near.items() if k != own]
                paths.append(
                    seen_middles(fit, _snap(ground), near[own], place, depth, wide[own], rest)
                )
            if paths[0] is not None and paths[1] is not None:
                views.append(LeadsInPhoto(fit, *paths))
            lines = [
                fit.photo_from_plate(near[own], plate.lead_depth_mm(near[own])) for own in pair
            ]
            with suppress(TraceError):  # the place lies outside the photo
                at = fit.photo_from_plate(place[None], depth)[0]
                said.add(judge_crossing(ground, *lines, at).top)
        said.discard(None)
        silent += not said
        found = height_shift(views, place, depth, trace_sigma_px=0.5)
        measured += found is not None
        if found is not None and found.top is not None:
            answered += 1
            wrong += (found.top == "a") != (c["over"] == c["a"])
            added += not said
            against += bool(said) and said != {found.top}
    print(
        f"{name}: {len(fits)} good photos, {total} crossings, read in two {measured}, answered "
        f"{answered}, wrong {wrong}; the judge answers on no photo at {silent}, of these the "
        f"height answers {added}; height against a photo {against}",
        flush=True,
    )


def _snap(ground: Ground):
    def snap(xy: tuple[float, float], reach_px: float):
        try:
            return snap_to_wire(ground, xy, reach_px)
        except TraceError:
            return None

    return snap


def _measure(name: str, truth: dict, fits: list, off_px: float, rng) -> None:
    total = measured = answered = wrong = 0
    scaled = []
    for c in truth["crossings"]:
        if c["self"] or c["angle_deg"] < 8:
            continue
        total += 1
        views = []
        for fit, wires, _ in fits:
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
