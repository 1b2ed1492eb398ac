"""Printed markers as evidence: they find a covered plate, and one that was moved is told."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.errors import MapperError
from mapper.fit import Camera, Click, FitFailed, FitHints, fit_photo
from mapper.fit.markers import find_markers, markers_used
from mapper.photos import Photo
from mapper.plate import Hole, Marker, Plate
from tests.benchmarks.fit_scenes import random_scene
from tests.marker_painter import with_markers

PLATE = Plate.grid(
    rows=2,
    columns=3,
    pitch_x_mm=100,
    pitch_y_mm=100,
    offset_mm=(80, 80),
    bore_diameter_mm=40,
    width_mm=360,
    height_mm=260,
)
# on bare steel between the bores; one lies turned, as a hand lays it
MARKERS = (
    Marker(3, 30, 30, 20),
    Marker(7, 330, 32, 20, 90),
    Marker(11, 328, 230, 20, 37),
    Marker(12, 31, 228, 20),
    Marker(20, 130, 130, 20, 180),
)
SIZE = (1600, 1200)


def camera_over(tilt_deg: float = 18.0, k1: float = 0.02) -> Camera:
    """A camera above the plate's middle, with a lens that is not quite straight."""
    lean, _ = cv2.Rodrigues(np.radians(tilt_deg) * np.array([0.8, 0.6, 0.0]))
    turn = lean @ np.diag([1.0, -1.0, -1.0])
    shift = np.array([0.0, 0.0, 430.0]) - turn @ np.array([180.0, 130.0, 0.0])
    return Camera(1200.0, ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2), turn, shift, k1)


def photo_of(pixels_bgr: np.ndarray, focal_px: float | None = 1200.0 * 1.03) -> Photo:
    height, width = pixels_bgr.shape[:2]
    return Photo(pixels_bgr, "photo", "0" * 64, None, None, focal_px, width, height)


@cache
def covered() -> np.ndarray:
    """A photo of nothing but plastic: no edge of the drawing shows."""
    rng = np.random.default_rng(5)
    rough = cv2.GaussianBlur(rng.normal(0, 1, (SIZE[1], SIZE[0])), (0, 0), 25)
    rough = 150 + 25 * rough / rough.std() + rng.normal(0, 2, rough.shape)
    return np.repeat(np.clip(rough, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


@cache
def bare():
    """A rendered photo of the plate in the open, and the camera that took it."""
    return random_scene(np.random.default_rng(2), PLATE, SIZE, "overview")


def drop_errors(fit, camera: Camera) -> np.ndarray:
    xy = np.array([(d.x_mm, d.y_mm) for d in PLATE.drops])
    return np.hypot(*(fit.plate_from_photo(camera.project_face(xy)) - xy).T)


def test_a_plate_under_plastic_is_fitted_by_its_markers_alone():
    camera = camera_over()
    photo = photo_of(with_markers(covered(), camera, MARKERS))
    fit = fit_photo(photo, replace(PLATE, markers=MARKERS))
    errors = drop_errors(fit, camera)
    assert errors.max() < 0.3
    assert fit.method == "markers"
    # nothing of the plate itself was seen: markers that slid together would look the same
    assert fit.verdict == "doubtful"
    assert set(fit.residual_points) == {f"marker {m.id}" for m in MARKERS}


def test_without_known_markers_the_covered_plate_is_refused():
    photo = photo_of(with_markers(covered(), camera_over(), MARKERS))
    with pytest.raises(FitFailed):
        fit_photo(photo, PLATE)


@pytest.mark.parametrize("which", (0, 4))
def test_a_moved_marker_is_left_out_and_told(which):
    camera = camera_over()
    lie = list(MARKERS)
    lie[which] = replace(lie[which], x_mm=lie[which].x_mm + 4, y_mm=lie[which].y_mm - 3)
    photo = photo_of(with_markers(covered(), camera, lie))
    fit = fit_photo(photo, replace(PLATE, markers=MARKERS))
    assert fit.verdict == "doubtful"
    assert any(f"Marker {MARKERS[which].id} lies" in reason for reason in fit.reasons)
    assert drop_errors(fit, camera).max() < 0.5


def test_markers_that_slid_together_never_make_a_good_and_wrong_fit():
    scene = bare()
    lie = [replace(m, x_mm=m.x_mm + 6) for m in MARKERS]
    photo = photo_of(with_markers(scene.pixels_bgr, scene.camera, lie), scene.focal_px)
    fit = fit_photo(photo, replace(PLATE, markers=MARKERS))
    assert fit.verdict == "doubtful"
    assert any("lie up to" in reason for reason in fit.reasons)
    assert drop_errors(fit, scene.camera).max() < 0.5  # the bores win


ODD = replace(PLATE, holes=(Hole("P1", 30, 130, 20), Hole("P2", 230, 30, 16)))


@cache
def odd():
    """A photo of a plate that looks different from every side."""
    return random_scene(np.random.default_rng(2), ODD, SIZE, "overview")


@pytest.mark.parametrize(
    "wrong",
    [
        lambda m, n: replace(m, id=MARKERS[(n + 1) % len(MARKERS)].id),
        lambda m, n: replace(m, angle_deg=(m.angle_deg + 180) % 360),
        lambda m, n: replace(m, x_mm=360 - m.x_mm, y_mm=260 - m.y_mm, angle_deg=m.angle_deg + 180),
    ],
    ids=["numbers mixed up", "upside down", "laid half a turn round"],
)
def test_markers_laid_wrongly_are_told_and_the_plate_itself_wins(wrong):
    scene = odd()
    lie = [wrong(m, n) for n, m in enumerate(MARKERS)]
    photo = photo_of(with_markers(scene.pixels_bgr, scene.camera, lie), scene.focal_px)
    fit = fit_photo(photo, replace(ODD, markers=MARKERS))
    assert fit.verdict == "doubtful"
    assert any("from their places" in reason for reason in fit.reasons)
    assert drop_errors(fit, scene.camera).max() < 0.5


def test_markers_tell_which_way_round_a_plate_lies_that_looks_the_same_after_half_a_turn():
    scene = bare()
    photo = photo_of(with_markers(scene.pixels_bgr, scene.camera, MARKERS), scene.focal_px)
    unsure = fit_photo(photo, PLATE)
    assert unsure.verdict == "doubtful" and unsure.rival is not None
    fit = fit_photo(photo, replace(PLATE, markers=MARKERS))
    assert (fit.verdict, fit.reasons) == ("good", ())
    used = markers_used(fit)
    assert set(used) == {m.id for m in MARKERS} and max(used.values()) < 0.5
    assert markers_used(unsure) == {}
    assert drop_errors(fit, scene.camera).max() < 0.3


def test_two_photos_of_one_marker_number_settle_nothing():
    camera = camera_over()
    twice = [MARKERS[0], replace(MARKERS[0], x_mm=200, y_mm=200)]
    assert find_markers(with_markers(covered(), camera, twice)[..., 0]) == ()


def test_corners_are_found_where_the_camera_puts_them():
    camera = camera_over()
    found = find_markers(with_markers(covered(), camera, MARKERS)[..., 0])
    assert [one.id for one in found] == [m.id for m in MARKERS]
    for one, marker in zip(found, MARKERS, strict=True):
        miss = np.hypot(*(one.corners_px - camera.project_face(marker.corners_mm)).T)
        assert miss.max() < 0.25


def test_corners_of_a_turned_marker_by_hand():
    # a quarter turn counterclockwise takes the upper left corner to the lower left
    marker = Marker(0, 10, 20, 4, 90)
    np.testing.assert_allclose(marker.corners_mm, [(8, 18), (8, 22), (12, 22), (12, 18)], atol=1e-9)


def test_a_plate_keeps_its_markers_in_a_file():
    plate = replace(PLATE, markers=MARKERS)
    assert Plate.from_mapping(plate.to_mapping()) == plate
    assert "markers" not in PLATE.to_mapping()
    mapping = plate.to_mapping()
    mapping["markers"][0]["laid by"] = "night shift"
    assert Plate.from_mapping(mapping).to_mapping() == mapping


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["id", "x", "y", "side", "angle", "more"]) | st.text(max_size=3),
            inner,
            max_size=6,
        )
    ),
    max_leaves=12,
)


