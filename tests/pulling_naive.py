"""A slow, plain replay of the peel rule for the tests. It shares no code with the package.

A diagram is (number of leads, meetings); a meeting is a dict with leads `a` and `b` (numbers),
spans `sa` and `sb` ((low, high) in whole numbers from the drop), `top` and `kind`. The state of
a lead is the position down to which it is free: a place at p is passed when p >= position.
`NOT_YET` is before the free end, `OUT` is out.
"""

from __future__ import annotations

from itertools import permutations
from types import SimpleNamespace

import numpy as np

from mapper.routes.model import Crossing, Lead

NOT_YET, OUT = 10**9, -(10**9)


def legal(meetings, state, lead, target):
    """May a lead be freed from where it is down to `target`?"""
    return not blockers(meetings, state, lead, target)


def blockers(meetings, state, lead, target):
    found = []
    for number, m in enumerate(meetings):
        if m["top"] == "apart":
            continue
        if m["a"] == m["b"]:
            if m["a"] != lead or m["top"] == "b":
                continue
            (low, high), (need, _), other = m["sb"], m["sa"], lead
        elif m["a"] == lead:
            if m["top"] == "a":
                continue
            (low, high), (need, _), other = m["sa"], m["sb"], m["b"]
        elif m["b"] == lead:
            if m["top"] == "b":
                continue
            (low, high), (need, _), other = m["sb"], m["sa"], m["a"]
        else:
            continue
        goes_in = high >= target
        is_past = low >= state[lead]
        other_is_past = need >= state[other]
        if goes_in and not is_past and not other_is_past:
            found.append(number)
    return found


def stops_of(meetings, lead):
    """All positions just past which a lead can be left hanging."""
    spots = set()
    for m in meetings:
        if m["a"] == lead:
            spots.add(m["sa"][0])
        if m["b"] == lead:
            spots.add(m["sb"][0])
    return spots


def can_come_out(count, meetings, state=None):
    """The leads that come out in the end when everything is freed that may be."""
    state = list(state or [NOT_YET] * count)
    moved = True
    while moved:
        moved = False
        for lead in range(count):
            for target in [OUT, *sorted(stops_of(meetings, lead))]:
                if target < state[lead] and legal(meetings, state, lead, target):
                    state[lead] = target
                    moved = True
                    break
    return {lead for lead in range(count) if state[lead] == OUT}


def fewest_steps(count, meetings, wanted):
    """Breadth first over every order of every pull and peel: the fewest steps to get `wanted`."""
    row, seen, steps = {(NOT_YET,) * count}, set(), 0
    while row:
        if any(all(state[x] == OUT for x in wanted) for state in row):
            return steps
        seen |= row
        following = set()
        for state in row:
            for lead in range(count):
                for target in {OUT} | stops_of(meetings, lead):
                    if target < state[lead] and legal(meetings, state, lead, target):
                        following.add((*state[:lead], target, *state[lead + 1 :]))
        row = following - seen
        steps += 1
    return None


def whole_orders(count, meetings):
    """Every order in which all leads can be pulled whole, by trying them all."""
    for order in permutations(range(count)):
        state = [NOT_YET] * count
        for lead in order:
            if not legal(meetings, state, lead, OUT):
                break
            state[lead] = OUT
        else:
            yield order


def name(lead):
    return f"Z{lead:02d}"


def as_map(count, meetings, names=None, places=None):
    """Return the diagram as the records that the package reads."""
    names = names or [name(i) for i in range(count)]
    leads = tuple(
        Lead(names[i], "heater", f"D{i}", "X1", np.array([[10.0 * i, 0.0], [10.0 * i, 50.0]]))
        for i in range(count)
    )
    crossings = []
    for number, m in enumerate(meetings):
        x, y = places[number] if places else (100.0 * number, 7.0)
        crossings.append(
            Crossing(
                names[m["a"]],
                names[m["b"]],
                x,
                y,
                m.get("kind", "crossing"),
                tuple(map(float, m["sa"])),
                tuple(map(float, m["sb"])),
                1.0,
                m["top"],
            )
        )
    return SimpleNamespace(tracing_error_mm=0.5, leads=leads, crossings=tuple(crossings), judged=())


def replay(count, meetings, steps):
    """Carry out the steps of a plan; return (broken step numbers, leads that are out)."""
    state = [NOT_YET] * count
    broken = []
    for at, step in enumerate(steps):
        lead = int(step["wire"][1:])
        target = OUT
        if step["action"] == "peel":
            number = round(step["past"][0] / 100)
            m = meetings[number]
            spots = [m[s][0] for s, who in (("sa", m["a"]), ("sb", m["b"])) if who == lead]
            ahead = [p for p in spots if p < state[lead]]
            target = max(ahead) if ahead else state[lead]
        if not legal(meetings, state, lead, target):
            broken.append(at)
        state[lead] = min(target, state[lead])
    return broken, {lead for lead in range(count) if state[lead] == OUT}


def chance_diagram(random, max_leads, max_meetings, opens=0.1, spans=0.3, own=0.05, layered=0.0):
    """A random diagram; `layered`: share of meetings in which the first lead is on top."""
    count = random.randint(1, max_leads)
    meetings = []
    for _ in range(random.randint(0, max_meetings)):
        a = random.randrange(count)
        b = a if random.random() < own else random.randrange(count)
        wide = random.random() < spans
        sa = (low := random.randint(0, 12), low + (random.randint(0, 4) if wide else 0))
        sb = (low := random.randint(0, 12), low + (random.randint(0, 4) if wide else 0))
        if a == b and sa[0] > sb[0]:
            sa, sb = sb, sa
        chance = random.random()
        top = (
            None
            if chance < opens
            else "apart"
            if wide and chance < opens + 0.05
            else (("a" if a < b else "b") if random.random() < layered else random.choice("ab"))
        )
        kind = "shared run" if wide else "crossing"
        meetings.append({"a": a, "b": b, "sa": sa, "sb": sb, "top": top, "kind": kind})
    return count, meetings


def peelable_diagram(random, count, meetings):
    """A random diagram that comes apart by peeling: somebody's chance order of freeing is drawn
    first, and who is past a place first lies on top there."""
    places = [[] for _ in range(count)]
    pairs = []
    for number in range(meetings):
        a, b = random.randrange(count), random.randrange(count)
        pairs.append((a, b))
        for side, lead in (("sa", a), ("sb", b)):
            places[lead].insert(random.randint(0, len(places[lead])), (number, side))
    spans = {key: (at, at) for lead in places for at, key in enumerate(lead)}
    turn = [lead for lead in range(count) for _ in places[lead]]
    random.shuffle(turn)
    ahead = [list(lead) for lead in places]
    first = {}
    for lead in turn:
        number, side = ahead[lead].pop()
        first.setdefault(number, side)
    found = []
    for number, (a, b) in enumerate(pairs):
        sa, sb = spans[number, "sa"], spans[number, "sb"]
        top = "a" if first[number] == "sa" else "b"
        if a == b and sa > sb:
            sa, sb, top = sb, sa, "b" if top == "a" else "a"
        found.append({"a": a, "b": b, "sa": sa, "sb": sb, "top": top, "kind": "crossing"})
    return count, found
