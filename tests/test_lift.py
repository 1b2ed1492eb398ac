"""Leads that stay are lifted as far as nothing lies on them, so that what is under them is seen."""

from __future__ import annotations

import random
from itertools import product

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from mapper.pulling import Cover, PartLead, PullError, lifts, looks_to_lift, plan_pull
from tests.pulling_naive import (
    NOT_YET,
    OUT,
    as_map,
    can_come_out,
    chance_diagram,
    legal,
    replay,
    stops_of,
)
from tests.test_looks_now import answers, diagrams, judged, may_be_free_of


def chance(opens: float = 0.5):
    def made(seed: int):
        return chance_diagram(random.Random(seed), 6, 18, opens=opens)

    return st.builds(made, st.integers(0, 2**32))


def lifted(count, meetings, among=None, done=()):
    names = None if among is None else {f"Z{lead:02d}" for lead in among}
    return [one.step.to_dict() for one in lifts(as_map(count, meetings), done, names)]


def as_far_as_allowed(count, meetings):
    """Where each lead is when all are freed as far as may be."""
    state, moved = [NOT_YET] * count, True
    while moved:
        moved = False
        for lead in range(count):
            for target in [OUT, *sorted(stops_of(meetings, lead))]:
                if target < state[lead] and legal(meetings, state, lead, target):
                    state[lead], moved = target, True
                    break
    return state


def after(count, meetings, steps):
    """Where each lead is after some lifts, at places that it passes once or in turn."""
    state = [NOT_YET] * count
    for step in steps:
        lead, one = int(step["wire"][1:]), meetings[round(step["past"][0] / 100)]
        spots = [one[s][0] for s, who in (("sa", one["a"]), ("sb", one["b"])) if who == lead]
        state[lead] = max(p for p in spots if p < state[lead])
    return state


def under(meetings, lead):
    """(place on the lead, other lead, the other's place) where another lead waits for this one."""
    for one in meetings:
        if one["a"] == one["b"] or one["top"] == "apart":
            continue
        if one["a"] == lead and one["top"] in ("a", None):
            yield one["sa"][0], one["b"], one["sb"][0]
        if one["b"] == lead and one["top"] in ("b", None):
            yield one["sb"][0], one["a"], one["sa"][0]


@settings(max_examples=400, deadline=None)
@given(chance())
def test_no_lift_takes_a_lead_from_under_another_or_past_where_nobody_has_looked(diagram):
    count, meetings = diagram
    steps = lifted(count, meetings)
    assert all(step["action"] == "peel" for step in steps)
    broken, out = replay(count, meetings, steps)
    assert broken == [] and out == set()


@settings(max_examples=200, deadline=None)
@given(chance(), st.sets(st.integers(0, 5)))
def test_only_leads_that_may_be_moved_are_lifted_and_none_leans_on_another_one(diagram, among):
    count, meetings = diagram
    steps = lifted(count, meetings, among)
    assert {int(step["wire"][1:]) for step in steps} <= among
    assert replay(count, meetings, steps)[0] == []


@settings(max_examples=400, deadline=None)
@given(chance())
def test_where_nothing_comes_out_all_that_can_be_uncovered_is(diagram):
    count, meetings = diagram
    assume(not can_come_out(count, meetings))
    steps, end = lifted(count, meetings), as_far_as_allowed(count, meetings)
    state = after(count, meetings, steps)
    for lead in range(count):
        can_uncover = [place for place, _, _ in under(meetings, lead) if place >= end[lead]]
        assert state[lead] == min(can_uncover, default=NOT_YET)


@settings(max_examples=150, deadline=None)
@given(chance())
def test_after_the_lifts_nothing_more_can_be_lifted(diagram):
    count, meetings = diagram
    assume(not can_come_out(count, meetings))
    steps = lifted(count, meetings)
    assert lifted(count, meetings, done=steps) == []


def test_a_lead_over_another_is_lifted_and_shows_it() -> None:
    # Z00 lies over Z01 near both exits; farther in they lie on each other the other way round
    # with Z02, which nobody can see.
    meetings = [
        {"a": 0, "b": 1, "sa": (9, 9), "sb": (9, 9), "top": "a", "kind": "crossing"},
        {"a": 0, "b": 2, "sa": (5, 5), "sb": (9, 9), "top": None, "kind": "crossing"},
        {"a": 1, "b": 2, "sa": (5, 5), "sb": (5, 5), "top": None, "kind": "crossing"},
    ]
    route_map = as_map(3, meetings)
    assert plan_pull(route_map).steps == ()
    (one,) = lifts(route_map)
    assert one.step.to_dict() == {"action": "peel", "wire": "Z00", "past": [0.0, 7.0]}
    assert one.shows == ("Z01",)
    assert lifts(route_map, [one.step]) == ()
    with pytest.raises(PullError):
        lifts(route_map, ["Z09"])


def test_a_cover_is_never_lifted_by_half() -> None:
    meetings = [
        {"a": 0, "b": 1, "sa": (9, 9), "sb": (9, 9), "top": "a", "kind": "crossing"},
        {"a": 0, "b": 1, "sa": (5, 5), "sb": (5, 5), "top": None, "kind": "crossing"},
    ]
    route_map = as_map(2, meetings)
    assert [one.step.wire for one in lifts(route_map)] == ["Z00"]
    first = route_map.leads[0]
    cover = PartLead(
        first.id, "other", "D0", "", first.points_mm, part=Cover("Z00", ((0, 0), (9, 0), (9, 9)))
    )
    route_map.leads = (cover, *route_map.leads[1:])
    assert lifts(route_map) == ()


@settings(max_examples=150, deadline=None)
@given(diagrams())
def test_when_nobody_is_asked_how_far_a_lead_may_be_lifted_no_answer_moves_one(diagram):
    count, meetings, visible = diagram
    found = looks_to_lift(as_map(count, meetings), may_be_free=may_be_free_of(visible))
    before = as_far_as_allowed(count, meetings)
    moved = any(
        as_far_as_allowed(count, judged(meetings, tops)) != before
        for tops in product(*(answers(m, n, visible) for n, m in enumerate(meetings)))
    )
    assert moved == bool(found)
    assert all(one.top is None for look in found for one in look.meetings)
    assert all(look.meetings for look in found)


@settings(max_examples=150, deadline=None)
@given(diagrams())
def test_a_lead_found_free_as_far_as_asked_may_be_lifted_as_far(diagram):
    count, meetings, visible = diagram
    found = looks_to_lift(as_map(count, meetings), may_be_free=may_be_free_of(visible))
    before, free = as_far_as_allowed(count, meetings), may_be_free_of(visible)
    for look in found:
        name, lead, tops = look.lead, int(look.lead[1:]), []
        for number, one in enumerate(meetings):
            own = [side for side in "ab" if one[side] == lead]
            seen = own and free(as_map(count, meetings).crossings[number], name)
            best = "b" if len(own) == 2 else "".join(own)
            tops.append(best if one["top"] is None and seen else one["top"])
        assert legal(judged(meetings, tops), before, lead, look.down_to_mm)
        assert look.down_to_mm < before[lead]
        one_open = [
            None if round(look.meetings[0].x_mm / 100) == number else top
            for number, top in enumerate(tops)
        ]
        assert not legal(judged(meetings, one_open), before, lead, look.down_to_mm)
