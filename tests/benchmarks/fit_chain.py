"""Chains of close-ups with no plate edge in sight: photo by photo against all together.

    python -m tests.benchmarks.fit_chain [--chains N] [--size 2400x1800] [--json FILE]
    python -m tests.benchmarks.fit_chain --plates FOLDER

The first photo of a chain sees the left end of a long plate with its drops, each next one is a
close-up that overlaps the one before by about half and sees no edge and few holes. Photos are
fitted alone where they can be, else through the photo before, then all are adjusted together.
Errors in mm at points spread over what a photo shows of the face. With `--plates` the same on the
rendered plates, at the drops.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from mapper.fit import Camera, FitFailed, PhotoFit, fit_photo, fit_through, fit_together
from mapper.photos import load_photo
from mapper.plate import Plate
from tests.benchmarks.fit import true_camera
from tests.benchmarks.fit_scenes import random_chain
from tests.truth import true_plate, truth_of

WRONG_MM = 2.0


def long_plate(rng: np.random.Generator) -> Plate:
    """A long plate with drops at the left and, past a bare stretch, few holes."""
    height, pitch, bore = 330.0, float(rng.uniform(80, 110)), float(rng.integers(30, 50))
    xs, ys = 90 + pitch * np.arange(2), (height / 2 - pitch / 2, height / 2 + pitch / 2)
    drops = [
        {"id": f"D{n + 1:02d}", "x": float(x), "y": float(y), "bore_diameter": bore}
        for n, (x, y) in enumerate((x, y) for x in xs for y in ys)
    ]
    spots = [(24, 24, 20), (24, height - 34, 20), (976, 24, 20), (976, height - 24, 20)]
    spots += [
        (float(rng.uniform(330, 950)), float(rng.uniform(50, height - 50)), 9.0) for _ in range(5)
    ]
    channels = [
        {
            "id": f"C{n + 1}",
            "points": [[d["x"], d["y"]], [d["x"] + pitch / 2, d["y"]]],
            "width": 11.0,
            "depth": 14.0,
        }
        for n, d in enumerate(drops)
    ]
    return Plate.from_mapping(
        {
            "name": "long",
            "outline": [[0, 0], [1000, 0], [1000, height], [0, height]],
            "drops": drops,
            "holes": [
                {"id": f"P{n + 1}", "x": x, "y": y, "diameter": d}
                for n, (x, y, d) in enumerate(spots)
            ],
            "channels": channels,
            "exits": [],
        }
    )


def errors_mm(fit: PhotoFit, truth: Camera, at_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Errors and sigmas (N,) at points of the face."""
    found = fit.plate_from_photo(truth.project_face(at_mm))
    return np.hypot(*(found - at_mm).T), fit.sigma_mm(at_mm)


def fitted_one_by_one(photos: list[Any], plate: Plate) -> list[PhotoFit | None]:
    """Each photo alone; what is refused, through those fitted so far."""
    fits: list[PhotoFit | None] = []
    for n, photo in enumerate(photos):
        try:
            fits.append(fit_photo(photo, plate))
        except FitFailed:
            there = [(photos[k], fits[k]) for k in range(n - 1, -1, -1) if fits[k] is not None]
            try:
                fits.append(fit_through(photo, plate, there[:2]))
            except FitFailed:
                fits.append(None)
    return fits


def rows_of(name, photos, cameras, plate, at_mm) -> list[dict[str, Any]]:
    """Both ways for the photos of one plate; `at_mm` are points (N, 2) per photo."""
    fits = fitted_one_by_one(photos, plate)
    there = [n for n, fit in enumerate(fits) if fit is not None]
    joint = dict(
        zip(
            there,
            fit_together([photos[n] for n in there], [fits[n] for n in there], plate),
            strict=True,
        )
    )
    rows = []
    for n, fit in enumerate(fits):
        row: dict[str, Any] = {"chain": name, "photo": n, "verdict": "refused"}
        if fit is not None:
            single, _ = errors_mm(fit, cameras[n], at_mm[n])
            both, sigma = errors_mm(joint[n], cameras[n], at_mm[n])
            row |= {
                "verdict": joint[n].verdict,
                "verdict_single": fit.verdict,
                "method": fit.method,
                "moved": joint[n].camera is not fit.camera,
                "single_mm": single.tolist(),
                "joint_mm": both.tolist(),
                "sigma_mm": sigma.tolist(),
            }
        rows.append(row)
        show(row)
    return rows


