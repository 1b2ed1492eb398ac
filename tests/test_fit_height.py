"""Two photos from different sides tell which of two crossing leads lies higher."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.fit import Camera, LeadsInPhoto, PhotoFit, height_shift

PLACE = np.array([100.0, 80.0])
DEPTH_MM = 8.0


def photo_from(x_mm: float, y_mm: float, height_mm: float = 600.0) -> PhotoFit:
    """A good fit of a photo taken from there, looking at PLACE, 3 to 4 px per mm."""
    eye = np.array([x_mm, y_mm, height_mm])
    ahead = np.array([*PLACE, 0.0]) - eye
    ahead /= np.linalg.norm(ahead)
    right = np.cross(ahead, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    turn = np.stack([right, np.cross(ahead, right), ahead])
    camera = Camera(2000.0, (1000.0, 750.0), turn, -turn @ eye)
    covariance = np.diag([1e-10] * 3 + [1e-3] * 3 + [1e-2, 1e-12])
    return PhotoFit(camera, 2000, 1500, covariance, "good", (), "test", np.zeros(4), ("c",) * 4)


def seen(fit: PhotoFit, angle_deg: float, depth_mm: float) -> np.ndarray:
    """A straight lead through PLACE at that depth, without the 4 mm in the middle."""
    s = np.concatenate([np.arange(-10, -2, 0.5), np.arange(2, 10.1, 0.5)])
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    return fit.photo_from_plate(PLACE + s[:, None] * along, depth_mm)


def shift(eyes, angle_a, angle_b, depth_a, depth_b):
    fits = [photo_from(*eye) for eye in eyes]
    views = [LeadsInPhoto(f, seen(f, angle_a, depth_a), seen(f, angle_b, depth_b)) for f in fits]
    return height_shift(views, PLACE, DEPTH_MM)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0, 180),
    st.floats(30, 150),
    st.floats(3, 12),
    st.floats(-4, 4),
    st.floats(0, 360),
)
def test_the_height_of_one_lead_over_the_other_is_measured(turn, between, depth, higher, side):
    out = 140 * np.array([np.cos(np.radians(side)), np.sin(np.radians(side))])
    found = shift([PLACE + out, PLACE - out], turn, turn + between, depth - higher, depth)
    if found is None or found.top is None:
        return
    assert found.higher_mm == pytest.approx(higher, abs=max(0.15, 0.1 * abs(higher)))


def test_two_millimetres_seen_from_two_sides_are_enough():
    found = shift([(-40, 80), (240, 80)], 60, 120, 6.0, 8.0)
    assert found.top == "a"
    assert found.higher_mm == pytest.approx(2.0, abs=0.05)
    assert shift([(-40, 80), (240, 80)], 60, 120, 8.0, 6.0).top == "b"


def test_the_shift_is_that_of_the_worked_example():
    """A point h above the plane moves by h (tan a1 + tan a2): Hartley & Zisserman 13.3."""
    left, right = photo_from(-40, 80), photo_from(240, 80)
    moved = [
        f.plate_from_photo(f.photo_from_plate(PLACE[None], 6.0), 8.0)[0] for f in (left, right)
    ]
    slopes = 140 / (600 + 6.0)  # the rays' slope towards a point 6 mm below the face
    assert moved[0][0] - moved[1][0] == pytest.approx(2.0 * 2 * slopes, abs=1e-6)


def test_photos_from_one_place_do_not_tell():
    found = shift([(240, 80), (241, 81)], 60, 120, 6.0, 8.0)
    assert found is None or found.top is None


def test_leads_along_the_line_between_the_cameras_do_not_tell():
    found = shift([(-40, 80), (240, 80)], 0, 60, 6.0, 8.0)
    assert found is None or found.top is None


def test_leads_of_one_height_get_no_answer():
    assert shift([(-40, 80), (240, 80)], 60, 120, 8.0, 8.0).top is None


def test_one_photo_or_a_doubtful_one_is_no_witness():
    fits = [photo_from(-40, 80), photo_from(240, 80)]
    views = [LeadsInPhoto(f, seen(f, 60, 6), seen(f, 120, 8)) for f in fits]
    assert height_shift(views[:1], PLACE, DEPTH_MM) is None
    doubted = replace(views[1], fit=fits[1].doubted("It may be the other half of the plate."))
    assert height_shift([views[0], doubted], PLACE, DEPTH_MM) is None


def test_a_lead_seen_on_one_side_only_is_no_witness():
    fits = [photo_from(-40, 80), photo_from(240, 80)]
    views = [LeadsInPhoto(f, seen(f, 60, 6)[:16], seen(f, 120, 8)) for f in fits]
    assert height_shift(views, PLACE, DEPTH_MM) is None
