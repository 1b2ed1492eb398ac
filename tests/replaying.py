"""Plans of random cases, judged by the independent replay."""

from __future__ import annotations

import os
import random

from mapper.plate import Plate
from mapper.pulling import plan_pull
from mapper.routes import Judged, Lead, RouteMap
from tests.replay import Meeting, Replay, random_case

CASES = int(
    os.environ.get("MAPPER_REPLAY_CASES", "10000" if os.environ.get("MAPPER_CI") == "1" else "5000")
)
CHUNK = 1000


def route_map_of(routes, found: list[Meeting], tops) -> RouteMap:
    """The same case as a route map; the plate is a bare rectangle with one drop."""
    plate = Plate.from_mapping(
        {
            "name": "",
            "outline": [[-10, -10], [1010, -10], [1010, 1010], [-10, 1010]],
            "drops": [{"id": "D", "x": 500, "y": 500, "bore_diameter": 40}],
            "exits": [{"id": "X", "x": 1010, "y": 500}],
        }
    )
    leads = tuple(Lead(name, "other", "D", "X", points) for name, points in routes.items())
    judged = tuple(
        Judged(m.a, m.b, float(m.x), float(m.y), top)
        for m, top in zip(found, tops, strict=True)
        if top is not None
    )
    return RouteMap(plate, leads, judged)


def replayed(routes, found, tops, steps) -> tuple[bool, Replay]:
    """Whether all steps are harmless, and the plate after them."""
    replay = Replay(routes, found, tops)
    harmless = True
    for step in steps:
        if step.action == "pull":
            harmless &= replay.pull(step.wire)
        else:
            harmless &= replay.peel(step.wire, step.past)
    return harmless, replay


def judged_chunk(chunk: int) -> str:
    """What the judge has to say against the plans of one chunk of random cases; "" if nothing."""
    rng = random.Random(20260 + chunk)
    for number in range(min(CHUNK, CASES - CHUNK * chunk)):
        routes, found, tops = random_case(rng, leads=rng.randint(2, 6), points=rng.randint(2, 5))
        plan = plan_pull(route_map_of(routes, found, tops))
        harmless, after = replayed(routes, found, tops, plan.steps)
        free = Replay(routes, found, tops).leads_that_can_come_out()
        complete = (plan.status == "complete") == (len(after.out) == len(routes))
        if not (harmless and after.out == free and complete):
            return f"chunk {chunk}, case {number}: {routes} {tops} -> {plan.to_dict()}"
    return ""
