"""What the photographer is told, and the map of the expected error."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mapper.fit import Camera, PhotoFit, fit_advice
from mapper.photos import Photo, quality
from mapper.plate import Plate
from mapper.records import fit_changes
from mapper.ui.sigma_map import drop_errors, sigma_svg, worst_words
from tests.test_pages import job_ids, page, sound, store, whole, whole_store, words  # noqa: F401

PLATE = Plate.grid(1, 3, 100, 100, (100, 100), 40, 400, 200, name="small")


def looking(
    height_mm: float = 500.0,
    tilt_deg: float = 0.0,
    at_mm: tuple[float, float] = (200.0, 100.0),
    focal_px: float = 1800.0,
) -> PhotoFit:
    """A fit whose camera looks at a place of the plate, leaning over to the plate's x side."""
    a = np.radians(tilt_deg)
    turn = np.diag([1.0, -1.0, -1.0]) @ np.array(
        [[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]]
    )
    shift = np.array([0, 0, height_mm]) - turn @ np.array([*at_mm, 0.0])
    camera = Camera(focal_px, (999.5, 749.5), turn, shift)
    covariance = np.diag([1e-8, 1e-8, 1e-8, 1e-4, 1e-4, 1e-4, 1e-6, 1e-6])
    return PhotoFit(
        camera, 2000, 1500, covariance, "good", (), "made up", np.zeros(0), (), 99.0, None
    )


def test_a_straight_and_near_photo_of_the_whole_plate_needs_no_advice():
    assert fit_advice(PLATE, looking()) == ()


def test_a_slanted_photo_is_to_be_taken_straighter():
    # worked: a camera 45 degrees over looks at the middle at 45 degrees
    (advice,) = [a for a in fit_advice(PLATE, looking(700, tilt_deg=45)) if "straighter" in a]
    assert "45 degrees" in advice


def test_a_far_photo_is_to_be_taken_closer():
    # worked: 1800 px x 1 mm / 1800 mm = 1 px per mm
    (advice,) = fit_advice(PLATE, looking(1800))
    assert "1.0 px per mm" in advice and "go closer" in advice
    assert fit_advice(PLATE, looking(1800), lead_known=True) == ()


def test_a_cut_off_corner_is_named_with_its_side():
    # the camera moved 110 mm to the left: the right edge lies at 310 mm x 3.6 px/mm > 1000 px
    (advice,) = fit_advice(PLATE, looking(at_mm=(120, 100)))
    assert advice.startswith("Corners 2, 3 of the plate are cut off at the right")


def test_a_close_up_is_not_told_to_show_all_corners():
    assert fit_advice(PLATE, looking(150)) == ()


def test_a_loose_fit_names_the_drop_it_is_loosest_at():
    fit = replace(looking(), covariance=np.diag([1e-4, 1e-4, 1e-4, 1, 1, 1, 1e-4, 1e-4]))
    (advice,) = fit_advice(PLATE, fit)
    sigma = fit.sigma_mm([(d.x_mm, d.y_mm) for d in PLATE.drops])
    assert f"drop {PLATE.drops[int(np.argmax(sigma))].id} " in advice


def test_a_photo_beside_the_plate_is_said_to_be_so():
    (advice,) = fit_advice(PLATE, looking(at_mm=(5000, 100)))
    assert "outside this photo" in advice


@pytest.mark.parametrize(
    ("part", "glare", "lamp"),
    [
        (np.s_[:, 400:500], "left", "right"),
        (np.s_[:, 1100:1200], "right", "left"),
        (np.s_[300:380, :], "upper", "lower"),
        (np.s_[820:900, :], "lower", "upper"),
    ],
)
def test_glare_on_one_side_of_the_plate_sends_the_lamp_to_the_other(part, glare, lamp):
    pixels = np.full((1200, 1600, 3), 120, np.uint8)
    pixels[part] = 255
    photo = Photo(pixels, "made up", "0" * 64, None, 26.0, 1200.0, 1600, 1200)
    plate = np.array([(400, 300), (1200, 300), (1200, 900), (400, 900)])
    advice = " ".join(quality(photo, plate_polygon_px=plate).advice)
    assert f"in the {glare} part: move the lamp to the {lamp} side" in advice


def test_the_map_names_the_worst_drop_in_the_photo_and_sets_the_rest_in_brackets():
    fit = looking(170, at_mm=(100, 100))
    errors = drop_errors(PLATE, fit)
    assert [e.in_photo for e in errors] == [True, False, False]
    assert worst_words(errors) == f"worst at drop D01: {errors[0].sigma_mm:.2f} mm"
    drawn = sigma_svg(PLATE, fit, errors)
    assert f">{errors[0].sigma_mm:.2f}<" in drawn and f">({errors[2].sigma_mm:.2f})<" in drawn


def test_names_with_signs_of_markup_stay_text_in_the_map():
    plate = replace(PLATE, drops=(replace(PLATE.drops[0], id="<b>&"),))
    drawn = sigma_svg(plate, looking(), drop_errors(plate, looking()))
    assert "<b>" not in drawn and "&lt;b&gt;&amp;" in drawn


def test_advice_on_the_pages_follows_the_fit(whole):  # noqa: F811
    job_id, _ = job_ids(whole)
    job = whole.job(job_id)
    photo = job.photos[0]
    assert "straight above" not in words(page("photos", job_id))
    slanted = replace(looking(700, tilt_deg=50), width_px=2400, height_px=1800)
    whole.edit(job_id, "Fit", fit_changes(job, photo.sha256, slanted))
    test = page("photos", job_id)
    sound(test)
    assert "straight above" in words(test)
    test = page("fit", job_id)
    sound(test)
    assert "worst at drop" in words(test)
