"""Photo to photo: the map stands where the plate is, whichever way the camera was held."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from mapper.fit import apply_homography, register_pair
from mapper.fit.camera import focal_px_from_35mm
from mapper.fit.features import point_features
from mapper.fit.pair_map import Alike, picture_of, settled
from tests.benchmarks.fit_pairs import RIGHT_MM, miss_mm, turned
from tests.truth import truth_of

SIZE = (900, 700)


def test_the_half_turned_photo_of_another_stage_lies_where_it_lies_at_no_turn(shared_plates):
    truth = truth_of(shared_plates / "plate2")
    one, two = (next(p for p in truth["photos"] if p["file"].startswith(n)) for n in ("01", "04"))
    moving, fixed = (cv2.imread(str(shared_plates / "plate2" / p["file"])) for p in (one, two))
    bores, there = (np.array([d["px"] for d in p["drops_px"]], float) for p in (one, two))
    drops = np.array([(d["x"], d["y"]) for d in truth["drops"]], float)
    px_per_mm = np.hypot(*np.ptp(there, axis=0)) / np.hypot(*np.ptp(drops, axis=0))
    put = []
    for quarters in (0, 2):
        picture, at = turned(moving, bores, quarters)
        found = register_pair(picture, fixed)
        assert miss_mm(found, at, there, px_per_mm) < RIGHT_MM
        put.append(apply_homography(found, at))
    assert np.hypot(*(put[0] - put[1]).T).max() < 0.3 * px_per_mm


def milled(rng: np.random.Generator) -> np.ndarray:
    """A picture of equal grooves 24 px apart both ways, with blots that tell places apart."""
    width, height = SIZE
    picture = np.full((height, width), 150, np.uint8)
    for n in range(12, max(SIZE), 24):
        cv2.line(picture, (n, 0), (n, height), 40, 5)
        cv2.line(picture, (0, n), (width, n), 40, 5)
    for x, y in rng.uniform(0, SIZE, (150, 2)):
        axes = tuple(int(v) for v in rng.integers(3, 9, 2))
        tone = int(rng.choice([10, 240]))
        cv2.ellipse(picture, (int(x), int(y)), axes, rng.uniform(0, 180), 0, 360, tone, -1)
    return cv2.GaussianBlur(picture, (0, 0), 1.0)


def test_points_lead_the_map_out_of_the_neighbouring_groove():
    # Edges of equal grooves look the same one groove farther on.
    picture = milled(np.random.default_rng(3))
    one = picture_of(picture)
    at, looks = point_features(picture, None, 2000)
    alike = Alike(one.unit(at[:, :2]), one.unit(at[:, :2]), looks @ looks.T)
    beside = np.array([[1, 0, 22.0], [0, 1, 0], [0, 0, 1.0]])
    reaches = (10.0, 7.0, 5.0, 3.0)

    def off(points: Alike | None) -> float:
        return float(abs(settled(beside, one, one, points, reaches, rounds=4)[0, 2]))

    assert off(None) == pytest.approx(24, abs=0.5)
    assert off(alike) < 0.1


def test_a_bent_lens_costs_the_corners_and_not_the_bores():
    # Drawn with r^2 of the lens of 26 mm: straight sides bend by up to 12 px.
    picture = milled(np.random.default_rng(4))
    width, height = SIZE
    focal_px = focal_px_from_35mm(26.0, width, height)
    lens = np.array([[focal_px, 0, (width - 1) / 2], [0, focal_px, (height - 1) / 2], [0, 0, 1]])
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    bent = np.array([0.04, 0, 0, 0])
    at = np.column_stack((x.ravel(), y.ravel()))
    straight = cv2.undistortPoints(at[:, None], lens, bent, P=lens)[:, 0].reshape(height, width, 2)
    photo = cv2.remap(picture, straight, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    found = register_pair(picture, photo)
    assert found is not None
    goal, source = at[::97], straight.reshape(-1, 2)[::97]
    plain, _ = cv2.findHomography(source, goal, 0)

    def misses(h: np.ndarray) -> np.ndarray:
        return np.hypot(*(apply_homography(h, source) - goal).T)

    assert np.median(misses(found)) < 0.8 * np.median(misses(plain))
