"""Covers, nozzles, heaters and thermocouples in the pull order (common practice, no source).

The judge of random cases is a plain replay in this file over `tests.pulling_naive`; it shares no
code with the package.
"""

from __future__ import annotations

import os
import random

import pytest

from mapper.plate import Plate
from mapper.pulling import (
    ChannelStretch,
    Cover,
    Heater,
    Nozzle,
    PullError,
    plan_parts,
    plan_pull,
    read_log,
    refusals,
    with_parts,
)
from mapper.routes import Crossing, Judged, Lead, RouteMap
from tests.pulling_naive import NOT_YET, OUT, blockers, can_come_out, chance_diagram, name

SCALE = 20.0  # mm between two places of a diagram
CASES = 3000 if os.environ.get("MAPPER_CI") == "1" else 300

PLATE = Plate.from_mapping(
    {
        "name": "invented",
        "outline": [[0, 0], [300, 0], [300, 150], [0, 150]],
        "drops": [{"id": f"D0{i}", "x": 60 * i, "y": 100, "bore_diameter": 20} for i in (1, 2)],
        "channels": [{"id": "C", "points": [[0, 40], [300, 40]], "width": 14, "depth": 15}],
        "exits": [{"id": "X1", "x": 300, "y": 40}],
    }
)


def one_lead(id: str, *points, kind="thermocouple", drop="D01") -> Lead:
    return Lead(id, kind, drop, "X1", points, 2.0)


T = one_lead("Z01-T", (60, 100), (60, 40), (300, 40))


def order(plan) -> list[str]:
    return [f"{step.action} {step.id}" for step in plan.steps]


def test_a_cover_comes_off_before_the_lead_under_it():
    for over in (
        ChannelStretch("C", 100, 150),
        ((100.0, 30.0), (150.0, 30.0), (150.0, 50.0), (100.0, 50.0)),
    ):
        plan = plan_parts(RouteMap(PLATE, (T,)), [Cover("cover 1", over)])
        assert order(plan) == ["take off cover 1", "pull Z01-T"]
        assert plan.leads_now == ()
        after = plan_parts(RouteMap(PLATE, (T,)), [Cover("cover 1", over)], off=["cover 1"])
        assert (order(after), after.leads_now) == (["pull Z01-T"], ("Z01-T",))


def test_a_cover_beside_the_lead_holds_nothing():
    beside = Cover("cover 1", ((100.0, 60.0), (150.0, 60.0), (150.0, 80.0), (100.0, 80.0)))
    assert plan_parts(RouteMap(PLATE, (T,)), [beside]).leads_now == ("Z01-T",)


@pytest.mark.parametrize(("seen", "free"), [(True, ("Z01-T",)), (False, ())])
def test_a_buried_run_may_lie_under_a_cover_near_by(seen, free):
    buried = Lead("Z01-T", "thermocouple", "D01", "X1", T.points_mm, 2.0, (True, seen))
    near = Cover("cover 1", ((100.0, 44.0), (150.0, 44.0), (150.0, 60.0), (100.0, 60.0)))
    route_map = RouteMap(PLATE, (buried,), unseen_error_mm=4.0)
    assert plan_parts(route_map, [near]).leads_now == free


def test_a_clip_lets_the_lead_be_peeled_up_to_it():
    # A lies over B between its exit and the clip: B comes out while the clip stays on A
    a = one_lead("A", (60, 100), (60, 40), (300, 40))
    b = one_lead("B", (200, 10), (200, 90), drop="D02")
    route_map = RouteMap(PLATE, (a, b), (Judged("A", "B", 200.0, 40.0, "a"),))
    clip = Cover("clip", ChannelStretch("C", 100, 110))
    plan = plan_parts(route_map, [clip])
    assert order(plan)[0] == "take off clip" and plan.status == "complete"
    on = Cover("clip", ChannelStretch("C", 190, 210))
    assert "A" not in plan_parts(route_map, [on]).leads_now


def test_a_lead_of_another_drop_over_the_pocket_comes_out_before_the_nozzle():
    other = one_lead("Z02-H", (120, 100), (40, 105), (40, 140), kind="heater", drop="D02")
    plan = plan_parts(RouteMap(PLATE, (other,)), [Nozzle("D01")])
    assert order(plan) == ["pull Z02-H", "take out nozzle D01"]
    assert [step.id for step in plan.now] == ["Z02-H"]


