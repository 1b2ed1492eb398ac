"""Pull orders, locked sets and cuts against published answers.

Sources: Kahn 1962 (topological order; the example is the usual textbook one), Tarjan 1972 and
Cormen, Leiserson, Rivest, Stein "Introduction to Algorithms" (strongly connected parts), Karp
1972 (feedback arc sets), the OEIS numbers named beside the counts, Adams "The Knot Book" (what
lies in layers comes apart). Counts of orders were recomputed by brute force.
"""

from __future__ import annotations

import random
from itertools import combinations, permutations, product

import networkx as nx
import pytest

from mapper.pulling import check_order, plan_pull, safe_now, whole_lead_cycles
from mapper.pulling import cuts as cuts_module
from tests.pulling_naive import as_map, can_come_out, chance_diagram, name, whole_orders

KAHN = ["5>11", "7>11", "7>8", "3>8", "3>10", "11>2", "11>9", "11>10", "8>9"]


def over(arcs, names=None):
    """Leads that lie over each other as the arcs say ("a>b": a lies over b).

    Each lead has the places where it lies underneath nearer its free end, so that it has to be
    past all of them before it is out of any place where it lies on top.
    """
    pairs = [tuple(arc.split(">")) for arc in arcs]
    names = names or sorted({name for pair in pairs for name in pair})
    number = {name: i for i, name in enumerate(names)}
    inner = dict.fromkeys(names, 0)
    outer = dict.fromkeys(names, 1000)
    meetings = []
    for upper, lower in pairs:
        inner[upper] += 1
        outer[lower] += 1
        sa, sb = (inner[upper],) * 2, (outer[lower],) * 2
        meetings.append({"a": number[upper], "b": number[lower], "sa": sa, "sb": sb, "top": "a"})
    return as_map(len(names), meetings, names), meetings, names


def count_orders(route_map):
    """All orders of pulling whole leads, one safe lead after the other."""
    known = {}

    def count(done):
        if done not in known:
            if len(done) == len(route_map.leads):
                return 1
            known[done] = sum(count(done | {x}) for x in safe_now(route_map, done).pull)
        return known[done]

    return count(frozenset())


def test_kahns_example_is_pulled_in_its_lexicographic_order_and_levels():
    route_map, _, _ = over(KAHN)
    order, levels, done = [], [], []
    while len(order) < 8:
        order.append(min(safe_now(route_map, order).pull, key=int))
    while len(done) < 8:
        levels.append({int(x) for x in safe_now(route_map, done).pull})
        done += [str(x) for x in levels[-1]]
    assert [int(x) for x in order] == [3, 5, 7, 8, 11, 2, 9, 10]
    assert levels == [{3, 5, 7}, {8, 11}, {2, 9, 10}]


def test_kahns_example_has_150_orders():
    route_map, meetings, names = over(KAHN)
    assert count_orders(route_map) == 150
    assert sum(1 for _ in whole_orders(len(names), meetings)) == 150
    assert len(plan_pull(route_map).steps) == 8


ROW = "abcdefghi"
GRID3 = [f"{r}{c}>{r}{c + 1}" for r in range(3) for c in range(2)] + [
    f"{r}{c}>{r + 1}{c}" for r in range(2) for c in range(3)
]
CUBE = [f"{x:03b}>{x | bit:03b}" for x in range(8) for bit in (1, 2, 4) if not x & bit]
GARMENTS = [
    "shorts>pants", "shorts>shoes", "socks>shoes", "pants>shoes", "pants>belt",
    "shirt>belt", "shirt>tie", "tie>jacket", "belt>jacket",
]  # fmt: skip


