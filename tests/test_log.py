"""The teardown log: what can be done next follows what really happened.

The judge is a physical model in this file that shares no code with the package: leads with
whole-number places, who really lies on top, breaks between two places.
"""

from __future__ import annotations

import os
import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.plate import Plate
from mapper.pulling import (
    LogEvent,
    PullError,
    Step,
    check_order,
    contradictions,
    explain,
    piece_ids,
    plan_pull,
    reached_place,
    read_log,
    refusals,
    safe_now,
)
from mapper.routes import Crossing, Judged, Lead, RouteMap
from tests.pulling_naive import NOT_YET, OUT, blockers, can_come_out, chance_diagram, name

SCALE = 20.0  # mm between two places: a break half-way is farther from both than its error
CASES = 3000 if os.environ.get("MAPPER_CI") == "1" else 300
PLATE = Plate.from_mapping(
    {
        "name": "",
        "outline": [[-100, -100], [3000, -100], [3000, 3000], [-100, 3000]],
        "drops": [{"id": "D", "x": 0, "y": 0, "bore_diameter": 10}],
        "exits": [{"id": "X", "x": 3000, "y": 0}],
    }
)
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def map_of(count, meetings) -> RouteMap:
    """The diagram as a route map: leads side by side, meeting k is named by (100 k, 7)."""
    leads = tuple(
        Lead(name(i), "other", "D", "X", [[1000.0 * i, 0.0], [1000.0 * i, 20 * SCALE]])
        for i in range(count)
    )
    crossings = tuple(
        Crossing(
            name(m["a"]), name(m["b"]), 100.0 * k, 7.0, m.get("kind", "crossing"),
            tuple(SCALE * p for p in m["sa"]), tuple(SCALE * p for p in m["sb"]), 1.0, m["top"],
        )
        for k, m in enumerate(meetings)
    )  # fmt: skip
    route_map = RouteMap(PLATE, leads)
    route_map.__dict__["found"] = route_map.__dict__["crossings"] = crossings
    return route_map


def on(lead: int, place: float) -> tuple[float, float]:
    return 1000.0 * lead, SCALE * place


class Bench:
    """What really lies on the bench; pieces are leads of their own, with the same places."""

    def __init__(self, count, meetings):
        self.meetings = [dict(m) for m in meetings]
        self.state = [NOT_YET] * count
        self.names = [name(i) for i in range(count)]
        self.part = [(i, -1.0, 99.0) for i in range(count)]

    def here(self):
        return [i for i, who in enumerate(self.names) if who is not None]

    def safe(self):
        return {
            self.names[i]
            for i in self.here()
            if self.state[i] != OUT and not blockers(self.meetings, self.state, i, OUT)
        }

    def breaks(self, i, at):
        """Lead i breaks at a half place."""
        root, low, high = self.part[i]
        drop, exit = len(self.names), len(self.names) + 1
        self.names += [self.names[i] + " (drop side)", self.names[i] + " (exit side)"]
        self.part += [(root, low, at), (root, at, high)]
        self.state += [self.state[i]] * 2
        self.names[i] = None
        split = []
        for m in self.meetings:
            choices = []
            for who, span in (("a", "sa"), ("b", "sb")):
                if m[who] != i:
                    choices.append([(m[who], m[span])])
                    continue
                parts = [(drop, (m[span][0], min(m[span][1], at)))] if m[span][0] < at else []
                parts += [(exit, (max(m[span][0], at), m[span][1]))] if m[span][1] > at else []
                choices.append(parts)
            split += [
                {**m, "a": a, "sa": sa, "b": b, "sb": sb}
                for a, sa in choices[0]
                for b, sb in choices[1]
            ]
        self.meetings = split

    def lays_back(self, i, rng):
        """Lead i is laid into its channel again, over what lies there, or threaded as it was."""
        was = self.state[i]
        for m in self.meetings:
            sides = [s for s in "ab" if m[s] == i]
            if not sides:
                continue
            outer = "b" if len(sides) == 2 else sides[0]
            if m["s" + outer][1] < was or rng.random() < 0.3:
                continue
            if len(sides) == 2:
                m["top"] = rng.choice("ab")
            elif (
                m["top"] is not None
                and m["s" + "ba"["ab".index(outer)]][0] < self.state[m["ba"["ab".index(outer)]]]
            ):
                m["top"] = outer
        self.state[i] = NOT_YET


