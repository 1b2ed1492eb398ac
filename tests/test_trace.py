"""The tracer follows the right lead, says where it can't see one, and refuses nonsense."""

from __future__ import annotations

import json
import threading

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from mapper.errors import MapperError
from mapper.trace import TraceError, prepare, snap_to_wire, trace_between
from mapper.trace.evidence import line_elements, to_lab
from tests.benchmarks.loose_cables import loose_cables
from tests.benchmarks.trace_score import mend, score
from tests.benchmarks.trace_truth import cable_tasks

RED, WHITE, BEIGE = (40, 40, 200), (225, 225, 225), (160, 196, 214)  # BGR


def bench(height=300, width=420, shade=95, noise=3.0, seed=1) -> np.ndarray:
    """A grey ground with sensor noise."""
    rng = np.random.default_rng(seed)
    return np.clip(rng.normal(shade, noise, (height, width, 3)), 0, 255).astype(np.uint8)


def lay(image: np.ndarray, points, colour, width_px: float) -> np.ndarray:
    """Draw a lead with shaded flanks through `points`; returns its centre line (N, 2)."""
    line = np.asarray(points, float)
    fixed = np.round(line * 16).astype(int)
    dark = tuple(int(0.45 * c) for c in colour)
    for tone, share in ((dark, 1.0), (colour, 0.62)):
        cv2.polylines(image, [fixed], False, tone, int(round(width_px * share)), cv2.LINE_AA, 4)
    return line


def loop_line() -> np.ndarray:
    """A lead that comes up, turns over in one loop that crosses itself, and goes down again."""
    t = np.linspace(-np.pi, np.pi, 240)
    return np.stack([210 + 40 * t - 90 * np.sin(t), 150 - 90 * np.cos(t)], 1)


def farthest(from_points, to_line) -> float:
    to_line = np.asarray(to_line, float)
    at = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(to_line, axis=0).T))])
    s = np.linspace(0, at[-1], int(at[-1] * 2) + 2)
    dense = np.stack([np.interp(s, at, to_line[:, c]) for c in (0, 1)], 1)
    return float(cKDTree(dense).query(np.asarray(from_points, float))[0].max())


def test_a_lead_is_followed_within_a_pixel_of_its_middle():
    image = bench()
    truth = lay(image, [(30, 60), (150, 100), (280, 170), (390, 240)], BEIGE, 7)
    trace = trace_between(image, (40, 64), (385, 236))
    assert farthest(trace.points, truth) < 1.5
    assert np.median(trace.confidence) > 0.7


@pytest.mark.parametrize("shade, colour", [(60, WHITE), (200, (60, 40, 30)), (120, RED)])
def test_light_dark_and_coloured_leads_are_all_followed(shade, colour):
    image = bench(shade=shade)
    truth = lay(image, [(30, 200), (200, 140), (390, 160)], colour, 8)
    trace = trace_between(image, (45, 195), (375, 158))
    assert farthest(trace.points, truth) < 2.0


@pytest.mark.parametrize("width_px", [4, 8, 14, 24])
def test_thin_and_thick_leads_are_followed_and_their_width_is_read(width_px):
    image = bench()
    truth = lay(image, [(30, 110), (390, 190)], WHITE, width_px)
    trace = trace_between(image, (60, 117), (360, 183))
    assert farthest(trace.points, truth) < 0.5 * width_px
    (x, y), width = snap_to_wire(image, (200, 150), 8)
    assert farthest([(x, y)], truth) < 0.3 * width_px
    assert 0.6 * width_px < width < 1.6 * width_px


def test_the_way_through_a_crossing_of_equal_leads_is_straight_on():
    image = bench()
    a = lay(image, [(30, 60), (390, 240)], WHITE, 8)
    b = lay(image, [(30, 240), (390, 60)], WHITE, 8)
    for start, end, truth in (((45, 67), (375, 232), a), ((45, 232), (375, 67), b)):
        assert farthest(trace_between(image, start, end).points, truth) < 4.0


def test_a_lead_that_dives_under_another_is_found_again_behind_it():
    image = bench()
    under = lay(image, [(30, 150), (390, 150)], RED, 8)
    lay(image, [(210, 20), (210, 280)], WHITE, 12)
    trace = trace_between(image, (45, 150), (375, 150))
    assert farthest(trace.points, under) < 3.0


