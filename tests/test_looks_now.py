"""Which looks can bring a lead out now: never one too few, and nothing is freed by not asking."""

from __future__ import annotations

import random
from itertools import product
from types import SimpleNamespace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.pulling import Step, looks_now, plan_pull
from mapper.pulling.now import seen_at, seen_over
from mapper.routes import Crossing, Lead
from mapper.ui.crossings_page import _unseen
from tests.pulling_naive import as_map, can_come_out, chance_diagram, replay

MOST_OPEN = 5  # every set of answers is tried


def diagrams(opens: float = 0.4):
    def made(seed: int, leads: int):
        rng = random.Random(seed)
        count, meetings = chance_diagram(rng, leads, 3 * leads, opens=opens, layered=0.6)
        still_open = [m for m in meetings if m["top"] is None]
        for m in still_open[MOST_OPEN:]:
            m["top"] = rng.choice("ab")
        visible = {
            (number, side): rng.random() < 0.6 for number in range(len(meetings)) for side in "ab"
        }
        return count, meetings, visible

    return st.builds(made, st.integers(0, 2**32), st.integers(1, 6))


def may_be_free_of(visible):
    """A person can find at these open meetings that nothing lies on that lead."""

    def may_be_free(meeting: Crossing, lead: str) -> bool:
        number = round(meeting.x_mm / 100)
        if meeting.top is not None:
            return False
        own = meeting.a == meeting.b
        return visible[number, "b" if own or meeting.a != lead else "a"]

    return may_be_free


def asked(count, meetings, visible):
    found = looks_now(as_map(count, meetings), may_be_free=may_be_free_of(visible))
    leads = {int(one[1:]) for one in found.leads}
    return leads, {round(one.x_mm / 100) for one in found.meetings}


def answers(meeting, number, visible):
    """Every answer that can be given there, "can't tell" among them."""
    if meeting["top"] is not None:
        return [meeting["top"]]
    own = meeting["a"] == meeting["b"]
    a, b = (visible[number, side] for side in "ab")
    found = [None]
    found += ["a"] if a and not own else []
    found += ["b"] if b else []
    found += ["apart"] if b and (a or own) and meeting["kind"] != "crossing" else []
    return found


def judged(meetings, tops):
    return [{**one, "top": top} for one, top in zip(meetings, tops, strict=True)]


@settings(max_examples=150, deadline=None)
@given(diagrams())
def test_no_set_of_answers_brings_out_a_lead_that_is_not_asked_about(diagram):
    count, meetings, visible = diagram
    leads, _ = asked(count, meetings, visible)
    may = can_come_out(count, meetings) | leads
    for tops in product(*(answers(m, n, visible) for n, m in enumerate(meetings))):
        assert can_come_out(count, judged(meetings, tops)) <= may


@settings(max_examples=150, deadline=None)
@given(diagrams())
def test_as_long_as_what_is_asked_stays_open_no_other_answer_brings_a_lead_out(diagram):
    count, meetings, visible = diagram
    _, needed = asked(count, meetings, visible)
    out = can_come_out(count, meetings)
    choices = ([None] if n in needed else answers(m, n, visible) for n, m in enumerate(meetings))
    for tops in product(*choices):
        assert can_come_out(count, judged(meetings, tops)) == out


@settings(max_examples=150, deadline=None)
@given(diagrams())
def test_only_open_meetings_are_asked_and_only_while_a_lead_may_come_out(diagram):
    count, meetings, visible = diagram
    leads, needed = asked(count, meetings, visible)
    assert all(meetings[n]["top"] is None for n in needed)
    assert all(visible[n, "a"] or visible[n, "b"] for n in needed)
    assert bool(leads) == bool(needed)
    assert not leads & can_come_out(count, meetings)


@settings(max_examples=150, deadline=None)
@given(diagrams(), st.randoms(use_true_random=False))
def test_whoever_answers_what_is_asked_in_turn_gets_a_plan_without_a_false_step(diagram, rng):
    """The truth is drawn by chance; what is asked is answered as far as it can be seen."""
    count, meetings, visible = diagram
    truth = [m["top"] or rng.choice("b" if m["a"] == m["b"] else "ab") for m in meetings]
    known, hidden = [dict(m) for m in meetings], set()
    while True:
        seen = {key: free and key not in hidden for key, free in visible.items()}
        _, needed = asked(count, known, seen)
        if not needed:
            break
        number = rng.choice(sorted(needed))
        upper = truth[number]
        if seen[number, upper]:
            known[number]["top"] = upper
        hidden |= {(number, "a"), (number, "b")}
    steps = plan_pull(as_map(count, known)).to_dict()["steps"]
    broken, _ = replay(count, judged(meetings, truth), steps)
    assert not broken


