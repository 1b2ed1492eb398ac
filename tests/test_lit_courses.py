"""The cables of the path-traced benchmark lie over one another as real ones do."""

from __future__ import annotations

import numpy as np

from tests.benchmarks.lit_courses import courses
from tests.benchmarks.loose_cables import meetings


def _laid(seed: int):
    return courses(np.random.default_rng(seed), 5, 14.0, (1200, 900), loops=False)


def test_no_cable_sinks_into_the_table():
    assert all((c.points[:, 2] >= c.radius - 1e-9).all() for c in _laid(1))


def test_where_cables_cross_the_upper_one_lies_on_the_lower_one():
    lifts = []
    for seed in range(6):
        lying = _laid(seed)
        for a, b, ia, ib, _ in meetings([c.points[:, :2] for c in lying]):
            lift = abs(lying[a].points[ia, 2] - lying[b].points[ib, 2])
            lifts.append(lift / (lying[a].radius + lying[b].radius))
    assert len(lifts) > 20
    # Rings of pieces that lie over one another can't all be fulfilled.
    assert np.mean(np.array(lifts) > 0.9) > 0.85


def test_cables_come_down_gently():
    for course in _laid(2):
        slope = np.abs(np.gradient(course.points[:, 2]))
        assert slope.max() < 1.0