@pytest.mark.parametrize(
    ("arcs", "names", "orders"),
    [
        ([], list("abcd"), 24),  # antichain: 4!
        ([f"{a}>{b}" for a, b in zip("abcd", "bcde", strict=True)], None, 1),  # chain
        (["a>c", "b>c", "b>d"], None, 5),  # OEIS A160371
        (["a>b", "a>c", "b>d", "c>d"], None, 2),  # diamond
        (["a>b", "b>c", "x>y", "y>z"], None, 20),  # two chains of 3: 6!/(3!3!)
        (["a>b", "c>d", "e>f"], None, 90),  # three chains of 2: 6!/(2!2!2!)
        (["b>c", "d>e", "e>f"], list("abcdef"), 60),  # chains of 1, 2 and 3: 6!/(1!2!3!)
        (GRID3, None, 42),  # hook formula
        (CUBE, None, 48),  # OEIS A046873
        (["1>2", "1>3", "2>4", "2>5", "3>6", "3>7"], None, 80),  # heap: 7!/(7*3*3)
        (GARMENTS, [*{g for a in GARMENTS for g in a.split(">")}, "watch"], 1728),
    ],
)
def test_number_of_pull_orders_is_the_number_of_linear_extensions(arcs, names, orders):
    route_map, _, _ = over(arcs, sorted(names) if names else None)
    assert count_orders(route_map) == orders


def grid(rows, columns):
    return [
        f"{r}{c}>{r + down}{c + right}"
        for r in range(rows)
        for c in range(columns)
        for down, right in ((0, 1), (1, 0))
        if r + down < rows and c + right < columns
    ]


def zigzag(n):
    """a0 over a1, a2 over a1, a2 over a3, ..."""
    return [f"{i}>{i + 1}" if i % 2 == 0 else f"{i + 1}>{i}" for i in range(n - 1)]


def lattice(n):
    return [f"{x}>{x | 1 << i}" for x in range(2**n) for i in range(n) if not x >> i & 1]


@pytest.mark.parametrize(
    ("kind", "numbers"),
    [
        (lambda n: (zigzag(n), range(n)), {1: 1, 2: 1, 3: 2, 4: 5, 5: 16, 6: 61, 7: 272, 8: 1385}),
        (lambda n: (grid(2, n), [f"{r}{c}" for r in range(2) for c in range(n)]),
         {1: 1, 2: 2, 3: 5, 4: 14, 5: 42, 6: 132}),
        (lambda n: (grid(3, n), [f"{r}{c}" for r in range(3) for c in range(n)]), {3: 42, 4: 462}),
        (lambda n: (lattice(n), range(2**n)), {0: 1, 1: 1, 2: 2, 3: 48, 4: 1680384}),
    ],
    ids=["zigzag: Euler", "2 by n: Catalan", "3 by n: hook formula", "lattice: OEIS A046873"],
)  # fmt: skip
def test_number_of_pull_orders_of_published_families(kind, numbers):
    for n, orders in numbers.items():
        arcs, names = kind(n)
        route_map, _, _ = over(arcs, [str(name) for name in names])
        assert count_orders(route_map) == orders


@pytest.mark.parametrize("seed", range(40))
def test_plan_and_check_agree_with_every_order_of_up_to_seven_leads(seed):
    """Brute force: all orders of whole leads, each by a replay of its own."""
    rng = random.Random(seed)
    count, meetings = chance_diagram(rng, 7, 10, opens=0.05, layered=0.6)
    route_map = as_map(count, meetings)
    right = set(whole_orders(count, meetings))
    plan = plan_pull(route_map)
    whole = plan.status == "complete" and all(step.action == "pull" for step in plan.steps)
    assert whole == bool(right)
    if whole:
        assert tuple(int(step.wire[1:]) for step in plan.steps) in right
    orders = list(permutations(range(count)))
    for order in rng.sample(orders, min(len(orders), 40)) + sorted(right)[:10]:
        found = check_order(route_map, [name(x) for x in order])
        assert (found == []) == (order in right)


CORMEN = ["a>b", "b>c", "b>e", "b>f", "c>d", "c>g", "d>c", "d>h", "e>a", "e>f", "f>g", "g>f", "g>h"]


