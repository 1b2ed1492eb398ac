"""Tracing a lead click by click, on a drawn photo whose truth is known."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from mapper.errors import MapperError
from mapper.fit import Camera, PhotoFit
from mapper.plate import Plate
from mapper.records import Stretch, TracedLead
from mapper.trace import prepare, snap_to_wire, trace_between
from mapper.ui import leads_tracing as tracing
from mapper.ui.leads_sight import Sight

DEPTH_MM = 11.25  # 0.75 x the channel's depth: where leads lie (design of the plate record)
PLATE = Plate.from_mapping(
    {
        "name": "invented",
        "outline": [[0, 0], [300, 0], [300, 200], [0, 200]],
        "drops": [
            {"id": "D01", "x": 60, "y": 150, "bore_diameter": 42},
            {"id": "D02", "x": 180, "y": 150, "bore_diameter": 42},
        ],
        "channels": [
            {"id": "C1", "points": [[60, 150], [60, 60]], "width": 14, "depth": 15},
            {"id": "C2", "points": [[60, 60], [300, 60]], "width": 18, "depth": 15},
            {"id": "C3", "points": [[180, 150], [180, 60]], "width": 14, "depth": 15},
        ],
        "exits": [{"id": "X1", "x": 300, "y": 60}],
    }
)
TRUE_MM = np.array(
    [[60, 138], [61, 120], [59, 90], [61, 68], [70, 61], [110, 58], [180, 62], [240, 59], [306, 61]]
)


def camera(tilt_rad: float = 0.25) -> Camera:
    """A camera above the plate, looking down at an angle, image rows going down the plate."""
    c, s = math.cos(tilt_rad), math.sin(tilt_rad)
    down = np.diag([1.0, -1.0, -1.0])
    tilted = np.array([[1, 0, 0], [0, c, -s], [0, s, c]]) @ down
    centre_mm = np.array([150.0, 100.0, 0.0]) - tilted.T @ np.array([0, 0, 520.0])
    return Camera(1700.0, (799.5, 599.5), tilted, -tilted @ centre_mm, 0.0)


def smooth(points: np.ndarray) -> np.ndarray:
    """A soft curve through the points, as a lead lies."""
    s = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    even = np.arange(0, s[-1], 0.5)
    line = np.column_stack([np.interp(even, s, points[:, i]) for i in (0, 1)])
    kernel = np.ones(15) / 15
    padded = np.vstack([np.repeat(line[:1], 7, 0), line, np.repeat(line[-1:], 7, 0)])
    return np.column_stack([np.convolve(padded[:, i], kernel, "valid") for i in (0, 1)])


ROUTE_MM = smooth(TRUE_MM.astype(float))


def photo(fit: PhotoFit, covered_mm: tuple[float, float] | None = None) -> np.ndarray:
    """The plate drawn as the camera sees it; plastic over the lead between two x."""
    image = np.full((1200, 1600, 3), 150, np.uint8)
    rng = np.random.default_rng(7)
    image = np.clip(image + rng.normal(0, 3, image.shape), 0, 255).astype(np.uint8)
    for channel in PLATE.channels:
        line = np.array(channel.points_mm, float)
        for depth in (channel.depth_mm,):
            px = fit.photo_from_plate(line, depth)
            scale = np.linalg.norm(px[1] - px[0]) / np.linalg.norm(line[1] - line[0])
            width = int(channel.width_mm * scale)
            cv2.polylines(image, [px.round().astype(int)], False, (60, 60, 62), width, cv2.LINE_AA)
    lead = fit.photo_from_plate(ROUTE_MM, DEPTH_MM)
    fixed = (lead * 16).round().astype(int)
    cv2.polylines(image, [fixed], False, (60, 70, 190), 9, cv2.LINE_AA, 4)
    cv2.polylines(image, [fixed], False, (90, 110, 235), 4, cv2.LINE_AA, 4)
    if covered_mm is not None:
        low, high = covered_mm
        box = np.array([[low, 50], [high, 50], [high, 70], [low, 70]], float)
        corners = fit.photo_from_plate(box, 3.0).round().astype(int)
        cv2.fillPoly(image, [corners], (215, 220, 220), cv2.LINE_AA)
    return image


def fitted() -> PhotoFit:
    return PhotoFit(
        camera(), 1600, 1200, np.eye(8) * 1e-9, "good", (), "true", np.zeros(1), ("corner 1",)
    )


def sight_of(image: np.ndarray, fit: PhotoFit, sha256: str = "a" * 64) -> Sight:
    ground = prepare(image)
    return Sight(
        sha256,
        fit,
        PLATE,
        1600,
        1200,
        lambda start, end: trace_between(ground, start, end),
        lambda click, reach: snap_to_wire(ground, click, reach),
    )


@pytest.fixture(scope="module")
def sight() -> Sight:
    fit = fitted()
    return sight_of(photo(fit), fit)


@pytest.fixture(scope="module")
def buried() -> Sight:
    """The same plate with the lead covered from x = 100 to x = 160."""
    fit = fitted()
    return sight_of(photo(fit, (100, 160)), fit, "b" * 64)


NEW = TracedLead(id="Z01-H", kind="heater", drop="D01")


def px(sight: Sight, index: int) -> tuple[float, float]:
    """A place on the lead's picture; index along ROUTE_MM."""
    x, y = sight.fit.photo_from_plate(ROUTE_MM[[index]], DEPTH_MM)[0]
    return (float(x), float(y))