def play(rng, count, meetings, length, put_backs=True):
    """A random log and the bench after it; nobody asks whether a step is allowed."""
    bench, log = Bench(count, meetings), []
    for number in range(length):
        i = rng.choice(bench.here())
        at = NOON + timedelta(minutes=number)
        what = rng.choice(["pull", "peel", "peel", "broke"] + ["put back"] * 2 * put_backs)
        if what == "put back":
            if bench.state[i] != NOT_YET:
                bench.lays_back(i, rng)
                log.append(LogEvent("put back", name_of(bench, i), at=at))
        elif bench.state[i] == OUT:
            continue
        elif what == "pull":
            bench.state[i] = OUT
            log.append(LogEvent("pull", name_of(bench, i), at=at))
        elif what == "peel":
            spots = {}
            for k, m in enumerate(meetings):
                for who, span in (("a", "sa"), ("b", "sb")):
                    root, low, high = bench.part[i]
                    if m[who] == root and m[span][0] < high and m[span][1] > low:
                        spots.setdefault(k, []).append(max(m[span][0], low))
            if spots:
                k = rng.choice(sorted(spots))
                ahead = [p for p in spots[k] if p < bench.state[i]]
                if ahead:
                    bench.state[i] = max(ahead)
                    log.append(LogEvent("peel", name_of(bench, i), (100.0 * k, 7.0), at))
        else:
            root, low, high = bench.part[i]
            at_place = rng.randint(0, 15) + 0.5
            if low < at_place < high:
                log.append(LogEvent("broke", name_of(bench, i), on(root, at_place), at))
                bench.breaks(i, at_place)
    return bench, log


def name_of(bench, i):
    return bench.names[i]


