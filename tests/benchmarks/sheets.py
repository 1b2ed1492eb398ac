"""Every sheet on every paper, for plates up to 96 drops: pages, file size, time, what a printer's
eye finds. Run by hand: `python -m tests.benchmarks.sheets [FOLDER]`; the PDFs go into FOLDER.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np

from mapper.bench import Zone
from mapper.bench.response import judge_rises
from mapper.bench.salvage import Costs, compare_costs, part_verdicts
from mapper.plate import Plate
from mapper.pulling import Step
from mapper.rebuild import RebuildSettings, plan_rebuild
from mapper.routes import Lead, RouteMap
from mapper.sheets import (
    PAPERS_MM,
    ResponseRecord,
    Scene,
    StepCard,
    TagStock,
    marker_sheets,
    place_photo,
    pull_cards,
    pull_sheets,
    rebuild_sheet,
    response_sheet,
    route_sheet,
    salvage_sheet,
    scenes_to_pdf,
    step_place,
    wire_tag_sheets,
)
from tests.rebuild_plates import comb_plate, two_leads_per_drop
from tests.rendered import faults_of

AT = datetime(2026, 3, 1, 14, 30)
CASES = {"12 drops": (12, 4), "96 drops": (96, 12), "long names": (12, 4), "no lead": (4, 2)}


def plate_of(drops: int, columns: int) -> Plate:
    """Drops in rows beside channels that run down to one exit each, 896 x 646 mm."""
    wide, high, rows = 896.0, 646.0, -(-drops // columns)
    at = [divmod(n, columns) for n in range(drops)]
    xs = [wide * (c + 0.9) / columns for c in range(columns)]
    return Plate.from_mapping(
        {
            "name": "invented",
            "outline": [[0, 0], [wide, 0], [wide, high], [0, high]],
            "drops": [
                {"id": f"D{n + 1:02d}", "x": wide * (c + 0.5) / columns,
                 "y": high * (r + 0.7) / rows, "bore_diameter": min(36, 0.5 * wide / columns)}
                for n, (r, c) in enumerate(at)
            ],
            "channels": [
                {"id": f"C{k}", "points": [[x, 0], [x, high * 0.95]], "width": 14, "depth": 15}
                for k, x in enumerate(xs)
            ],
            "exits": [{"id": f"X{k + 1}", "x": x, "y": 0} for k, x in enumerate(xs)],
        }
    )  # fmt: skip


def name_of(case: str, number: int, kind: str) -> str:
    if case == "long names":
        return f"Strefa {number:02d} górna wężyk 热流道 lower left {kind}"[:40]
    return f"Z{number:02d}-{kind}"


def map_of(case: str) -> RouteMap:
    drops, columns = CASES[case]
    plate = plate_of(drops, columns)
    if case == "no lead":
        return RouteMap(plate, ())
    leads = []
    for n, drop in enumerate(plate.drops):
        exit_ = plate.exits[n % columns]
        for j, kind in enumerate(("heater", "thermocouple")):
            x = exit_.x_mm + (n // columns * 2 + j - 4) * 1.2
            points = [[drop.x_mm, drop.y_mm], [x, drop.y_mm - 10], [x, 0]]
            name = name_of(case, n + 1, "HT"[j])
            leads.append(Lead(name, kind, drop.id, exit_.id, points, 2.0))
    return RouteMap(plate, tuple(leads))


class _FlatFit:
    """A photo straight from above, 4 px per mm, of a plate 646 mm high."""

    def photo_from_plate(self, xy_mm, depth_mm=0.0):
        xy_mm = np.asarray(xy_mm, float)
        return np.column_stack([4 * xy_mm[:, 0], 2584 - 4 * xy_mm[:, 1]])


def cards_of(route_map: RouteMap, paper: str) -> list[Scene]:
    noise = np.random.default_rng(1).integers(90, 170, (646, 896, 3), dtype=np.uint8)
    pixels = np.kron(noise, np.ones((4, 4, 1), np.uint8))
    steps, present = [], set(route_map.leads_by_id)
    for number, lead in enumerate(route_map.leads, start=1):
        step = Step("pull", lead.id)
        place = step_place(route_map, step, present)
        photo = place_photo(pixels, _FlatFit(), place, 0.0, "noise.jpg, cleared")
        how = f"{lead.kind} of {lead.drop}, free end at {lead.exit}"
        here = frozenset(present)
        steps.append(StepCard(number, step, "Pull", how, place, here, (), (), photo))
        present.discard(lead.id)
    return pull_cards(route_map, steps, [], "Invented plate", AT, paper)


def sheets_of(case: str, paper: str) -> Iterator[tuple[str, Callable[[], list[Scene]]]]:
    route_map, title = map_of(case), "Invented plate after a flood"
    if case == "long names":
        title = "Mould 4711 热流道 Łódź, second shift, a very long name of a job that goes on"
    steps = [{"action": "pull", "wire": lead.id} for lead in route_map.leads]
    plan = {"status": "complete", "steps": steps, "look_at": [], "locked": []}
    yield "pull sheet", lambda: pull_sheets(route_map, plan, title, AT, paper=paper)
    yield "pull order with crops", lambda: cards_of(route_map, paper)
    yield "route map", lambda: [route_sheet(route_map, title, AT, paper)]
    if route_map.leads:
        columns = 5 if paper == "A3" else 3
        stock = TagStock(50, 24, columns, paper=paper)
        yield "wire tags", lambda: wire_tag_sheets(route_map.leads, stock)
        drops, across = CASES[case]
        plate = comb_plate(drops // across, across)
        wanted = [
            replace(one, id=name_of(case, n // 2 + 1, "HT"[n % 2]))
            for n, one in enumerate(two_leads_per_drop(plate))
        ]
        laid = plan_rebuild(plate, wanted, RebuildSettings(fill_limit=1.0))
        yield "rebuild", lambda: rebuild_sheet(plate, laid, title, AT, paper)
        names = [name_of(case, n + 1, "H") for n in range(drops)]
        rises = np.eye(drops) * 20 + np.random.default_rng(1).normal(0, 0.1, (drops, drops))
        result = judge_rises(names, names, rises, 0.1)
        yield "response test", lambda: response_sheet(result, ResponseRecord(1), title, AT, paper)
    zones = tuple(Zone(drop.id, {"volts": 240.0, "watts": 250.0}) for drop in route_map.plate.drops)
    parts = part_verdicts(zones)
    costs = compare_costs(parts, Costs())
    yield "salvage", lambda: salvage_sheet(title, parts, Costs(), costs, AT, "", paper)
    yield "markers", lambda: marker_sheets(40.0, tuple(range(12)), paper)


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    print(f"{'case':<11} {'paper':<7} {'sheet':<22} {'pages':>5} {'MB':>6} {'s':>6}  faults")
    for case in CASES:
        for paper in PAPERS_MM:
            for name, make in sheets_of(case, paper):
                start = time.perf_counter()
                scenes = make()
                pdf = scenes_to_pdf(scenes)
                took = time.perf_counter() - start
                # stock is cut from the sheet, so labels may reach its edge
                margin_mm = 0.0 if name == "wire tags" else 5.0
                least_mm = 2.4 if name == "wire tags" else 2.82
                faults = faults_of(scenes, least_mm, margin_mm)
                size = len(pdf) / 1e6
                said = f"{len(faults)} {faults[0] if faults else ''}"
                row = f"{case:<11} {paper:<7} {name:<22} {len(scenes):>5} {size:>6.2f} {took:>6.1f}"
                print(f"{row}  {said}", flush=True)
                if folder is not None:
                    folder.mkdir(parents=True, exist_ok=True)
                    (folder / f"{name}, {case}, {paper}.pdf").write_bytes(pdf)


if __name__ == "__main__":
    main()