def show(row: dict[str, Any]) -> None:
    """One line of a photo."""
    if "joint_mm" not in row:
        print(f"{row['chain']:12} {row['photo']} refused", flush=True)
        return
    one, both, sigma = (np.array(row[k]) for k in ("single_mm", "joint_mm", "sigma_mm"))
    print(
        f"{row['chain']:12} {row['photo']} {row['verdict_single']:8} -> {row['verdict']:8} "
        f"{row['method']:22} single {np.median(one):.3f} worst {one.max():.3f}  joint "
        f"{np.median(both):.3f} worst {both.max():.3f}  sigma {np.median(sigma):.3f}"
        f"{'' if row['moved'] else '  kept'}",
        flush=True,
    )


def grid_mm(camera: Camera, size: tuple[int, int]) -> np.ndarray:
    """Points (16, 2) of the face over the inner part of a photo."""
    share = np.linspace(0.15, 0.85, 4)
    x, y = np.meshgrid(share * size[0], share * size[1])
    return camera.face_points(np.column_stack((x.ravel(), y.ravel())))


def chain_rows(seed: int, size: tuple[int, int]) -> list[dict[str, Any]]:
    """One chain of three to five photos."""
    rng = np.random.default_rng(1000 + seed)
    plate = long_plate(rng)
    spans = np.array([420.0, *[260.0] * (2 + seed % 3)])
    aims = np.array([(180.0 + 140.0 * n, 165.0) for n in range(len(spans))])
    scenes = random_chain(rng, plate, aims, spans, size)
    photos = [SimpleNamespace(pixels_bgr=s.pixels_bgr, focal_px=s.focal_px) for s in scenes]
    cameras = [s.camera for s in scenes]
    at = [grid_mm(camera, size) for camera in cameras]
    return rows_of(f"chain {seed}", photos, cameras, plate, at)


def plate_rows(folder: Path) -> list[dict[str, Any]]:
    """The photos of the rendered plates, each plate as one job."""
    rows = []
    for place in sorted(folder.glob("plate*")):
        truth = truth_of(place)
        photos = [load_photo(place / record["file"]) for record in truth["photos"]]
        cameras = [true_camera(record) for record in truth["photos"]]
        drops = np.array([(d["x"], d["y"]) for d in truth["drops"]])
        at = []
        for photo, camera in zip(photos, cameras, strict=True):
            px = camera.project_face(drops)
            shown = (px >= 0).all(axis=1) & (px < (photo.width_px, photo.height_px)).all(axis=1)
            at.append(drops[shown])
        rows += rows_of(place.name, photos, cameras, true_plate(truth), at)
    return rows


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """The few numbers that count, by place in the chain as well."""
    fitted = [r for r in rows if "joint_mm" in r]
    out: dict[str, Any] = {
        "photos": len(rows),
        "refused": len(rows) - len(fitted),
        "wrong_and_good": sum(
            r["verdict"] == "good" and max(r["joint_mm"]) > WRONG_MM for r in fitted
        ),
        "moved": sum(r["moved"] for r in fitted),
        "worse_by_0.05_mm": sum(
            bool(np.median(r["joint_mm"]) > np.median(r["single_mm"]) + 0.05) for r in fitted
        ),
    }
    for name, some in (("all", fitted), *_by_place(fitted)):
        one, both, sigma = (
            np.concatenate([r[key] for r in some]) for key in ("single_mm", "joint_mm", "sigma_mm")
        )
        out[name] = {
            "photos": len(some),
            "single_median_mm": float(np.median(one)),
            "single_p95_mm": float(np.quantile(one, 0.95)),
            "joint_median_mm": float(np.median(both)),
            "joint_p95_mm": float(np.quantile(both, 0.95)),
            "joint_below_one_sigma": float((both < sigma).mean()),
            "joint_below_two_sigma": float((both < 2 * sigma).mean()),
        }
    return out


def _by_place(rows: list[dict[str, Any]]) -> list[tuple[str, list[dict[str, Any]]]]:
    places = sorted({row["photo"] for row in rows})
    return [(f"photo {n}", [row for row in rows if row["photo"] == n]) for n in places]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--chains", type=int, default=4)
    parser.add_argument("--size", default="2400x1800")
    parser.add_argument("--plates", type=Path)
    parser.add_argument("--json", type=Path)
    given = parser.parse_args()
    if given.plates:
        rows = plate_rows(given.plates)
    else:
        width, height = (int(n) for n in given.size.split("x"))
        rows = [row for n in range(given.chains) for row in chain_rows(n, (width, height))]
    print(json.dumps(summary(rows), indent=1))
    if given.json:
        given.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
