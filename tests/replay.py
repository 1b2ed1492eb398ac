"""An independent judge of pull plans: own crossings, own rule, exact arithmetic.

Shares no code with `mapper.routes` or `mapper.pulling`. Leads are ideal lines on an integer
grid; crossings are found with rational numbers, every plan is replayed event by event.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from fractions import Fraction

Place = tuple[int, Fraction]  # segment number from the drop, share of that segment


class Degenerate(Exception):
    """Lines that touch without crossing cleanly; such a random case is thrown away."""


@dataclass(frozen=True)
class Meeting:
    """A true crossing: lead ids, place on each lead, point, id of the upper pass."""

    a: str
    b: str
    on_a: Place
    on_b: Place
    x: Fraction
    y: Fraction


def _cross(o, p, q) -> int:
    return (p[0] - o[0]) * (q[1] - o[1]) - (p[1] - o[1]) * (q[0] - o[0])


def _meet(p, q, r, s) -> tuple[Fraction, Fraction] | None:
    """Shares along pq and rs where the segments cross; raises where they only touch."""
    d1, d2, d3, d4 = _cross(p, q, r), _cross(p, q, s), _cross(r, s, p), _cross(r, s, q)
    if 0 in (d1, d2, d3, d4):
        box = all(
            max(min(p[i], q[i]), min(r[i], s[i])) <= min(max(p[i], q[i]), max(r[i], s[i]))
            for i in (0, 1)
        )
        if box:
            raise Degenerate
        return None
    if (d1 > 0) == (d2 > 0) or (d3 > 0) == (d4 > 0):
        return None
    return Fraction(d3, d3 - d4), Fraction(d1, d1 - d2)


def meetings(routes: dict[str, list[tuple[int, int]]]) -> list[Meeting]:
    """All crossings of the routes, self-crossings included (a == b, a nearer the drop)."""
    found = []
    names = list(routes)
    for m, a in enumerate(names):
        for b in names[m:]:
            for i, (p, q) in enumerate(zip(routes[a], routes[a][1:], strict=False)):
                for j, (r, s) in enumerate(zip(routes[b], routes[b][1:], strict=False)):
                    if a == b and j <= i + 1:
                        continue
                    shares = _meet(p, q, r, s)
                    if shares is None:
                        continue
                    t, u = shares
                    found.append(
                        Meeting(
                            a, b, (i, t), (j, u), p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])
                        )
                    )
    return found


def random_case(rng: random.Random, leads: int, points: int, size: int = 1000):
    """Routes with integer points, a top for each crossing ("a", "b" or None = open)."""
    while True:
        routes = {
            f"L{k}": [(rng.randrange(size), rng.randrange(size)) for _ in range(points)]
            for k in range(leads)
        }
        try:
            found = meetings(routes)
        except Degenerate:
            continue
        close = any(
            (m.x - n.x) ** 2 + (m.y - n.y) ** 2 < 9
            for k, m in enumerate(found)
            for n in found[:k]
            if {m.a, m.b} == {n.a, n.b}
        )
        turned_back = any(
            _cross(p, q, r) == 0
            for pts in routes.values()
            for p, q, r in zip(pts, pts[1:], pts[2:], strict=False)
        )
        if close or turned_back:  # judgements are told apart by their place, to 1 mm
            continue
        share_open = rng.choice([0.0, 0.0, 0.1, 0.3])
        if rng.random() < 0.5:  # layered: nearly always free to go
            rank = {name: rng.random() for name in routes}
            tops = ["b" if m.a == m.b else ("a" if rank[m.a] > rank[m.b] else "b") for m in found]
        else:
            tops = [rng.choice("ab") for _ in found]
        tops = [None if rng.random() < share_open else top for top in tops]
        return routes, found, tops


class Replay:
    """The state of the plate while leads are freed, one crossing at a time."""

    def __init__(self, routes, found, tops):
        self.routes, self.found, self.tops = routes, found, tops
        self.passed: set[tuple[str, int, str]] = set()  # (lead, meeting number, pass "a"/"b")
        self.out: set[str] = set()

    def events(self, lead: str) -> list[tuple[Place, int, str]]:
        """Passes of a lead still to be freed, from its free end inwards."""
        todo = []
        for k, m in enumerate(self.found):
            if m.a == lead and (lead, k, "a") not in self.passed:
                todo.append((m.on_a, k, "a"))
            if m.b == lead and (lead, k, "b") not in self.passed:
                todo.append((m.on_b, k, "b"))
        return sorted(todo, reverse=True)

    def may_pass(self, lead: str, k: int, side: str) -> bool:
        """Whether a lead may be freed past meeting k on this pass."""
        m, top = self.found[k], self.tops[k]
        other_side = "b" if side == "a" else "a"
        other = m.b if side == "a" else m.a
        if top == side:
            return True
        return (other, k, other_side) in self.passed or (other != lead and other in self.out)

    def pull(self, lead: str) -> bool:
        """Free a lead past all that is left; False when it is torn from under another."""
        harmless = lead not in self.out
        for _, k, side in self.events(lead):
            harmless &= self.may_pass(lead, k, side)
            self.passed.add((lead, k, side))
        self.out.add(lead)
        return harmless

    def peel(self, lead: str, past: tuple[float, float]) -> bool:
        """Free a lead as far as just past the meeting nearest to a place."""
        todo = self.events(lead)

        def off(event):
            m = self.found[event[1]]
            return (float(m.x) - past[0]) ** 2 + (float(m.y) - past[1]) ** 2

        if not todo or off(min(todo, key=off)) > 1e-6:
            return False
        target = min(todo, key=off)
        harmless = lead not in self.out
        for event in todo:
            if event[0] < target[0]:
                break
            harmless &= self.may_pass(lead, event[1], event[2])
            self.passed.add((lead, event[1], event[2]))
        return harmless

    def leads_that_can_come_out(self) -> set[str]:
        """Free whatever may be freed until nothing moves; the leads that are out then."""
        free = Replay(self.routes, self.found, self.tops)
        free.passed, free.out = set(self.passed), set(self.out)
        moved = True
        while moved:
            moved = False
            for lead in self.routes:
                for _, k, side in free.events(lead):
                    if not free.may_pass(lead, k, side):
                        break
                    free.passed.add((lead, k, side))
                    moved = True
                if lead not in free.out and not free.events(lead):
                    free.out.add(lead)
                    moved = True
        return free.out
