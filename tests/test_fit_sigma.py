"""How sure a fit is, photos out of focus, and the scenes that both are measured on."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from mapper.fit import Camera, PhotoFit, fit_photo
from mapper.fit.evidence import linear_light
from mapper.fit.face import face_edges
from mapper.fit.outline import outline_trials
from mapper.fit.refine import sharp_level
from mapper.fit.result import common_sigma_px
from mapper.photos import load_photo
from tests.benchmarks.fit import Answer, Truth, score, summary, true_camera
from tests.benchmarks.fit_scenes import developed, random_photos, random_plate
from tests.truth import true_plate, truth_of

FIT = PhotoFit(
    Camera(1800.0, (1199.5, 899.5), np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 500.0])),
    2400,
    1800,
    np.eye(8) * 1e-12,
    "good",
    (),
    "circles",
    np.zeros(1),
    ("D01",),
)


@pytest.fixture
def close_up(shared_plates):
    truth = truth_of(shared_plates / "plate1")
    record = next(r for r in truth["photos"] if r["file"].startswith("03"))
    photo = load_photo(shared_plates / "plate1" / record["file"])
    return photo, true_plate(truth), true_camera(record)


def test_a_close_up_out_of_focus_is_fitted_on_a_smaller_picture(close_up):
    # truth of the renderer that made the photo
    photo, plate, camera = close_up
    light = cv2.GaussianBlur(linear_light(photo.pixels_bgr), (0, 0), 1.8)
    soft = np.uint8(np.clip(255 * (1.055 * light ** (1 / 2.4) - 0.055), 0, 255))  # IEC 61966-2-1
    grey = cv2.cvtColor(soft, cv2.COLOR_BGR2GRAY)
    assert sharp_level(grey, camera, face_edges(plate), 0.5)[1] < 1
    fit = fit_photo(SimpleNamespace(pixels_bgr=soft, focal_px=photo.focal_px), plate)
    share = np.linspace(0.1, 0.9, 5)
    at = np.array([(x, y) for x in share for y in share]) * (photo.width_px, photo.height_px)
    assert np.hypot(*(fit.plate_from_photo(at) - camera.face_points(at)).T).max() < 0.25


def test_a_sharp_photo_is_fitted_at_full_size(close_up):
    photo, plate, camera = close_up
    grey = cv2.cvtColor(photo.pixels_bgr, cv2.COLOR_BGR2GRAY)
    image, scale = sharp_level(grey, camera, face_edges(plate), 0.5)
    assert scale == 1
    assert image.shape == grey.shape


def test_a_slim_plate_that_is_small_in_the_photo_is_found_by_its_sides():
    # the pose is put in by hand; a photo that a slim plate crosses with its long side only
    outline = np.array([(0.0, 0.0), (400, 0), (400, 145), (0, 145)])
    down = np.diag([1.0, -1.0, -1.0])
    camera = Camera(900.0, (599.5, 449.5), down, np.array([-200, 72.5, 700.0]))
    grey = np.full((900, 1200), 40, np.uint8)
    cv2.fillPoly(grey, [np.rint(camera.project_face(outline)).astype(np.int32)], 180)
    trials = outline_trials(grey, 1.0, outline, 900.0, camera.centre_px)
    place = min(
        np.abs(t.camera.project_face(outline) - camera.project_face(outline)).max() for t in trials
    )
    assert place < 3


def test_sigma_grows_with_the_misses_of_the_rims():
    even, uneven = (common_sigma_px(np.full(20, miss)) for miss in (0.02, 0.2))
    assert even < common_sigma_px(np.zeros(0)) < uneven
    # few rims that happen to agree prove little
    assert common_sigma_px(np.zeros(2)) > common_sigma_px(np.zeros(20)) > 0
    at = np.array([(0.0, 0.0)])
    scale_px = FIT.camera.focal_px / 500  # px per mm, straight below
    # the radius that holds 68 % of a round normal distribution is 1.51 deviations (Rayleigh)
    sigma = replace(FIT, common_px=0.3).sigma_mm(at)[0]
    assert sigma == pytest.approx(1.51 * 0.3 / scale_px, rel=0.03)


def test_a_fit_stored_before_it_had_its_own_common_part_keeps_its_sigma():
    stored = json.loads(json.dumps(FIT.to_dict()))
    assert PhotoFit.from_dict(stored).common_px == FIT.common_px
    del stored["common_px"]
    assert PhotoFit.from_dict(stored).common_px == pytest.approx(0.06)


@pytest.mark.parametrize("seed", range(4))
def test_edges_of_the_scenes_lie_where_their_truth_says(seed):
    # An evenly blurred straight edge stays where it was half way up in light (symmetry), which
    # the sRGB code alone does not move; blurred after coding it would be off by 0.2 px here.
    light = np.full((240, 3000, 3), 0.02, np.float32)
    light[:, :1500] = 0.4
    pixels = developed(np.random.default_rng(seed), light)
    row = linear_light(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)).mean(axis=0)
    middle = (row[:1400].mean() + row[1600:].mean()) / 2
    after = int(np.argmax(row < middle))
    at = after - (middle - row[after]) / (row[after - 1] - row[after])
    assert abs(at - 1499.5) < 0.1


def test_a_close_up_comes_with_an_overview_of_the_same_plate():
    for seed in range(30):
        rng = np.random.default_rng(seed)
        random_plate(rng)
        if rng.random() >= 0.65:  # this one draws a close-up
            break
    close, wide = random_photos(np.random.default_rng(seed), (400, 300))
    assert (close.kind, wide.kind) == ("closeup", "overview")
    assert close.plate is wide.plate
    corners = wide.camera.project_face(wide.plate.outline_array)
    assert ((corners >= 0) & (corners < (400, 300))).all()
    assert not np.allclose(close.camera.place_mm, wide.camera.place_mm)


@pytest.mark.parametrize(("off_mm", "wrong"), [(0.4, False), (0.6, True)])
def test_a_good_fit_more_than_half_a_millimetre_off_is_counted_as_wrong_and_good(off_mm, wrong):
    moved = replace(FIT.camera, translation_mm=FIT.camera.translation_mm + (off_mm, 0.0, 0.0))
    truth = Truth(moved, np.array([(0.0, 0.0)]), np.zeros((0, 3)), (2400, 1800))
    row = score(Answer("photo", FIT, "", 1.0, float("nan")), truth)
    assert row["errors_mm"] == pytest.approx([off_mm])
    assert summary([row])["wrong_and_good"] == int(wrong)
