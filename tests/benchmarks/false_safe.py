"""Random diagrams, every plan replayed by a judge of its own: how often was it false-safe?

    python -m tests.benchmarks.false_safe [count] [--seed N] [--after CASES]

The judge is the plain replay of `tests/pulling_naive.py`: whole numbers only (exact), no code
of the package. A case fails when a step takes a lead from under another or past a place where
nobody has looked (the lifts that are offered after the plan are replayed too), when a lead that
could come out is not planned, or when `check_order` says something else than the judge about a
blind order of steps. Ends with status 1 if any fails.

Cases come in blocks of 10,000, each block with a random stream of its own; after each block the
figures so far are printed, so a run that is stopped early still says what it has shown, and
`--after` takes it up again where it stopped.
"""

from __future__ import annotations

import argparse
import random
import sys
import time

from mapper.pulling import Step, check_order, lifts, plan_pull
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


BLOCK = 10_000


class Tally:
    """What the judge has found so far."""

    def __init__(self) -> None:
        self.cases = self.false_safe = self.missed = self.misjudged = self.steps = 0
        self.peels = self.lifts = 0
        self.statuses: dict[str, int] = {}

    def add(self, rng: random.Random) -> None:
        """Plan, replay and judge one more random diagram."""
        count, meetings = diagram(rng)
        route_map = as_map(count, meetings)
        plan = plan_pull(route_map).to_dict()
        more = [one.step.to_dict() for one in lifts(route_map, plan["steps"])]
        broken, out = replay(count, meetings, plan["steps"] + more)
        self.lifts += len(more)
        self.cases += 1
        self.false_safe += bool(broken)
        self.missed += out != can_come_out(count, meetings)
        self.misjudged += blind_order_misjudged(rng, count, meetings, route_map)
        self.steps += len(plan["steps"])
        self.peels += sum(step["action"] == "peel" for step in plan["steps"])
        self.statuses[plan["status"]] = self.statuses.get(plan["status"], 0) + 1
        if broken:
            print(f"false-safe: {meetings} {plan['steps']} {more}", flush=True)

    def sentence(self) -> str:
        return (
            f"{self.cases} cases: {self.false_safe} false-safe, {self.missed} not planned though "
            f"feasible, {self.misjudged} orders misjudged; {self.steps} steps, {self.peels} of "
            f"them peels, {self.lifts} lifts; "
            + ", ".join(f"{n} {name}" for name, n in sorted(self.statuses.items()))
        )


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("count", nargs="?", type=int, default=100_000)
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--after", type=int, default=0, help="leave out so many cases")
    given = arguments.parse_args()
    tally = Tally()
    began = time.perf_counter()
    for block, start in enumerate(range(0, given.count, BLOCK)):
        if start < given.after:
            continue
        rng = random.Random(f"{given.seed} {block}")
        for _ in range(min(BLOCK, given.count - start)):
            tally.add(rng)
        print(f"{time.perf_counter() - began:.0f} s, {tally.sentence()}", flush=True)
    return 1 if tally.false_safe or tally.missed or tally.misjudged else 0


if __name__ == "__main__":
    sys.exit(main())
