"""Camera, lens and plane maps against published definitions and worked numbers."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from mapper.fit import (
    Camera,
    FitFailed,
    apply_homography,
    distort,
    focal_px_from_35mm,
    homography_dlt,
    parallax_mm,
    undistort,
)
from mapper.fit.dlt import _unit, dlt_rows, sampson_error, transfer_error

PIXELS = np.array([(102, 87), (1821, 143), (1702, 1312), (188, 1204)], float)
PLATE = np.array([(0, 0), (400, 0), (400, 300), (0, 300)], float)
# Ground truth of the graffiti pair 1 -> 3, Mikolajczyk et al., IJCV 2005 (H1to3p).
GRAFFITI = np.array(
    [
        [7.6285898e-1, -2.9922929e-1, 2.2567123e2],
        [3.3443473e-1, 1.0143901, -7.6999973e1],
        [3.4663091e-4, -1.4364524e-5, 1],
    ]
)


def camera(tilt_deg=15.0, turn_deg=20.0, k1=0.02, focal=1800.0) -> Camera:
    down = np.diag([1.0, -1.0, -1.0])
    spin = cv2.Rodrigues(np.array([0, 0, math.radians(turn_deg)]))[0]
    lean = cv2.Rodrigues(np.array([math.radians(tilt_deg), 0.1, 0]))[0]
    turn = lean @ spin @ down
    shift = np.array([0, 0, 500.0]) - turn @ np.array([250.0, 170.0, 0])
    return Camera(focal, (1199.5, 899.5), turn, shift, k1)


def test_dlt_of_a_square_onto_a_trapezium_is_exact():
    # worked example of Hartley and Zisserman, algorithm 4.2 (2nd ed.), solved by hand
    h = homography_dlt([(0, 0), (1, 0), (1, 1), (0, 1)], [(0, 0), (2, 0), (1.5, 1), (0.5, 1)])
    assert np.allclose(h, [[2, 1, 0], [0, 2, 0], [0, 1, 1]], atol=1e-9)
    assert np.allclose(apply_homography(h, [(0.5, 0.5)]), [(1, 2 / 3)], atol=1e-9)


def test_dlt_of_a_photo_quad_agrees_with_opencv_and_worked_points():
    h = homography_dlt(PIXELS, PLATE)
    assert np.allclose(h, cv2.getPerspectiveTransform(np.float32(PIXELS), np.float32(PLATE)))
    assert np.allclose(h, cv2.findHomography(PIXELS, PLATE)[0], rtol=1e-6)
    by_hand = [
        [0.245950316, -0.0189361926, -23.4394834],
        [-0.00771440678, 0.236804737, -19.8151426],
        [3.81577823e-5, -1.06048303e-4, 1],
    ]
    assert np.allclose(h, by_hand, rtol=1e-6, atol=0)
    points = apply_homography(h, [(960, 720), (1000, 500), (500, 1000)])
    worked = [(207.2723, 149.2054), (216.2577, 92.2442), (88.2769, 233.4340)]
    assert np.allclose(points, worked, atol=1e-3)


def test_plate_centre_maps_back_to_where_the_diagonals_cross():
    # incidence is kept by every homography (Hartley and Zisserman, theorem 2.10)
    centre = apply_homography(homography_dlt(PLATE, PIXELS), [(200, 150)])[0]
    assert np.allclose(centre, (930.683, 721.461), atol=0.01)
    a, b, c, d = (np.append(p, 1) for p in PIXELS)
    cross = np.cross(np.cross(a, c), np.cross(b, d))
    assert np.allclose(centre, cross[:2] / cross[2], atol=1e-6)


@pytest.mark.parametrize("scale", [1.0, 1e-4, 1e4])
def test_three_points_in_a_line_are_refused(scale):
    line = np.array([(0, 0), (1, 1), (2, 2), (0, 3)], float) * scale
    with pytest.raises(FitFailed, match="in a line"):
        homography_dlt(line, PLATE)
    with pytest.raises(FitFailed, match="in a line"):
        homography_dlt(line, line * 2 + 1)
    # the reason: rank 7 instead of 8
    values = np.linalg.svd(dlt_rows(_unit(line)[1], _unit(line * 2 + 1)[1]), compute_uv=False)
    assert values[7] < 1e-14
    assert values[6] > 1e-2


def test_too_few_or_broken_points_are_refused():
    with pytest.raises(FitFailed, match="four"):
        homography_dlt(PIXELS[:3], PLATE[:3])
    with pytest.raises(FitFailed, match="finite"):
        homography_dlt(PIXELS * [1, np.nan], PLATE)
    with pytest.raises(FitFailed):
        homography_dlt(np.ones((4, 2)), PLATE)


def test_normalising_points_mends_the_conditioning():
    # Hartley, In defense of the eight-point algorithm, 1997: the reason to normalise
    source = np.vstack((PIXELS, (960, 700)))
    target = np.vstack((PLATE, (196, 151)))
    unit = np.linalg.svd(dlt_rows(_unit(source)[1], _unit(target)[1]), compute_uv=False)
    raw = np.linalg.svd(dlt_rows(source, target), compute_uv=False)
    assert unit[0] / unit[7] == pytest.approx(3.64, rel=0.01)
    assert raw[0] / raw[7] == pytest.approx(1.30e6, rel=0.01)


def test_graffiti_ground_truth_maps_its_published_points():
    points = [(0, 0), (100, 200), (400, 320), (799, 0), (799, 639), (0, 639)]
    expected = [
        (225.6712, -77.0000),
        (234.6517, 154.4127),
        (383.6332, 336.2963),
        (654.0509, 148.9582),
        (507.9655, 661.3207),
        (34.7830, 576.4868),
    ]
    assert np.allclose(apply_homography(GRAFFITI, points), expected, atol=1e-3)
    assert np.linalg.det(GRAFFITI) == pytest.approx(0.8006177, abs=1e-6)
    back = apply_homography(np.linalg.inv(GRAFFITI), [(400, 320)])
    assert np.allclose(back, [(419.2251, 297.6464)], atol=1e-3)


def test_error_measures_follow_hartley_and_zisserman():
    # definitions of chapter 4; numbers worked with the graffiti map
    x = np.array([(100.0, 200.0)])
    seen = apply_homography(GRAFFITI, x) + (3, 4)
    forward, back, symmetric = transfer_error(GRAFFITI, x, seen)
    assert forward[0] == pytest.approx(5.0, abs=1e-3)
    assert back[0] == pytest.approx(6.1724, abs=1e-3)
    assert symmetric[0] == pytest.approx(63.0987, abs=1e-3)
    sampson = sampson_error(GRAFFITI, x, seen)[0]
    assert sampson == pytest.approx(14.6130, abs=1e-3)

    # the gold standard of section 4.2.3, minimised by scipy; Sampson is its first order
    def misses(place):
        there = apply_homography(GRAFFITI, place)
        return np.concatenate(((place - x).ravel(), (there - seen).ravel()))

    gold = 2 * least_squares(misses, x.ravel()).cost
    assert gold == pytest.approx(14.6019, abs=1e-3)
    assert gold <= min(forward[0] ** 2, back[0] ** 2)


@pytest.mark.parametrize(
    ("lateral", "height", "depth", "shift"),
    [(200, 800, 12, 2.9557), (150, 600, 10, 2.4590), (300, 1000, 15, 4.4335)],
)
def test_a_groove_floor_shifts_towards_the_foot_point(lateral, height, depth, shift):
    # similar triangles; the common short cut d X / Z is 1.5 % high in the first case
    assert parallax_mm(lateral, height, depth) == pytest.approx(shift, abs=1e-4)
    straight = Camera(
        1800.0, (0, 0), np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0, float(height)]), 0.0
    )
    px = straight.project_face(np.array([(lateral, 0.0)]), depth)
    assert lateral - straight.face_points(px)[0, 0] == pytest.approx(shift, abs=1e-4)


@pytest.mark.parametrize(
    ("depth", "shifts"),
    [
        (5, (0.437, 0.882, 1.340, 1.820, 2.887, 5.000)),
        (10, (0.875, 1.763, 2.679, 3.640, 5.774, 10.000)),
        (12, (1.050, 2.116, 3.215, 4.368, 6.928, 12.000)),
        (20, (1.750, 3.527, 5.359, 7.279, 11.547, 20.000)),
    ],
)
def test_parallax_is_depth_times_the_tangent_of_the_view_angle(depth, shifts):
    # trigonometry, worked to a thousandth of a millimetre
    for angle_deg, shift in zip((5, 10, 15, 20, 30, 45), shifts, strict=True):
        lateral = math.tan(math.radians(angle_deg)) * (700 + depth)
        assert parallax_mm(lateral, 700, depth) == pytest.approx(shift, abs=1e-3)


def test_parallax_is_the_same_from_any_height_at_one_angle():
    tangent = math.tan(math.radians(25))
    shifts = [parallax_mm(tangent * (height + 14), height, 14) for height in (300, 700, 1500)]
    assert np.allclose(shifts, 14 * tangent, atol=1e-9)


@pytest.mark.parametrize(
    ("r", "distorted"), [(0.1, 0.099721), (0.3, 0.292610), (0.5, 0.467187), (0.7, 0.615725)]
)
def test_radial_lens_terms_match_the_worked_table(r, distorted):
    # Brown 1966/1971 as in OpenCV calib3d, k1 = -0.28, k2 = 0.07
    assert distort(np.array([(r, 0.0)]), -0.28, 0.07)[0, 0] == pytest.approx(distorted, abs=1e-6)


def test_lens_model_agrees_with_opencv_project_points():
    k = np.array([[1000, 0, 960], [0, 1000, 540], [0, 0, 1.0]])
    terms = np.array([-0.28, 0.07, 0.001, -0.0005])
    ours = distort(np.array([(0.3, 0.2)]), *terms) * 1000 + (960, 540)
    theirs = cv2.projectPoints(np.array([(0.3, 0.2, 1.0)]), np.zeros(3), np.zeros(3), k, terms)[0]
    assert np.allclose(ours, theirs.reshape(-1, 2), atol=1e-9)
    assert np.allclose(ours, (1249.3999, 733.1066), atol=1e-3)
    back = undistort((ours - (960, 540)) / 1000, *terms)
    assert np.allclose(back, [(0.3, 0.2)], atol=1e-6)


@pytest.mark.parametrize(
    ("f35", "width", "height", "px"),
    [
        (26, 4032, 3024, 3028.66),
        (24, 4000, 3000, 2773.50),
        (28, 6000, 4000, 4666.67),
        (26, 4032, 2268, 2779.94),  # a 16:9 crop; by the width it would be 2912
    ],
)
def test_focal_length_goes_by_the_diagonal(f35, width, height, px):
    # the usual reading of the CIPA tag; the 36 x 24 mm frame has a diagonal of 43.27 mm
    assert focal_px_from_35mm(f35, width, height) == pytest.approx(px, abs=0.01)


def test_camera_projects_as_opencv_does():
    ours = camera()
    points = np.random.default_rng(0).uniform((0, 0, -20), (500, 340, 5), (50, 3))
    vector = cv2.Rodrigues(ours.rotation)[0]
    lens = np.array([ours.k1, 0, 0, 0, 0])
    theirs = cv2.projectPoints(points, vector, ours.translation_mm, ours.matrix, lens)[0]
    assert np.allclose(ours.project(points), theirs.reshape(-1, 2), atol=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    tilt=st.floats(-35, 35),
    turn=st.floats(-180, 180),
    k1=st.floats(-0.05, 0.05),
    depth=st.floats(0, 20),
)
def test_a_point_at_any_depth_comes_back_from_the_photo(tilt, turn, k1, depth):
    seen = camera(tilt, turn, k1)
    xy = np.array([(10.0, 20.0), (250.0, 170.0), (430.0, 300.0)])
    px = seen.project_face(xy, depth)
    assert np.allclose(seen.face_points(px, depth), xy, atol=1e-5)


def test_derivatives_of_the_camera_are_those_of_finite_steps():
    seen = camera()
    points = np.array([(10.0, 20.0, 0.0), (250.0, 170.0, -5.0), (430.0, 300.0, 2.0)])
    px, slopes = seen.jacobian(points)
    assert np.allclose(px, seen.project(points))
    for n in range(8):
        step = np.zeros(8)
        step[n] = 1e-6
        numeric = (seen.moved(step).project(points) - seen.moved(-step).project(points)) / 2e-6
        assert np.allclose(slopes[:, :, n], numeric, rtol=1e-4, atol=1e-3)


def test_pose_from_a_map_of_the_face_is_the_pose_that_made_it():
    made = camera(k1=0.0)
    found = Camera.from_homography(made.homography * -3.0, made.focal_px, made.centre_px)
    assert np.allclose(found.rotation, made.rotation, atol=1e-9)
    assert np.allclose(found.translation_mm, made.translation_mm, atol=1e-6)


def test_a_face_seen_from_behind_is_refused():
    made = camera(k1=0.0)
    with pytest.raises(FitFailed, match="behind"):
        Camera.from_homography(
            made.homography @ np.diag([-1.0, 1.0, 1.0]), made.focal_px, made.centre_px
        )
