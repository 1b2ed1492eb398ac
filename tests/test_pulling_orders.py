"""Reading and checking somebody's order, what a lead is held by, and ways of release in words."""

from __future__ import annotations

import json
from random import Random
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mapper.errors import MapperError
from mapper.plate import Plate
from mapper.pulling import (
    PullError,
    Step,
    Violation,
    check_order,
    explain,
    plan_pull,
    read_order,
    safe_now,
)
from mapper.pulling import cuts as cuts_module
from mapper.routes import Judged, Lead, RouteMap
from tests.pulling_naive import as_map, can_come_out, chance_diagram

PEEL = Step("peel", "Z05-T", (120.5, 60.2))
TWISTED = [
    {"a": 0, "b": 1, "sa": (10, 10), "sb": (10, 10), "top": "a"},
    {"a": 0, "b": 1, "sa": (20, 20), "sb": (20, 20), "top": "b"},
]
LOCKED = [
    {"a": 0, "b": 1, "sa": (10, 10), "sb": (20, 20), "top": "a"},
    {"a": 0, "b": 1, "sa": (20, 20), "sb": (10, 10), "top": "b"},
]


@pytest.mark.parametrize(
    "text",
    [
        "wire\nZ03-H\nZ05-T\n",
        "Z03-H\r\nZ05-T\r\n",
        "\ufeffwire\nZ03-H\n\n  \nZ05-T",
        "step,wire\n1,Z03-H\n2,Z05-T\n",
        "1,Z03-H\n2,Z05-T\n",
        "1;pull;Z03-H\n2;pull;Z05-T\n",
        "step\taction\twire\n1\tpull\tZ03-H\n2\t\tZ05-T\n",
        '"wire"\n"Z03-H"\n"Z05-T"\n',
    ],
)
def test_order_of_whole_leads_is_read_in_every_usual_table(text):
    assert read_order(text) == [Step("pull", "Z03-H"), Step("pull", "Z05-T")]
    assert read_order(text.encode()) == read_order(text)


@pytest.mark.parametrize(
    "text",
    [
        "action,wire,past_x,past_y\npeel,Z05-T,120.5,60.2\npull,Z03-H,,\n",
        "peel,Z05-T,120.5,60.2\npull,Z03-H\n",
        "1,peel,Z05-T,120.5,60.2\n2,pull,Z03-H,,\n",
        "action;wire;past_x;past_y\r\npeel;Z05-T;120,5;60,2\r\npull;Z03-H;;\r\n",
        "past_x,past_y,wire,action\n120.5,60.2,Z05-T,Peel\n,,Z03-H,PULL\n",
    ],
)
def test_peels_are_read_with_their_places(text):
    assert read_order(text) == [PEEL, Step("pull", "Z03-H")]


def test_order_is_read_from_a_file(tmp_path):
    path = tmp_path / "order.csv"
    path.write_text("wire\nZ03-H\n", encoding="utf-8")
    assert read_order(path) == read_order(str(path)) == [Step("pull", "Z03-H")]
    with pytest.raises(PullError, match="cannot be read"):
        read_order(tmp_path / "missing.csv")
    with pytest.raises(PullError, match="cannot be read"):
        read_order(tmp_path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("wire\n", "heading and no steps"),
        ("action;wire;past_x;past_y\npeel;Z1;1.120,5;60,2\n", "row 2 .* without a place"),
        ("wire\nZ1\n\npush,Z2\n", "row 4 .* more than a lead"),
        ("action,wire\npull,Z1\npush,Z2\n", "row 3 .* push"),
        ("action,wire\npull,\n", "row 2 .* names no lead"),
        ("action,wire,past_x,past_y\npeel,Z1,12\n", "row 2 .* without a place"),
        ("action,wire,past_x,past_y\npeel,Z1,nan,inf\n", "row 2 .* without a place"),
        ("Z1\nZ2,left side\n", "row 2 .* more than a lead"),
        (b"wire\n\xff\xfe\n", "UTF-8"),
    ],
)
def test_an_order_that_cannot_be_followed_names_the_row(text, words):
    with pytest.raises(PullError, match=words):
        read_order(text)


