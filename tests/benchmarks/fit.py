"""How right and how fast photos are fitted, in two passes: predict, then score.

    python -m tests.benchmarks.fit [--json FILE] [--plates FOLDER] [--scenes N [--front-walls]]

The first pass sees photos and drawings only and keeps its answers; the second one opens the
truth. The peer for time is OpenCV's SIFT at full size with a RANSAC homography between the photo
and another one of the same plate, in the same run. `--scenes` adds random plates and photos from
`fit_scenes`, of which none may be wrong and called good; `--front-walls` takes them so low that the
foot of a wall shows beside the edge of the face. A close-up that is not good by itself is fitted
again through an overview of the same plate, as the page Fit does it.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np

from mapper.fit import Camera, FitFailed, FitHints, PhotoFit, fit_photo
from mapper.photos import load_photo
from mapper.plate import Plate
from tests.benchmarks.fit_scenes import Scene, front_wall_photos, random_photos
from tests.truth import true_plate, truth_of

WRONG_MM = 0.5  # a fit with a drop farther off than this is wrong, whatever its verdict
REPO = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, eq=False)
class Answer:
    """What the first pass keeps of one photo."""

    name: str
    fit: PhotoFit | None
    refusal: str
    seconds: float
    peer_seconds: float


@dataclass(frozen=True, eq=False)
class Truth:
    """What the second pass knows of one photo: `leads_mm` (N, 3) are visible lead points."""

    camera: Camera
    drops_mm: np.ndarray
    leads_mm: np.ndarray
    size: tuple[int, int]


def sift_homography(moving: np.ndarray, fixed: np.ndarray) -> np.ndarray | None:
    """OpenCV's full-size SIFT, ratio test and RANSAC: pixels of one photo to those of another."""
    sift = cv2.SIFT_create()
    a, da = sift.detectAndCompute(cv2.cvtColor(moving, cv2.COLOR_BGR2GRAY), None)
    b, db = sift.detectAndCompute(cv2.cvtColor(fixed, cv2.COLOR_BGR2GRAY), None)
    good = [
        m[0]
        for m in cv2.BFMatcher().knnMatch(da, db, k=2)
        if len(m) == 2 and m[0].distance < 0.8 * m[1].distance
    ]
    if len(good) < 4:
        return None
    return cv2.findHomography(
        np.float32([a[m.queryIdx].pt for m in good]),
        np.float32([b[m.trainIdx].pt for m in good]),
        cv2.RANSAC,
        3.0,
    )[0]


def peer_seconds(moving: np.ndarray, fixed: np.ndarray) -> float:
    """Time of the peer for a pair of photos."""
    start = time.perf_counter()
    sift_homography(moving, fixed)
    return time.perf_counter() - start


def predict(
    name: str,
    photo: Any,
    plate: Plate,
    other: np.ndarray | None = None,
    hints: FitHints | None = None,
) -> Answer:
    """Fit one photo and time it beside the peer."""
    start = time.perf_counter()
    fit, refusal = None, ""
    try:
        fit = fit_photo(photo, plate, hints)
    except FitFailed as error:
        refusal = str(error)
    seconds = time.perf_counter() - start
    peer = peer_seconds(photo.pixels_bgr, other) if other is not None else float("nan")
    return Answer(name, fit, refusal, seconds, peer)


def score(answer: Answer, truth: Truth) -> dict[str, Any]:
    """Errors of one answer in mm."""
    row: dict[str, Any] = {
        "photo": answer.name,
        "verdict": answer.fit.verdict if answer.fit else "refused",
        "seconds": answer.seconds,
        "peer_seconds": answer.peer_seconds,
    }
    if answer.fit is None:
        return row | {"refusal": answer.refusal}
    drops = np.column_stack((truth.drops_mm, np.zeros(len(truth.drops_mm))))
    px = truth.camera.project(drops)
    shown = (px >= 0).all(axis=1) & (px < truth.size).all(axis=1)
    if not shown.any():  # a close-up between drops is scored at points of the face
        share = np.linspace(0.1, 0.9, 5)
        grid = np.array([(x, y) for x in share for y in share]) * truth.size
        drops = np.column_stack((truth.camera.face_points(grid), np.zeros(len(grid))))
        px, shown = grid, np.ones(len(grid), bool)
    error = np.hypot(*(answer.fit.plate_from_photo(px[shown]) - drops[shown, :2]).T)
    row["errors_mm"] = error.tolist()
    row["sigmas_mm"] = answer.fit.sigma_mm(drops[shown, :2]).tolist()
    row["wrong"] = bool(error.max() > WRONG_MM)
    row["reasons"] = list(answer.fit.reasons)
    row["margin"] = answer.fit.margin
    row["method"] = answer.fit.method
    if len(truth.leads_mm):
        px = truth.camera.project(truth.leads_mm)
        found = answer.fit.plate_from_photo(px, -truth.leads_mm[:, 2])
        row["lead_errors_mm"] = np.hypot(*(found - truth.leads_mm[:, :2]).T).tolist()
    return row