def test_a_heater_comes_off_after_its_own_lead_only():
    own = one_lead("Z01-H", (60, 100), (60, 140), kind="heater")
    plan = plan_parts(RouteMap(PLATE, (own, T)), [Heater("D01")], done=["Z01-H"])
    assert [step.to_dict() for step in plan.now] == [
        {"action": "pull", "kind": "lead", "id": "Z01-T"},
        {"action": "take off", "kind": "heater", "id": "heater D01"},
    ]
    held = plan_parts(RouteMap(PLATE, (own, T)), [Heater("D01")], done=["Z01-T"])
    assert [step.id for step in held.now] == ["Z01-H"]


def test_a_thermocouple_along_the_body_leaves_with_the_nozzle():
    plan = plan_parts(RouteMap(PLATE, (T,)), [Nozzle("D01", "with the nozzle")])
    assert [step.to_dict() for step in plan.steps] == [
        {"action": "free", "kind": "lead", "id": "Z01-T"},
        {"action": "take out", "kind": "nozzle", "id": "nozzle D01", "brings": ["Z01-T"]},
    ]


def test_a_thermocouple_at_the_front_needs_no_nozzle_out():
    plan = plan_parts(RouteMap(PLATE, (T,)), [Nozzle("D01", "at the front")])
    assert order(plan) == ["pull Z01-T", "take out nozzle D01"]
    assert plan.steps[1].brings == ()


def test_a_cover_over_the_pocket_holds_nozzle_and_heater():
    lid = Cover("lid", ((50.0, 90.0), (70.0, 90.0), (70.0, 110.0), (50.0, 110.0)))
    plan = plan_parts(RouteMap(PLATE, ()), [Nozzle("D01"), Heater("D01"), lid])
    assert [step.id for step in plan.now] == ["lid"]
    assert order(plan)[0] == "take off lid" and len(plan.steps) == 3


def test_the_plain_plan_stays_about_leads():
    route_map = RouteMap(PLATE, (T,))
    assert plan_pull(route_map).to_dict()["steps"] == [{"action": "pull", "wire": "Z01-T"}]


@pytest.mark.parametrize(
    ("parts", "off", "words"),
    [
        ([Nozzle("D09")], [], "D09"),
        ([Cover("c", ChannelStretch("C9", 0, 1))], [], "C9"),
        ([Cover("c", ChannelStretch("C", 2, 1))], [], "low to high"),
        ([Cover("c", ChannelStretch("C", 0, float("nan")))], [], "low to high"),
        ([Cover("c", ((0.0, 0.0), (1.0, 1.0)))], [], "three corners"),
        ([Cover("c", ((0.0, 0.0), (1.0, 1.0), (0.0, float("inf"))))], [], "not a number"),
        ([Nozzle("D01"), Nozzle("D01")], [], "same id"),
        ([Cover("Z01-T", ChannelStretch("C", 0, 1))], [], "part and a lead"),
        ([], ["lid"], "lid"),
    ],
)
def test_parts_that_make_no_sense_are_refused(parts, off, words):
    with pytest.raises(PullError, match=words):
        plan_parts(RouteMap(PLATE, (T,)), parts, off=off)


def case(rng):
    """A diagram with leads side by side, covers between places, and pockets on the leads."""
    count, meetings = chance_diagram(rng, 5, 12)
    covers, pockets = [], []
    for _ in range(rng.randint(0, 4)):
        lead, low = rng.randrange(count), rng.randint(0, 13) + 0.5
        covers.append((lead, low, low + rng.randint(0, 3) + 0.2))
    for _ in range(rng.randint(0, 3)):
        pockets.append((rng.randrange(count), rng.randint(1, 14) + 0.5))
    return count, meetings, covers, pockets


def as_plate(count, meetings, covers, pockets):
    drops = [
        {"id": f"P{k}", "x": 1000 * i, "y": SCALE * at, "bore_diameter": 4}
        for k, (i, at) in enumerate(pockets)
    ]
    drops.append({"id": "D", "x": -500, "y": -500, "bore_diameter": 4})
    plate = Plate.from_mapping(
        {
            "name": "",
            "outline": [[-999, -999], [9000, -999], [9000, 9000], [-999, 9000]],
            "drops": drops,
            "exits": [{"id": "X", "x": 9000, "y": 0}],
        }
    )
    leads = tuple(
        Lead(name(i), "other", "D", "X", [[1000.0 * i, 0.0], [1000.0 * i, 20 * SCALE]])
        for i in range(count)
    )
    crossings = tuple(
        Crossing(
            name(m["a"]), name(m["b"]), 100.0 * k, 7.0, m["kind"],
            tuple(SCALE * p for p in m["sa"]), tuple(SCALE * p for p in m["sb"]), 1.0, m["top"],
        )
        for k, m in enumerate(meetings)
    )  # fmt: skip
    route_map = RouteMap(plate, leads)
    route_map.__dict__["found"] = route_map.__dict__["crossings"] = crossings
    parts = [
        Cover(
            f"C{k}",
            tuple((1000 * i + dx, SCALE * y) for dx, y in ((-9, lo), (9, lo), (9, hi), (-9, hi))),
        )
        for k, (i, lo, hi) in enumerate(covers)
    ]
    parts += [Nozzle(f"P{k}") for k in range(len(pockets))]
    rng = random.Random(len(parts))
    rng.shuffle(parts)
    return route_map, parts