@settings(max_examples=100, deadline=None)
@given(anything | st.lists(st.fixed_dictionaries({k: anything for k in ("id", "x", "y", "side")})))
def test_any_markers_entry_is_read_or_refused_in_plain_words(entry):
    mapping = {**PLATE.to_mapping(), "markers": entry}
    try:
        plate = Plate.from_mapping(mapping)
    except MapperError as error:
        assert str(error).startswith("plate.markers") and str(error).endswith(".")
    else:
        assert Plate.from_mapping(plate.to_mapping()) == plate


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"id": 50}, "numbered 0 to 49"),
        ({"id": "7"}, "number printed under the marker"),
        ({"id": True}, "number printed under the marker"),
        ({"id": 3}, "already used"),
        ({"x": 900}, "outside the outline"),
        ({"side": 0}, "greater than zero"),
        ({"angle": float("nan")}, "degrees"),
        ({"angle": "left"}, "degrees"),
    ],
)
def test_a_bad_marker_is_named_with_its_place(change, told):
    mapping = replace(PLATE, markers=MARKERS).to_mapping()
    mapping["markers"][1].update(change)
    with pytest.raises(MapperError, match=told) as caught:
        Plate.from_mapping(mapping)
    assert str(caught.value).startswith("plate.markers[1]")


def test_clicks_outvote_markers():
    """Four named clicks that disagree with the markers are not overruled in silence."""
    camera = camera_over()
    lie = [replace(m, x_mm=m.x_mm + 60) for m in MARKERS[:1] + MARKERS[3:]]
    photo = photo_of(with_markers(covered(), camera, lie))
    clicks = tuple(
        Click(*camera.project_face(np.array([(d.x_mm, d.y_mm)]))[0], d.id) for d in PLATE.drops[:4]
    )
    fit = fit_photo(photo, replace(PLATE, markers=MARKERS), FitHints(clicks))
    assert fit.verdict == "doubtful"
    assert fit.method == "clicks"