@given(st.one_of(st.text(max_size=200), st.binary(max_size=200)))
def test_any_table_is_read_or_refused_with_a_sentence(source):
    try:
        steps = read_order(source)
    except MapperError as err:
        assert 10 < len(str(err)) < 300 and "\n" not in str(err)
    else:
        assert all(step.wire for step in steps)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["pull", "peel"]),
            st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1),
            st.floats(-1e4, 1e4),
            st.floats(-1e4, 1e4),
        ),
        min_size=1,
    )
)
def test_a_written_order_is_read_back(rows):
    import csv
    import io

    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(["action", "wire", "past_x", "past_y"])
    steps = []
    for action, wire, x, y in rows:
        steps.append(Step(action, wire, (x, y) if action == "peel" else None))
        writer.writerow([action, wire, *((repr(x), repr(y)) if action == "peel" else ("", ""))])
    assert read_order(text.getvalue()) == steps


def test_check_names_the_step_the_lead_on_top_and_the_place():
    found = check_order(as_map(2, TWISTED), ["Z00", "Z01"])
    assert found == [Violation(1, "Z00", "Z01", 100.0, 7.0, "lies under")]
    assert found[0].to_dict() == {
        "step": 1, "wire": "Z00", "over": "Z01", "x": 100.0, "y": 7.0, "reason": "lies under",
    }  # fmt: skip
    assert found[0].sentence() == "Step 1: Z00 still lies under Z01 at (100.0, 7.0) mm."


def test_each_later_step_is_judged_as_if_the_broken_ones_had_been_done():
    # Z01 lies under Z00 too; once Z00 is out, however, it is free
    assert [v.step for v in check_order(as_map(2, LOCKED), ["Z00", "Z01"])] == [1]


def test_steps_that_make_no_sense_are_told_apart():
    order = ["Z07", "Z01", "Z01", Step("peel", "Z00", (55.0, 5.0))]
    order += [{"action": "peel", "wire": "Z00", "past": [100.4, 7.3]}]
    order += [{"action": "peel", "wire": "Z00", "past": [100.0, 7.0]}]
    found = [(v.step, v.reason) for v in check_order(as_map(2, TWISTED), order)]
    assert found == [
        (1, "unknown lead"), (2, "lies under"), (3, "already out"), (4, "unknown place"),
        (6, "already past"),
    ]  # fmt: skip
    said = [v.sentence() for v in check_order(as_map(2, TWISTED), order)]
    assert said[0] == "Step 1: Z07 is no lead of this plate."
    assert said[3] == "Step 4: Z00 meets no other lead at (55.0, 5.0) mm."


def test_nobody_has_looked_is_told_with_the_other_lead():
    meetings = [{"a": 0, "b": 1, "sa": (10, 10), "sb": (10, 10), "top": None}]
    found = check_order(as_map(2, meetings), ["Z01", "Z00"])
    assert [(v.step, v.over, v.reason) for v in found] == [(1, "Z00", "nobody has looked")]


def test_explain_goes_down_to_the_meeting_behind_it():
    chain = [
        {"a": 0, "b": 1, "sa": (10, 10), "sb": (10, 10), "top": "b"},
        {"a": 1, "b": 2, "sa": (20, 20), "sb": (20, 20), "top": "b"},
    ]
    route_map = as_map(3, chain)
    assert explain(route_map, "Z02") == [
        "Z02 can be pulled now: nothing that remains lies over it."
    ]
    assert explain(route_map, "Z00") == [
        "Z00 can't be pulled now: Z01 lies over Z00 at (0, 7).",
        "Z01 is held too: Z02 lies over Z01 at (100, 7).",
        "Z02 can be pulled now; do that first.",
    ]
    assert explain(route_map, "Z00", ["Z02"])[1:] == ["Z01 can be pulled now; do that first."]
    assert explain(route_map, "Z00", ["Z00"]) == ["Z00 is out already."]
    assert explain(as_map(2, TWISTED), "Z00")[1:] == [
        "Z01 can be peeled past (100, 7) now; do that first."
    ]
    with pytest.raises(PullError, match="Z09"):
        explain(route_map, "Z09")