def true_camera(record: dict[str, Any]) -> Camera:
    """The camera of a photo in a truth file."""
    k = record["K"]
    return Camera(
        k[0][0], (k[0][2], k[1][2]), np.array(record["R"]), np.array(record["t"]), record["dist"][0]
    )


def true_leads_mm(truth: dict[str, Any], record: dict[str, Any]) -> np.ndarray:
    """Lead points (N, 3) below the face that a photo shows."""
    wires = {wire["id"]: np.array(wire["points"]) for wire in truth["wires"]}
    out = []
    for seen in record["wires"]:
        points = wires[seen["id"]]
        visible = np.array(seen["visible"], dtype=bool)
        if len(visible) == len(points):
            out.append(points[visible & (points[:, 2] <= 0)])
    return np.concatenate(out) if out else np.zeros((0, 3))


def shared_rows(folder: Path) -> list[dict[str, Any]]:
    """Both passes over the rendered plates."""
    answers: list[tuple[Answer, Truth]] = []
    for place in sorted(folder.glob("plate*")):
        truth = truth_of(place)
        plate = true_plate(truth)
        photos = [load_photo(place / record["file"]) for record in truth["photos"]]
        for n, (record, photo) in enumerate(zip(truth["photos"], photos, strict=True)):
            name = f"{place.name}/{record['file']}"
            other = photos[(n + 1) % len(photos)].pixels_bgr
            answer = predict(name, photo, plate, other)
            drops = np.array([(d["x"], d["y"]) for d in truth["drops"]])
            size = (photo.width_px, photo.height_px)
            leads = true_leads_mm(truth, record)
            answers.append((answer, Truth(true_camera(record), drops, leads, size)))
    return [score(answer, truth) for answer, truth in answers]


def scene_rows(
    count: int,
    size: tuple[int, int],
    first: int,
    done: Sequence[dict[str, Any]] = (),
    keep: Callable[[list[dict[str, Any]]], None] = lambda rows: None,
    front_walls: bool = False,
) -> list[dict[str, Any]]:
    """Random plates and photos of our own; `done` are rows from before, `keep` gets all so far."""
    rows = list(done)
    there = {row["photo"].split()[1] for row in rows}
    for seed in range(first, first + count):
        if str(seed) in there:
            continue
        rng = np.random.default_rng(seed)
        if front_walls:
            new = [scene_row(seed, one, None) for one in front_wall_photos(rng, size)]
        else:
            new = [scene_row(seed, *random_photos(rng, size))]
        for row in new:
            print_row(row)
        rows += new
        keep(rows)
    return rows


def scene_row(seed: int, scene: Scene, overview: Scene | None) -> dict[str, Any]:
    """Both passes over one scene; `overview` and `through` are the two steps of a second try."""
    name = f"scene {seed} {scene.kind}"
    photo = _photo_of(scene)
    peer = scene.pixels_bgr[::-1, ::-1] if seed % 10 == 0 else None
    answer = predict(name, photo, scene.plate, peer)
    row = score(answer, _truth_of(scene))
    if overview is None or row["verdict"] == "good":
        return row
    helper = predict(f"{name}, overview", _photo_of(overview), scene.plate)
    row["overview"] = score(helper, _truth_of(overview))
    if row["overview"]["verdict"] == "good":
        hints = FitHints(fitted=((_photo_of(overview), helper.fit),))
        again = predict(f"{name}, through", photo, scene.plate, hints=hints)
        row["through"] = score(again, _truth_of(scene))
    return row


def _photo_of(scene: Scene) -> Any:
    return SimpleNamespace(pixels_bgr=scene.pixels_bgr, focal_px=scene.focal_px)


def _truth_of(scene: Scene) -> Truth:
    drops = np.array([(d.x_mm, d.y_mm) for d in scene.plate.drops])
    height, width = scene.pixels_bgr.shape[:2]
    return Truth(scene.camera, drops, np.zeros((0, 3)), (width, height))


def print_row(row: dict[str, Any]) -> None:
    """One line for an answer; those of a second try follow."""
    print_answer(row)
    for second in ("overview", "through"):
        if second in row:
            print_answer(row[second])


def print_answer(row: dict[str, Any]) -> None:
    ratio = row["seconds"] / row["peer_seconds"]
    times = f"{row['seconds']:6.2f} s" + (f"  x{ratio:.2f} of peer" if ratio == ratio else "")
    if "errors_mm" not in row:
        print(f"{row['photo']:36} refused   {'':33} {times}", flush=True)
        return
    e = np.array(row["errors_mm"])
    lead = row.get("lead_errors_mm")
    leads = f"leads 95 % {np.quantile(lead, 0.95):.3f}" if lead else ""
    print(
        f"{row['photo']:36} {row['verdict']:9} drops median {np.median(e):.3f} "
        f"95 % {np.quantile(e, 0.95):.3f} worst {e.max():.3f} mm  {leads}  "
        f"margin {row['margin']:.0f}  {times}{'  WRONG' if row['wrong'] else ''}",
        flush=True,
    )