def off_route_mm(points_mm: np.ndarray) -> np.ndarray:
    """Distance of points to the true route."""
    return np.min(np.hypot(*(points_mm[:, None] - ROUTE_MM[None]).transpose(2, 0, 1)), axis=1)


def traced(sight: Sight, *indices: int) -> TracedLead:
    lead = NEW
    for index in indices:
        lead = tracing.extend(lead, sight, px(sight, index))
    return lead


LAST = len(ROUTE_MM) - 1


def test_a_lead_is_traced_from_its_pocket_to_the_exit_with_three_clicks(sight: Sight) -> None:
    lead = traced(sight, 2, 260, LAST)
    assert lead.finished
    assert lead.exit == "X1"
    assert all(lead.seen)
    # design.md section 7: points in channels, depth known, 95th percentile <= 0.7 mm
    off = off_route_mm(lead.points_mm)
    inside = lead.points_mm[:, 1] < 125  # in the pocket the depth is a middle value
    assert np.quantile(off[inside], 0.95) <= 0.7
    assert lead.length_mm == pytest.approx(np.hypot(*np.diff(ROUTE_MM, axis=0).T).sum(), rel=0.04)


def test_the_first_click_alone_is_kept_too(sight: Sight) -> None:
    lead = traced(sight, 2)
    assert len(lead.points_mm) == 1
    assert len(tracing.joints(lead)) == 1
    assert lead.to_lead() is None
    assert TracedLead.from_mapping(lead.to_mapping()) == lead


def test_a_first_click_in_the_pocket_of_another_drop_is_refused(sight: Sight) -> None:
    wrong = tuple(sight.photo_from_mm(np.array([[180.0, 150.0]]), 0.0)[0])
    with pytest.raises(MapperError, match="D02"):
        tracing.extend(NEW, sight, wrong)


def test_a_start_still_under_plastic_is_put_in_unseen(sight: Sight) -> None:
    lead = traced(sight, 200)
    assert lead.stretches[0].seen is False
    assert lead.stretches[0].points_mm[0] == (60.0, 150.0)
    again = tracing.extend(lead, sight, px(sight, 300))
    assert again.seen[0] is False
    assert again.seen[-1] is True


def test_a_buried_run_is_proposed_as_unseen_and_stays_in_the_channel(buried: Sight) -> None:
    before, after = (int(np.flatnonzero(ROUTE_MM[:, 0] > x)[0]) for x in (95, 166))
    lead = traced(buried, 2, before, after, LAST)
    points, seen = lead.points_mm, np.array(lead.seen)
    middle = (points[1:] + points[:-1]) / 2
    hidden = (middle[:, 0] > 108) & (middle[:, 0] < 150)
    shown = (middle[:, 0] < 90) | (middle[:, 0] > 172)
    step = np.hypot(*np.diff(points, axis=0).T)
    assert step[~seen].sum() > 40
    assert not seen[hidden].any()
    assert seen[shown].all()
    s = np.concatenate([[0], np.cumsum(step)])
    along = np.arange(0, s[-1], 1.0)
    x, y = (np.interp(along, s, points[:, i]) for i in (0, 1))
    assert np.abs(y[(x > 95) & (x < 165)] - 60).max() < 9  # the channel is 18 mm wide


def test_a_run_is_turned_unseen_and_back(sight: Sight) -> None:
    lead = traced(sight, 2, 260)
    unseen = tracing.set_seen(lead, None)
    assert unseen.seen.count(False) == len(unseen.stretches[-1].points_mm) - 1
    assert tracing.set_seen(unseen, None) == lead


def test_a_dragged_point_pulls_both_neighbouring_runs_along(sight: Sight) -> None:
    lead = traced(sight, 2, 200, 420)
    wrong = replace(lead)
    middle = tracing.joints(wrong)[1]
    to = px(sight, 240)
    moved = tracing.move(wrong, sight, middle.id, to)
    ends = tracing.joints(moved)
    assert len(ends) == len(tracing.joints(lead))
    assert ends[0].mm == pytest.approx(tracing.joints(lead)[0].mm)
    assert ends[-1].mm == pytest.approx(tracing.joints(lead)[-1].mm)
    assert math.dist(ends[1].mm, ROUTE_MM[240]) < 1.0
    assert np.quantile(off_route_mm(moved.points_mm[5:]), 0.9) < 1.0


def test_the_first_and_the_last_point_can_be_dragged(sight: Sight) -> None:
    lead = traced(sight, 30, 200)
    first = tracing.move(lead, sight, tracing.joints(lead)[0].id, px(sight, 10))
    assert math.dist(tracing.joints(first)[0].mm, ROUTE_MM[10]) < 2.0
    last = tracing.move(lead, sight, tracing.joints(lead)[-1].id, px(sight, 300))
    assert math.dist(tracing.joints(last)[-1].mm, ROUTE_MM[300]) < 1.0


