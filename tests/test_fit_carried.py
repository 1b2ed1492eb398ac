"""A close-up finds its place by the grain of the steel that a fitted overview shows too."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from mapper.fit import Camera, PhotoFit, carried
from mapper.fit.carried import Carried, carried_by_steel
from mapper.fit.face_view import FaceView
from mapper.fit.view import View, view_of
from tests.benchmarks.fit_scenes import Scene, random_photos

SIZE = (2000, 1500)
CLOSEUP, OTHER_CLOSEUP = 1005, 1013  # random plates with a close-up and an overview each


@pytest.fixture(scope="module")
def pictures() -> dict[int, tuple[Scene, Scene]]:
    return {n: random_photos(np.random.default_rng(n), SIZE) for n in (CLOSEUP, OTHER_CLOSEUP)}


def seen(scene: Scene) -> View:
    return view_of(SimpleNamespace(pixels_bgr=scene.pixels_bgr, focal_px=scene.focal_px))


def grey(scene: Scene) -> np.ndarray:
    return cv2.cvtColor(scene.pixels_bgr, cv2.COLOR_BGR2GRAY)


def true_fit(scene: Scene) -> PhotoFit:
    tight = np.diag([1e-4, 1e-4, 1e-4, 0.1, 0.1, 0.1, 1e-3, 1e-3]) ** 2
    return PhotoFit(scene.camera, *SIZE, tight, "good", (), "truth", np.zeros(0), ())


def upside_down(camera: Camera) -> Camera:
    """The camera held the other way round: its photo is turned by half a turn."""
    half = np.diag([-1.0, -1.0, 1.0])
    return replace(
        camera, rotation=half @ camera.rotation, translation_mm=half @ camera.translation_mm
    )


@pytest.mark.parametrize("turned", [False, True], ids=["as it lay", "overview upside down"])
def test_a_close_up_in_other_light_is_put_where_it_was_taken(pictures, turned):
    close, overview = pictures[CLOSEUP]
    view, other, fit = seen(close), grey(overview), true_fit(overview)
    if turned:
        other = np.ascontiguousarray(other[::-1, ::-1])
        fit = replace(fit, camera=upside_down(fit.camera))
    found = carried_by_steel(view, other, fit, close.plate)
    assert found is not None and found.convinces
    miss = found.camera.face_points(view.grid_px) - close.camera.face_points(view.grid_px)
    assert np.median(np.hypot(*miss.T)) < 1.0  # mm; truth of the renderer


def test_a_close_up_in_poor_light_finds_its_place_by_the_coarser_grain(pictures, monkeypatch):
    close, overview = pictures[CLOSEUP]
    noise = np.random.default_rng(1).normal(0, 40, close.pixels_bgr.shape)  # grey levels
    dark = replace(close, pixels_bgr=np.clip(close.pixels_bgr + noise, 0, 255).astype(np.uint8))
    view = seen(dark)
    found = carried_by_steel(view, grey(overview), true_fit(overview), close.plate)
    assert found is not None and found.convinces
    miss = found.camera.face_points(view.grid_px) - close.camera.face_points(view.grid_px)
    assert np.median(np.hypot(*miss.T)) < 1.0  # mm; truth of the renderer
    monkeypatch.setattr(carried, "CLOSE_SIDES_PX", (1400,))
    fine = carried_by_steel(view, grey(overview), true_fit(overview), close.plate)
    assert fine is None or not fine.convinces


def test_the_overview_of_another_plate_settles_no_place(pictures):
    close, _ = pictures[CLOSEUP]
    _, other = pictures[OTHER_CLOSEUP]
    found = carried_by_steel(seen(close), grey(other), true_fit(other), other.plate)
    assert found is None or not found.convinces


@pytest.mark.parametrize(
    ("matches", "cells", "next_cells"),
    [(10, 9, 4), (40, 5, 2), (40, 20, 12)],
    ids=["few", "in one corner", "as many elsewhere"],
)
def test_features_settle_a_place_only_when_many_all_over_and_none_elsewhere(
    pictures, matches, cells, next_cells
):
    camera = pictures[CLOSEUP][0].camera
    px = np.zeros((matches, 2))
    assert not Carried(camera, np.eye(8), px, px, cells, next_cells).convinces


def test_the_steel_speaks_against_a_fit_that_slid_along_an_edge(pictures):
    close, overview = pictures[CLOSEUP]
    found = carried_by_steel(seen(close), grey(overview), true_fit(overview), close.plate)
    slid = replace(close.camera, translation_mm=close.camera.translation_mm + (1.5, 0, 0))
    assert found.speaks_against(slid)
    assert not found.speaks_against(close.camera)


def test_pairs_that_leave_a_pose_open_do_not_speak_against_another_within_it(pictures):
    # a pose lies nearer to its own few pairs than the true one does: no sign that edges slid
    camera = pictures[CLOSEUP][0].camera
    px = np.random.default_rng(2).uniform((0, 0), SIZE, (20, 2))
    open_to = np.diag([1e-3, 1e-3, 1e-3, 0.3, 0.3, 0.5, 1e-3, 1e-3]) ** 2  # rad, mm
    found = Carried(camera, open_to, px, camera.face_points(px), 12)
    beside = replace(camera, translation_mm=camera.translation_mm + (0.2, 0.2, 0))
    away = replace(camera, translation_mm=camera.translation_mm + (1.5, 0, 0))
    assert not found.speaks_against(beside)
    assert found.speaks_against(away)


def test_a_camera_that_puts_the_whole_photo_on_one_spot_settles_nothing(pictures):
    view = seen(pictures[CLOSEUP][0])
    rng = np.random.default_rng(5)
    here = np.column_stack((rng.uniform(0, (1400, 1050), (40, 2)), np.full(40, 8.0), np.zeros(40)))
    there = np.column_stack((rng.normal(900, 1, (40, 2)), np.full(40, 8.0), np.zeros(40)))
    matches = carried.Matches(here, there, 0.7, FaceView(0.0, 400.0, 0.25, (2000, 1600)))
    low = Camera(view.prior.focal_px, view.centre_px, np.diag([1.0, -1.0, -1.0]), np.zeros(3))
    spot = np.append(matches.xy_mm.mean(axis=0), 1.0)
    low = replace(low, translation_mm=-low.rotation @ spot)
    found = carried.settled(low, matches, view)
    assert found is None or not found.convinces