def test_a_lead_does_not_jump_to_its_neighbour_of_another_colour():
    image = bench()
    truth = lay(image, [(30, 150), (390, 150)], RED, 8)
    lay(image, [(30, 159), (390, 159)], WHITE, 8)
    assert farthest(trace_between(image, (45, 150), (375, 150)).points, truth) < 3.0


def test_a_loop_is_not_cut_short():
    image = bench()
    truth = lay(image, loop_line(), WHITE, 7)
    trace = trace_between(image, truth[8], truth[-8])
    length = np.hypot(*np.diff(trace.points, axis=0).T).sum()
    true_length = np.hypot(*np.diff(truth[8:-8], axis=0).T).sum()
    assert farthest(truth[8:-8], trace.points) < 5.0
    assert abs(length / true_length - 1) < 0.06


@pytest.mark.parametrize(
    "seed, scene, cable",
    [(77, 5, 0), (77, 6, 1), (94, 1, 2), (94, 6, 3), (91, 4, 2), (93, 7, 3)],
)
def test_a_loop_that_is_dearer_than_straight_across_is_gone_round(seed, scene, cable):
    cables = loose_cables(np.random.default_rng([seed, scene, 2]), "loops")
    task = list(cable_tasks(cables))[cable]
    trace = trace_between(cables.image_bgr, task.points_px[0], task.points_px[-1])
    assert score(trace.points, task).right


@pytest.mark.parametrize("seed, scene, cable", [(91, 3, 3), (20, 2, 3), (91, 4, 1)])
def test_the_loop_of_another_lead_of_the_same_colour_is_left_to_it(seed, scene, cable):
    cables = loose_cables(np.random.default_rng([seed, scene, 2]), "loops")
    task = list(cable_tasks(cables))[cable]
    trace = trace_between(cables.image_bgr, task.points_px[0], task.points_px[-1])
    assert score(trace.points, task).right


@pytest.mark.parametrize("seed, scene, cable", [(94, 2, 2), (20, 2, 2)])
def test_a_click_on_the_lead_keeps_a_loop_of_another_away(seed, scene, cable):
    cables = loose_cables(np.random.default_rng([seed, scene, 2]), "loops")
    task = list(cable_tasks(cables))[cable]
    ground = prepare(cables.image_bgr)
    first, last, _ = mend(
        lambda clicks: trace_between(ground, clicks[0], clicks[-1], clicks[1:-1]).points, task
    )
    assert not first.right  # all leads of one colour; a loop of the neighbour is taken in
    assert last.right