@pytest.mark.parametrize(
    ("arcs", "locked"),
    [
        (["1>2", "2>3", "3>1", "3>4", "4>5", "5>6", "6>4", "6>7"], ["123", "456"]),  # Tarjan 1972
        (CORMEN, ["abe", "cd", "fg"]),  # Cormen et al., without its loop at h
    ],
)
def test_locked_sets_are_the_strongly_connected_parts(arcs, locked):
    route_map, _, _ = over(arcs)
    expected = [tuple(part) for part in locked]
    assert [entry.wires for entry in plan_pull(route_map).locked] == expected
    assert list(whole_lead_cycles(route_map)) == expected


def test_a_lead_that_holds_itself_is_a_locked_set_of_one():
    # Cormen et al.: the loop h>h is a cycle although its part has one member
    _, meetings, names = over(CORMEN)
    meetings.append({"a": 7, "b": 7, "sa": (1, 1), "sb": (2000, 2000), "top": "a"})
    plan = plan_pull(as_map(8, meetings, names))
    assert [entry.wires for entry in plan.locked] == [
        ("a", "b", "e"), ("c", "d"), ("f", "g"), ("h",),
    ]  # fmt: skip


def line_map(arcs, costs=None):
    """Each arc of a graph becomes a lead that lies over the arcs that follow it.

    Cutting leads here is taking arcs out there, so the least cut is the minimum feedback arc set.
    """
    arcs = list(arcs)
    names = [f"{u}-{v}" for u, v in arcs]
    pairs = [f"{u}-{v}>{v}-{w}" for u, v in arcs for x, w in arcs if x == v]
    route_map, _, _ = over(pairs, names)
    return route_map, dict(zip(names, costs or [1.0] * len(names), strict=True))


def both(n):
    return [(u, v) for u in range(n) for v in range(n) if u != v]


def tournament(n, steps):
    return [(u, (u + s) % n) for u in range(n) for s in steps]


@pytest.mark.parametrize(
    ("arcs", "weights", "least"),
    [
        ([(0, 1), (1, 2), (2, 0)], None, 1),
        (tournament(5, [1]), None, 1),
        ([(0, 1), (1, 2), (2, 0), (0, 3), (3, 4), (4, 0)], None, 2),  # a common corner
        ([(0, 1), (1, 2), (2, 0), (1, 3), (3, 0)], None, 1),  # a common arc
        ([(0, 1), (1, 2), (2, 0)], [5.0, 2.0, 7.0], 2),
        (both(3), None, 3),
        (both(4), None, 6),
        (tournament(5, [1, 2]), None, 3),  # rotational tournament
        (tournament(7, [1, 2, 4]), None, 7),  # Paley tournament, squares mod 7
        (tournament(11, [1, 3, 4, 5, 9]), None, 20),  # Paley tournament, squares mod 11
    ],
)
def test_cheapest_cut_is_the_minimum_feedback_arc_set(arcs, weights, least, monkeypatch):
    monkeypatch.setattr(cuts_module, "_CUT_SECONDS", 120.0)  # on a busy machine too
    route_map, costs = line_map(arcs, weights)
    plan = plan_pull(route_map, costs=costs)
    cuts = [r for entry in plan.locked for r in entry.release if r.way == "cut"]
    assert sum(cut.cost for cut in cuts) == least
    assert all(cut.least for cut in cuts)


def tournaments(n):
    """All tournaments on n corners, one of each shape."""
    pairs = list(combinations(range(n), 2))
    seen = set()
    for ways in product((False, True), repeat=len(pairs)):
        arcs = [(v, u) if turn else (u, v) for (u, v), turn in zip(pairs, ways, strict=True)]
        shape = min(tuple(sorted((p[u], p[v]) for u, v in arcs)) for p in permutations(range(n)))
        if shape not in seen:
            seen.add(shape)
            yield arcs


@pytest.mark.parametrize(("n", "shapes", "least"), [(3, 2, 1), (4, 4, 1), (5, 12, 3)])
def test_worst_tournament_needs_the_published_cut(n, shapes, least):
    # OEIS A003141 (the Paley tournaments on 7 and 11 above reach its 7 and 20); shapes: A000568
    found = []
    for arcs in tournaments(n):
        route_map, costs = line_map(arcs)
        plan = plan_pull(route_map, costs=costs)
        found.append(sum(r.cost for e in plan.locked for r in e.release if r.way == "cut"))
    assert (len(found), max(found)) == (shapes, least)


