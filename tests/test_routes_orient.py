"""The side of a line on which a point lies, against exact rational arithmetic."""

from fractions import Fraction

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.routes.orient import orientation

coordinates = st.one_of(
    st.integers(-20, 20).map(float),
    st.floats(-1e4, 1e4, allow_subnormal=False).map(lambda x: x if abs(x) > 1e-100 else 0.0),
    st.integers(-3, 3).map(lambda n: 12.0 + n * 2.0**-49),
)


def exact(ax, ay, bx, by, cx, cy) -> int:
    ax, ay, bx, by, cx, cy = (Fraction(v) for v in (ax, ay, bx, by, cx, cy))
    det = (ax - cx) * (by - cy) - (ay - cy) * (bx - cx)
    return (det > 0) - (det < 0)


@settings(deadline=None)
@given(st.lists(st.tuples(*[coordinates] * 6), min_size=1, max_size=20))
def test_side_is_exact(cases):
    columns = [np.array(column) for column in zip(*cases, strict=True)]
    assert orientation(*columns).tolist() == [exact(*case) for case in cases]


@settings(deadline=None)
@given(st.tuples(*[coordinates] * 4), st.integers(0, 4))
def test_points_on_a_line_or_a_hair_beside_it(ends, quarter):
    ax, ay, bx, by = ends
    cx, cy = ax + (bx - ax) * quarter / 4, ay + (by - ay) * quarter / 4
    for x in (cx, np.nextafter(cx, np.inf), np.nextafter(cx, -np.inf)):
        if abs(x) < 1e-100:
            x = 0.0
        case = (ax, ay, bx, by, float(x), cy if abs(cy) > 1e-100 else 0.0)
        assert orientation(*(np.array([v]) for v in case))[0] == exact(*case)


def test_row_of_near_collinear_points_where_plain_floats_fail():
    # Kettner, Mehlhorn, Pion, Schirra, Yap, "Classroom examples of robustness problems in
    # geometric computations", Comput. Geom. 40 (2008), figure 2(a): p near (0.5, 0.5),
    # q = (12, 12), r = (24, 24), steps of 2^-53.
    step = 2.0**-53
    grid = [(0.5 + i * step, 0.5 + j * step) for i in range(32) for j in range(32)]
    x, y = (np.array(column) for column in zip(*grid, strict=True))
    ones = np.ones(len(grid))
    found = orientation(x, y, 12 * ones, 12 * ones, 24 * ones, 24 * ones)
    assert found.tolist() == [exact(*p, 12.0, 12.0, 24.0, 24.0) for p in grid]