@pytest.mark.parametrize("chunk", range(4))
def test_without_put_backs_the_log_leaves_exactly_what_lies_on_the_bench(chunk):
    rng = random.Random(1000 + chunk)
    for _ in range(CASES // 4):
        count, meetings = chance_diagram(rng, 5, 12)
        bench, log = play(rng, count, meetings, rng.randint(0, 8), put_backs=False)
        now = read_log(map_of(count, meetings), log)
        assert {lead.id for lead in now.route_map.leads} == {bench.names[i] for i in bench.here()}
        assert now.out == {bench.names[i] for i in bench.here() if bench.state[i] == OUT}
        assert set(safe_now(now.route_map, now.done).pull) == bench.safe()
        plan = plan_pull(now.route_map, now.done)
        free = can_come_out(len(bench.names), bench.meetings, bench.state)
        assert set(plan.left) == {bench.names[i] for i in bench.here() if i not in free}
        assert check_order(now.route_map, plan.steps, now.done) == []


@pytest.mark.parametrize("chunk", range(4))
def test_however_leads_were_laid_back_nothing_is_offered_from_under_another(chunk):
    rng = random.Random(2000 + chunk)
    for _ in range(CASES // 4):
        count, meetings = chance_diagram(rng, 5, 12)
        bench, log = play(rng, count, meetings, rng.randint(2, 10))
        now = read_log(map_of(count, meetings), log)
        plan = plan_pull(now.route_map, now.done)
        assert set(safe_now(now.route_map, now.done).pull) <= bench.safe(), (meetings, log)
        for step in plan.steps:
            if step.action == "pull":
                i = bench.names.index(step.wire)
                assert not blockers(bench.meetings, bench.state, i, OUT), (meetings, log)
                bench.state[i] = OUT
            else:
                i = bench.names.index(step.wire)
                k = round(step.past[0] / 100)
                root, low, high = bench.part[i]
                spots = [
                    max(m, low)
                    for who, (m, n) in (
                        (meetings[k]["a"], meetings[k]["sa"]),
                        (meetings[k]["b"], meetings[k]["sb"]),
                    )
                    if who == root and m < high and n > low
                ]
                target = max((p for p in spots if p < bench.state[i]), default=bench.state[i])
                assert not blockers(bench.meetings, bench.state, i, target), (meetings, log)
                bench.state[i] = min(bench.state[i], target)


def two(top="a"):
    """Z00 and Z01 cross once."""
    return map_of(2, [{"a": 0, "b": 1, "sa": (5, 5), "sb": (8, 8), "top": top}])


def test_a_lead_that_was_put_back_is_in_the_way_again():
    route_map = two("a")
    out = [LogEvent("pull", "Z00")]
    assert safe_now(route_map, read_log(route_map, out).done).pull == ("Z01",)
    back = read_log(route_map, [*out, LogEvent("put back", "Z00", at=NOON)])
    assert (back.done, back.out, back.findings) == ((), frozenset(), ())
    assert safe_now(back.route_map, back.done).pull == ("Z00",)


def test_a_lower_lead_laid_back_over_its_upper_one_holds_both_until_somebody_looks():
    # Z00 lies over Z01; both came out, Z00 was laid back first: Z01 may lie on it now
    route_map = two("a")
    log = [LogEvent("pull", "Z00"), LogEvent("pull", "Z01")]
    log += [LogEvent("put back", w, at=NOON) for w in ("Z00", "Z01")]
    now = read_log(route_map, log)
    assert safe_now(now.route_map, now.done).pull == ()
    assert [look.kind for look in plan_pull(now.route_map, now.done).look_at] == ["crossing"]
    assert "nobody has looked" in explain(now.route_map, "Z00", now.done)[0]

    def look(minutes):
        at = NOON + timedelta(minutes=minutes)
        return SimpleNamespace(a="Z00", b="Z01", x_mm=0.0, y_mm=7.0, at=at)

    for minutes, free in ((-1, ()), (1, ("Z00",))):
        later = read_log(route_map, log, [look(minutes)])
        assert safe_now(later.route_map, later.done).pull == free


def test_a_broken_lead_is_two_leads_with_a_free_end_each():
    # Z00 lies over Z01 at 5 and under Z02 at 12; broken at 9 the drop side is free at once
    meetings = [
        {"a": 0, "b": 1, "sa": (5, 5), "sb": (8, 8), "top": "a"},
        {"a": 0, "b": 2, "sa": (12, 12), "sb": (8, 8), "top": "b"},
    ]
    route_map = map_of(3, meetings)
    now = read_log(route_map, [LogEvent("broke", "Z00", on(0, 9.5), NOON, "MK", "brittle")])
    assert now.pieces == {"Z00 (drop side)": "Z00", "Z00 (exit side)": "Z00"}
    assert now.lead_of("Z00 (exit side)") == "Z00"
    assert set(safe_now(now.route_map, now.done).pull) == {"Z00 (drop side)", "Z02"}
    pieces = {lead.id: lead for lead in now.route_map.leads}
    assert pieces["Z00 (drop side)"].points_mm[0].tolist() == [0.0, 0.0]
    assert pieces["Z00 (exit side)"].points_mm[-1].tolist() == [0.0, 20 * SCALE]
    assert plan_pull(now.route_map, now.done).status == "complete"


def test_a_meeting_at_the_break_counts_for_both_pieces():
    route_map = two("b")
    now = read_log(route_map, [LogEvent("broke", "Z00", on(0, 5.1))])
    assert set(safe_now(now.route_map, now.done).held) == {"Z00 (drop side)", "Z00 (exit side)"}


def test_names_of_pieces_stay_within_64_characters_and_apart():
    long = "Z" * 64
    names = {*piece_ids(long), *piece_ids(long[:-1] + "Y"), *piece_ids("Z07-T")}
    assert len(names) == 6 and max(map(len, names)) <= 64
    assert piece_ids("Z07-T") == ("Z07-T (drop side)", "Z07-T (exit side)")
    assert piece_ids("Z07-T", {"Z07-T (drop side)"})[0] != "Z07-T (drop side)"


def test_a_done_step_never_vanishes_and_never_frees_more_than_it_certainly_did():
    route_map = two("a")
    log = [
        LogEvent("peel", "Z00", (500.0, 7.0)),  # traced anew: no meeting there any more
        LogEvent("pull", "Z99"),
        LogEvent("broke", "Z01", (7.0, 900.0)),
        LogEvent("put back", "Z01"),
    ]
    now = read_log(route_map, log)
    assert now.done == () and now.route_map is route_map
    assert len(now.findings) == 4 and all("stays in the log" in f for f in now.findings)
    assert safe_now(route_map, now.done).pull == ("Z00",)


def test_a_lead_that_is_out_and_lay_under_another_is_told():
    log = [LogEvent("pull", "Z01"), LogEvent("pull", "Z00")]
    assert contradictions(two("b"), log) == []
    (told,) = contradictions(two("a"), log)
    assert told.startswith("Z01 came out while it lay under Z00 at (0, 7)")
    assert contradictions(two(None), log) == []  # nobody says that it lay under
    overruled = [replace(log[0], reason="cut free by hand"), log[1]]
    assert "cut free by hand" in contradictions(two("a"), overruled)[0]


def test_marking_a_lead_that_is_not_free_needs_a_reason():
    route_map = two("a")
    assert refusals(route_map, [], LogEvent("pull", "Z00")) == []
    (told,) = refusals(route_map, [], LogEvent("pull", "Z01"))
    assert told.startswith("Z01 still lies under Z00")
    assert refusals(route_map, [], LogEvent("pull", "Z01", reason="  "))
    assert refusals(route_map, [], LogEvent("pull", "Z01", reason="lifted Z00 by hand")) == []
    assert refusals(route_map, [], LogEvent("pull", "Z77", reason="really"))
    assert refusals(route_map, [], LogEvent("put back", "Z00", reason="really"))
    assert refusals(route_map, [], LogEvent("broke", "Z00", reason="really"))
    assert refusals(route_map, [], LogEvent("broke", "Z00", on(0, 3))) == []
    out = [LogEvent("pull", "Z00")]
    assert refusals(route_map, out, LogEvent("pull", "Z00", reason="again"))
    assert refusals(route_map, out, LogEvent("broke", "Z00", on(0, 3)))
    assert refusals(route_map, out, LogEvent("put back", "Z00")) == []


@pytest.mark.parametrize("event", [{"action": "push", "wire": "Z00"}, {"action": "pull"}, 7])
def test_what_is_no_event_is_refused(event):
    with pytest.raises(PullError):
        read_log(two(), [event])


def test_an_event_of_the_log_is_no_step_of_an_order():
    with pytest.raises(PullError, match="not a step"):
        plan_pull(two(), [Step("broke", "Z00", (0.0, 7.0))])


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32), st.integers(0, 2**32))
def test_no_log_whatever_stops_the_plan(diagram_seed, log_seed):
    count, meetings = chance_diagram(random.Random(diagram_seed), 4, 8)
    rng = random.Random(log_seed)
    wires = [*(name(i) for i in range(5)), "Z00 (drop side)", "Z01 (exit side)"]
    places = [None, (100.0, 7.0), on(0, 4.5), on(1, 5), (float("nan"), 1.0), "there"]
    log = [
        {
            "action": rng.choice(["pull", "peel", "broke", "put back"]),
            "wire": rng.choice(wires),
            "past": rng.choice(places),
        }
        for _ in range(rng.randint(0, 12))
    ]
    now = read_log(map_of(count, meetings), log)
    plan = plan_pull(now.route_map, now.done)
    assert check_order(now.route_map, plan.steps, now.done) == []