def test_explain_ends_where_leads_hold_each_other_or_nobody_has_looked():
    assert explain(as_map(2, LOCKED), "Z00") == [
        "Z00 can't be pulled now: Z01 lies over Z00 at (100, 7).",
        "Z01 is held too: Z00 lies over Z01 at (0, 7).",
        "That comes back to Z00: these leads hold each other.",
    ]
    opened = [TWISTED[0], TWISTED[1] | {"top": None}]
    assert explain(as_map(2, opened), "Z01") == [
        "Z01 can't be pulled now: Z01 and Z00 meet at (100, 7), and nobody has looked which is "
        "on top.",
        "Look at (100, 7) first.",
    ]
    own = [{"a": 0, "b": 0, "sa": (10, 10), "sb": (30, 30), "top": "a"}]
    assert explain(as_map(1, own), "Z00")[-1].startswith("Z00 holds itself")


def test_release_lists_the_least_harmful_way_first_with_its_places():
    lock = plan_pull(as_map(2, LOCKED), costs={"Z00": 3.0, "Z01": 2.0}).locked[0]
    assert lock.cycle == "Z00 lies over Z01 at (0, 7); Z01 lies over Z00 at (100, 7)."
    assert [r.way for r in lock.release] == [
        "look again", "look again", "thread back", "thread back", "cut",
    ]  # fmt: skip
    cut = lock.release[-1]
    assert (cut.wires, cut.cost, cut.least) == (("Z01",), 2.0, True)
    assert "bare of plastic" in lock.release[2].words
    assert "these leads hold each other no longer" in lock.release[0].words
    assert json.loads(json.dumps(lock.to_dict()))["crossings"] == [[0.0, 7.0], [100.0, 7.0]]


def test_the_weakest_judgement_is_looked_at_again_first():
    route_map = as_map(2, LOCKED)
    judged = (
        Judged("Z00", "Z01", 0.2, 7.0, "a", {"confidence": 0.95}),
        Judged("Z01", "Z00", 100.0, 7.0, "a", {"confidence": 0.6}),
    )
    sure = SimpleNamespace(
        tracing_error_mm=0.5, leads=route_map.leads, crossings=route_map.crossings, judged=judged
    )
    again = [r for r in plan_pull(sure).locked[0].release if r.way == "look again"]
    assert [r.places for r in again] == [((100.0, 7.0),), ((0.0, 7.0),)]
    assert "60%" in again[0].words


def test_what_lies_behind_a_locked_set_is_held_by_it_not_in_it():
    meetings = [*LOCKED, {"a": 0, "b": 2, "sa": (5, 5), "sb": (5, 5), "top": "a"}]
    plan = plan_pull(as_map(3, meetings))
    assert plan.locked[0].wires == ("Z00", "Z01")
    assert plan.locked[0].held == ("Z02",)
    assert plan.left == ("Z00", "Z01", "Z02")


def test_safe_now_names_all_leads_that_two_people_may_take():
    meetings = [{"a": 0, "b": 1, "sa": (10, 10), "sb": (10, 10), "top": "a"}]
    safe = safe_now(as_map(3, meetings))
    assert safe.pull == ("Z00", "Z02")
    assert safe.held == {"Z01": ("Z00", 0.0, 7.0, "lies under")}


def crossed_plate(tops):
    """Two leads drawn so that they cross twice, both leaving to the right."""
    plate = Plate.from_mapping(
        {
            "name": "",
            "outline": [[0, 0], [200, 0], [200, 100], [0, 100]],
            "drops": [
                {"id": "D1", "x": 10, "y": 40, "bore_diameter": 20},
                {"id": "D2", "x": 10, "y": 60, "bore_diameter": 20},
            ],
            "holes": [],
            "channels": [],
            "exits": [{"id": "X1", "x": 200, "y": 50}],
        }
    )
    up = np.array([[10.0, 40.0], [60.0, 40.0], [80.0, 60.0], [120.0, 60.0], [140.0, 40.0]])
    down = np.array([[10.0, 60.0], [60.0, 60.0], [80.0, 40.0], [120.0, 40.0], [140.0, 60.0]])
    leads = (
        Lead("Z01-H", "heater", "D1", "X1", np.vstack([up, [[200.0, 40.0]]])),
        Lead("Z02-H", "heater", "D2", "X1", np.vstack([down, [[200.0, 60.0]]])),
    )
    places = ((70.0, 50.0), (130.0, 50.0))
    judged = tuple(
        Judged("Z01-H", "Z02-H", x, y, top) for (x, y), top in zip(places, tops, strict=True)
    )
    return RouteMap(plate, leads, judged)