def test_a_lead_hidden_under_one_that_stays_is_not_asked_about() -> None:
    # Z00 is hidden under Z01 at one place and open with Z02 at another; Z01 is open with Z02.
    meetings = [
        {"a": 0, "b": 1, "sa": (5, 5), "sb": (5, 5), "top": None, "kind": "crossing"},
        {"a": 0, "b": 2, "sa": (9, 9), "sb": (5, 5), "top": None, "kind": "crossing"},
        {"a": 1, "b": 2, "sa": (9, 9), "sb": (9, 9), "top": None, "kind": "crossing"},
    ]
    visible = {(n, side): True for n in range(3) for side in "ab"} | {(0, "a"): False}
    leads, needed = asked(3, meetings, visible)
    assert leads == {0, 1, 2} and needed == {0, 1, 2}  # Z00 after Z01
    visible |= {(2, "a"): False, (2, "b"): False}  # now neither Z01 nor Z02 can be found free
    assert asked(3, meetings, visible) == (set(), set())
    meetings[2]["top"] = "a"
    leads, needed = asked(3, meetings, visible)
    assert leads == {0, 1, 2} and needed == {0, 1}


def test_where_a_lead_was_not_seen_nobody_can_find_it_free() -> None:
    points = np.array([[0.0, 0.0], [10.0, 0.0], [20.0, 0.0]])
    one = Lead("Z00", "heater", "D0", "X1", points, 2.0, seen=(True, False))
    other = Lead("Z01", "heater", "D1", "X1", points + [0, 1], 2.0)
    assert seen_over(one, (0.0, 10.0)) and not seen_over(one, (0.0, 10.5))
    assert seen_over(other, (0.0, 20.0))
    crossing = Crossing("Z00", "Z01", 15.0, 0.0, "touching", (14.0, 16.0), (14.0, 16.0), 0.0)
    leads = {lead.id: lead for lead in (one, other)}
    route_map = SimpleNamespace(
        tracing_error_mm=0.5,
        leads=(one, other),
        leads_by_id=leads,
        crossings=(crossing,),
        judged=(),
    )
    found = looks_now(route_map)
    assert found.leads == ("Z00", "Z01")  # Z00 once Z01 is out
    assert looks_now(route_map, [Step("pull", "Z01")]).leads == ()  # nothing holds it any more
    route_map.crossings = (
        Crossing("Z00", "Z00", 15.0, 0.0, "crossing", (2.0, 2.0), (15.0, 15.0), 0.5),
    )
    assert looks_now(route_map).leads == ()


def a_lead(*seen: bool) -> Lead:
    points = np.array([[10.0 * i, 0.0] for i in range(len(seen) + 1)])
    return Lead("Z00", "heater", "D0", "X1", points, 2.0, seen=seen)


def test_at_its_very_ends_a_lead_was_seen_only_where_its_end_was() -> None:
    buried_start, buried_end = a_lead(False, True), a_lead(True, False)
    assert not seen_over(buried_start, (0.0, 5.0)) and not seen_over(buried_start, (-0.1, 0.0))
    assert not seen_over(buried_end, (20.0, 20.0)) and not seen_over(buried_end, (20.1, 20.2))
    assert seen_over(buried_start, (15.0, 20.1)) and seen_over(buried_end, (-0.1, 5.0))


def test_where_a_lead_meets_itself_both_passes_have_to_be_seen() -> None:
    meeting = Crossing("Z00", "Z00", 5.0, 0.0, "crossing", (5.0, 5.0), (25.0, 25.0), 0.5)
    assert seen_at(a_lead(True, False, True), meeting)
    assert not seen_at(a_lead(False, True, True), meeting)
    assert not seen_at(a_lead(True, True, False), meeting)


def test_what_is_buried_of_the_other_lead_hides_nothing_of_this_one() -> None:
    meeting = Crossing("Z00", "Z01", 5.0, 0.0, "crossing", (5.0, 5.0), (25.0, 25.0), 0.5)
    turned = Crossing("Z01", "Z00", 5.0, 0.0, "crossing", (25.0, 25.0), (5.0, 5.0), 0.5)
    for one in (meeting, turned):
        assert seen_at(a_lead(True, False, False), one)
        assert not seen_at(a_lead(False, True, True), one)


def test_the_page_says_guessed_also_where_only_the_edge_of_a_place_was_not_seen() -> None:
    meeting = Crossing("Z00", "Z01", 15.0, 0.0, "shared run", (5.0, 25.0), (5.0, 25.0), 0.0)
    other = Lead("Z01", "heater", "D1", "X1", a_lead(True, True, True).points_mm, 2.0)
    for seen, said in (((True, True, False), ["Z00"]), ((True, True, True), [])):
        traced = SimpleNamespace(leads_by_id={"Z00": a_lead(*seen), "Z01": other})
        assert _unseen(SimpleNamespace(traced=traced), meeting) == said
