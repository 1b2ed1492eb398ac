"""Time and quality of the rebuild plan on large invented plates.

`python -m tests.benchmarks.rebuild`. Compared, in the same run, with networkx's network simplex
on the same channels with one bundle per drop: it knows no turns, no bores on the way, no lanes
and no layers, and its length is the bound that plain flow gives.
"""

from __future__ import annotations

import math
import time

import networkx as nx

from mapper.plate import Plate
from mapper.pulling import plan_pull
from mapper.rebuild import RebuildSettings, WantedLead, plan_rebuild
from mapper.rebuild.network import network_of
from mapper.routes import find_crossings
from tests.rebuild_plates import comb_plate, two_leads_per_drop

CASES = (((4, 6), (30.0, 25.0)), ((8, 12), (40.0, 30.0)), ((8, 12), (30.0, 25.0)))


def main() -> None:
    """Print one line per plate."""
    for (rows, columns), trunk in CASES:
        plate = comb_plate(rows, columns, trunk)
        wanted = two_leads_per_drop(plate)
        for settings in (RebuildSettings(), RebuildSettings(past_bore_mm=0.0)):
            begin = time.perf_counter()
            plan = plan_rebuild(plate, wanted, settings)
            took = time.perf_counter() - begin
            name = f"{rows * columns} drops, {len(wanted)} leads, trunk {trunk[0]:g} x {trunk[1]:g}"
            if plan.status != "planned":
                print(f"{name}: {took:.2f} s, {plan.bottleneck.words}")
                continue
            pulled = plan_pull(plan.route_map)
            whole = all(step.action == "pull" for step in pulled.steps)
            found = find_crossings(plan.route_map.leads, 0.5)
            crossings = sum(one.kind == "crossing" for one in found)
            print(
                f"{name}, bore counts {settings.past_bore_mm:g} mm: {took:.2f} s, "
                f"{plan.length_mm:.0f} mm (bound {plan.length_bound_mm:.0f}), "
                f"{crossings} crossings found, {len(plan.crossings)} planned, "
                f"fullest {max(one.share for one in plan.fills):.0%}, pull plan {pulled.status}, "
                f"{'whole-lead' if whole else 'with peels'}"
            )
        begin = time.perf_counter()
        flow_mm = plain_flow_mm(plate, wanted, RebuildSettings().fill_limit)
        print(f"  network simplex: {time.perf_counter() - begin:.2f} s, {flow_mm} mm")


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
