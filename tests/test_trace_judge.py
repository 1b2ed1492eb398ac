"""The judge says which lead lies on top, or that it can't tell; it never guesses."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.errors import MapperError
from mapper.trace import Company, TraceError, judge_crossing
from mapper.trace.ground import as_ground
from mapper.trace.judge import weighed
from mapper.trace.model import Judgement
from tests.benchmarks.trace_truth import plate_crossings
from tests.test_trace import BEIGE, RED, WHITE, bench, lay

PLACE = (210, 150)


def crossing(angle_deg: float, top_colour, low_colour, width_px=11, seed=1):
    """(image, path of the upper lead, path of the lower lead), crossing at PLACE."""
    image = bench(seed=seed)
    half = np.radians(angle_deg) / 2
    paths = []
    for sign, colour in ((-1, low_colour), (1, top_colour)):
        along = 170 * np.array([np.cos(half), sign * np.sin(half)])
        paths.append(lay(image, [PLACE - along, PLACE, PLACE + along], colour, width_px))
    return cv2.GaussianBlur(image, (0, 0), 0.7), paths[1], paths[0]


@pytest.mark.parametrize("angle_deg", [25, 45, 90])
@pytest.mark.parametrize("top_colour, low_colour", [(RED, WHITE), (WHITE, RED), (BEIGE, RED)])
def test_the_upper_lead_is_named_whichever_way_the_question_is_put(
    angle_deg, top_colour, low_colour
):
    image, upper, lower = crossing(angle_deg, top_colour, low_colour)
    assert judge_crossing(image, upper, lower, PLACE).top == "a"
    assert judge_crossing(image, lower, upper, PLACE).top == "b"


@pytest.mark.parametrize("angle_deg, may_pass", [(25, True), (60, False), (90, False)])
def test_leads_of_one_colour_are_told_apart_by_their_shading(angle_deg, may_pass):
    image, upper, lower = crossing(angle_deg, WHITE, WHITE)
    answer = judge_crossing(image, upper, lower, PLACE).top
    assert answer == "a" or (may_pass and answer is None)


def test_a_path_may_be_drawn_backwards_or_a_little_off_the_middle():
    image, upper, lower = crossing(60, RED, WHITE)
    assert judge_crossing(image, upper[::-1] + (1.5, -1.0), lower - (1.0, 1.5), PLACE).top == "a"


def test_flat_leads_of_one_colour_get_no_answer():
    image = bench()
    paths = []
    for slope in (-0.6, 0.6):
        ends = np.array([(60, 150 - 150 * slope), (360, 150 + 150 * slope)])
        cv2.line(image, *(tuple(int(v) for v in p) for p in ends), WHITE, 11, cv2.LINE_AA)
        paths.append(ends)
    assert judge_crossing(image, paths[0], paths[1], PLACE).top is None


def test_leads_that_run_almost_alongside_get_no_answer():
    image, upper, lower = crossing(6, RED, WHITE)
    assert judge_crossing(image, upper, lower, PLACE).top is None


def test_a_crossing_under_plastic_gets_no_answer():
    image, upper, lower = crossing(60, RED, WHITE)
    cv2.circle(image, PLACE, 22, (120, 160, 90), -1)
    assert judge_crossing(image, upper, lower, PLACE).top is None


@pytest.mark.parametrize("side", ["upper", "lower"])
@pytest.mark.parametrize("backwards", [False, True])
def test_a_lead_on_whose_line_a_third_one_is_drawn_gets_no_answer(side, backwards):
    """One of these two hides the other, and the picture does not show which was asked about."""
    image, upper, lower = crossing(60, RED, WHITE)
    third = (upper if side == "upper" else lower) + (2.0, 1.0)
    company = Company((third[::-1] if backwards else third,), 11.0)
    assert judge_crossing(image, upper, lower, PLACE).top == "a"
    assert judge_crossing(image, upper, lower, PLACE, company).top is None
    assert judge_crossing(image, lower, upper, PLACE, company).top is None


def test_leads_beside_across_and_only_farther_along_the_two_leave_the_answer():
    image, upper, lower = crossing(60, RED, WHITE)
    along = upper[-1] - upper[0]
    normal = np.array([-along[1], along[0]]) / np.hypot(*along)
    across = np.array([(PLACE[0], 10.0), (PLACE[0], 290.0)])
    leaves = np.stack([upper[0], upper[0] + 0.35 * along, upper[0] + 0.35 * along + 60 * normal])
    nowhere = np.full((2, 2), 30.0)
    lines = (upper + 12 * normal, lower - 12 * normal, across, leaves, nowhere)
    assert judge_crossing(image, upper, lower, PLACE, Company(lines, 11.0)).top == "a"
    assert judge_crossing(image, upper, lower, PLACE, Company((), 11.0)).top == "a"


SILENT = Judgement(None, 0.5)


def test_who_is_nearly_sure_answers_only_where_a_crossing_is_plainly_seen():
    assert weighed((0.91, 0.05, 0.04), SILENT).top == "a"
    assert weighed((0.05, 0.91, 0.04), SILENT).top == "b"
    assert weighed((0.91, 0.02, 0.07), SILENT).top is None
    assert weighed((0.88, 0.08, 0.04), SILENT).top is None


def test_whoever_is_sure_is_silent_when_the_painted_stories_say_the_opposite():
    for seen in [(0.91, 0.05, 0.04), (0.99, 0.005, 0.005)]:
        assert weighed(seen, Judgement("b", 0.9)).top is None


def test_where_there_are_no_leads_there_is_no_answer():
    path_a, path_b = np.array([(60, 60), (360, 240)]), np.array([(60, 240), (360, 60)])
    assert judge_crossing(bench(), path_a, path_b, PLACE).top is None


@pytest.mark.parametrize(
    "path",
    [
        None,
        [],
        [(1, 2)],
        [(1, 2, 3), (4, 5, 6)],
        [(float("nan"), 2), (3, 4)],
        [(5, 5), (5, 5)],
        "path",
        [(400, 10), (410, 12)],
    ],
)
def test_paths_that_can_not_be_used_are_refused(path):
    image, upper, _ = crossing(60, RED, WHITE)
    with pytest.raises(TraceError):
        judge_crossing(image, upper, path, PLACE)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.floats(-50, 470), st.floats(-50, 350)), min_size=2, max_size=6))
def test_any_path_gets_an_answer_in_bounds_or_a_plain_refusal(path):
    image, upper, _ = crossing(60, RED, WHITE)
    try:
        answer = judge_crossing(image, upper, path, PLACE)
    except MapperError:
        return
    assert answer.top in ("a", "b", None)
    assert 0.0 <= answer.confidence <= 1.0


def test_clear_crossings_on_rendered_plates_are_answered_and_never_wrongly(shared_plates):
    answered = wrong = total = 0
    for plate, number in (("plate1", -1), ("plate2", -1)):
        truth = json.loads((shared_plates / plate / "truth.json").read_text())
        photo = truth["photos"][number]
        ground = as_ground(cv2.imread(str(shared_plates / plate / photo["file"])))
        for case in plate_crossings(truth, photo):
            answer = judge_crossing(ground, case.path_a, case.path_b, case.xy_px)
            total += 1
            answered += answer.top is not None
            wrong += answer.top not in (None, case.top)
    assert total >= 10
    assert wrong == 0
    assert answered >= 0.5 * total


def test_covered_and_bundled_crossings_on_a_rendered_plate_get_no_wrong_answer(shared_plates):
    truth = json.loads((shared_plates / "plate2" / "truth.json").read_text())
    photo = truth["photos"][-1]
    ground = as_ground(cv2.imread(str(shared_plates / "plate2" / photo["file"])))
    cases = list(plate_crossings(truth, photo, clear_only=False))
    wrong = 0
    for case in cases:
        answer = judge_crossing(ground, case.path_a, case.path_b, case.xy_px)
        wrong += answer.top not in (None, case.top)
    assert len(cases) > 40
    assert wrong == 0
