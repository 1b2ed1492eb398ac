"""What is said about a photo while the camera is still in hand."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.photos import Photo, load_photo, quality, thumbnail
from mapper.photos.quality import clipped_shares
from mapper.photos.sharpness import (
    edge_blur,
    noise_sigma,
    tenengrad,
    tile_sharpness,
    variance_of_laplacian,
)

OPENCV_DOC = Path("/usr/share/doc/opencv-doc/examples/data")


def example_image(name: str) -> np.ndarray:
    """A grey test image of the opencv-doc package."""
    path = OPENCV_DOC / name
    if not path.is_file():
        pytest.skip(f"{name} of the opencv-doc package is not installed")
    return cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)


def as_photo(pixels: np.ndarray) -> Photo:
    bgr = pixels if pixels.ndim == 3 else cv2.cvtColor(pixels, cv2.COLOR_GRAY2BGR)
    return Photo(bgr, "made", "", None, None, None, bgr.shape[1], bgr.shape[0])


def leads_on_a_plate(height: int = 900, width: int = 1200, seed: int = 5) -> np.ndarray:
    """A made-up picture: crossing leads with clear edges on grey steel."""
    rng = np.random.default_rng(seed)
    picture = np.full((height * 2, width * 2), 120, np.uint8)
    for _ in range(60):
        ends = (rng.uniform(-0.2, 1.2, (2, 2)) * (2 * width, 2 * height)).astype(int)
        grey = int(rng.choice([35, 60, 190, 225]))
        cv2.line(picture, tuple(map(int, ends[0])), tuple(map(int, ends[1])), grey, 24)
    return cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)


def shaken(picture: np.ndarray, length_px: int, angle_rad: float) -> np.ndarray:
    """The picture with the camera moved in a straight line while the shutter was open."""
    kernel = np.zeros((2 * length_px + 1,) * 2, np.float32)
    for t in np.linspace(-length_px / 2, length_px / 2, 8 * length_px):
        row, column = length_px + t * np.sin(angle_rad), length_px + t * np.cos(angle_rad)
        kernel[round(row), round(column)] += 1
    return cv2.filter2D(picture, -1, kernel / kernel.sum())


# --- the classic measures, against published definitions and worked numbers ---------------


def test_measures_of_simple_images_are_exact():
    # worked by hand from the definitions of Pech-Pacheco et al. 2000 and Krotkov 1988
    flat = np.full((64, 64), 90, np.uint8)
    step = np.zeros((64, 64), np.uint8)
    step[:, 32:] = 200
    board = (np.indices((64, 64)).sum(axis=0) % 2 * 255).astype(np.uint8)
    dot = np.zeros((5, 5), np.uint8)
    dot[2, 2] = 1
    assert variance_of_laplacian(flat) == tenengrad(flat) == 0
    assert variance_of_laplacian(step) == 1250  # 2 * 200^2 / 64
    assert tenengrad(step) == 20_000  # 2 * 800^2 / 64
    assert variance_of_laplacian(board) == 1_040_400  # 1020^2
    assert variance_of_laplacian(dot) == pytest.approx(0.8)


def test_noise_has_a_laplacian_variance_of_20_sigma_squared():
    # the kernel's weights 1, 1, 1, 1, -4 squared add up to 20
    noise = np.random.default_rng(1).normal(128, 10, (512, 512)).astype(np.float32)
    assert variance_of_laplacian(noise) == pytest.approx(2000, rel=0.03)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("graf1.png", 685.5),
        ("building.jpg", 274.4),
        ("fruits.jpg", 196.6),
        ("text_defocus.jpg", 11.0),
        ("text_motion.jpg", 32.7),
    ],
)
def test_variance_of_laplacian_of_known_images(name, value):
    # values found with OpenCV and with a scipy convolution; 2 % for JPEG decoders
    assert variance_of_laplacian(example_image(name)) == pytest.approx(value, rel=0.02)


@pytest.mark.parametrize(
    ("name", "burnt", "black"),
    [("graf1.png", 0.0092, 0), ("building.jpg", 0.0168, 0.0177), ("fruits.jpg", 0, 0.0219)],
)
def test_clipped_shares_of_known_images(name, burnt, black):
    assert clipped_shares(example_image(name)) == pytest.approx((burnt, black), abs=0.001)


def test_the_variance_of_laplacian_is_fooled_by_size_and_noise_and_ours_is_not():
    # graf1.png halved rises to 2118.8; blurred with sigma 1 and with noise of sigma 10 to 2015
    grey = example_image("graf1.png")
    half = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    assert variance_of_laplacian(half) > 2 * variance_of_laplacian(grey)
    noise = np.random.default_rng(0).normal(0, 10, grey.shape)
    noisy = np.clip(cv2.GaussianBlur(grey, (0, 0), 3) + noise, 0, 255).astype(np.uint8)
    assert variance_of_laplacian(noisy) > variance_of_laplacian(grey)
    sharp, blurred = (np.nanmedian(edge_blur(g, 6, 8)) for g in (grey, noisy))
    assert sharp < 1 < 1.8 < blurred


# --- edge widths -----------------------------------------------------------------------


@pytest.mark.parametrize("sigma", [1.5, 2.0, 3.0, 4.0])
@pytest.mark.parametrize("noise", [0.0, 6.0])
def test_the_width_of_edges_is_the_blur_that_was_put_on(sigma, noise):
    grey = cv2.GaussianBlur(leads_on_a_plate().astype(np.float32), (0, 0), sigma)
    grey += np.random.default_rng(2).normal(0, noise, grey.shape)
    blur = edge_blur(np.clip(grey, 0, 255).astype(np.uint8), 6, 8)
    # thin leads add a little, noise takes a little: within a quarter
    assert np.nanmedian(blur) == pytest.approx(sigma, rel=0.25)
    assert np.nanmedian(blur, axis=(0, 1)) == pytest.approx([sigma] * 4, rel=0.3)


@settings(max_examples=12, deadline=None)
@given(sigma=st.floats(1.5, 4), turn=st.integers(0, 3), seed=st.integers(0, 50))
def test_turning_a_photo_does_not_change_how_blurred_it_is(sigma, turn, seed):
    grey = cv2.GaussianBlur(leads_on_a_plate(450, 600, seed), (0, 0), sigma)
    one, other = edge_blur(grey, 1, 1), edge_blur(np.rot90(grey, turn).copy(), 1, 1)
    # a quarter turn swaps the directions 0 and 90, and 45 and 135
    assert one[0, 0] == pytest.approx(np.roll(other[0, 0], 2 * turn), rel=0.02)


def test_a_plain_wall_has_no_edges():
    assert np.isnan(edge_blur(np.full((200, 300), 128, np.uint8), 6, 8)).all()


def test_noise_is_measured_beside_edges():
    # peer: the noise that was put on
    noise = np.random.default_rng(7).normal(0, 6, (900, 1200))
    noisy = np.clip(leads_on_a_plate() + noise, 0, 255).astype(np.uint8)
    assert noise_sigma(noisy) == pytest.approx(6, rel=0.15)


def test_tile_sharpness_is_taken_at_one_working_width():
    picture = leads_on_a_plate(1200, 1600)
    large = cv2.resize(picture, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    ratio = np.median(tile_sharpness(large, 6, 8)) / np.median(tile_sharpness(picture, 6, 8))
    assert 0.5 < ratio < 2
    assert variance_of_laplacian(picture) > 4 * variance_of_laplacian(large)


# --- advice ----------------------------------------------------------------------------


def test_a_good_photo_gets_no_advice():
    photo = as_photo(leads_on_a_plate(1536, 2048))
    found = quality(photo, px_per_mm=6, thinnest_lead_mm=1.5)
    assert found.advice == ()
    assert not found.shaken
    assert found.thinnest_lead_px == 9


def test_a_blurred_photo_is_told_to_focus():
    found = quality(as_photo(cv2.GaussianBlur(leads_on_a_plate(), (0, 0), 4)))
    assert not found.shaken
    assert any("blurred" in line and "focus" in line for line in found.advice)


@pytest.mark.parametrize("angle", [0, 0.6, 1.57, 2.4])
def test_a_shaken_photo_is_told_to_rest_the_camera(angle):
    found = quality(as_photo(shaken(leads_on_a_plate(), 16, angle)))
    assert found.shaken
    assert "smeared in one direction" in found.advice[0]


@pytest.mark.parametrize(
    ("part", "side"),
    [(np.s_[:, :600], "left"), (np.s_[:, 600:], "right"), (np.s_[450:, :], "lower")],
)
def test_a_photo_that_is_soft_on_one_side_says_which(part, side):
    picture = leads_on_a_plate()
    picture[part] = cv2.GaussianBlur(picture, (0, 0), 4)[part]
    advice = quality(as_photo(picture)).advice
    assert any(f"The {side} part of the photo is blurred" in line for line in advice)


def test_what_blur_matters_depends_on_the_lead():
    photo = as_photo(cv2.GaussianBlur(leads_on_a_plate(), (0, 0), 2.5))
    thick = quality(photo, px_per_mm=5, thinnest_lead_mm=4)
    thin = quality(photo, px_per_mm=5, thinnest_lead_mm=1)
    assert thick.advice == ()
    assert any("blurred" in line for line in thin.advice)


def test_a_plain_photo_is_said_to_show_nothing():
    found = quality(as_photo(np.full((300, 400), 128, np.uint8)))
    assert "No clear edge" in found.advice[0]
    assert np.isnan(found.blur_px)


def test_leads_thinner_than_three_pixels_are_too_thin():
    photo = as_photo(leads_on_a_plate())
    found = quality(photo, px_per_mm=2, thinnest_lead_mm=1.2)
    assert any("2.4 px wide, and 3 px are needed" in line for line in found.advice)
    assert not any("needed" in line for line in quality(photo, 2.5, 1.2).advice)


def test_glare_and_shadow_are_counted_on_the_plate_only():
    picture = leads_on_a_plate()
    picture[:, :400] = 255  # a bright bench beside the plate
    plate = np.array([[420, 0], [1199, 0], [1199, 899], [420, 899]], float)
    assert quality(as_photo(picture)).burnt_share > 0.3
    inside = quality(as_photo(picture), plate_polygon_px=plate)
    assert inside.burnt_share == 0
    picture[100:500, 500:900] = 255
    picture[600:800, 500:900] = 0
    both = quality(as_photo(picture), plate_polygon_px=plate).advice
    assert any("burnt out" in line for line in both)
    assert any("black" in line for line in both)


def test_a_plate_that_reaches_far_out_of_a_close_up_is_measured_where_it_is_seen():
    far = np.array([[-1e7, -1e7], [1e7, -1e7], [1e7, 1e7], [-1e7, 1e7]])
    photo = as_photo(np.full((200, 300), 255, np.uint8))
    assert quality(photo, plate_polygon_px=far).burnt_share == 1


def test_a_photo_shrunk_by_a_messenger_is_asked_for_again():
    photo = as_photo(leads_on_a_plate())
    assert any("copy the original" in line for line in quality(photo).advice)


def test_photos_of_true_plates_are_sharp_and_blurred_copies_are_not(shared_plates):
    for name in ("plate1/03_during_closeup.jpg", "plate3/03_clear_overview.jpg"):
        photo = load_photo(shared_plates / name)
        truth = json.loads((shared_plates / name).with_name("truth.json").read_text("utf-8"))
        corners = next(p for p in truth["photos"] if p["file"] == photo.name)["plate_corners_px"]
        assert quality(photo, plate_polygon_px=np.array(corners)).advice == ()
    soft = as_photo(cv2.GaussianBlur(photo.pixels_bgr, (0, 0), 3))
    assert any("blurred" in line for line in quality(soft).advice)
    assert quality(as_photo(shaken(photo.pixels_bgr, 14, 0.6))).shaken


# --- thumbnails ------------------------------------------------------------------------


def test_a_thumbnail_is_a_small_jpeg_of_the_same_shape():
    photo = load_photo(thumbnail(as_photo(leads_on_a_plate()), 300))
    assert (photo.width_px, photo.height_px) == (300, 225)


def test_a_thumbnail_is_never_larger_than_the_photo():
    photo = load_photo(thumbnail(as_photo(leads_on_a_plate(90, 120)), 300))
    assert (photo.width_px, photo.height_px) == (120, 90)
