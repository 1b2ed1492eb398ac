"""As found against as built: what moved, what crosses anew, what lies on top now."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import directed_hausdorff

from mapper.cli import main
from mapper.plate import Drop, Plate
from mapper.rebuild import changed_tables, plan_rebuild, route_difference
from mapper.routes import Judged, Lead, RouteMap, write_route_map
from tests.rebuild_plates import comb_plate, random_plate, two_leads_per_drop

PLATE = Plate(
    "invented",
    ((0.0, 0.0), (400.0, 0.0), (400.0, 300.0), (0.0, 300.0)),
    (Drop("D1", 50.0, 100.0, 30.0), Drop("D2", 200.0, 50.0, 30.0)),
)
ACROSS = [(50.0, 100.0), (350.0, 100.0)]
UP = [(200.0, 50.0), (200.0, 250.0)]


def lead(name: str, points, **more) -> Lead:
    return Lead(**{"id": name, "kind": "heater", "drop": "D1", "exit": "", "points_mm": points,
                   "diameter_mm": 2.5, **more})  # fmt: skip


def a_map(*leads: Lead, top: str | None = "a") -> RouteMap:
    return RouteMap(PLATE, leads, (Judged("A", "B", 200.0, 100.0, top),))


FOUND = a_map(lead("A", ACROSS), lead("B", UP))


def test_a_map_does_not_differ_from_itself():
    assert route_difference(FOUND, FOUND).same
    assert route_difference(FOUND, FOUND).sentences() == []


def test_a_lead_in_the_next_lane_has_not_moved_and_one_in_another_channel_has():
    beside = a_map(lead("A", [(50, 103), (350, 103)]), lead("B", UP))
    assert not route_difference(FOUND, beside).moved
    # worked by hand: the detour rises to 160 and comes back, so it is 60 mm off at most
    away = [(50, 100), (100, 100), (100, 160), (300, 160), (300, 100), (350, 100)]
    moved = route_difference(FOUND, a_map(lead("A", away), lead("B", UP))).moved
    assert [one.id for one in moved] == ["A"]
    assert moved[0].most_mm == pytest.approx(60.0)
    assert moved[0].length_mm == pytest.approx(200 + 2 * 50, abs=4)


@settings(max_examples=15, deadline=None)
@given(shift=st.floats(11.0, 80.0), angle=st.floats(0.0, 6.28))
def test_the_distance_is_that_of_hausdorff(shift, angle):
    points = np.array(ACROSS) + shift * np.array([np.cos(angle), np.sin(angle)])
    bare = replace(PLATE, drops=())
    first, second = (RouteMap(bare, (lead("A", own),)) for own in (ACROSS, points))
    moved = route_difference(first, second).moved
    # reference: scipy's directed Hausdorff distance, both ways, on dense samples
    old, new = (np.linspace(ends[0], ends[1], 3001) for ends in (np.array(ACROSS), points))
    far = max(directed_hausdorff(old, new)[0], directed_hausdorff(new, old)[0])
    assert len(moved) == 1 and moved[0].most_mm == pytest.approx(far, abs=0.1)


def test_how_a_lead_lies_inside_its_bore_does_not_count():
    coiled = [(50, 100), (50, 112), (58, 112), (58, 100), (350, 100)]
    assert not route_difference(FOUND, a_map(lead("A", coiled), lead("B", UP))).moved
    beyond = [(50, 100), (50, 112), (75, 112), (75, 100), (350, 100)]
    assert route_difference(FOUND, a_map(lead("A", beyond), lead("B", UP))).moved


def test_new_vanished_and_turned_crossings_are_told():
    apart = a_map(lead("A", ACROSS), lead("B", [(200, 110), (200, 250)]))
    gone, came = route_difference(FOUND, apart), route_difference(apart, FOUND)
    assert [one.change for one in gone.crossings] == ["vanished"]
    assert [(one.change, one.over) for one in came.crossings] == [("new", "A")]
    turned = route_difference(FOUND, a_map(lead("A", ACROSS), lead("B", UP), top="b"))
    assert [(one.change, one.over) for one in turned.crossings] == [("other on top", "B")]
    unseen = route_difference(FOUND, a_map(lead("A", ACROSS), lead("B", UP), top=None))
    assert unseen.same


def test_a_crossing_that_moves_along_with_its_leads_is_the_same_crossing():
    shifted = RouteMap(
        PLATE,
        (lead("A", ACROSS), lead("B", [(205, 50), (205, 250)])),
        (Judged("A", "B", 205.0, 100.0, "a"),),
    )
    assert not route_difference(FOUND, shifted).crossings


def test_changed_kind_diameter_drop_and_exit_are_told():
    other = lead("A", ACROSS, kind="thermocouple", diameter_mm=1.5, drop="D2", exit="X1")
    changed = route_difference(FOUND, a_map(other, lead("B", UP))).changed
    assert {(one.what, one.before, one.after) for one in changed} == {
        ("kind", "heater", "thermocouple"),
        ("diameter", "2.50 mm", "1.50 mm"),
        ("drop", "D1", "D2"),
        ("exit", "none", "X1"),
    }


def test_leads_and_drops_that_come_and_go_are_told():
    second = RouteMap(
        replace(PLATE, drops=PLATE.drops[:1]), (lead("A", ACROSS), lead("C", UP, drop="D1"))
    )
    found = route_difference(FOUND, second)
    assert (found.gone, found.new) == (("B",), ("C",))
    assert found.plate == ("The plate has no drop D2 any more.",)
    assert not found.crossings


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 1000), other=st.integers(0, 1000))
def test_the_other_way_round_new_and_vanished_change_places(seed, other):
    plates = (random_plate(seed), random_plate(other))
    plans = (plan_rebuild(plate, two_leads_per_drop(plate)) for plate in plates)
    first, second = (
        plan.route_map or RouteMap(plate, ()) for plan, plate in zip(plans, plates, strict=True)
    )
    there, back = route_difference(first, second), route_difference(second, first)
    assert (there.gone, there.new) == (back.new, back.gone)
    assert [one.id for one in there.moved] == [one.id for one in back.moved]
    swap = {"new": "vanished", "vanished": "new"}
    assert sorted((swap[one.change], one.a, one.b, one.x_mm) for one in there.crossings) == sorted(
        (one.change, one.a, one.b, one.x_mm) for one in back.crossings
    )


def test_tables_of_pins_and_parts_are_compared_field_by_field():
    before = {"Z01": {"pin": "3", "watts": 250}, "Z02": {"pin": "4"}}
    after = {"Z01": {"pin": "5", "watts": 250, "type": "J"}, "Z03": {"pin": "4"}}
    assert changed_tables(before, after, "zone") == [
        "Zone Z02 is there no more.",
        "Zone Z03 is new.",
        "Zone Z01: pin was 3, is 5.",
        "Zone Z01: type was not entered, is J.",
    ]


def test_the_command_prints_the_differences(tmp_path, capsys):
    plate = comb_plate(2, 3)
    wanted = two_leads_per_drop(plate)
    first = plan_rebuild(plate, wanted).route_map
    wanted[0] = replace(wanted[0], channel="right")
    second = plan_rebuild(plate, wanted).route_map
    write_route_map(first, tmp_path / "a.json")
    write_route_map(second, tmp_path / "b.json")
    assert main(["diff", str(tmp_path / "a.json"), str(tmp_path / "b.json"), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert "Z01-H" in [one["wire"] for one in said["moved"]]
    assert main(["diff", str(tmp_path / "a.json"), str(tmp_path / "a.json")]) == 0
    assert capsys.readouterr().out == "Nothing differs.\n"
    assert main(["diff", str(tmp_path / "a.json"), str(tmp_path / "none.json")]) == 2
