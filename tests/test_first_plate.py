"""A first plate from one photo: the grid of bores, some of them not seen."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.fit.errors import FitFailed
from mapper.fit.first_outline import in_order, quad_shape
from mapper.fit.lattice import fit_lattice


@settings(max_examples=30, deadline=None)
@given(
    st.integers(2, 4),
    st.integers(3, 5),
    st.floats(60, 130),
    st.floats(60, 130),
    st.integers(0, 2),
)
def test_the_grid_is_found_with_a_bore_inside_it_missing(rows, columns, px, py, missing):
    places = [(c, r) for r in range(rows) for c in range(columns)]
    inner = [i for i, (c, r) in enumerate(places) if 0 < c < columns - 1 and r == 0]
    gone = inner[: min(missing, 1)]
    centres = np.array(
        [(80 + c * px, 70 + r * py) for i, (c, r) in enumerate(places) if i not in gone]
    )
    lattice = fit_lattice(centres, 42.0)
    assert lattice is not None
    assert (lattice.rows, lattice.columns) == (rows, columns)
    assert lattice.pitch_mm == pytest.approx((px, py), rel=1e-6)
    assert lattice.unseen == len(gone)


def test_a_rectangle_in_a_known_camera_gives_back_its_shape():
    """Zhang and He 2007: the aspect ratio follows from the focal length exactly."""
    focal, centre = 1800.0, (1199.5, 899.5)
    a, b = np.radians(20), np.radians(12)
    turn = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]]) @ np.array(
        [[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]]
    )
    corners = np.array([(0, 0, 0), (496, 0, 0), (496, -346, 0), (0, -346, 0)], float) - [
        248,
        -173,
        0,
    ]
    seen = corners @ turn.T + [0, 0, 700]
    px = seen[:, :2] / seen[:, 2:] * focal + centre
    aspect, skew = quad_shape(in_order(px), focal, centre)
    assert aspect == pytest.approx(496 / 346, rel=1e-4)
    assert skew < 1e-4


def test_corners_that_make_no_quadrilateral_are_refused():
    with pytest.raises(FitFailed, match="corner"):
        in_order(np.array([(0, 0), (100, 0), (200, 0), (100, 100)]))