def test_a_drawn_pair_twisted_once_is_planned_from_its_route_map():
    plan = plan_pull(crossed_plate(["a", "b"])).to_dict()
    assert plan["status"] == "complete"
    assert [(s["action"], s["wire"]) for s in plan["steps"]] == [
        ("peel", "Z02-H"), ("pull", "Z01-H"), ("pull", "Z02-H"),
    ]  # fmt: skip
    assert plan["steps"][0]["past"] == pytest.approx([130.0, 50.0])


def test_a_drawn_pair_that_nobody_has_looked_at_asks_for_the_outer_crossing_first():
    plan = plan_pull(crossed_plate([None, None]))
    assert (plan.status, plan.steps) == ("needs-a-look", ())
    assert {(round(k.x_mm), round(k.y_mm)) for k in plan.look_at} == {(70, 50), (130, 50)}
    assert round(plan.look_at[0].x_mm) == 130


@pytest.mark.parametrize("seed", range(150))
def test_what_a_second_look_is_said_to_change_is_what_it_changes(seed):
    """Each sentence is judged by planning again with the other answer."""
    random = Random(seed)
    count, meetings = chance_diagram(random, 7, 16, opens=0.05)
    plan = plan_pull(as_map(count, meetings))
    before = {frozenset(lock.crossings) for lock in plan.locked}
    for lock in plan.locked:
        for way in lock.release:
            if way.way != "look again":
                continue
            number = round(way.places[0][0] / 100)
            flipped = [dict(one) for one in meetings]
            flipped[number]["top"] = {"a": "b", "b": "a"}[meetings[number]["top"]]
            after = {frozenset(one.crossings) for one in plan_pull(as_map(count, flipped)).locked}
            inside = [one for one in after if way.places[0] in one]
            if "hold each other no longer" in way.words:
                assert after == before - {frozenset(lock.crossings)}
            elif "makes another one" in way.words:
                assert inside
            else:
                assert not inside
                assert any(one < frozenset(lock.crossings) for one in after)


def test_a_cut_names_each_lead_with_its_places_and_its_cost():
    here = {"sa": (5, 5), "sb": (5, 5), "top": "a"}
    route_map = as_map(2, [{"a": 0, "b": 1, **here}, {"a": 1, "b": 0, **here}])
    (lock,) = plan_pull(route_map, costs={"Z00": 80.0, "Z01": 45.5}).locked
    cut = lock.release[-1]
    assert (cut.wires, cut.cost, cut.least) == (("Z01",), 45.5, True)
    assert "Z01 at (0, 7), (100, 7)" in cut.words and "cost of 45.5" in cut.words
    (lock,) = plan_pull(route_map).locked
    assert "counting all leads alike" in lock.release[-1].words


def test_a_weak_judgement_beyond_the_shortest_ring_is_looked_at_first():
    """Z00 over Z01 over Z00 is the short ring; Z01 over Z02 over Z00 the longer, with the doubt."""
    here = {"sa": (5, 5), "sb": (5, 5), "top": "a"}
    meetings = [
        {"a": 0, "b": 1, **here}, {"a": 1, "b": 0, **here},
        {"a": 1, "b": 2, **here}, {"a": 2, "b": 0, **here},
    ]  # fmt: skip
    route_map = as_map(3, meetings)
    doubt = Judged("Z01", "Z02", 200.0, 7.0, "a", {"confidence": 0.6})
    route_map.judged = (doubt,)
    (lock,) = plan_pull(route_map).locked
    first = lock.release[0]
    assert (first.way, set(first.wires)) == ("look again", {"Z01", "Z02"})
    assert "60%" in first.words and "not every one" in first.words


def test_a_cut_stopped_by_its_time_is_still_a_cut(monkeypatch):
    monkeypatch.setattr(cuts_module, "_CUT_SECONDS", 0.0)
    random = Random(5)
    for _ in range(20):
        count, meetings = chance_diagram(random, 8, 30, opens=0.0)
        plan = plan_pull(as_map(count, meetings))
        cut = {
            int(w[1:]) for e in plan.locked for r in e.release if r.way == "cut" for w in r.wires
        }
        rest = [m for m in meetings if m["a"] not in cut and m["b"] not in cut]
        assert can_come_out(count, rest) == set(range(count))