@pytest.mark.parametrize("chunk", range(3))
def test_no_lead_leaves_from_under_a_cover_and_no_nozzle_from_under_a_lead(chunk):
    rng = random.Random(500 + chunk)
    for _ in range(CASES // 3):
        count, meetings, covers, pockets = case(rng)
        route_map, parts = as_plate(count, meetings, covers, pockets)
        off = {f"C{k}" for k in range(len(covers)) if rng.random() < 0.3}
        plan = plan_parts(route_map, parts, off=sorted(off))
        state, told = [NOT_YET] * count, (meetings, covers, pockets, plan.steps)

        def under_cover(i, target, state=state, covers=covers, off=off):
            return any(
                lead == i and f"C{k}" not in off and hi >= target and lo < state[i]
                for k, (lead, lo, hi) in enumerate(covers)
            )

        may = {
            name(i)
            for i in range(count)
            if not blockers(meetings, state, i, OUT) and not under_cover(i, OUT)
        }
        assert set(plan.leads_now) == may
        out = set()
        for step in plan.steps:
            if step.kind == "cover":
                assert step.id not in off
                off.add(step.id)
            elif step.kind == "nozzle":
                assert state[pockets[int(step.id[8:])][0]] == OUT, told
                out.add(step.id)
            else:
                i, target = int(step.id[1:]), OUT
                if step.past is not None:
                    m = meetings[round(step.past[0] / 100)]
                    spots = [m[s][0] for s, w in (("sa", "a"), ("sb", "b")) if m[w] == i]
                    target = max((p for p in spots if p < state[i]), default=state[i])
                assert not blockers(meetings, state, i, target), told
                assert not under_cover(i, target), told
                state[i] = min(state[i], target)
        free = can_come_out(count, meetings)
        assert {i for i in range(count) if state[i] == OUT} == free
        assert out == {f"nozzle P{k}" for k, (i, _) in enumerate(pockets) if i in free}
        assert off == {f"C{k}" for k in range(len(covers))}


@pytest.mark.parametrize("seed", range(40))
def test_on_one_map_with_its_parts_nothing_is_offered_that_the_leads_alone_forbid(seed):
    rng = random.Random(seed)
    leads = tuple(
        one_lead(
            f"Z0{i}-T",
            (60, 100),
            *((rng.uniform(10, 290), rng.uniform(20, 90)) for _ in range(3)),
            (300, rng.uniform(20, 60)),
        )
        for i in range(1, 5)
    )
    bare = RouteMap(PLATE, leads)
    judged = tuple(
        Judged(one.a, one.b, one.x_mm, one.y_mm, rng.choice(["a", "b", None]))
        for one in bare.crossings
    )
    bare = RouteMap(PLATE, leads, judged)
    alone = {step.wire for step in plan_pull(bare).steps if step.action == "pull"}
    covered = with_parts(bare, [Cover("cover 1", ((0, 0), (300, 0), (300, 150), (0, 150)))])
    steps = plan_pull(covered).steps
    assert {step.wire for step in steps if step.action == "pull"} - {"cover 1"} <= alone
    assert steps[0].wire == "cover 1"  # it lies over them all
    for lead in leads:
        assert refusals(covered, [], {"action": "pull", "wire": lead.id})


def test_a_lead_is_free_once_its_cover_is_logged_as_off_and_held_again_when_it_is_put_back():
    covered = with_parts(RouteMap(PLATE, (T,)), [Cover("cover 1", ChannelStretch("C", 100, 150))])
    pull = {"action": "pull", "wire": "Z01-T"}
    off = {"action": "took off", "wire": "cover 1"}
    assert any("cover 1" in why for why in refusals(covered, [], pull))
    assert refusals(covered, [], off) == []
    assert refusals(covered, [off], pull) == []
    assert refusals(covered, [off, {"action": "put back", "wire": "cover 1"}], pull)
    assert any("under cover 1" in one for one in read_log(covered, [pull]).findings)