@pytest.mark.parametrize("seed", range(30))
def test_cheapest_cut_is_the_brute_force_one(seed):
    rng = random.Random(seed)
    graph = nx.gnp_random_graph(7, 0.3, seed=seed, directed=True)
    costs = {str(x): rng.choice([1.0, 2.0, 3.5]) for x in graph}
    arcs = [f"{u}>{v}" for u, v in graph.edges]
    if not arcs:
        return
    route_map, _, names = over(arcs)
    best = min(
        sum(costs[str(x)] for x in cut)
        for k in range(8)
        for cut in combinations(sorted(graph), k)
        if nx.is_directed_acyclic_graph(graph.subgraph(set(graph) - set(cut)))
    )
    plan = plan_pull(route_map, costs=costs)
    cuts = [r for entry in plan.locked for r in entry.release if r.way == "cut"]
    assert sum(cut.cost for cut in cuts) == pytest.approx(best)
    for cut in cuts:
        assert set(cut.wires) <= set(names)


# A pair twisted once: two crossings, one lead on top at the one and the other at the other.


def test_twisted_pair_with_both_free_ends_one_way_is_peeled_apart():
    twisted = [
        {"a": 0, "b": 1, "sa": (10, 10), "sb": (10, 10), "top": "a"},
        {"a": 0, "b": 1, "sa": (20, 20), "sb": (20, 20), "top": "b"},
    ]
    plan = plan_pull(as_map(2, twisted))
    assert plan.to_dict() == {
        "status": "complete",
        "steps": [
            {"action": "peel", "wire": "Z01", "past": [100.0, 7.0]},
            {"action": "pull", "wire": "Z00"},
            {"action": "pull", "wire": "Z01"},
        ],
        "look_at": [],
        "locked": [],
    }
    assert plan.is_fewest


def test_twisted_pair_with_opposite_free_ends_is_locked():
    twisted = [
        {"a": 0, "b": 1, "sa": (10, 10), "sb": (20, 20), "top": "a"},
        {"a": 0, "b": 1, "sa": (20, 20), "sb": (10, 10), "top": "b"},
    ]
    plan = plan_pull(as_map(2, twisted))
    assert (plan.status, plan.steps) == ("locked", ())
    assert plan.locked[0].wires == ("Z00", "Z01")
    assert plan.locked[0].crossings == ((0.0, 7.0), (100.0, 7.0))


def test_three_leads_each_over_the_next_are_locked_though_no_two_are():
    # the cyclic overlay of the Borromean shadow: pairwise tests are not enough (Adams)
    route_map, meetings, _ = over(["a>b", "b>c", "c>a"])
    plan = plan_pull(route_map)
    assert plan.locked[0].wires == ("a", "b", "c")
    assert plan.locked[0].cycle.count("lies over") == 3
    for pair in combinations(range(3), 2):
        two = [m for m in meetings if {m["a"], m["b"]} <= set(pair)]
        assert can_come_out(3, two) == {0, 1, 2}


@pytest.mark.parametrize("seed", range(25))
def test_leads_in_layers_are_never_locked(seed):
    # Adams: components that can be ranked so that the higher is always on top come apart
    rng = random.Random(seed)
    count = rng.randint(2, 30)
    layer = list(range(count))
    rng.shuffle(layer)
    meetings = []
    for _ in range(rng.randint(0, 120)):
        a, b = rng.sample(range(count), 2)
        spans = [(low := rng.randint(0, 40), low + rng.randint(0, 5)) for _ in "ab"]
        top = "a" if layer[a] > layer[b] else "b"
        meetings.append({"a": a, "b": b, "sa": spans[0], "sb": spans[1], "top": top})
    plan = plan_pull(as_map(count, meetings))
    assert plan.status == "complete" and plan.is_fewest
    assert [step.action for step in plan.steps] == ["pull"] * count
