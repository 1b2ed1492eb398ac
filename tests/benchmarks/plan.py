"""Time of a pull plan against rustworkx's topological sort of the same events.

    python -m tests.benchmarks.plan

The peer gets one node per (lead, meeting) event and one edge per "comes before" (along each
lead from its free end, upper before lower at each meeting) and says an order of single
events; the plan turns that into pulls and peels, few of them, in walking order. Times are
processor time, the best of several runs in one process. "build + sort" also counts making the
peer's graph from index arrays, as the plan counts reading the meetings.

Re-plan: one step of the plan is logged, and the time from there to the new plan is set beside
the peer's build and sort of the events that are left (those of the lead that came out are gone).
"""

from __future__ import annotations

import random
import time

import numpy as np
import rustworkx as rx

from mapper.pulling import plan_meetings
from mapper.routes.model import Crossing, Lead


def plate(leads: int, meetings: int, split: float, opens: int, tangled: bool, seed: int = 1):
    """Leads on a grid of drops with random meetings that come apart lead by lead.

    `split`: share of leads that have to be peeled half way before others can be pulled.
    `opens`: how many meetings nobody has looked at; `tangled`: the upper lead is drawn blindly.
    """
    rng = random.Random(seed)
    side = int(leads**0.5) + 1
    records = []
    for i in range(leads):
        x, y = 40.0 * (i // 2 % side), 40.0 * (i // 2 // side)
        records.append(
            Lead(f"Z{i:04d}", "heater", f"D{i // 2}", "X", np.array([[x, y], [x, -50.0]]))
        )
    turns = [(rng.random(), i) for i in range(leads)]
    turns += [(rng.random(), i) for i in range(leads) if rng.random() < split]
    by_lead: list[list[float]] = [[] for _ in range(leads)]
    for when, i in sorted(turns):
        by_lead[i].append(when)
    found = []
    for k in range(meetings):
        a, b = rng.sample(range(leads), 2)
        s, t = rng.random(), rng.random()  # from the drop; the free end is at 1
        when_a = by_lead[a][0 if len(by_lead[a]) == 1 or s > 0.5 else 1]
        when_b = by_lead[b][0 if len(by_lead[b]) == 1 or t > 0.5 else 1]
        top = "a" if when_a < when_b else "b"
        if tangled:
            top = rng.choice("ab")
        if k < opens:
            top = None
        names = (records[a].id, records[b].id)
        found.append(Crossing(*names, float(k), 1.0, "crossing", (s, s), (t, t), 1.0, top))
    return records, found


def events(leads, meetings):
    """Return (number of events, edges (M, 2)) of the judged meetings as index arrays."""
    number = {lead.id: i for i, lead in enumerate(leads)}
    a = np.array([number[m.a] for m in meetings])
    b = np.array([number[m.b] for m in meetings])
    s = np.array([m.a_span_mm[0] for m in meetings])
    t = np.array([m.b_span_mm[0] for m in meetings])
    lead, where = np.concatenate([a, b]), np.concatenate([s, t])
    order = np.lexsort((-where, lead))
    same = lead[order][1:] == lead[order][:-1]
    chain = np.column_stack([order[:-1][same], order[1:][same]])
    count = len(meetings)
    upper = np.array([m.top == "a" for m in meetings])
    lower = np.array([m.top == "b" for m in meetings])
    k = np.arange(count)
    over = [np.column_stack([k, k + count])[upper], np.column_stack([k + count, k])[lower]]
    return 2 * count, np.concatenate([chain, *over])


def best_ms(work, runs: int) -> float:
    times = []
    for _ in range(runs):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return 1000 * min(times)


def build(count, edges):
    graph = rx.PyDiGraph(multigraph=True)
    graph.add_nodes_from(range(count))
    graph.add_edges_from_no_data(list(map(tuple, edges.tolist())))
    return graph


def main() -> None:
    print("2,000 leads, 20,000 meetings")
    for title, split, opens, tangled in (
        ("every lead can be pulled whole", 0.0, 0, False),
        ("1 in 100 leads peeled first", 0.01, 0, False),
        ("1 in 10 leads peeled first", 0.1, 0, False),
        ("200 meetings nobody has looked at", 0.0, 200, False),
        ("hopeless tangle", 0.0, 0, True),
    ):
        leads, meetings = plate(2000, 20000, split, opens, tangled)
        count, edges = events(leads, meetings)
        graph = build(count, edges)
        plan = plan_meetings(leads, meetings)
        ours = best_ms(lambda ls=leads, ms=meetings: plan_meetings(ls, ms), 5)
        whole = (
            best_ms(lambda c=count, e=edges: rx.topological_sort(build(c, e)), 5)
            if (rx.is_directed_acyclic_graph(graph))
            else float("nan")
        )
        sort = best_ms(lambda g=graph: rx.topological_sort(g), 5) if whole == whole else whole
        print(
            f"  {title:36s} plan {ours:8.1f} ms   sort {sort:6.1f} ms (x{ours / sort:5.1f})   "
            f"build + sort {whole:6.1f} ms (x{ours / whole:4.1f})   {plan.status}, "
            f"{len(plan.steps)} steps, at least {plan.stops_lower_bound}"
        )
    print("400 leads: plan anew after one step is logged")
    for meetings_count, split, opens in ((2000, 0.0, 0), (2000, 0.02, 0), (4000, 0.02, 20)):
        leads, meetings = plate(400, meetings_count, split, opens, False)
        first = plan_meetings(leads, meetings).steps[:1]
        again = best_ms(lambda ls=leads, ms=meetings, d=first: plan_meetings(ls, ms, d), 9)
        gone = {step.wire for step in first if step.action == "pull"}
        rest = [m for m in meetings if not {m.a, m.b} & gone]
        count, edges = events(leads, rest)
        graph = build(count, edges)
        sort = best_ms(lambda g=graph: rx.topological_sort(g), 9)
        whole = best_ms(lambda c=count, e=edges: rx.topological_sort(build(c, e)), 9)
        print(
            f"  {meetings_count} meetings, {opens} open: plan {again:.1f} ms   "
            f"sort {sort:.2f} ms (x{again / sort:.1f})   build + sort {whole:.1f} ms "
            f"(x{again / whole:.1f})"
        )


if __name__ == "__main__":
    main()
