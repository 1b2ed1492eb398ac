"""Makes `sample_images/` from a rendered plate with exact truth: `python -m tests.make_sample_job`.

The scenario is invented: a shift has traced all leads but one and judged most meetings; six
crossings are still open, and one crossing was judged wrongly, so that some leads seem to hold
each other locked. Whoever looks at the photos can finish the job.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from mapper.fit import PhotoFit, fit_photo, plate_from_lead
from mapper.photos import load_photo
from mapper.plate import Plate
from mapper.pulling import plan_pull
from mapper.records import Job, Stretch, TracedLead
from mapper.routes import Crossing, Judged, RouteMap, write_route_map
from tests.conftest import REPO
from tests.truth import lead_id, true_plate, truth_of

PLATES = REPO.parent / "shared" / "plates"
OUT = REPO / "sample_images"
PHOTOS = {  # file of the rendered plate: (name in the demo, stage, fitted already)
    "01_before_overview.jpg": ("before.jpg", "before", True),
    "02_during_overview.jpg": ("round-1.jpg", "during 1", True),
    "03_during_closeup.jpg": ("round-1-close.jpg", "during 1", False),
    "04_clear_overview.jpg": ("cleared.jpg", "cleared", True),
}
TRACED_ON = "04_clear_overview.jpg"
MISSING = "Z08-T"
OPEN_CROSSINGS = 6
MISTAKEN = ("Z06-T", "Z09-T")  # shown clearly by every photo; judged wrongly in the demo
SHIFT = "previous shift"
AT = "2024-03-12T16:30:00+00:00"


def main() -> None:
    folder = PLATES / "plate2"
    truth = truth_of(folder)
    plate = Plate.from_mapping(
        {**true_plate(truth).to_mapping(), "name": "Demo plate, 12 drops (invented)"}
    )
    OUT.mkdir(exist_ok=True)
    entries: dict[str, Any] = {
        "about": {
            "name": "Demo: 12-drop plate after a flood",
            "mould": "M-12 (invented)",
            "resin": "PP, blue (invented)",
            "person": "",
            "note": "An invented scenario. The pictures are computer-rendered and show no real "
            "plate. One lead is not traced, some crossings are open, one was judged wrongly. "
            "Parts, readings, prices and costs are invented too.",
        },
        "plate": plate.to_mapping(),
        "settings": {"tracing_error_mm": 0.5, "unseen_error_mm": 4.0, "leads_per_drop": ["H", "T"]},
    }
    sha_of: dict[str, str] = {}
    fit_of: dict[str, PhotoFit] = {}
    for file, (name, stage, fitted) in PHOTOS.items():
        shutil.copyfile(folder / file, OUT / name)
        photo = load_photo(OUT / name)
        sha_of[file] = photo.sha256
        entries[f"photo/{photo.sha256}"] = {
            "name": name,
            "stage": stage,
            "taken_at": photo.taken_at.isoformat() if photo.taken_at else None,
            "focal35_mm": photo.focal35_mm,
            "width_px": photo.width_px,
            "height_px": photo.height_px,
        }
        if fitted:
            fit_of[file] = fit_photo(photo, plate)
            print(name, fit_of[file].verdict, fit_of[file].reasons)
            entries[f"fit/{photo.sha256}"] = {"fit": fit_of[file].to_dict(), "clicks": []}

    heights: dict[str, np.ndarray] = {}  # lead id -> (N, 3): x, y as traced, true z
    for wire in truth["wires"]:
        lead, heights[lead_id(wire["id"])] = traced(
            truth, wire, plate, fit_of[TRACED_ON], sha_of[TRACED_ON]
        )
        entries[f"lead/{lead.id}"] = lead.to_mapping()

    whole = Job.from_mapping(entries).route_map(provisional=False)
    tops = [true_top(meeting, whole, heights) for meeting in whole.crossings]
    right = judged_map(whole, tops)
    plan = plan_pull(right)
    print(f"all judged rightly: {plan.status}, {len(plan.steps)} steps, {len(tops)} meetings")

    clear = clearness(truth, whole, right.crossings)
    wrong = locking_mistake(right, tops)
    opened = [
        n
        for n in sorted(clear, key=clear.__getitem__, reverse=True)
        if n != wrong and MISSING not in (whole.crossings[n].a, whole.crossings[n].b)
    ]
    opened = spread(opened, whole, OPEN_CROSSINGS)
    if wrong is not None:
        tops[wrong] = "b" if tops[wrong] == "a" else "a"
    for n, (meeting, top) in enumerate(zip(whole.crossings, tops, strict=True)):
        if top is None or n in opened or MISSING in (meeting.a, meeting.b):
            continue
        entries[f"judged/{n:032x}"] = {
            "a": meeting.a,
            "b": meeting.b,
            "x": meeting.x_mm,
            "y": meeting.y_mm,
            "top": top,
            "by": SHIFT,
            "at": AT,
            "photo": sha_of["01_before_overview.jpg" if n == wrong else TRACED_ON],
        }
    entries |= bench_entries([drop.id for drop in plate.drops])
    del entries[f"lead/{MISSING}"]
    job = Job.from_mapping(entries)
    for provisional in (True, False):
        plan = plan_pull(job.route_map(provisional=provisional))
        print(f"{provisional=}: {plan.status}, {[s.wire for s in plan.steps]}")
        print([(p.a, p.b, p.frees) for p in plan.look_at], [x.wires for x in plan.locked])
    text = json.dumps(entries, ensure_ascii=False, indent=None, separators=(",", ":"))
    (OUT / "job.json").write_text(text.replace('},"', '},\n"') + "\n", encoding="utf-8")
    write_route_map(job.route_map(provisional=False), OUT / "route-map.json")
    print("open:", [(whole.crossings[n].a, whole.crossings[n].b) for n in opened])
    print("wrong:", None if wrong is None else whole.crossings[wrong])


def bench_entries(drops: Sequence[str]) -> dict[str, Any]:
    """Invented parts, pins, readings and costs: one broken heater, one damp one, one thermocouple
    with its pins exchanged, two zones not measured yet."""
    entries: dict[str, Any] = {}
    for n, drop in enumerate(drops):
        watts = 250 if n < 8 else 400
        plus, minus = f"X2:{2 * n + 1}", f"X2:{2 * n + 2}"
        zone: dict[str, Any] = {
            "volts": 240, "watts": watts, "heater_material": "nickel-plated copper",
            "heater_wire": "20 AWG", "heater_insulation": "glass fibre", "heater_rating_c": 480,
            "heater_price": 96 if n < 8 else 118, "heater_days": 15, "sensor": "J",
            "junction": "ungrounded", "sensor_wire": "24 AWG", "sensor_length_m": 1.5,
            "sensor_insulation": "glass fibre", "sensor_rating_c": 480, "sensor_price": 42,
            "sensor_days": 6, "heater_pin_1": f"X1:{2 * n + 1}", "heater_pin_2": f"X1:{2 * n + 2}",
            "sensor_pin_plus": minus if n == 6 else plus,
            "sensor_pin_minus": plus if n == 6 else minus,
        }  # fmt: skip
        if n < len(drops) - 2:
            ohm = round(240**2 / watts * (1 + 0.004 * (n % 5)), 1)
            zone |= {
                "ohm": "open" if n == 2 else ohm,
                "insulation_mohm": 0.3 if n == 4 else 150 + 10 * n,
                "test_volts": 500, "part_c": 22, "loop_ohm": round(4.2 + 0.05 * (n % 4), 2),
                "known_c": 100, "shown_c": 100.5 + 0.2 * (n % 3), "terminals_c": 23,
            }  # fmt: skip
        entries[f"zone/Z{drop[1:]}"] = zone
    entries["costs"] = {
        "hours": 26, "rate": 60, "consumables": 600, "consumables_share": 20, "inhouse_days": 5,
        "quote": 2600, "freight": 180, "outside_days": 12, "day_cost": 250, "quote_has_parts": True,
    }  # fmt: skip
    return entries


def traced(
    truth: Mapping[str, Any], wire: Mapping[str, Any], plate: Plate, fit: PhotoFit, sha256: str
) -> tuple[TracedLead, np.ndarray]:
    """A lead as somebody would trace it on the cleared photo, and its true heights."""
    views = [next(w for w in photo["wires"] if w["id"] == wire["id"]) for photo in truth["photos"]]
    on_photo = next(p for p in truth["photos"] if p["file"] == TRACED_ON)
    px = np.array(next(w for w in on_photo["wires"] if w["id"] == wire["id"])["polyline_px"])
    points = np.array(wire["points"])
    covered = [
        "".join(sorted({v["occluder"][i] for v in views} - {"X"})) == "P" for i in range(len(px))
    ]
    inside = points[:, 1] >= 0.0
    px, points, covered = px[inside], points[inside], np.array(covered)[inside]
    mm, depth_mm = plate_from_lead(fit, plate, px)
    heights = np.column_stack((mm, points[:, 2]))

    line = shapely.LineString(px)
    keep = np.isin(line.coords, line.simplify(0.4).coords).all(axis=1)
    keep |= np.r_[False, covered[1:] != covered[:-1]]
    stretches = []
    start = 0
    ends = [i for i in range(1, len(px)) if covered[i] != covered[i - 1]] + [len(px) - 1]
    for end in ends:
        chosen = [i for i in range(start, end + 1) if keep[i] or i in (start, end)]
        if len(chosen) >= 2:
            buried = bool(covered[chosen[1:-1]].mean() > 0.5) if len(chosen) > 2 else False
            stretches.append(
                Stretch(
                    points_mm=tuple((round(x, 3), round(y, 3)) for x, y in mm[chosen]),
                    seen=not buried,
                    photo=sha256,
                    points_px=tuple((round(x, 2), round(y, 2)) for x, y in px[chosen]),
                    depth_mm=tuple(round(float(d), 2) for d in depth_mm[chosen]),
                )
            )
        start = end
    lead = TracedLead(
        id=lead_id(wire["id"]),
        kind=wire["kind"],
        drop=wire["drop"],
        exit=f"X{wire['exit'] + 1}",
        stretches=tuple(stretches),
        diameter_mm=wire["diameter"],
        finished=True,
    )
    return lead, heights


def true_top(
    meeting: Crossing, route_map: RouteMap, heights: Mapping[str, np.ndarray]
) -> str | None:
    """What somebody who looks closely would say: the upper lead, "apart", or None."""
    leads = {lead.id: lead for lead in route_map.leads}
    a, b = leads[meeting.a], leads[meeting.b]

    def places(lead, span) -> np.ndarray:
        return np.array([lead.point_at_mm(s) for s in np.linspace(*span, 60)])

    def height(lead_name: str, points: np.ndarray) -> np.ndarray:
        known = heights[lead_name]
        away = np.linalg.norm(points[:, None] - known[None, :, :2], axis=2)
        return known[away.argmin(axis=1), 2]

    if meeting.kind == "crossing":
        over = height(a.id, places(a, meeting.a_span_mm)) - height(
            b.id, places(b, meeting.b_span_mm)
        )
        return "a" if over[0] > 0 else "b"
    on_a, on_b = places(a, meeting.a_span_mm), places(b, meeting.b_span_mm)
    away = np.linalg.norm(on_a[:, None] - on_b[None], axis=2)
    nearest = away.argmin(axis=1)
    thick_mm = (a.diameter_mm + b.diameter_mm) / 2
    stacked = away.min(axis=1) < 0.8 * thick_mm
    if not stacked.any():
        return "apart"
    over = (height(a.id, on_a) - height(b.id, on_b)[nearest])[stacked]
    if np.abs(over).max() < 0.5 * thick_mm:
        return "apart"
    return "a" if np.median(over) > 0 else "b"


def judged_map(route_map: RouteMap, tops: Sequence[str | None]) -> RouteMap:
    """The route map with these answers, one per meeting."""
    judged = tuple(
        Judged(m.a, m.b, m.x_mm, m.y_mm, top)
        for m, top in zip(route_map.crossings, tops, strict=True)
        if top is not None
    )
    return RouteMap(
        route_map.plate,
        route_map.leads,
        judged,
        route_map.tracing_error_mm,
        unseen_error_mm=route_map.unseen_error_mm,
    )


def clearness(
    truth: Mapping[str, Any], route_map: RouteMap, meetings: Sequence[Crossing]
) -> dict[int, float]:
    """Crossings that the cleared photo shows well: number of the meeting -> angle in rad."""
    photo = next(p for p in truth["photos"] if p["file"] == TRACED_ON)
    views = {lead_id(w["id"]): w for w in photo["wires"]}
    leads = {lead.id: lead for lead in route_map.leads}
    found = {}
    for n, meeting in enumerate(meetings):
        if meeting.kind != "crossing" or meeting.a == meeting.b or meeting.angle_rad < 0.35:
            continue
        shares = []
        for name, span in ((meeting.a, meeting.a_span_mm), (meeting.b, meeting.b_span_mm)):
            seen = np.array([v in (True, 1) for v in views[name]["visible"]])
            place = span[0] / leads[name].length_mm
            middle = int(place * seen.size * 0.93)
            shares.append(seen[max(0, middle - 6) : middle + 7].mean())
        if min(shares) > 0.4 and max(shares) > 0.8:
            found[n] = meeting.angle_rad
    return found


def locking_mistake(right: RouteMap, tops: Sequence[str | None]) -> int | None:
    """The crossing of the pair `MISTAKEN` whose wrong judgement locks the fewest leads."""
    sizes = {}
    for n, meeting in enumerate(right.crossings):
        if meeting.kind == "crossing" and (meeting.a, meeting.b) == MISTAKEN:
            flipped = list(tops)
            flipped[n] = "b" if tops[n] == "a" else "a"
            plan = plan_pull(judged_map(right, flipped))
            if len(plan.locked) == 1:
                sizes[n] = len(plan.locked[0].wires)
    return min(sizes, key=sizes.__getitem__, default=None)


def spread(candidates: Sequence[int], route_map: RouteMap, count: int) -> list[int]:
    """Some of the candidates, no two of which share a lead."""
    chosen: list[int] = []
    taken: set[str] = set()
    for n in candidates:
        meeting = route_map.crossings[n]
        if len(chosen) < count and not taken & {meeting.a, meeting.b}:
            chosen.append(n)
            taken |= {meeting.a, meeting.b}
    return chosen


if __name__ == "__main__":
    main()
