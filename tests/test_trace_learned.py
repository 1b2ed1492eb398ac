"""The learned judge: exchanging the leads turns its answer round; turning the picture does not."""

from __future__ import annotations

from importlib import resources

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.trace import judge_crossing
from mapper.trace.judge import patches_of
from mapper.trace.learned import normalised, shares, shipped_layers
from mapper.trace.rectify import PATCH, crossing_patch
from tests.test_trace import RED, WHITE, bench
from tests.test_trace_judge import PLACE, crossing
from tests.training.crossing_pictures import NEITHER, patches


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_exchanging_the_leads_turns_the_shares_round_whatever_is_in_the_patch(number):
    patch = np.random.default_rng(number).integers(0, 256, (PATCH, PATCH, 3), dtype=np.uint8)
    patch = cv2.GaussianBlur(patch, (0, 0), 1 + number % 5)
    a, b, neither = shares([patch], shipped_layers())
    assert a + b + neither == pytest.approx(1, abs=1e-6)
    assert shares([patch.transpose(1, 0, 2)], shipped_layers()) == pytest.approx(
        (b, a, neither), abs=1e-4
    )
    for turned in (patch[::-1], patch[:, ::-1], patch[::-1, ::-1]):
        assert shares([turned], shipped_layers()) == pytest.approx((a, b, neither), abs=1e-4)


@pytest.mark.parametrize("colours", [(RED, WHITE), (WHITE, RED), (WHITE, WHITE)])
def test_exchanging_the_leads_of_a_picture_turns_the_answer_round(colours):
    image, upper, lower = crossing(60, *colours)
    one, other = (
        judge_crossing(image, upper, lower, PLACE),
        judge_crossing(image, lower, upper, PLACE),
    )
    assert one.confidence == pytest.approx(other.confidence, abs=1e-4)
    assert {one.top, other.top} in ({"a", "b"}, {None})
    assert judge_crossing(image, upper, lower, PLACE) == one


@pytest.mark.parametrize("quarter_turns", [0, 1, 2, 3])
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_turned_or_mirrored_picture_gives_the_same_answer(quarter_turns, mirrored):
    image, upper, lower = crossing(50, RED, WHITE)
    places = [upper, lower, np.array([PLACE], float)]
    if mirrored:
        places = [np.stack([image.shape[1] - 1 - p[:, 0], p[:, 1]], 1) for p in places]
        image = np.ascontiguousarray(image[:, ::-1])
    for _ in range(quarter_turns):
        places = [np.stack([p[:, 1], image.shape[1] - 1 - p[:, 0]], 1) for p in places]
        image = np.ascontiguousarray(np.rot90(image))
    assert judge_crossing(image, places[0], places[1], places[2][0]).top == "a"


@pytest.mark.parametrize("number", range(4))
def test_bare_brushed_steel_gets_no_answer(number):
    rng = np.random.default_rng(number)
    streaks = cv2.blur(rng.normal(0, 40, (300, 420)).astype(np.float32), (61, 1))
    image = np.clip(150 + streaks[..., None] + rng.normal(0, 3, (300, 420, 3)), 0, 255)
    path_a, path_b = np.array([(60, 60), (360, 240)]), np.array([(60, 240), (360, 60)])
    assert judge_crossing(image.astype(np.uint8), path_a, path_b, PLACE).top is None


@pytest.mark.parametrize("colour", [(120, 160, 90), (235, 235, 235), (200, 90, 40), (40, 40, 40)])
@pytest.mark.parametrize("angle_deg", [35, 60, 90])
def test_a_crossing_under_a_lump_of_plastic_gets_no_answer(colour, angle_deg):
    image, upper, lower = crossing(angle_deg, RED, WHITE)
    cv2.circle(image, PLACE, 26, colour, -1, cv2.LINE_AA)
    image = cv2.GaussianBlur(image, (0, 0), 0.8)
    assert judge_crossing(image, upper, lower, PLACE).top is None


def test_a_blown_out_crossing_gets_no_answer():
    image, upper, lower = crossing(60, WHITE, WHITE)
    white = np.full_like(image, 255)
    assert judge_crossing(white, upper, lower, PLACE).top is None


def test_a_crossing_at_the_rim_of_the_picture_is_no_crossing_to_lay_straight():
    image = bench()
    arc = np.linspace(-50, 50, 11)
    level, steep = np.stack([arc + 2, 0 * arc + 2], 1), np.stack([0 * arc + 2, arc + 2], 1)
    assert crossing_patch(image, (level, steep), (arc, arc), (11.0, 11.0)) is None


def test_each_lead_lies_along_its_own_axis_of_the_patch():
    image, upper, lower = crossing(40, RED, WHITE)
    arcs = tuple(np.array([-170.0, 0.0, 170.0]) for _ in "ab")
    patch = crossing_patch(image, (upper, lower), arcs, (11.0, 11.0)).astype(int)
    middle = PATCH // 2
    along_a, along_b = patch[middle - 1 : middle + 1], patch[:, middle - 1 : middle + 1]
    red = along_a[..., 2] - along_a[..., 0]
    assert red.min() > 40  # the upper lead runs through from side to side
    ends = np.r_[0:8, PATCH - 8 : PATCH]
    assert (along_b[ends, :, 2] - along_b[ends, :, 0]).max() < 40


@pytest.mark.parametrize("width_px", [3, 6, 11, 22])
def test_nobody_has_to_say_how_wide_the_leads_are(width_px):
    image, upper, lower = crossing(70, RED, WHITE, width_px)
    assert judge_crossing(image, upper, lower, PLACE).top == "a"


def test_a_guess_of_the_width_that_shows_no_crossing_hardly_counts():
    image, upper, lower = crossing(70, RED, WHITE)
    patches_seen = patches_of(image, upper, lower, PLACE)
    bare = np.full((PATCH, PATCH, 3), 128, np.uint8)
    a, b, _ = shares(patches_seen, shipped_layers())
    with_bare, _, _ = shares([*patches_seen, bare, bare, None], shipped_layers())
    assert a > 10 * b
    assert with_bare == pytest.approx(a, abs=0.05)
    assert shares([None, None], shipped_layers()) == (0.0, 0.0, 1.0)


def test_light_and_contrast_of_a_patch_are_evened_out():
    patch = np.random.default_rng(3).integers(40, 90, (PATCH, PATCH, 3), dtype=np.uint8)
    even = normalised(patch)
    assert even.mean((1, 2)) == pytest.approx(0, abs=1e-4)
    assert (even**2).sum(0).mean() == pytest.approx(1, abs=1e-3)


def test_the_network_is_right_on_fresh_invented_pictures_when_it_is_sure():
    """Scenes of numbers that training never used."""
    sure = wrong = total = 0
    for number in range(30):
        for patch, answer in patches(np.random.default_rng([5, number])):
            if answer == NEITHER:
                continue
            share = shares([patch], shipped_layers())
            total += 1
            sure += max(share[:2]) >= 0.95
            wrong += max(share[:2]) >= 0.95 and int(np.argmax(share)) != answer
    assert total > 60
    assert sure >= 0.4 * total
    assert wrong <= 0.02 * sure


def test_the_weights_are_small():
    file = resources.files("mapper.trace").joinpath("judge_weights.npz")
    assert len(file.read_bytes()) < 300_000