def test_a_click_on_the_loop_keeps_the_order_of_the_clicks():
    image = bench()
    truth = lay(image, loop_line(), WHITE, 7)
    middle = truth[len(truth) // 2]
    trace = trace_between(image, truth[8], truth[-8], via=[middle])
    assert farthest([middle], trace.points) < 4.0
    assert farthest(truth[8:-8], trace.points) < 5.0


def test_a_buried_stretch_is_bridged_and_not_believed():
    image = bench(shade=70)
    truth = lay(image, [(20, 150), (400, 150)], BEIGE, 8)
    cv2.rectangle(image, (150, 60), (290, 240), (200, 205, 200), -1)  # a lump of plastic
    trace = trace_between(image, (40, 150), (380, 150))
    middle = 0.5 * (trace.points[1:] + trace.points[:-1])
    buried = (middle[:, 0] > 170) & (middle[:, 0] < 270)
    plain = (middle[:, 0] < 130) | (middle[:, 0] > 310)
    assert farthest(trace.points, truth) < 8.0
    assert trace.confidence[buried].max() < 0.3
    assert np.median(trace.confidence[plain]) > 0.6


def test_a_click_on_plastic_is_passed_through_without_belief():
    image = bench(shade=70)
    truth = lay(image, [(20, 150), (400, 150)], BEIGE, 8)
    cv2.rectangle(image, (130, 60), (290, 240), (200, 205, 200), -1)
    trace = trace_between(image, (40, 150), (380, 150), via=[(210, 180)])
    assert farthest([(210, 180)], trace.points) < 1.0
    outside = np.abs(trace.points[:, 0] - 210) > 100
    assert farthest(trace.points[outside], truth) < 3.0
    middle = 0.5 * (trace.points[1:] + trace.points[:-1])
    assert trace.confidence[np.abs(middle[:, 0] - 210) < 60].max() < 0.3


def test_where_nothing_is_to_be_seen_the_line_is_straight_and_without_belief():
    trace = trace_between(np.full((200, 300, 3), 128, np.uint8), (20, 30), (280, 170))
    assert np.allclose(trace.points, [(20, 30), (280, 170)])
    assert not trace.confidence.any()
    assert snap_to_wire(np.full((200, 300, 3), 128, np.uint8), (100, 100), 20) is None


def test_a_plain_edge_is_not_taken_for_a_lead():
    image = bench(shade=60)
    image[150:] = np.clip(image[150:].astype(int) + 110, 0, 255).astype(np.uint8)
    elements = line_elements(to_lab(image))
    along_edge = (np.abs(elements.xy[:, 1] - 149.5) < 5) & (elements.contrast > 12)
    assert along_edge.sum() == 0


def test_a_prepared_photo_gives_the_same_line_and_serves_several_threads():
    image = bench()
    lay(image, [(30, 60), (390, 240)], WHITE, 8)
    ground = prepare(image)
    expected = trace_between(image, (45, 67), (375, 232)).points
    found: list[np.ndarray] = []
    threads = [
        threading.Thread(
            target=lambda: found.append(trace_between(ground, (45, 67), (375, 232)).points)
        )
        for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 4
    assert all(np.array_equal(expected, other) for other in found)


def test_lab_colours_agree_with_the_published_values():
    # IEC 61966-2-1 sRGB with CIE 15 Lab, D65: worked values from scikit-image and
    # colour-science; OpenCV interpolates a table, hence the 0.3.
    rgb = np.uint8([[[255, 0, 0], [0, 0, 255], [119, 119, 119], [255, 165, 0]]])
    lab = to_lab(rgb[..., ::-1].copy())[0]
    expected = [
        (53.24, 80.09, 67.20),
        (32.30, 79.19, -107.86),
        (50.03, 0.0, 0.0),
        (74.94, 23.93, 78.95),
    ]
    assert np.abs(lab - expected).max() < 0.3


@pytest.mark.parametrize(
    "start, end",
    [
        ((-5, 10), (50, 50)),
        ((10, 10), (421, 50)),
        ((float("nan"), 10), (50, 50)),
        ((float("inf"), 10), (50, 50)),
        ((10,), (50, 50)),
        ("ab", (50, 50)),
        (None, (50, 50)),
        ((10, 10), (10, 10)),
    ],
)
def test_points_that_can_not_be_used_are_refused_in_one_sentence(start, end):
    with pytest.raises(TraceError) as refused:
        trace_between(bench(), start, end)
    assert "\n" not in str(refused.value) and str(refused.value).endswith(".")


@pytest.mark.parametrize(
    "image",
    [
        None,
        "photo.jpg",
        np.zeros((100, 100, 3)),
        np.zeros((100, 100, 4), np.uint8),
        np.zeros((0, 0, 3), np.uint8),
        np.zeros((100,), np.uint8),
    ],
)
def test_what_is_no_picture_is_refused(image):
    with pytest.raises(MapperError):
        prepare(image)
    with pytest.raises(MapperError):
        trace_between(image, (1, 1), (5, 5))


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.tuples(st.floats(-0.5, 159.5), st.floats(-0.5, 119.5)),
    st.tuples(st.floats(-0.5, 159.5), st.floats(-0.5, 119.5)),
    st.integers(0, 3),
)
def test_any_two_places_give_a_finite_line_or_a_plain_refusal(start, end, seed):
    rng = np.random.default_rng(seed)
    image = rng.integers(0, 256, (120, 160, 3)).astype(np.uint8)
    try:
        trace = trace_between(image, start, end)
    except MapperError:
        return
    assert trace.points.shape[1] == 2 and len(trace.points) >= 2
    assert trace.confidence.shape == (len(trace.points) - 1,)
    assert np.isfinite(trace.points).all()
    assert ((trace.confidence >= 0) & (trace.confidence <= 1)).all()


def test_leads_in_full_sight_on_a_rendered_plate_are_followed(shared_plates):
    folder = shared_plates / "plate1"
    photo = json.loads((folder / "truth.json").read_text())["photos"][-1]
    ground = prepare(cv2.imread(str(folder / photo["file"])))
    leads = {w["id"]: w for w in photo["wires"]}
    for lead in ("D02_H", "D08_H"):
        line, seen = np.array(leads[lead]["polyline_px"]), np.array(leads[lead]["visible"])
        first, last = np.flatnonzero(seen)[[4, -5]]
        trace = trace_between(ground, line[first], line[last])
        off = cKDTree(trace.points).query(line[first : last + 1][seen[first : last + 1]])[0]
        assert (off < 4.5).mean() > 0.95  # one radius is about 4.3 px in this photo
