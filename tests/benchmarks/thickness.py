"""Questions about meetings with and without the leads' thickness; how thick leads look on photos.

    python -m tests.benchmarks.thickness [--plates FOLDER] [--plate plate2] [--stray 0.3] [--widths]

The true leads with some stray (mm, one sigma, smooth), all of them seen, or only where a photo
shows them, nothing judged: meetings while nobody entered how thick a lead is, and with what was
entered for each kind (usual, thickest and middle of the kind) or for each lead. With `--widths`
instead: the width read along each lead on the last cleared photo of every plate, over the true one.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from scipy.spatial import cKDTree

from mapper.fit.crops import photo_scale_px_per_mm
from mapper.records import Job, JobStore, lead_changes, thickness_changes
from mapper.records.thickness import USUAL_DIAMETER_MM
from mapper.trace import snap_to_wire
from mapper.ui.findings import Findings
from tests.benchmarks.plate_eyes import Eyes
from tests.benchmarks.rounds import strayed, stretches_of
from tests.full_job import full_job, true_fit
from tests.test_log_records import with_changes
from tests.truth import truth_of

DEFAULT = Path(__file__).resolve().parents[3] / "shared" / "plates"
KINDS = ("heater", "thermocouple")
PLACES, SNAP_PX, EDGE_PX = 13, 4.0, 5


def questions(folder: Path, stray_mm: float) -> None:
    eyes = Eyes(truth_of(folder))
    with tempfile.TemporaryDirectory() as fresh:
        store = JobStore(Path(fresh))
        full_job(store, folder, open_every=1)
        start = store.job(store.jobs()[0].id)
        store.close()
    start = with_changes(start, {f"judged/{name}": None for name in start.names("judged")})
    true_mm = {lead.id: lead.diameter_mm for lead in start.leads}
    of_kind = {k: [x.diameter_mm for x in start.leads if x.kind == k] for k in KINDS}
    ways = {
        "usual": ({k: USUAL_DIAMETER_MM[k] for k in KINDS}, {}),
        "thickest of the kind": ({k: max(mm) for k, mm in of_kind.items()}, {}),
        "middle of the kind": ({k: float(np.median(mm)) for k, mm in of_kind.items()}, {}),
        "each its own": ({}, true_mm),
    }
    for only_seen in (False, True):
        rng, job = np.random.default_rng(1), start
        for lead in start.leads:
            points = lead.points_mm
            if stray_mm:
                points = strayed(points, stray_mm, rng)
            own = eyes.leads[lead.id]
            shown = own.seen_anywhere[cKDTree(own.mm).query(lead.points_mm)[1]] | (not only_seen)
            one = stretches_of(points, shown[1:] & shown[:-1])
            job = with_changes(job, lead_changes(replace(lead, stretches=one, diameter_mm=None)))
        print("seen where a photo shows it" if only_seen else "all seen")
        print(f"  nothing entered: {_meetings(job)}", flush=True)
        for name, entered in ways.items():
            entered_job = with_changes(job, thickness_changes(job, *entered))
            print(f"  {name}: {_meetings(entered_job)}", flush=True)


def _meetings(job: Job) -> str:
    found = Findings(job).meetings
    return f"{len(found)} {dict(Counter(one.kind for one in found))}"


def widths(plates: Path) -> None:
    cv2.setNumThreads(1)
    for folder in sorted(one for one in plates.iterdir() if (one / "truth.json").exists()):
        truth = truth_of(folder)
        photo = [one for one in truth["photos"] if one["stage"] == "clear"][-1]
        picture, fit = cv2.imread(str(folder / photo["file"])), true_fit(photo)
        high, wide = picture.shape[:2]
        leads, ratios = {one["id"]: one for one in truth["wires"]}, []
        for wire in photo["wires"]:
            lead, found = leads[wire["id"]], []
            shown = np.flatnonzero(wire["visible"])
            for i in shown[:: max(1, len(shown) // PLACES)]:
                (x, y), (x_mm, y_mm, z_mm) = wire["polyline_px"][i], lead["points"][i]
                inside = EDGE_PX < x < wide - EDGE_PX and EDGE_PX < y < high - EDGE_PX
                snap = snap_to_wire(picture, (x, y), SNAP_PX) if inside else None
                if snap is not None:
                    found.append(snap[1] / photo_scale_px_per_mm(fit, x_mm, y_mm, abs(z_mm)))
            if found:
                ratios.append(float(np.median(found)) / lead["diameter"])
        low, middle, high = np.percentile(ratios, [5, 50, 95])
        print(
            f"{folder.name}/{photo['file']}: {len(ratios)} leads, width over diameter {low:.2f}, "
            f"{middle:.2f}, {high:.2f} (5, 50, 95 %), at most {max(ratios):.2f}",
            flush=True,
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plates", default=os.environ.get("MAPPER_PLATES", str(DEFAULT)))
    parser.add_argument("--plate", default="plate2")
    parser.add_argument("--stray", type=float, default=0.3, help="mm")
    parser.add_argument("--widths", action="store_true")
    chosen = parser.parse_args()
    if chosen.widths:
        widths(Path(chosen.plates))
    else:
        questions(Path(chosen.plates) / chosen.plate, chosen.stray)


if __name__ == "__main__":
    main()
