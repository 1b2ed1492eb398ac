"""Random diagrams, every plan replayed by a judge of its own: how often was it false-safe?

    python -m tests.benchmarks.false_safe [count] [--seed N]

The judge is the plain replay of `tests/pulling_naive.py`: whole numbers only (exact), no code
of the package. A case fails when a step takes a lead from under another or past a place where
nobody has looked, when a lead that could come out is not planned, or when `check_order` says
something else than the judge about a blind order of steps. Ends with status 1 if any fails.
"""

from __future__ import annotations

import argparse
import random
import sys
import time

from mapper.pulling import Step, check_order, plan_pull
from tests.pulling_naive import (
    NOT_YET,
    OUT,
    as_map,
    blockers,
    can_come_out,
    chance_diagram,
    name,
    peelable_diagram,
    replay,
)


def diagram(rng: random.Random):
    if rng.random() < 0.4:
        count, meetings = peelable_diagram(rng, rng.randint(2, 8), rng.randint(1, 14))
        for m in meetings:  # now and then a wrong judgement, or none
            if rng.random() < 0.04:
                m["top"] = rng.choice(["a", "b", None])
        return count, meetings
    return chance_diagram(
        rng,
        rng.randint(1, 8),
        rng.randint(0, 14),
        opens=rng.choice([0.0, 0.1]),
        spans=rng.choice([0.0, 0.4]),
        layered=rng.choice([0.0, 0.6, 0.95]),
    )


def blind_order_misjudged(rng: random.Random, count, meetings, route_map) -> bool:
    """True when check_order and the judge disagree on which blind pulls break the rule."""
    order = [rng.randrange(count) for _ in range(count)]
    state = [NOT_YET] * count
    wrong = set()
    for at, lead in enumerate(order, start=1):
        if state[lead] == OUT or blockers(meetings, state, lead, OUT):
            wrong.add(at)
        state[lead] = OUT
    steps = [Step("pull", name(lead)) for lead in order]
    return {v.step for v in check_order(route_map, steps)} != wrong


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("count", nargs="?", type=int, default=100_000)
    arguments.add_argument("--seed", type=int, default=1)
    given = arguments.parse_args()
    rng = random.Random(given.seed)
    false_safe = missed = misjudged = steps = peels = 0
    statuses: dict[str, int] = {}
    began = time.perf_counter()
    for case in range(1, given.count + 1):
        count, meetings = diagram(rng)
        route_map = as_map(count, meetings)
        plan = plan_pull(route_map).to_dict()
        broken, out = replay(count, meetings, plan["steps"])
        false_safe += bool(broken)
        missed += out != can_come_out(count, meetings)
        misjudged += blind_order_misjudged(rng, count, meetings, route_map)
        steps += len(plan["steps"])
        peels += sum(step["action"] == "peel" for step in plan["steps"])
        statuses[plan["status"]] = statuses.get(plan["status"], 0) + 1
        if broken:
            print(f"false-safe, case {case}: {meetings} {plan['steps']}")
        if case % 10_000 == 0:
            print(f"{case} cases, {time.perf_counter() - began:.0f} s", flush=True)
    print(
        f"{given.count} cases, seed {given.seed}: {false_safe} false-safe, {missed} not planned "
        f"though feasible, {misjudged} orders misjudged; {steps} steps, {peels} of them peels; "
        + ", ".join(f"{n} {status}" for status, n in sorted(statuses.items()))
    )
    return 1 if false_safe or missed or misjudged else 0


if __name__ == "__main__":
    sys.exit(main())