def scenes_summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """The numbers of overviews, of close-ups alone, and of close-ups with an overview at hand."""
    close = [r for r in rows if r["photo"].endswith("closeup")]
    helpers = [r["overview"] for r in close if "overview" in r]
    wide = [r for r in rows if r["photo"].endswith("overview")]
    return {
        "overviews": summary(wide),
        "overviews beside a close-up": summary(helpers),
        "close-ups alone": summary(close),
        "close-ups in the end": summary([_better(r) for r in close]),
        "close-ups tried through an overview": sum("through" in r for r in close),
        "all": summary(wide + helpers + [_better(r) for r in close]),
    }


def _better(row: dict[str, Any]) -> dict[str, Any]:
    """The answer that is kept: the one through the overview, where it is not the worse one."""
    worth = ("refused", "doubtful", "good")
    again = row.get("through", row)
    return again if worth.index(again["verdict"]) >= worth.index(row["verdict"]) else row


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """The few numbers that count."""
    fitted = [r for r in rows if "errors_mm" in r]
    right = [r for r in fitted if not r["wrong"]]
    out: dict[str, Any] = {
        "photos": len(rows),
        "good": sum(r["verdict"] == "good" for r in rows),
        "doubtful": sum(r["verdict"] == "doubtful" for r in rows),
        "refused": sum(r["verdict"] == "refused" for r in rows),
        "wrong_and_good": sum(r["wrong"] and r["verdict"] == "good" for r in fitted),
        "wrong_and_doubtful": sum(r["wrong"] and r["verdict"] == "doubtful" for r in fitted),
    }
    if right:
        out |= _errors(right)
        leads = [r["lead_errors_mm"] for r in right if r.get("lead_errors_mm")]
        if leads:
            out["leads_p95_mm"] = float(np.quantile(np.concatenate(leads), 0.95))
            out["leads_p95_worst_photo_mm"] = float(max(np.quantile(lead, 0.95) for lead in leads))
    good = [r for r in fitted if r["verdict"] == "good"]
    if good:
        out["good_ones"] = _errors(good)
    timed = [r for r in rows if r["peer_seconds"] == r["peer_seconds"]]
    if timed:
        out["time_over_peer"] = float(
            sum(r["seconds"] for r in timed) / sum(r["peer_seconds"] for r in timed)
        )
        out["time_over_peer_worst"] = float(max(r["seconds"] / r["peer_seconds"] for r in timed))
    return out


def _errors(rows: list[dict[str, Any]]) -> dict[str, float]:
    """Errors at the drops of all rows together, and how they compare with sigma."""
    e = np.concatenate([r["errors_mm"] for r in rows])
    s = np.concatenate([r["sigmas_mm"] for r in rows])
    return {
        "median_mm": float(np.median(e)),
        "p95_mm": float(np.quantile(e, 0.95)),
        "worst_mm": float(e.max()),
        "share_below_one_sigma": float((e < s).mean()),
        "share_below_two_sigma": float((e < 2 * s).mean()),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    default = os.environ.get("MAPPER_PLATES", REPO.parent / "shared" / "plates")
    parser.add_argument("--plates", type=Path, default=Path(default))
    parser.add_argument("--scenes", type=int, default=0)
    parser.add_argument("--front-walls", action="store_true", help="scenes with a wall in sight")
    parser.add_argument("--first", type=int, default=0, help="seed of the first scene")
    parser.add_argument("--size", default="4000x3000")
    parser.add_argument("--json", type=Path)
    given = parser.parse_args()
    out: dict[str, Any] = {}
    key = "front walls" if given.front_walls else "scenes"

    def keep(rows: list[dict[str, Any]]) -> None:
        out[key] = {"size": given.size, "summary": scenes_summary(rows), "rows": rows}
        if given.json:
            write(given.json, out)

    if given.plates.is_dir():
        rows = shared_rows(given.plates)
        for row in rows:
            print_row(row)
        out["plates"] = {"summary": summary(rows), "rows": rows}
        print(json.dumps(out["plates"]["summary"], indent=1))
    if given.scenes:
        width, height = (int(n) for n in given.size.split("x"))
        done = rows_done(given.json, key, given.size)
        keep(scene_rows(given.scenes, (width, height), given.first, done, keep, given.front_walls))
        print(json.dumps(out[key]["summary"], indent=1))
    if given.json:
        write(given.json, out)


def write(path: Path, out: dict[str, Any]) -> None:
    """All rows so far, whole or not at all."""
    beside = path.with_suffix(".part")
    beside.write_text(json.dumps(out, indent=1), encoding="utf-8")
    beside.replace(path)


def rows_done(path: Path | None, key: str, size: str) -> list[dict[str, Any]]:
    """Rows of scenes that an earlier run with the same picture size left in the file."""
    if path is None or not path.is_file():
        return []
    scenes = json.loads(path.read_text(encoding="utf-8")).get(key, {})
    return scenes.get("rows", []) if scenes.get("size") == size else []


if __name__ == "__main__":
    main()
