"""A first plate from a photo: rows, columns, pitch and bore right to what a rule can measure."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from mapper.fit import Camera, FitFailed, KnownDistance, first_plate
from mapper.fit.camera import rotation
from mapper.photos import Photo, load_photo
from tests.truth import true_plate, truth_of

GRID = {"rows": 2, "columns": 4, "pitch": (110.0, 150.0), "first": (70.0, 80.0), "bore": 44.0}
WIDTH, HEIGHT = 470.0, 310.0
HOLES = [(25.0, 25.0, 14.0), (445.0, 285.0, 20.0), (235.0, 155.0, 12.0)]


def rough(corners_px: np.ndarray, seed: int = 1) -> np.ndarray:
    """Clicks some pixels beside the corners, in no order."""
    rng = np.random.default_rng(seed)
    return (corners_px + rng.uniform(-6, 6, (4, 2)))[rng.permutation(4)]


@pytest.mark.parametrize(
    ("plate", "start"), [("plate1", "05"), ("plate1", "01"), ("plate2", "01"), ("plate3", "01")]
)
def test_the_grid_of_a_rendered_plate_is_found_by_four_rough_corners(shared_plates, plate, start):
    # truth of the renderer that made the photos; grids of 2 x 4, 3 x 4 and 4 x 4
    truth = truth_of(shared_plates / plate)
    record = next(r for r in truth["photos"] if r["file"].startswith(start))
    drawing = true_plate(truth)
    x = np.unique([d.x_mm for d in drawing.drops])
    y = np.unique([d.y_mm for d in drawing.drops])
    corners = np.array(record["plate_corners_px"], float)
    known = KnownDistance(tuple(corners[0] + 3), tuple(corners[1] - 4), drawing.width_mm)
    first = first_plate(load_photo(shared_plates / plate / record["file"]), known, rough(corners))
    assert (first.rows, first.columns) == (len(y), len(x))
    assert first.pitch_x_mm == pytest.approx(np.diff(x).mean(), rel=1e-3)
    assert first.pitch_y_mm == pytest.approx(np.diff(y).mean(), rel=1e-3)
    assert first.bore_diameter_mm == pytest.approx(drawing.drops[0].bore_diameter_mm, abs=1.0)
    assert first.plate.width_mm == pytest.approx(drawing.width_mm, abs=0.2)
    assert first.plate.height_mm == pytest.approx(drawing.height_mm, abs=1.0)
    # whichever way round the photo lies, each hole is a true one
    there = np.array([(h.x_mm, h.y_mm) for h in drawing.holes])
    turned = (drawing.width_mm, drawing.height_mm) - there
    found = np.array([(h.x_mm, h.y_mm) for h in first.plate.holes])
    assert len(found) >= 6
    gaps = [np.hypot(*(found[:, None] - t).transpose(2, 0, 1)).min(axis=1) for t in (there, turned)]
    assert min(gap.max() for gap in gaps) < 1.0


def own_camera(k1: float, tilt: float = 0.25) -> Camera:
    """A camera over the middle of the plate that leans over."""
    turn = rotation(np.array([tilt, 0.1, 0.05])) @ np.diag([1.0, -1.0, -1.0])
    shift = np.array([0.0, 0.0, 560.0]) - turn @ np.array([WIDTH / 2, HEIGHT / 2, 0])
    return Camera(1500.0, (999.5, 749.5), turn, shift, k1)


def drawn(camera: Camera, focal: bool = True) -> Photo:
    """A plain picture of the plate: grey steel, dark bores with a light nozzle, dark holes."""
    fine = np.full((4500, 6000), 27, np.uint8)  # linear light, nine parts to a pixel

    def fill(points: np.ndarray, light: int) -> None:
        at = np.rint(((camera.project_face(points) + 0.5) * 3 - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(fine, [at.reshape(-1, 1, 2)], light, shift=4)

    angle = np.linspace(0, 2 * np.pi, 200, endpoint=False)
    ring = np.column_stack((np.cos(angle), np.sin(angle)))
    share = np.linspace(0, 1, 50, endpoint=False)[:, None]
    corners = np.array([(0, 0), (WIDTH, 0), (WIDTH, HEIGHT), (0, HEIGHT)], float)
    sides = [a + share * (b - a) for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)]
    fill(np.concatenate(sides), 132)
    for row in range(GRID["rows"]):
        for column in range(GRID["columns"]):
            at = np.array([column, row]) * GRID["pitch"] + GRID["first"]
            fill(at + ring * GRID["bore"] / 2, 5)
            fill(at + ring * GRID["bore"] / 4, 78)
    for x, y, diameter in HOLES:
        fill(np.array([x, y]) + ring * diameter / 2, 3)
    light = cv2.GaussianBlur(
        cv2.resize(fine, (2000, 1500), interpolation=cv2.INTER_AREA), (0, 0), 0.7
    )
    coded = 255 * (light / 255.0) ** (1 / 2.2)
    noise = np.random.default_rng(2).normal(0, 3, coded.shape)
    pixels = np.clip(coded + noise, 0, 255).astype(np.uint8)
    colour = cv2.cvtColor(pixels, cv2.COLOR_GRAY2BGR)
    return Photo(colour, "drawn", "0" * 64, None, None, 1500.0 if focal else None, 2000, 1500)


@pytest.mark.parametrize("k1", [-0.08, 0.0, 0.08])
def test_a_lens_that_bends_lines_does_not_change_the_pitch(k1):
    # our own picture through Brown's lens model: exact truth
    camera = own_camera(k1)
    corners = camera.project_face([(0, 0), (WIDTH, 0), (WIDTH, HEIGHT), (0, HEIGHT)])
    a, b = camera.project_face([(70.0, 80.0), (400.0, 80.0)])  # two bores, three pitches apart
    first = first_plate(
        drawn(camera), KnownDistance(tuple(a + 4), tuple(b - 3), 330.0), rough(corners)
    )
    assert (first.rows, first.columns) == (2, 4)
    assert first.pitch_x_mm == pytest.approx(110.0, rel=1e-3)
    assert first.pitch_y_mm == pytest.approx(150.0, rel=2e-3)
    assert first.bore_diameter_mm == pytest.approx(44.0, abs=0.4)
    assert first.camera.k1 == pytest.approx(k1, abs=0.02)
    found = sorted((h.x_mm, h.y_mm, h.diameter_mm) for h in first.plate.holes)
    assert np.abs(np.array(found) - sorted(HOLES)).max() < 0.6
    assert np.hypot(*(first.corners_px - np.array(corners)).T).max() < 3.0


def test_without_a_focal_length_the_round_bores_give_the_shape():
    camera = own_camera(0.0, tilt=0.4)
    corners = camera.project_face([(0, 0), (WIDTH, 0), (WIDTH, HEIGHT), (0, HEIGHT)])
    known = KnownDistance(tuple(corners[0]), tuple(corners[1]), WIDTH)
    first = first_plate(drawn(camera, focal=False), known, rough(corners))
    assert first.pitch_y_mm == pytest.approx(150.0, rel=0.01)
    assert any("no focal length" in note for note in first.notes)


def test_a_plain_plate_without_bores_is_refused():
    pixels = np.full((1500, 2000, 3), 90, np.uint8)
    pixels[300:1200, 300:1700] = 190
    photo = Photo(pixels, "plain", "0" * 64, None, None, 1500.0, 2000, 1500)
    corners = np.array([(300, 300), (1700, 300), (1700, 1200), (300, 1200)], float)
    known = KnownDistance((300.0, 1200.0), (1700.0, 1200.0), 500.0)
    with pytest.raises(FitFailed, match="No bores"):
        first_plate(photo, known, corners)


@pytest.mark.parametrize(
    ("ends", "length"),
    [(((5, 5), (9, 9)), 100.0), (((5, 5), (900, 9)), 0.0), (((5, 5), (900, 9)), -3.0)],
)
def test_a_known_distance_that_says_nothing_is_refused(ends, length):
    photo = Photo(np.zeros((300, 400, 3), np.uint8), "x", "0" * 64, None, None, 300.0, 400, 300)
    with pytest.raises(FitFailed, match="known distance"):
        first_plate(photo, KnownDistance(*ends, length), None)
