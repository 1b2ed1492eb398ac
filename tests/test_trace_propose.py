"""Leads are offered from drop to exit only where they are certain."""

from __future__ import annotations

import cv2
import pytest

from mapper.trace import TraceError, prepare, propose
from tests.test_trace import BEIGE, RED, WHITE, bench, farthest, lay

GREEN = (60, 150, 40)


def laid(*leads):
    """(image, centre lines) of leads (points, colour), later ones on top."""
    image = bench()
    lines = [lay(image, points, colour, 9) for points, colour in leads]
    return cv2.GaussianBlur(image, (0, 0), 0.7), lines


def test_two_crossing_leads_are_both_offered_with_the_right_ends():
    image, lines = laid(([(40, 60), (380, 220)], WHITE), ([(40, 230), (380, 70)], RED))
    starts, ends = [(50, 65), (50, 225)], [(370, 75), (370, 215)]
    offered = propose(prepare(image), starts, ends)
    assert {(p.start, p.end) for p in offered} == {(0, 1), (1, 0)}
    for p in offered:
        assert farthest(p.trace.points, lines[p.start]) < 3
        assert 0.8 <= p.confidence <= 1.0


def test_a_lead_that_is_buried_on_the_way_is_not_offered():
    image, _ = laid(([(40, 60), (380, 60)], WHITE), ([(40, 220), (380, 220)], GREEN))
    cv2.rectangle(image, (150, 180), (290, 260), (120, 160, 90), -1)
    offered = propose(image, [(50, 60), (50, 220)], [(370, 60), (370, 220)])
    assert [(p.start, p.end) for p in offered] == [(0, 0)]


def test_a_lead_that_could_end_in_two_places_is_not_offered():
    """The other end asked for lies on the same lead: which is the exit is not for us to say."""
    image, _ = laid(([(40, 60), (380, 60)], BEIGE))
    assert propose(image, [(50, 60)], [(370, 60), (300, 60)]) == ()


def test_where_no_lead_lies_nothing_is_offered():
    assert propose(bench(), [(50, 60)], [(370, 60)]) == ()
    assert propose(bench(), [], []) == ()


def test_leads_of_other_colours_are_not_joined():
    image, _ = laid(([(40, 60), (200, 60)], RED), ([(220, 60), (380, 60)], WHITE))
    assert propose(image, [(50, 60)], [(370, 60)]) == ()


@pytest.mark.parametrize("starts, reach_px", [([(-5, 3)], 10), ([(5, 3)], float("nan"))])
def test_places_that_can_not_be_used_are_refused(starts, reach_px):
    with pytest.raises(TraceError):
        propose(bench(), starts, [(370, 60)], reach_px)
