"""The weigher of clicks: the lead under the pointer is meant, and it may say that none is."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.trace import prepare, snap_to_wire, trace_between
from mapper.trace.ground import Ground
from mapper.trace.likely import ACROSS, ALONG, FACTS, bands, shipped_layers, weigh
from mapper.trace.snap import MOST_STRETCH, banded, candidates_at, leads_at
from tests.test_trace import RED, WHITE, bench, farthest, lay
from tests.training.laid_leads import laid_leads


def bundle(colours, width_px=9, apart_px=10):
    """Leads side by side, as in a channel: (image, heights of their middles)."""
    image = bench(shade=70)
    middles = [120 + k * apart_px for k in range(len(colours))]
    for y, colour in zip(middles, colours, strict=True):
        lay(image, [(20, y), (400, y)], colour, width_px)
    return cv2.GaussianBlur(image, (0, 0), 0.7), middles


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12))
def test_shares_never_exceed_one_and_a_line_has_no_direction(number, count):
    rng = np.random.default_rng(number)
    seen = rng.normal(0, 1, (count, ALONG, ACROSS, 3)).astype(np.float32)
    facts = rng.normal(0, 1, (count, FACTS)).astype(np.float32)
    shares, stretch, beside = weigh(seen, facts, shipped_layers())
    assert (shares >= 0).all() and shares.sum() <= 1 + 1e-6
    for turned, side in ((seen[:, ::-1], 1), (seen[:, :, ::-1], -1), (seen[:, ::-1, ::-1], -1)):
        again = weigh(turned, facts, shipped_layers())
        assert np.allclose(again[0], shares, atol=1e-4)
        assert np.allclose(again[1], stretch, atol=1e-3)
        assert np.allclose(side * again[2], beside, atol=1e-3)


def test_a_band_shows_the_line_along_its_middle_row_whatever_its_direction():
    lab = np.zeros((80, 80, 3), np.float32)
    cv2.line(lab, (10, 10), (70, 70), (60.0, 0.0, 0.0), 3)
    band = bands(lab, np.array([[40.0, 40.0]]), np.array([np.pi / 4]))[0, :, :, 0]
    assert np.abs(band[:, ACROSS // 2]).max() < 0.5
    assert band[:, [0, -1]].max() < -2.5


@pytest.mark.parametrize("number", range(4))
def test_a_click_in_a_bundle_means_the_lead_under_the_pointer(number):
    image, middles = bundle([WHITE, RED, WHITE, WHITE])
    (x, y), width = snap_to_wire(image, (200, middles[number] + 1), 8)
    assert abs(y - middles[number]) < 2.5 and abs(x - 200) < 8
    assert 0.6 * 9 < width < 1.5 * 9


def test_a_lead_between_two_of_its_colour_is_followed_between_them():
    image, middles = bundle([WHITE] * 3)
    trace = trace_between(prepare(image), (40, middles[1]), (380, middles[1]))
    assert farthest(trace.points, [(20, middles[1]), (400, middles[1])]) < 3


def test_the_width_that_was_read_is_mended_by_a_fifth_at_most():
    image, middles = bundle([WHITE, RED])
    ground = Ground(image)
    read, _ = banded(ground, np.array([200.0, middles[0]]), 8.0)
    mended = leads_at(ground, np.array([200.0, middles[0]]), 8.0)
    assert len(read) >= len(mended) > 0
    log_read = np.log([before.width_px for before in read])
    for after in mended:
        assert np.abs(log_read - np.log(after.width_px)).min() <= MOST_STRETCH + 1e-9


@pytest.mark.parametrize("number", range(6))
def test_on_brushed_steel_no_line_is_held_for_the_lead_that_was_meant(number):
    """There are lines enough: without the weigher each of them was as good as a lead."""
    rng = np.random.default_rng(number)
    streaks = cv2.blur(rng.normal(0, 40, (300, 420)).astype(np.float32), (61, 1))
    image = np.clip(150 + streaks[..., None] + rng.normal(0, 3, (300, 420, 3)), 0, 255)
    ground = Ground(image.astype(np.uint8))
    place = np.array([210.0, 150.0])
    assert candidates_at(ground, place, 12.0)
    assert max((s.score for s in leads_at(ground, place, 12.0)), default=0.0) < 0.5


def test_the_pictures_for_training_come_out_the_same_and_hide_what_plastic_covers():
    image, leads = laid_leads(np.random.default_rng([7, 0]), (320, 450))
    again, _ = laid_leads(np.random.default_rng([7, 0]), (320, 450))
    assert np.array_equal(image, again)
    assert leads and all(len(lead.visible) == len(lead.points_px) for lead in leads)
    assert 0.02 < np.mean(np.concatenate([lead.visible for lead in leads])) < 0.98
