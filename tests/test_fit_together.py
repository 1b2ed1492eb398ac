"""What photos share on bare steel, and that the joint answer never spoils a good fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mapper.fit import FitFailed, PhotoFit, fit_through, fit_together, links, together
from mapper.fit.features import grey_of
from mapper.fit.markers import markers_used
from mapper.fit.result import PHOTO_ALONE
from mapper.photos import load_photo
from mapper.plate import Marker
from tests.benchmarks.fit import true_camera
from tests.marker_painter import with_markers
from tests.truth import true_plate, truth_of

TIGHT = np.diag([1e-5, 1e-5, 1e-5, 0.02, 0.02, 0.03, 1e-4, 1e-4]) ** 2
LOOSE = np.diag([0.004, 0.004, 0.004, 1.0, 1.0, 2.0, 0.02, 0.01]) ** 2


@pytest.fixture(scope="module")
def pair(shared_plates):
    """Two photos of one plate at different stages, with their true cameras as fits."""
    folder = shared_plates / "plate1"
    truth = truth_of(folder)
    records = [truth["photos"][n] for n in (3, 4)]
    photos = [load_photo(folder / record["file"]) for record in records]
    fits = [
        PhotoFit(true_camera(r), p.width_px, p.height_px, TIGHT, "good", (), "circles",
                 np.zeros(0), ())
        for r, p in zip(records, photos, strict=True)
    ]  # fmt: skip
    return photos, fits, true_plate(truth)


def shifted(fit: PhotoFit, x_mm: float) -> PhotoFit:
    """The fit with the whole plate put beside its place."""
    move = fit.camera.rotation @ np.array([x_mm, 0.0, 0.0])
    camera = replace(fit.camera, translation_mm=fit.camera.translation_mm + move)
    return replace(fit, camera=camera)


def gap_mm(fit: PhotoFit, truth: PhotoFit) -> float:
    """Median distance between two fits over what the photo shows."""
    share = np.linspace(0.2, 0.8, 4)
    x, y = np.meshgrid(share * fit.width_px, share * fit.height_px)
    at = np.column_stack((x.ravel(), y.ravel()))
    return float(np.median(np.hypot(*(fit.plate_from_photo(at) - truth.plate_from_photo(at)).T)))


def test_shared_points_show_the_same_steel_even_where_a_fit_is_off(pair):
    photos, (first, second), plate = pair
    off = replace(shifted(second, 2.0), covariance=LOOSE)
    steels = [
        links.steel_of(grey_of(photo.pixels_bgr), fit, plate)
        for photo, fit in zip(photos, (first, off), strict=True)
    ]
    here, there = links.shared_points(*steels, plate)
    # true places of both ends: chance would put them 2 mm apart
    gap = np.hypot(*(first.plate_from_photo(here) - second.plate_from_photo(there)).T)
    assert len(gap) >= 12 and np.median(gap) < 0.5


def test_a_photo_that_only_its_neighbour_holds_is_drawn_to_its_place(pair):
    photos, (first, second), plate = pair
    off = replace(
        shifted(second, 1.5), method=PHOTO_ALONE, verdict="doubtful", reasons=("alone",),
        covariance=LOOSE,
    )  # fmt: skip
    joint = fit_together(photos, [first, off], plate)
    assert gap_mm(joint[1], second) < 0.4 < gap_mm(off, second)
    assert joint[1].verdict == "doubtful" and joint[0].verdict == "good"
    assert gap_mm(joint[0], first) < 0.02


def test_links_that_lie_do_not_spoil_good_fits(pair, monkeypatch):
    photos, fits, plate = pair
    x, y = np.meshgrid(np.linspace(60, 430, 12), np.linspace(40, 300, 9))
    at = np.column_stack((x.ravel(), y.ravel()))
    ends = [fit.photo_from_plate(at + (0.0, 0.7 * n)) for n, fit in enumerate(fits)]
    inside = np.all([(e > 0).all(axis=1) & (e < (2400, 1800)).all(axis=1) for e in ends], axis=0)
    lie = tuple(end[inside] for end in ends)
    monkeypatch.setattr(together, "shared_points", lambda *given: lie)
    for fit, true in zip(fit_together(photos, fits, plate), fits, strict=True):
        assert gap_mm(fit, true) < 0.05


def test_markers_stay_among_the_residuals_of_the_joint_answer(pair, monkeypatch):
    photos, fits, plate = pair
    # on the bare face in the middle of what a photo shows
    spots = [fit.plate_from_photo([[1000 + 250 * n, 900]])[0] for n, fit in enumerate(fits)]
    markers = tuple(Marker(n, *map(float, at), 25.0, 20.0) for n, at in enumerate(spots))
    told = tuple(replace(m, x_mm=m.x_mm + 0.4) for m in markers)
    painted = [
        replace(photo, pixels_bgr=with_markers(photo.pixels_bgr, fit.camera, markers))
        for photo, fit in zip(photos, fits, strict=True)
    ]
    names = tuple(f"marker {m.id}" for m in markers)
    before = [replace(f, residuals_mm=np.full(2, 0.4), residual_points=names) for f in fits]
    monkeypatch.setattr(together, "_better", lambda ones, *given: [True] * len(ones))
    seen = 0
    for fit in fit_together(painted, before, replace(plate, markers=told)):
        used = markers_used(fit)
        seen += len(used)
        # they lie 0.4 mm from where the plate says, and the rims of bores are there as well
        assert all(0.3 < miss < 0.55 for miss in used.values())
        assert len(fit.residuals_mm) == len(fit.residual_points) > len(used)
    assert seen >= 2


def test_work_is_told_step_by_step_and_stops_when_the_listener_says_so(pair):
    photos, fits, plate = pair
    told = []
    fit_together(photos, fits, plate, lambda done, of: told.append((done, of)))
    assert told == sorted(told) and told[-1][0] == told[-1][1]

    def stop(done: int, of: int) -> None:
        if done:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fit_together(photos, fits, plate, stop)


def test_a_fit_that_is_wrong_and_sure_of_itself_is_found_out(pair):
    photos, (first, second), plate = pair
    joint = fit_together(photos, [first, shifted(second, 8.0)], plate)
    assert joint[1].verdict == "doubtful"
    assert "do not agree" in joint[1].reasons[-1]


def test_a_photo_alone_and_one_without_neighbours_stay_as_they_are(pair):
    photos, fits, plate = pair
    assert fit_together(photos[:1], fits[:1], plate) == (fits[0],)
    assert fit_together([], [], plate) == ()


def test_what_a_doubtful_photo_carries_is_doubtful(pair, monkeypatch):
    photos, fits, plate = pair
    monkeypatch.setattr(together, "fit_photo", lambda photo, plate, hints: fits[1])
    doubted = fits[0].doubted("repeats")
    assert fit_through(photos[1], plate, [(photos[0], fits[0])]).verdict == "good"
    carried = fit_through(photos[1], plate, [(photos[0], doubted)])
    assert carried.verdict == "doubtful" and "doubtful itself" in carried.reasons[-1]
    with pytest.raises(FitFailed, match="overlaps"):
        fit_through(photos[1], plate, [])
