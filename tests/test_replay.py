"""Every plan is replayed by an independent judge: no lead is ever pulled from under another."""

from __future__ import annotations

import random

import pytest

from mapper.pulling import check_order
from tests.replay import Replay, meetings, random_case
from tests.replaying import CASES, CHUNK, judged_chunk, route_map_of


@pytest.mark.parametrize("chunk", range(-(-CASES // CHUNK)))
def test_no_plan_pulls_a_lead_from_under_another_and_all_that_can_come_out_does(chunk):
    assert judged_chunk(chunk) == ""


def test_check_order_agrees_with_the_judge_on_orders_of_whole_leads():
    rng = random.Random(77)
    for _ in range(1500):
        routes, found, tops = random_case(rng, leads=rng.randint(2, 5), points=rng.randint(2, 4))
        order = list(routes)
        rng.shuffle(order)
        replay = Replay(routes, found, tops)
        bad_steps = [n for n, lead in enumerate(order, 1) if not replay.pull(lead)]
        violations = check_order(route_map_of(routes, found, tops), order)
        assert sorted({v.step for v in violations}) == bad_steps


def test_the_judge_itself_condemns_a_lead_torn_from_under_another():
    routes = {"L0": [(0, 0), (10, 10)], "L1": [(0, 10), (10, 0)]}
    found = meetings(routes)
    assert [(m.x, m.y) for m in found] == [(5, 5)]
    assert not Replay(routes, found, ["a"]).pull("L1")
    assert Replay(routes, found, ["b"]).pull("L1")
    assert not Replay(routes, found, [None]).pull("L0")
