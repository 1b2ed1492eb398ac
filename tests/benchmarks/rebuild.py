"""Time and quality of the rebuild plan on large invented plates.

`python -m tests.benchmarks.rebuild`. Compared, in the same run, with networkx's network simplex
on the same channels with one bundle per drop: it knows no turns, no bores on the way, no lanes
and no layers, and its length is the bound that plain flow gives.
"""

from __future__ import annotations

import math
import time
from dataclasses import replace

import networkx as nx

from mapper.plate import Plate
from mapper.pulling import plan_pull
from mapper.rebuild import RebuildSettings, WantedLead, plan_rebuild
from mapper.rebuild.network import network_of
from mapper.routes import find_crossings
from tests.rebuild_plates import comb_plate, two_leads_per_drop

CASES = (((4, 6), (30.0, 25.0)), ((8, 12), (40.0, 30.0)), ((8, 12), (30.0, 25.0)))
WISHES = ("none", "heaters left, sensors right", "every other drop left", "10 leads fixed")


def main() -> None:
    """Print one line per plate and wish."""
    for (rows, columns), trunk in CASES:
        plate = comb_plate(rows, columns, trunk)
        leads = two_leads_per_drop(plate)
        print(f"{rows * columns} drops, {len(leads)} leads, trunks {trunk[0]:g} x {trunk[1]:g} mm")
        for wish in WISHES:
            plan_one(plate, wished(plate, leads, wish), RebuildSettings(), f"wish: {wish}")
        free = RebuildSettings(past_bore_mm=0.0)
        plan_one(plate, leads, free, "bores on the way not counted")
        begin = time.perf_counter()
        flow_mm = plain_flow_mm(plate, leads, RebuildSettings().fill_limit)
        print(f"  network simplex: {time.perf_counter() - begin:.2f} s, {flow_mm} mm")


def wished(plate: Plate, leads: list[WantedLead], wish: str) -> list[WantedLead]:
    """The leads with a wish for an exit or a channel."""
    exits = [one.id for one in plate.exits]
    if wish.startswith("heaters"):
        return [replace(one, exit=exits[one.kind != "heater"]) for one in leads]
    if wish.startswith("every"):
        return [replace(one, exit=exits[int(one.drop[1:]) % 2]) for one in leads]
    if wish.startswith("10"):
        every = max(len(leads) // 10, 1)
        return [
            replace(one, channel="left") if k % every == 0 else one for k, one in enumerate(leads)
        ]
    return leads


def plan_one(plate: Plate, wanted: list[WantedLead], settings: RebuildSettings, name: str) -> None:
    """Plan, count and print."""
    begin, cpu = time.perf_counter(), time.process_time()
    plan = plan_rebuild(plate, wanted, settings)
    took, cpu = time.perf_counter() - begin, time.process_time() - cpu
    print(f"  {name}: {took:.1f} s ({cpu:.1f} s of processor)", end=", ")
    if plan.status != "planned":
        print(plan.bottleneck.words)
        return
    pulled = plan_pull(plan.route_map)
    whole = all(step.action == "pull" for step in pulled.steps)
    found = find_crossings(plan.route_map.leads, plan.route_map.tracing_error_mm)
    crossings = len({(one.a, one.b) for one in found if one.kind == "crossing"})
    print(
        f"{plan.length_mm:.0f} mm (bound {plan.length_bound_mm:.0f}), {crossings} pairs cross, "
        f"{len(plan.crossings)} planned, fullest {max(one.share for one in plan.fills):.0%}, "
        f"pull plan {pulled.status}, {'whole-lead' if whole else 'with peels'}"
    )


def plain_flow_mm(plate: Plate, wanted: list[WantedLead], fill: float) -> int | None:
    """Least total length of one bundle per drop by plain minimum-cost flow, in whole mm."""
    network = network_of(plate)
    bundle_mm2 = sum(math.pi / 4 * one.diameter_mm**2 for one in wanted) / len(plate.drops)
    graph = nx.DiGraph()
    for stretch in network.stretches:
        room = int(min(stretch.area_mm2 * fill / bundle_mm2, 10_000))
        for one, other in (stretch.ends, stretch.ends[::-1]):
            graph.add_edge(one, other, capacity=room, weight=round(stretch.length_mm))
    for drop in plate.drops:
        graph.add_node(network.place_of_drop[drop.id], demand=-1)
    graph.add_node("out", demand=len(plate.drops))
    for place in network.place_of_exit.values():
        graph.add_edge(place, "out", weight=0)
    try:
        return nx.network_simplex(graph)[0]
    except nx.NetworkXUnfeasible:
        return None


if __name__ == "__main__":
    main()