def test_a_broken_lead_of_a_traced_map_keeps_its_run_on_both_pieces():
    # from points: B runs along A from 100 to 200 mm and lies under it
    leads = (
        Lead("A", "other", "D", "X", [[0, 0], [300, 0]], 2.0),
        Lead("B", "other", "D", "X", [[100, 50], [100, 1], [200, 1], [200, 50]], 2.0),
    )
    route_map = RouteMap(PLATE, leads, (Judged("A", "B", 150.0, 0.5, "a"),))
    assert [m.kind for m in route_map.crossings] == ["shared run"]
    now = read_log(route_map, [LogEvent("broke", "B", (150.0, 1.0))])
    assert safe_now(now.route_map, now.done).pull == ("A",)
    log = [LogEvent("broke", "A", (150.0, 0.0)), LogEvent("pull", "A (exit side)")]
    now = read_log(route_map, log)
    assert safe_now(now.route_map, now.done).pull == ("A (drop side)",)


def test_a_peel_counts_no_further_than_the_lead_was_lifted_when_a_run_turns_out_longer():
    # Z00 lies over Z01 along a run; it was peeled past the run as traced then, 10 to 12
    def run(low):
        return map_of(
            2,
            [{"a": 0, "b": 1, "sa": (low, 12), "sb": (low, 12), "top": "a", "kind": "shared run"}],
        )

    event = LogEvent("peel", "Z00", (0.0, 7.0))
    reached = reached_place(run(10), [], event)
    assert reached == on(0, 10)
    event = replace(event, reached=reached)
    same = read_log(run(10), [event])
    assert (safe_now(run(10), same.done).pull, same.findings) == (("Z00", "Z01"), ())
    longer = read_log(run(6), [event])
    assert safe_now(run(6), longer.done).pull == ("Z00",)
    assert "goes on further" in longer.findings[0]
    assert reached_place(run(10), [], LogEvent("pull", "Z00")) is None
    moved = replace(event, reached=(1.0e3, 5.0))
    assert read_log(run(10), [moved]).done == ()
