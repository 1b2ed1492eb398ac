"""Photos of rendered plates: fitted right, or refused; never wrong and called good."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.fit import (
    Camera,
    Click,
    FitFailed,
    FitHints,
    PhotoFit,
    apply_homography,
    find_drops,
    fit_overlay,
    fit_photo,
    register_pair,
)
from mapper.fit.face import face_edges, mirrored
from mapper.fit.view import drawing_of, is_its_own_mirror
from mapper.photos import load_photo
from mapper.plate import Hole, Plate, plate_features
from tests.benchmarks.fit_scenes import random_scene
from tests.truth import true_plate, truth_of

GRID = Plate.grid(
    rows=2,
    columns=3,
    pitch_x_mm=100,
    pitch_y_mm=100,
    offset_mm=(80, 80),
    bore_diameter_mm=40,
    width_mm=360,
    height_mm=260,
)


def scene(folder: Path, plate: str, start: str):
    truth = truth_of(folder / plate)
    record = next(r for r in truth["photos"] if r["file"].startswith(start))
    return load_photo(folder / plate / record["file"]), true_plate(truth), truth, record


@cache
def fitted(folder: Path, plate: str, start: str) -> PhotoFit:
    photo, drawing, _, _ = scene(folder, plate, start)
    return fit_photo(photo, drawing)


def true_camera(record) -> Camera:
    k = record["K"]
    return Camera(
        k[0][0], (k[0][2], k[1][2]), np.array(record["R"]), np.array(record["t"]), record["dist"][0]
    )


def drop_errors(fit: PhotoFit, truth, record) -> np.ndarray:
    px = np.array([d["px"] for d in record["drops_px"]])
    xy = np.array([(d["x"], d["y"]) for d in truth["drops"]])
    shown = ((px > 0) & (px < (record["width"], record["height"]))).all(axis=1)
    return np.hypot(*(fit.plate_from_photo(px[shown]) - xy[shown]).T)


@pytest.mark.parametrize(
    ("plate", "start"),
    [("plate1", "01"), ("plate1", "04"), ("plate2", "02"), ("plate3", "01"), ("plate3", "02")],
)
def test_photos_are_fitted_without_a_click(shared_plates, plate, start):
    # truth of the renderer that made the photos
    _, _, truth, record = scene(shared_plates, plate, start)
    fit = fitted(shared_plates, plate, start)
    error = drop_errors(fit, truth, record)
    assert fit.verdict == "good"
    assert np.median(error) <= 0.15
    assert error.max() <= 0.5


def test_leads_in_the_channels_are_right_when_their_depth_is_given(shared_plates):
    _, _, truth, record = scene(shared_plates, "plate1", "01")
    fit = fitted(shared_plates, "plate1", "01")
    points = np.concatenate([np.array(w["points"]) for w in truth["wires"]])
    px = true_camera(record).project(points)
    found = fit.plate_from_photo(px, -points[:, 2])
    inside = points[:, 2] <= 0
    error = np.hypot(*(found - points[:, :2]).T)[inside]
    assert np.quantile(error, 0.95) <= 0.7


def test_a_close_up_of_a_repeating_grid_is_doubted_until_one_click_names_a_bore(shared_plates):
    photo, drawing, truth, record = scene(shared_plates, "plate2", "03")
    alone = fit_photo(photo, drawing)
    assert alone.verdict == "doubtful"
    assert "click one" in alone.reasons[0]
    named = next(d for d in record["drops_px"] if d["name"] == "D10")
    click = Click(named["px"][0] + 12, named["px"][1] - 9, "D10")
    helped = fit_photo(photo, drawing, FitHints(clicks=(click,)))
    assert helped.verdict == "good"
    assert drop_errors(helped, truth, record).max() <= 0.5
    assert helped.residual_points == ("D10",)
    assert helped.residuals_mm[0] < 5


@pytest.mark.parametrize("named", [True, False])
def test_four_rough_clicks_give_the_full_accuracy(shared_plates, named):
    photo, drawing, truth, record = scene(shared_plates, "plate1", "02")
    features = {f.id: f for f in plate_features(drawing)}
    camera = true_camera(record)
    rough = np.random.default_rng(3)
    clicks = []
    for name in ("corner 3", "D02", "D07", "corner 1"):
        px = camera.project_face(np.array([(features[name].x_mm, features[name].y_mm)]))[0]
        x, y = px + rough.uniform(-14, 14, 2)
        clicks.append(Click(float(x), float(y), name if named else None))
    fit = fit_photo(photo, drawing, FitHints(clicks=tuple(clicks)))
    assert fit.verdict == "good"
    assert drop_errors(fit, truth, record).max() <= 0.15
    assert fit.residual_points == ("corner 3", "D02", "D07", "corner 1")


def test_a_photo_is_carried_by_another_one_that_is_fitted(shared_plates):
    photo, drawing, truth, record = scene(shared_plates, "plate2", "03")
    base, _, _, _ = scene(shared_plates, "plate2", "02")
    hints = FitHints(fitted=((base, fitted(shared_plates, "plate2", "02")),))
    fit = fit_photo(photo, drawing, hints)
    assert drop_errors(fit, truth, record).max() <= 0.5


def test_two_stages_in_any_quarter_turn_are_put_on_each_other(shared_plates):
    moving, _, truth, record = scene(shared_plates, "plate1", "02")
    fixed, _, _, other = scene(shared_plates, "plate1", "05")
    turned = np.ascontiguousarray(np.rot90(moving.pixels_bgr))
    found = register_pair(turned, fixed.pixels_bgr)
    assert found is not None
    xy = np.array([(d["x"], d["y"]) for d in truth["drops"]])
    px = true_camera(record).project_face(xy)
    px = np.column_stack((px[:, 1], record["width"] - 1 - px[:, 0]))
    goal = true_camera(other).project_face(xy)
    assert np.median(np.hypot(*(apply_homography(found, px) - goal).T)) < 10


def test_photos_of_different_plates_are_not_put_on_each_other(shared_plates):
    one, _, _, _ = scene(shared_plates, "plate1", "05")
    two, _, _, _ = scene(shared_plates, "plate3", "03")
    assert register_pair(one.pixels_bgr, two.pixels_bgr) is None


def test_the_drawing_of_another_plate_is_refused(shared_plates):
    photo, _, _, _ = scene(shared_plates, "plate1", "05")
    _, other, _, _ = scene(shared_plates, "plate3", "01")
    with pytest.raises(FitFailed, match="click four"):
        fit_photo(photo, other)


def test_a_mirrored_drawing_is_found_out(shared_plates):
    photo, drawing, _, _ = scene(shared_plates, "plate1", "02")
    with pytest.raises(FitFailed, match="mirror"):
        fit_photo(photo, mirrored(drawing))


@pytest.mark.parametrize("number", ["04", "05"])
def test_a_close_up_that_looks_the_same_mirrored_is_doubtful_either_way(shared_plates, number):
    photo, drawing, truth, record = scene(shared_plates, "plate3", number)
    for drawn in (drawing, mirrored(drawing)):
        fit = fit_photo(photo, drawn)
        assert fit.verdict == "doubtful"
        assert any("mirror image" in reason for reason in fit.reasons)
    error = drop_errors(fitted(shared_plates, "plate3", number), truth, record)
    assert np.median(error) <= 0.15
    assert error.max() <= 0.5


def test_a_plate_that_is_its_own_mirror_image_is_not_doubted_for_that():
    assert is_its_own_mirror(drawing_of(GRID))
    offset = replace(GRID, holes=(Hole("P1", 40.0, 17.0, 10.0),))
    assert not is_its_own_mirror(drawing_of(offset))


def test_a_photo_without_a_plate_is_refused():
    noise = np.random.default_rng(0).integers(0, 255, (600, 800, 3)).astype(np.uint8)
    with pytest.raises(FitFailed):
        fit_photo(
            SimpleNamespace(pixels_bgr=noise, focal_px=None),
            GRID,
        )


def test_bores_are_found_and_numbered(shared_plates):
    photo, drawing, _, record = scene(shared_plates, "plate1", "05")
    found = {e.drop_id: e for e in find_drops(photo, drawing)}
    assert set(found) == {d["name"] for d in record["drops_px"]}
    loose = find_drops(photo)
    centres = np.array([(e.x_px, e.y_px) for e in loose])
    for drop in record["drops_px"]:
        ellipse = found[drop["name"]]
        assert np.hypot(ellipse.x_px - drop["px"][0], ellipse.y_px - drop["px"][1]) < 3
        assert np.hypot(*(centres - drop["px"]).T).min() < 12


def test_the_drawn_plate_lies_on_its_corners(shared_plates):
    _, drawing, _, record = scene(shared_plates, "plate1", "05")
    curves = fit_overlay(fitted(shared_plates, "plate1", "05"), drawing)
    outline = curves[0]
    for corner in record["plate_corners_px"]:
        assert np.hypot(*(outline - corner).T).min() < 2
    assert len(curves) >= 1 + len(drawing.drops) + len(drawing.holes)


def test_sigma_tells_the_size_of_the_errors(shared_plates):
    errors, sigmas = [], []
    for plate, start in [("plate1", "01"), ("plate1", "04"), ("plate2", "02"), ("plate3", "01")]:
        _, _, truth, record = scene(shared_plates, plate, start)
        fit = fitted(shared_plates, plate, start)
        error = drop_errors(fit, truth, record)
        errors += [np.median(error)]
        px = np.array([(d["x"], d["y"]) for d in truth["drops"]])
        sigmas += [np.median(fit.sigma_mm(px))]
    share = np.array(errors) / np.array(sigmas)
    assert (share < 3).all()
    assert (share > 0.1).any()


@pytest.mark.parametrize("seed", [0, 3, 7])
def test_no_random_scene_is_wrong_and_called_good(seed):
    made = random_scene(np.random.default_rng(seed), size=(1200, 900))
    try:
        fit = fit_photo(
            SimpleNamespace(pixels_bgr=made.pixels_bgr, focal_px=made.focal_px), made.plate
        )
    except FitFailed as refusal:
        assert "click four" in str(refusal)  # noqa: PT017
        return
    drops = np.array([(d.x_mm, d.y_mm) for d in made.plate.drops])
    px = made.camera.project_face(drops)
    shown = ((px > 0) & (px < (1200, 900))).all(axis=1)
    error = np.hypot(*(fit.plate_from_photo(px[shown]) - drops[shown]).T)
    assert fit.verdict == "doubtful" or error.max() < 0.5


def test_a_fit_survives_being_stored(shared_plates):
    fit = fitted(shared_plates, "plate1", "01")
    again = PhotoFit.from_dict(json.loads(json.dumps(fit.to_dict())))
    xy = np.array([(100.0, 200.0), (1500.0, 900.0)])
    assert np.array_equal(again.plate_from_photo(xy, 9.0), fit.plate_from_photo(xy, 9.0))
    assert np.array_equal(again.sigma_mm([(100, 100)]), fit.sigma_mm([(100, 100)]))
    assert again.residual_points == fit.residual_points


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=12,
)
KEYS = ["camera", "covariance", "verdict", "residuals_mm", "reasons", "width_px", "margin", "rival"]


@settings(max_examples=150, deadline=None)
@given(key=st.sampled_from(KEYS), value=json_values)
def test_a_damaged_record_of_a_fit_is_refused_in_plain_words(key, value):
    fit = PhotoFit(
        Camera(1800.0, (1199.5, 899.5), np.diag([1.0, -1.0, -1.0]), np.array([0, 0, 500.0])),
        2400,
        1800,
        np.eye(8) * 1e-6,
        "good",
        (),
        "circles",
        np.zeros(1),
        ("D01",),
    )
    record = fit.to_dict() | {key: value}
    try:
        PhotoFit.from_dict(record)
    except FitFailed as error:
        assert "fit it again" in str(error)  # noqa: PT017


def test_clicks_on_unknown_or_doubled_features_are_refused(shared_plates):
    photo, drawing, _, _ = scene(shared_plates, "plate1", "02")
    with pytest.raises(FitFailed, match="no feature"):
        fit_photo(photo, drawing, FitHints(clicks=(Click(5, 5, "D99"),)))
    with pytest.raises(FitFailed, match="Two clicks"):
        fit_photo(photo, drawing, FitHints(clicks=(Click(5, 5, "D01"), Click(9, 9, "D01"))))


def test_every_edge_of_the_face_points_out_of_the_steel(shared_plates):
    _, drawing, _, _ = scene(shared_plates, "plate3", "01")
    edges = face_edges(drawing)
    out = edges.points_mm + 0.5 * edges.normals
    width, height = drawing.width_mm, drawing.height_mm
    inside = ((out > 0) & (out < (width, height))).all(axis=1)
    in_a_hole = np.zeros(len(out), bool)
    for x, y, d in [(d.x_mm, d.y_mm, d.bore_diameter_mm) for d in drawing.drops] + [
        (h.x_mm, h.y_mm, h.diameter_mm) for h in drawing.holes
    ]:
        in_a_hole |= np.hypot(*(out - (x, y)).T) < d / 2
    for channel in drawing.channels:
        for a, b in zip(channel.points_mm[:-1], channel.points_mm[1:], strict=True):
            a, b = np.array(a), np.array(b)
            share = np.clip(((out - a) @ (b - a)) / ((b - a) @ (b - a)), 0, 1)
            away = np.hypot(*(out - a - share[:, None] * (b - a)).T)
            in_a_hole |= away < channel.width_mm / 2
    assert (~inside | in_a_hole).all()
