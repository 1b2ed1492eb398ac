"""Two answers, one question: what tells them apart, and the fit of the one that is chosen."""

from __future__ import annotations

import inspect
from dataclasses import replace
from datetime import UTC, datetime

import cv2
import numpy as np
import pytest

from mapper.fit import (
    FitFailed,
    PhotoFit,
    judge,
    one_question,
    question,
    rival_fit,
    telling_feature,
)
from mapper.fit.rivals import half_turned
from mapper.photos import load_photo
from mapper.plate import Plate
from mapper.records import JobStore, PhotoEntry, fit_changes
from mapper.ui.fit_question import chosen_changes, picture_of
from tests.full_job import true_fit
from tests.test_pages import click, page, sound, store, words  # noqa: F401 (fixture)
from tests.truth import true_plate, truth_of

REASON = "The plate would fit nearly as well turned round."
SIDE = "The mirror image of the drawing would fit nearly as well."


@pytest.fixture(scope="module")
def two_answers(shared_plates):
    """Photo, plate, truth of the photo, and a fit half a turn wrong with the true one as rival."""
    truth = truth_of(shared_plates / "plate1")
    record = next(r for r in truth["photos"] if r["file"].startswith("05"))
    plate = true_plate(truth)
    path = shared_plates / "plate1" / record["file"]
    right = true_fit(record)
    middle = np.ptp(plate.outline_array, axis=0) / 2 + plate.outline_array.min(axis=0)
    wrong = replace(
        right,
        camera=half_turned(right.camera, middle),
        rival=right.camera.moved(np.array([1e-4, 0, 0, 0.2, 0, 0, 0, 0])),
        verdict="doubtful",
        reasons=(REASON,),
        margin=1.0,
    )
    return path, plate, right, wrong


def drop_error_mm(fit: PhotoFit, right: PhotoFit, plate: Plate) -> float:
    xy = np.array([(d.x_mm, d.y_mm) for d in plate.drops])
    return float(np.hypot(*(fit.plate_from_photo(right.photo_from_plate(xy)) - xy).T).max())


def test_a_round_feature_that_only_one_answer_has_there_is_shown(two_answers):
    path, plate, _, wrong = two_answers
    telling = telling_feature(load_photo(path), plate, wrong)
    assert telling.kind in ("drop", "hole")
    # turned by half about the middle, nothing of the drawing comes to lie on it
    turned = np.array([plate.width_mm - telling.x_mm, plate.height_mm - telling.y_mm])
    others = [(c.x_mm, c.y_mm) for c in (*plate.drops, *plate.holes)]
    assert np.hypot(*(np.array(others) - turned).T).min() > 2.0


def test_the_answer_that_is_chosen_is_refined_on_the_photo(two_answers):
    # truth of the renderer that made the photo
    path, plate, right, wrong = two_answers
    assert drop_error_mm(wrong, right, plate) > 50
    fit = rival_fit(load_photo(path), plate, wrong)
    assert drop_error_mm(fit, right, plate) <= 0.3
    assert not np.allclose(fit.covariance, wrong.covariance)
    assert fit.rival is wrong.camera and fit.verdict == "doubtful"


def test_without_a_second_answer_there_is_nothing_to_choose(two_answers):
    path, plate, right, _ = two_answers
    assert telling_feature(load_photo(path), plate, right) is None
    with pytest.raises(FitFailed, match="no second answer"):
        rival_fit(load_photo(path), plate, right)


def test_it_is_asked_only_when_nothing_else_is_in_doubt(two_answers):
    _, _, right, wrong = two_answers
    assert one_question(wrong)
    assert not one_question(right)
    assert not one_question(wrong.doubted(SIDE))
    assert not one_question(replace(wrong, rival=None))


def test_doubt_about_the_side_is_known_by_the_words_of_the_fit():
    reason = f'"{question.SIDE} would fit nearly as well'
    assert reason in inspect.getsource(judge)


def test_the_true_picture_shows_the_bore_and_the_other_one_does_not(two_answers):
    path, plate, right, wrong = two_answers
    photo = load_photo(path)
    telling = telling_feature(photo, plate, wrong)
    clear = []
    for fit in (right, wrong):
        grey = cv2.cvtColor(picture_of(photo.pixels_bgr, plate, fit, telling), cv2.COLOR_BGR2GRAY)
        high, wide = grey.shape
        inner = grey[high // 2 - 15 : high // 2 + 15, wide // 2 - 15 : wide // 2 + 15]
        clear.append(float(np.median(grey)) - float(np.median(inner)))
    assert clear[0] > clear[1] + 20  # dark inside the hole, steel at the other place


def job_with(archive: JobStore, path, plate: Plate, fit: PhotoFit) -> tuple[str, str]:
    photo = load_photo(path)
    job_id = archive.create("Two answers")
    archive.add_photo(path.read_bytes(), ".jpg")
    entry = PhotoEntry(
        sha256=photo.sha256,
        name=photo.name,
        stage="cleared",
        taken_at=photo.taken_at,
        focal35_mm=photo.focal35_mm,
        width_px=photo.width_px,
        height_px=photo.height_px,
    )
    archive.edit(
        job_id,
        "Plate and photo",
        {"plate": plate.to_mapping(), f"photo/{photo.sha256}": entry.to_mapping()},
    )
    archive.edit(job_id, "Fit", fit_changes(archive.job(job_id), photo.sha256, fit))
    return job_id, photo.sha256


def test_choosing_b_swaps_the_answer_and_undo_brings_it_back(store, two_answers):  # noqa: F811
    path, plate, right, wrong = two_answers
    job_id, sha256 = job_with(store, path, plate, wrong)
    test = page("fit", job_id, person="AB")
    sound(test)
    assert "fits the plate in two ways" in words(test)
    click(test, "B: ")
    job = store.job(job_id)
    assert drop_error_mm(job.fits[sha256], right, plate) <= 0.3
    assert job.value(f"fit/{sha256}")["confirmed"]["by"] == "AB"
    assert "in two ways" not in words(page("fit", job_id))
    store.undo(job_id)
    job = store.job(job_id)
    assert drop_error_mm(job.fits[sha256], right, plate) > 50
    assert not job.value(f"fit/{sha256}").get("confirmed")


def test_choosing_a_keeps_the_answer_as_confirmed(store, two_answers):  # noqa: F811
    path, plate, _, wrong = two_answers
    job_id, sha256 = job_with(store, path, plate, wrong)
    job, photo = store.job(job_id), load_photo(path)
    at = datetime(2026, 1, 2, tzinfo=UTC)
    (change,) = chosen_changes(job, photo, sha256, "AB", False, at).values()
    assert change["confirmed"] == {"by": "AB", "at": at.isoformat()}
    assert change["fit"] == job.value(f"fit/{sha256}")["fit"]


def test_who_cannot_tell_is_led_to_one_point_by_hand(store, two_answers):  # noqa: F811
    path, plate, _, wrong = two_answers
    job_id, sha256 = job_with(store, path, plate, wrong)
    test = click(page("fit", job_id), "I can't tell")
    sound(test)
    assert "do not trust" in words(test)
    assert not store.job(job_id).value(f"fit/{sha256}").get("confirmed")
    sound(click(test, "Set one point by hand"))


def test_doubt_about_the_side_leads_to_the_plate_page(store, two_answers):  # noqa: F811
    path, plate, _, wrong = two_answers
    job_id, _ = job_with(store, path, plate, wrong.doubted(SIDE))
    test = page("fit", job_id)
    assert "in two ways" not in words(test)
    assert any(b.label.startswith("Check the side of the drawing") for b in test.button)
