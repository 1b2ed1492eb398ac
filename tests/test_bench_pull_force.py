"""Pull force: capstan values, what a conductor bears, bends of traced routes, advice in words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mapper.bench.conductors import area_mm2
from mapper.bench.pull_force import (
    HAND_N,
    bend_rad,
    capstan_n,
    conductor_limit_n,
    pull_guide,
)

ROUND = [[0.0, 0.0], [200, 0], [200, 150], [350, 150], [350, 300]]  # three square bends


# Capstan equation T2 = T1 exp(mu theta) (Euler; Eytelwein), values by arithmetic, to 0.001.
@pytest.mark.parametrize(
    ("tail_n", "degrees", "friction", "pull_n"),
    [
        (1, 45, 0.10, 1.0817),
        (1, 90, 0.20, 1.3691),
        (1, 180, 0.35, 3.0028),
        (1, 360, 0.50, 23.141),
        (10, 270, 0.35, 52.035),  # three square bends
        (10, 180, 0.50, 48.105),
        (5, 90, 0.30, 8.010),
        (1, 397.1, 0.2, 4.0),
    ],
)
def test_pull_after_bends(tail_n, degrees, friction, pull_n):
    assert capstan_n(tail_n, math.radians(degrees), friction) == pytest.approx(pull_n, abs=0.002)


# 0.008 lbf per circular mil (ICEA-based trade rule), with areas of ASTM B258; newtons.
@pytest.mark.parametrize(("gauge", "limit_n"), [(20, 36.3), (24, 14.4), (30, 3.6), (36, 0.9)])
def test_what_a_conductor_bears_in_a_pull(gauge, limit_n):
    assert conductor_limit_n(area_mm2(f"{gauge} AWG")) == pytest.approx(limit_n, abs=0.06)


def test_bends_of_a_route_with_square_corners():
    assert math.degrees(bend_rad(np.array(ROUND))) == pytest.approx(270, abs=6)


@pytest.mark.parametrize("radius_mm", [15.0, 60.0])
def test_bends_of_a_quarter_circle(radius_mm):
    angle = np.linspace(0, math.pi / 2, 60)
    arc = radius_mm * np.stack([np.sin(angle), 1 - np.cos(angle)], axis=1)
    way = np.vstack([[-80.0, 0.0], arc, arc[-1] + [0.0, 80.0]])
    assert math.degrees(bend_rad(way)) == pytest.approx(90, abs=6)


def test_the_shaking_of_a_traced_line_is_no_bend():
    x = np.linspace(0, 400, 300)
    shaken = np.stack([x, np.random.default_rng(0).normal(0, 0.3, 300)], axis=1)
    assert math.degrees(bend_rad(shaken)) < 5


@given(st.floats(0, 12), st.floats(0, 12), st.floats(0.05, 1))
def test_bends_multiply_and_never_lessen_a_pull(first, second, friction):
    both = capstan_n(1, first + second, friction)
    assert both == pytest.approx(
        capstan_n(capstan_n(1, first, friction), second, friction), rel=1e-9
    )
    assert both >= 1


@given(
    st.lists(st.tuples(st.floats(-900, 900), st.floats(-900, 900)), min_size=2, max_size=12),
    st.floats(0.005, 3),
)
def test_advice_never_goes_over_hand_or_conductor(points, area):
    guide = pull_guide(np.array(points), area)
    assert 0 < guide.limit_n <= min(HAND_N, conductor_limit_n(area) / 2)
    assert guide.word != "pull" or guide.pull_n <= guide.limit_n / 3
    assert " N" in guide.text and "frozen" in " ".join(guide.assumed)


def test_many_bends_are_peeled_and_a_straight_run_is_drawn():
    straight = pull_guide(np.array([[0.0, 0.0], [300.0, 0.0]]), 0.5)
    assert (straight.word, round(straight.limit_n)) == ("pull", 12)
    assert "do not pull over 12 N" in straight.text
    comb = [[60.0 * (i // 2), 80.0 * ((i + 1) // 2 % 2)] for i in range(12)]
    assert pull_guide(np.array(comb), 0.2).word == "peel only"


def test_a_size_that_nobody_entered_is_said():
    assert any("no size is entered" in one for one in pull_guide(np.array(ROUND)).assumed)
