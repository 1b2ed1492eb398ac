"""A part of a lead drawn by hand takes the place of what lay between its ends, and of no more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import cKDTree

from mapper.errors import MapperError
from mapper.records import Stretch, TracedLead
from mapper.ui.leads_by_hand import drawn
from mapper.ui.leads_sight import Sight
from tests.test_leads_tracing import DEPTH_MM, ROUTE_MM, fitted, photo, sight_of

NEW = TracedLead("Z01-H", "heater", "D01")


@pytest.fixture(scope="module")
def sight() -> Sight:
    fit = fitted()
    return sight_of(photo(fit), fit)


def route_px(sight: Sight, shift_mm: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    return sight.fit.photo_from_plate(ROUTE_MM + np.array(shift_mm), DEPTH_MM)


def from_to(sight: Sight, low_mm: float, high_mm: float) -> np.ndarray:
    """The true way of the lead between two x of its run to the exit."""
    inside = (ROUTE_MM[:, 0] > low_mm) & (ROUTE_MM[:, 0] < high_mm) & (ROUTE_MM[:, 1] < 80)
    return route_px(sight)[inside]


def off_mm(lead: TracedLead, low_mm: float, high_mm: float) -> float:
    """How far the route of a lead is off the truth at most, between two x (mm)."""
    points = lead.points_mm
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    even = np.arange(0.0, s[-1], 0.5)
    dense = np.column_stack([np.interp(even, s, points[:, k]) for k in (0, 1)])
    dense = dense[(dense[:, 0] > low_mm) & (dense[:, 0] < high_mm)]
    return float(cKDTree(ROUTE_MM).query(dense)[0].max())


def gone_wrong(sight: Sight) -> TracedLead:
    """A finished lead that runs 12 mm beside the true one from x = 120 mm to 200 mm."""
    route = ROUTE_MM.copy()
    route[(route[:, 0] > 120) & (route[:, 0] < 200)] += (0.0, 12.0)
    points = tuple(map(tuple, route.tolist()))
    px = tuple(map(tuple, sight.fit.photo_from_plate(route, DEPTH_MM).tolist()))
    stretch = Stretch(points, True, sight.sha256, px, DEPTH_MM, confidence=0.5)
    return replace(NEW, stretches=(stretch,), exit="X1", finished=True)


def test_a_stroke_over_the_true_lead_mends_the_wrong_part_and_leaves_the_rest(sight) -> None:
    wrong = gone_wrong(sight)
    assert off_mm(wrong, 100, 220) > 8
    mended = drawn(wrong, sight, from_to(sight, 110, 210).tolist())
    assert off_mm(mended, 100, 220) < 0.3
    assert mended.finished and mended.exit == "X1"
    one, other = mended.stretches[0].points_mm, mended.stretches[-1].points_mm
    old = wrong.stretches[0].points_mm
    assert one[:-1] == old[: len(one) - 1]
    assert other[1:] == old[len(old) - len(other) + 1 :]


def test_the_drawn_part_is_seen_and_sure_and_the_rest_keeps_its_doubt(sight) -> None:
    mended = drawn(gone_wrong(sight), sight, from_to(sight, 110, 210).tolist())
    assert [one.confidence for one in mended.stretches] == [0.5, 1.0, 0.5]
    assert all(mended.seen)


def test_the_direction_of_a_stroke_does_not_matter(sight) -> None:
    stroke = from_to(sight, 110, 210)
    there, back = (drawn(gone_wrong(sight), sight, s.tolist()) for s in (stroke, stroke[::-1]))
    assert off_mm(back, 100, 220) < 0.3
    assert there.length_mm == pytest.approx(back.length_mm, rel=1e-3)


def test_a_hands_tremor_is_taken_out(sight) -> None:
    stroke = from_to(sight, 110, 210)
    rough = stroke + np.random.default_rng(1).normal(0, 0.8, stroke.shape)
    smooth, mended = (drawn(gone_wrong(sight), sight, s.tolist()) for s in (stroke, rough))
    assert mended.length_mm < 1.02 * smooth.length_mm
    assert off_mm(mended, 100, 220) < 0.8


def test_a_whole_lead_is_drawn_by_one_stroke_either_way(sight) -> None:
    for stroke in (route_px(sight), route_px(sight)[::-1]):
        lead = drawn(NEW, sight, stroke.tolist())
        assert lead.finished and lead.exit == "X1"
        assert np.hypot(*(lead.points_mm[0] - ROUTE_MM[0])) < 1.0
        assert off_mm(lead, 60, 290) < 0.3


def test_a_stroke_past_the_open_end_draws_the_lead_on(sight) -> None:
    begun = drawn(NEW, sight, route_px(sight)[:120].tolist())
    assert not begun.finished
    on = drawn(begun, sight, route_px(sight)[110:260].tolist())
    assert on.length_mm > begun.length_mm + 50
    assert off_mm(on, 55, 150) < 0.3
    assert not on.finished


def test_a_new_end_at_the_exit_replaces_the_old_one(sight) -> None:
    route = ROUTE_MM.copy()
    route[route[:, 0] > 240] += (0.0, 15.0)
    px = tuple(map(tuple, sight.fit.photo_from_plate(route, DEPTH_MM).tolist()))
    stretch = Stretch(tuple(map(tuple, route.tolist())), True, sight.sha256, px, DEPTH_MM)
    wrong = replace(NEW, stretches=(stretch,), exit="X1", finished=True)
    mended = drawn(wrong, sight, from_to(sight, 230, 400).tolist())
    assert mended.finished and mended.exit == "X1"
    assert off_mm(mended, 225, 299) < 0.3


def test_a_stroke_that_lies_beside_the_line_changes_nothing_and_says_so(sight) -> None:
    beside = from_to(sight, 110, 210) + (0.0, -150.0)
    with pytest.raises(MapperError, match="Begin and end the stroke on the line"):
        drawn(gone_wrong(sight), sight, beside.tolist())
    astray = np.vstack([from_to(sight, 110, 150), from_to(sight, 150, 155) + (0.0, -200.0)])
    with pytest.raises(MapperError, match="ends beside the line"):
        drawn(gone_wrong(sight), sight, astray.tolist())


def test_a_mere_click_is_no_stroke(sight) -> None:
    place = from_to(sight, 110, 111)[0]
    with pytest.raises(MapperError, match="Draw along the lead"):
        drawn(gone_wrong(sight), sight, [tuple(place), tuple(place + 0.5)])


def test_a_stroke_may_leave_out_or_put_in_a_loop(sight) -> None:
    turn = np.linspace(0, 2 * np.pi, 60)
    loop = from_to(sight, 150, 152)[0] + 40 * np.column_stack([np.sin(turn), 1 - np.cos(turn)])
    stroke = np.vstack([from_to(sight, 110, 150), loop, from_to(sight, 152, 210)])
    looped = drawn(gone_wrong(sight), sight, stroke.tolist())
    plain = drawn(looped, sight, from_to(sight, 110, 210).tolist())
    assert looped.length_mm > plain.length_mm + 50
    assert off_mm(plain, 100, 220) < 0.3


def test_a_lead_that_starts_buried_keeps_its_unseen_start(sight) -> None:
    lead = drawn(NEW, sight, route_px(sight)[100:].tolist())
    assert not lead.seen[0] and lead.seen[-1]
    assert np.hypot(*(lead.points_mm[0] - np.array([60.0, 150.0]))) < 1e-6


def test_a_whole_stroke_beside_a_wrong_line_replaces_all_of_it(sight) -> None:
    beside = route_px(sight, (40.0, 25.0))
    line = tuple(map(tuple, sight.fit.plate_from_photo(beside, DEPTH_MM).tolist()))
    stretch = Stretch(line, True, sight.sha256, tuple(map(tuple, beside.tolist())), DEPTH_MM)
    wrong = replace(NEW, stretches=(stretch,), exit="X1", finished=True)
    mended = drawn(wrong, sight, route_px(sight).tolist())
    assert mended.finished and off_mm(mended, 60, 290) < 0.3
