"""Where in a bundle a lead's middle lies, and what a long hole leaves of the belief in a line."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.trace import Trace, trace_between
from mapper.trace.evidence import sample
from mapper.trace.ground import Ground, layer_for_width
from mapper.trace.middle import centred
from tests.test_trace import BEIGE, RED, WHITE, bench, farthest, lay

WIDTH_PX = 9.0


def moved(image, line, width_px=WIDTH_PX, clicks=None):
    """`line` (N, 2) after it was moved onto the middle of the lead that it runs along."""
    layer = Ground(image).layer(layer_for_width(width_px))
    at = layer.from_photo(np.asarray(clicks if clicks is not None else line[[0, -1]], float))
    colour = sample(layer.lab, at).mean(0)[None]
    trace = Trace(line, np.ones(len(line) - 1))
    return centred(trace, layer, colour, width_px, line[[0, -1]]).points


def straight(y, start=40, end=380):
    x = np.arange(start, end, WIDTH_PX / 2)
    return np.stack([x, np.full(len(x), float(y))], 1)


@pytest.mark.parametrize("off", (-0.4, -0.2, 0.0, 0.2, 0.4))
def test_a_line_beside_the_middle_comes_to_the_middle(off):
    image = bench(shade=70)
    lay(image, [(20, 150), (400, 150)], BEIGE, WIDTH_PX)
    line = moved(image, straight(150 + off * WIDTH_PX), clicks=[(60, 150), (300, 150)])
    assert np.abs(line[3:-3, 1] - 150).max() < 0.25 * WIDTH_PX


def test_the_gap_between_two_leads_of_one_colour_is_no_middle():
    image = bench(shade=70)
    for y in (145, 155):
        lay(image, [(20, y), (400, y)], WHITE, WIDTH_PX)
    image = cv2.GaussianBlur(image, (0, 0), 0.8)
    line = moved(image, straight(150), clicks=[(60, 145), (300, 145)])
    off = np.abs(line[3:-3, 1:] - (145, 155)).min(1)
    assert np.median(off) < 0.25 * WIDTH_PX


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_line_is_never_moved_farther_than_a_width_and_not_lengthwise(number):
    rng = np.random.default_rng(number)
    image = rng.integers(0, 256, (120, 420, 3), np.uint8)
    before = straight(60)
    after = moved(image, before)
    assert np.abs(after[:, 0] - before[:, 0]).max() < 1e-6
    assert np.abs(after[:, 1] - before[:, 1]).max() <= 0.9 * WIDTH_PX + 1e-6


def test_turning_the_picture_turns_the_line_with_it():
    image = bench(shade=70)
    lay(image, [(20, 150), (400, 150)], RED, WIDTH_PX)
    lay(image, [(20, 157), (400, 157)], WHITE, WIDTH_PX)
    image = image[: image.shape[0] & ~1, : image.shape[1] & ~1]
    line = straight(152)
    size = np.array(image.shape[1::-1]) - 1
    turned = moved(
        np.ascontiguousarray(image[::-1, ::-1]), size - line, clicks=size - line[[9, -9]]
    )
    assert np.allclose(size - turned, moved(image, line, clicks=line[[9, -9]]), atol=1.0)


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


@pytest.mark.parametrize("meant", (146, 154))
def test_between_two_leads_of_one_colour_the_clicks_say_which_is_meant(meant):
    image = bench(shade=70)
    for y in (146, 154):
        lay(image, [(20, y), (400, y)], WHITE, WIDTH_PX)
    image = cv2.GaussianBlur(image, (0, 0), 0.8)
    layer = Ground(image).layer(layer_for_width(WIDTH_PX))
    clicks = np.array([(60.0, meant), (210.0, meant), (360.0, meant)])
    colour = sample(layer.lab, layer.from_photo(clicks[:1]))
    line = Trace(straight(150), np.ones(len(straight(150)) - 1))
    drawn = centred(line, layer, colour, WIDTH_PX, clicks).points
    assert np.median(np.abs(drawn[:, 1] - meant)) < 0.25 * WIDTH_PX
    assert farthest(clicks, drawn) < 0.5 * WIDTH_PX