def test_a_point_put_into_a_run_and_taken_out_again_leaves_the_run(sight: Sight) -> None:
    lead = traced(sight, 2, 400)
    run = tracing.stretch_id(lead, 0)
    more = tracing.insert(lead, sight, run, px(sight, 200))
    assert len(tracing.joints(more)) == 3
    less = tracing.remove(more, sight, tracing.joints(more)[1].id)
    assert len(tracing.joints(less)) == 2
    assert np.quantile(off_route_mm(less.points_mm[5:]), 0.9) < 1.0


def test_points_are_taken_off_one_by_one_until_nothing_is_left(sight: Sight) -> None:
    lead = traced(sight, 2, 200, 400)
    counts = []
    while lead.stretches:
        lead = tracing.remove(lead, sight, tracing.joints(lead)[-1].id)
        counts.append(len(tracing.joints(lead)))
    assert counts == [2, 1, 0]


def test_where_the_tracer_is_wrong_a_straight_run_helps(sight: Sight) -> None:
    lead = tracing.extend(traced(sight, 2), sight, px(sight, 300), straight=True)
    assert len(lead.points_mm) == 2
    followed = tracing.straighten(lead, sight, None)
    assert len(followed.points_mm) > 5
    assert len(tracing.straighten(followed, sight, None).points_mm) == 2


def test_a_bridge_runs_through_the_corner_of_the_channels() -> None:
    ends = (Stretch(((60.0, 120.0), (120.0, 60.0)), True),)
    lead = tracing.bridge(replace(NEW, stretches=ends), PLATE, None)
    assert lead.stretches[0].points_mm == ((60.0, 120.0), (60.0, 60.0), (120.0, 60.0))
    assert lead.seen == (False, False)


def test_a_bridge_in_a_straight_channel_is_straight() -> None:
    ends = (Stretch(((100.0, 63.0), (160.0, 58.0)), True),)
    lead = tracing.bridge(replace(NEW, stretches=ends), PLATE, None)
    assert lead.stretches[0].points_mm == ((100.0, 63.0), (160.0, 58.0))


def test_finishing_goes_on_to_the_exit_unseen(sight: Sight) -> None:
    lead = tracing.finish(traced(sight, 2, 260), PLATE)
    assert lead.finished
    assert lead.exit == "X1"
    assert tuple(lead.points_mm[-1]) == (300.0, 60.0)
    assert lead.seen[-1] is False
    assert not tracing.finish(lead, PLATE).finished


def test_a_finished_lead_takes_no_more_clicks(sight: Sight) -> None:
    with pytest.raises(MapperError, match="finished"):
        tracing.extend(traced(sight, 2, LAST), sight, px(sight, 300))


def test_a_lead_without_a_line_can_be_neither_finished_nor_marked(sight: Sight) -> None:
    for step in (tracing.finish, lambda lead, plate: tracing.bridge(lead, plate, None)):
        with pytest.raises(MapperError, match="click along it first"):
            step(traced(sight, 2), PLATE)


def test_a_lead_is_carried_on_from_another_photo(sight: Sight, buried: Sight) -> None:
    lead = traced(buried, 2, 120)
    lead = tracing.extend(lead, sight, px(sight, 400))
    assert {one.photo for one in lead.stretches} == {buried.sha256, sight.sha256}
    assert np.quantile(off_route_mm(lead.points_mm[5:]), 0.9) < 1.0


def test_a_lead_traced_on_one_photo_is_drawn_on_another_at_its_depth(sight: Sight) -> None:
    lead = traced(sight, 2, 400)
    other_camera = camera(-0.2)
    other = replace(sight, sha256="c" * 64, fit=replace(sight.fit, camera=other_camera))
    drawn = np.vstack([other.photo_from_stretch(one) for one in lead.stretches])
    true = other.fit.photo_from_plate(ROUTE_MM, DEPTH_MM)
    off = np.min(np.hypot(*(drawn[:, None] - true[None]).transpose(2, 0, 1)), axis=1)
    assert np.quantile(off[8:], 0.9) < 3.5  # 1 mm is 3.3 px here; 15 mm deep it were 10 px


def test_a_click_beside_the_plate_never_ends_the_program(sight: Sight) -> None:
    lead = traced(sight, 2)
    for click in ((0.0, 0.0), (1599.0, 1199.0), (800.0, 5.0)):
        with_it = tracing.extend(lead, sight, click)
        assert len(with_it.points_mm) >= 2


def test_a_stale_name_of_a_point_is_told(sight: Sight) -> None:
    with pytest.raises(MapperError, match="no longer there"):
        tracing.move(traced(sight, 2, 200), sight, "1.00,2.00", (5.0, 5.0))


def test_an_end_far_from_every_exit_leaves_the_lead_open() -> None:
    assert tracing.exit_at(PLATE, (250.0, 60.0)) is None
    assert tracing.exit_at(PLATE, (292.0, 62.0)).id == "X1"
    assert tracing.exit_at(PLATE, (330.0, 70.0)).id == "X1"
