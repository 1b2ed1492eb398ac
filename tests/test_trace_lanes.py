"""Which lead of a bundle was clicked, and what a long hole leaves of the belief in a line."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.trace import Trace, trace_between
from mapper.trace.ground import Ground
from mapper.trace.lanes import OFFSETS, in_lane
from tests.test_trace import BEIGE, RED, WHITE, bench, farthest, lay

WIDTH_PX = 9.0


def moved(image, line, clicks):
    """`line` (N, 2) after it was moved onto the lead that was clicked."""
    trace = Trace(line, np.ones(len(line) - 1))
    return in_lane(trace, Ground(image), WIDTH_PX, np.asarray(clicks, float)).points


def straight(y, start=40, end=380):
    x = np.arange(start, end, WIDTH_PX / 2)
    return np.stack([x, np.full(len(x), float(y))], 1)


def side_by_side(colour, *heights):
    """Leads of one colour that touch, in a dark channel."""
    image = bench(shade=70)
    for y in heights:
        lay(image, [(20, y), (400, y)], colour, WIDTH_PX)
    return cv2.GaussianBlur(image, (0, 0), 0.8)


@pytest.mark.parametrize("off", (-0.4, -0.2, 0.0, 0.2, 0.4))
def test_a_line_beside_the_middle_comes_to_the_middle(off):
    image = bench(shade=70)
    lay(image, [(20, 150), (400, 150)], BEIGE, WIDTH_PX)
    line = moved(image, straight(150 + off * WIDTH_PX), [(60, 150), (300, 150)])
    assert np.abs(line[3:-3, 1] - 150).max() < 0.25 * WIDTH_PX


@pytest.mark.parametrize("meant", (140, 150, 160))
@pytest.mark.parametrize("found", (140, 150, 160))
def test_of_three_leads_of_one_colour_side_by_side_the_clicked_one_is_followed(meant, found):
    image = side_by_side(WHITE, 140, 150, 160)
    line = moved(image, straight(found), [(60, meant), (360, meant)])
    assert np.abs(line[:, 1] - meant).max() < 0.4 * WIDTH_PX


def test_a_line_that_slips_to_the_neighbour_comes_back_to_its_lead():
    image = side_by_side(BEIGE, 140, 150, 160)
    line = straight(150)
    line[:, 1] += 10 * np.exp(-0.5 * ((line[:, 0] - 210) / 45) ** 2)
    after = moved(image, line, [(60, 150), (360, 150)])
    assert np.abs(after[:, 1] - 150).max() < 0.4 * WIDTH_PX


def test_a_red_lead_between_white_ones_is_found_from_the_white_one_beside_it():
    image = side_by_side(WHITE, 140, 160)
    lay(image, [(20, 150), (400, 150)], RED, WIDTH_PX)
    line = moved(image, straight(160), [(60, 150), (360, 150)])
    assert np.abs(line[:, 1] - 150).max() < 0.4 * WIDTH_PX


def test_a_lead_that_changes_lanes_is_followed_across_the_lead_under_it():
    image = bench(shade=70)
    lay(image, [(20, 140), (150, 140), (260, 160), (400, 160)], WHITE, WIDTH_PX)
    course = np.array([(20, 160), (150, 160), (260, 140), (400, 140)], float)
    lay(image, course, WHITE, WIDTH_PX)
    line = moved(cv2.GaussianBlur(image, (0, 0), 0.8), straight(150), [(60, 160), (360, 140)])
    assert farthest(line, course) < 0.5 * WIDTH_PX


def test_the_same_line_comes_out_walked_from_its_other_end():
    image = side_by_side(WHITE, 140, 150, 160)
    line, clicks = straight(155), [(60, 150), (360, 150)]
    there, back = moved(image, line, clicks), moved(image, line[::-1].copy(), clicks[::-1])
    assert np.allclose(there, back[::-1], atol=0.05 * WIDTH_PX)


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_a_line_over_nothing_stays_within_the_strip_that_was_looked_at(number):
    rng = np.random.default_rng(number)
    image = rng.integers(0, 256, (120, 420, 3), np.uint8)
    before = straight(60)
    after = moved(image, before, before[[0, -1]])
    assert np.isfinite(after).all()
    assert np.abs(after[:, 1] - 60).max() <= 2 * OFFSETS[-1] * WIDTH_PX
    assert farthest(before[[0, -1]], after) < WIDTH_PX


def test_what_long_holes_cut_off_from_the_clicks_is_not_sure():
    image = bench(shade=70)
    lay(image, [(20, 150), (400, 150)], BEIGE, 8)
    for x0, x1 in ((100, 165), (255, 320)):  # two lumps of plastic, 8 widths each
        cv2.rectangle(image, (x0, 60), (x1, 240), (200, 205, 200), -1)
    trace = trace_between(image, (40, 150), (380, 150))
    x = 0.5 * (trace.points[1:, 0] + trace.points[:-1, 0])
    between = (x > 185) & (x < 235)
    assert 0.3 < np.median(trace.confidence[between]) < 0.5
    assert np.median(trace.confidence[(x < 85) | (x > 335)]) > 0.6
    seen = trace_between(image, (40, 150), (380, 150), via=[(210, 150)])
    x = 0.5 * (seen.points[1:, 0] + seen.points[:-1, 0])
    assert np.median(seen.confidence[(x > 185) & (x < 235)]) > 0.6


def test_a_lead_long_hidden_is_followed_along_the_lead_on_top_of_it():
    image = bench(shade=70)
    turn = np.linspace(0, np.pi / 2, 15)
    bend = np.stack([110 - 50 * np.cos(turn), 200 + 50 * np.sin(turn)], 1)
    course = np.concatenate([[(60, 40), (60, 190)], bend, [(130, 250), (390, 250)]])
    lay(image, course, BEIGE, 8)
    over = np.concatenate([[(60, 75), (60, 190)], bend, [(130, 250), (345, 250)]])
    lay(image, over + 1, RED, 8)
    trace = trace_between(image, (60, 50), (370, 250))
    assert farthest(course, trace.points) < 3 * 8
