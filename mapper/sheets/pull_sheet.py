"""The one-page pull sheet: plate, routes, numbered steps, what to look at, cautions, date."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any

from mapper.plate import Plate
from mapper.routes import Lead, RouteMap
from mapper.sheets.lettering import fit_text, text_width_mm, wrapped
from mapper.sheets.pdf import scenes_to_pdf
from mapper.sheets.scene import Circle, Item, Line, Scene, Text
from mapper.sheets.svg import scene_to_svg

__all__ = ["CAUTION", "pull_sheet", "pull_sheet_pdf", "pull_sheet_svg"]

# Usual cautions of the trade; topics named in OSHA 29 CFR 1910.147 and 1910.333,
# EN 50110-1 (isolation) and ISO 13732-1 (hot surfaces).
CAUTION = (
    "Guidance only. Isolate, lock out and prove dead before touching wiring. The plate burns skin "
    "long before it looks hot. Heat resin only under extraction, with face and hand protection. "
    "Local codes and licensed practice override anything shown here. Never pull harder to free a "
    "lead: stop and look again."
)

A4_MM = (297.0, 210.0)
MARGIN_MM = 10.0
# Okabe & Ito's published palette, chosen to be told apart by colour-blind readers;
# on a black-and-white print the dash and the tags carry the same meaning.
BLUE, ORANGE, GREY, STEEL = "#0072B2", "#D55E00", "#8A8A8A", "#EDEFF1"
DASH_MM = {"heater": (), "thermocouple": (2.2, 1.1), "other": (0.6, 1.0)}


def pull_sheet_pdf(
    route_map: RouteMap, plan: Mapping[str, Any], title: str, made_at: datetime, **more: Any
) -> bytes:
    """The pull sheet as PDF; arguments as for `pull_sheet`."""
    return scenes_to_pdf([pull_sheet(route_map, plan, title, made_at, **more)])


def pull_sheet_svg(
    route_map: RouteMap, plan: Mapping[str, Any], title: str, made_at: datetime, **more: Any
) -> str:
    """The pull sheet as SVG; arguments as for `pull_sheet`."""
    return scene_to_svg(pull_sheet(route_map, plan, title, made_at, **more))


def pull_sheet(
    route_map: RouteMap,
    plan: Mapping[str, Any],
    title: str,
    made_at: datetime,
    *,
    out: Collection[str] = (),
    guessed: Collection[str] = (),
    warnings: Sequence[str] = (),
    covers: Mapping[str, Sequence[Any]] | None = None,
) -> Scene:
    """Lay out the pull sheet on A4 landscape.

    `plan` is the plain form of a pull plan (`PullPlan.to_dict()`); `out` names leads that are
    out already; `guessed` names leads that nobody has traced and whose route is only where they
    may run; `warnings` are printed above the steps. A step of `plan` that has "words" is printed
    as those (parts are taken off, not pulled); `covers` are outlines (N, 2) in plate mm of the
    covers that are on, by id.
    """
    width_mm, height_mm = A4_MM
    list_width_mm = 96.0
    items: list[Item] = []
    top_mm = height_mm - MARGIN_MM
    items.append(
        Text(MARGIN_MM, top_mm - 5, fit_text(title, 200, 6, bold=True), size_mm=6, bold=True)
    )
    items.append(
        Text(width_mm - MARGIN_MM, top_mm - 5, f"Made {made_at:%Y-%m-%d %H:%M}", 3.4, anchor="end")
    )

    caution_lines = wrapped(CAUTION, width_mm - 2 * MARGIN_MM - 29, 3.2)
    caution_height_mm = 4.4 * len(caution_lines) + 3
    items.append(_box(MARGIN_MM, MARGIN_MM, width_mm - 2 * MARGIN_MM, caution_height_mm, 0.6, None))
    first_mm = MARGIN_MM + caution_height_mm - 4.6
    items.append(Text(MARGIN_MM + 3, first_mm, "CAUTION", 4.0, bold=True))
    for row, line in enumerate(caution_lines):
        items.append(Text(MARGIN_MM + 26, first_mm - 4.4 * row, line, 3.2))

    low_mm = MARGIN_MM + caution_height_mm + 4
    list_left_mm = width_mm - MARGIN_MM - list_width_mm
    items += _list(
        plan, guessed, warnings, list_left_mm, low_mm, list_width_mm, top_mm - 11 - low_mm
    )
    items += _drawing(
        route_map,
        plan,
        set(out),
        set(guessed),
        covers or {},
        MARGIN_MM,
        low_mm,
        list_left_mm - MARGIN_MM - 5,
        top_mm - 11 - low_mm,
    )
    return Scene(width_mm, height_mm, title, tuple(items))


def _box(
    x_mm: float, y_mm: float, w_mm: float, h_mm: float, line_mm: float, fill: str | None
) -> Line:
    corners = ((x_mm, y_mm), (x_mm + w_mm, y_mm), (x_mm + w_mm, y_mm + h_mm), (x_mm, y_mm + h_mm))
    return Line(corners, line_mm, "#000000", fill, closed=True)


def _sentences(
    plan: Mapping[str, Any], guessed: Collection[str], warnings: Sequence[str]
) -> list[tuple[str, bool]]:
    """The text of the list column: (line, is heading)."""
    lines: list[tuple[str, bool]] = [(text, False) for text in warnings]
    status = {
        "complete": "Every lead comes out, in this order:",
        "needs-a-look": "In this order now; the rest waits for a look:",
        "locked": "In this order now; the rest holds itself locked:",
    }[plan["status"]]
    if plan["steps"]:
        lines.append((status, True))
    else:
        lines.append(("Nothing may be pulled yet.", True))
    for number, step in enumerate(plan["steps"], 1):
        if "words" in step:
            lines.append((f"{number}. {step['words']}", False))
        elif step["action"] == "pull":
            lines.append((f"{number}. Pull {step['wire']} out whole", False))
        else:
            x, y = step["past"]
            lines.append(
                (f"{number}. Peel {step['wire']} to just past ({x:.0f}, {y:.0f}) mm", False)
            )
    if plan["look_at"]:
        lines.append(("Look at next (x, y in mm on the plate):", True))
        places = [p for p in plan["look_at"] if not {p["a"], p["b"]} & set(guessed)]
        telling = [place for place in places if place["frees"]]
        for place in telling:
            where = f"({place['x']:.0f}, {place['y']:.0f})"
            lines.append(
                (f"{place['a']} / {place['b']} at {where}: may free {place['frees']}", False)
            )
        if len(places) > len(telling):
            rest = f"{len(places) - len(telling)} open places free nothing on their own."
            lines.append((rest, False))
    for number, locked in enumerate(plan["locked"], 1):
        lines.append((f"Locked set {number}: {', '.join(locked['wires'])}", True))
        places = ", ".join(f"({x:.0f}, {y:.0f})" for x, y in locked["crossings"])
        lines.append((f"They hold each other at {places} mm.", False))
    return lines


def _list(
    plan: Mapping[str, Any],
    guessed: Collection[str],
    warnings: Sequence[str],
    x_mm: float,
    y_mm: float,
    w_mm: float,
    h_mm: float,
) -> list[Item]:
    """The list, in the largest lettering that fits; what does not fit is said on its last line."""
    sentences = _sentences(plan, guessed, warnings)
    for size_mm, columns in ((4.0, 1), (3.4, 1), (3.0, 1), (2.8, 2), (2.4, 2), (2.1, 2)):
        column_mm = (w_mm - 4 * (columns - 1)) / columns
        rows = [
            (line, heading)
            for text, heading in sentences
            for line in wrapped(text, column_mm, size_mm, bold=heading)
        ]
        per_column = int(h_mm / (1.4 * size_mm))
        if len(rows) <= per_column * columns:
            break
    else:
        kept = per_column * columns - 1
        rows = [*rows[:kept], (f"… and {len(rows) - kept} more lines: print again later.", True)]
    return [
        Text(
            x_mm + (row // per_column) * (column_mm + 4),
            y_mm + h_mm - 1.4 * size_mm * (row % per_column + 1) + 0.3 * size_mm,
            text,
            size_mm,
            bold=heading,
        )
        for row, (text, heading) in enumerate(rows)
    ]


def _drawing(
    route_map: RouteMap,
    plan: Mapping[str, Any],
    out: set[str],
    guessed: set[str],
    covers: Mapping[str, Sequence[Any]],
    x_mm: float,
    y_mm: float,
    w_mm: float,
    h_mm: float,
) -> list[Item]:
    """The plate with its routes, fitted into a box on the sheet, with scale bar and key."""
    key_mm = 11.0
    plate = route_map.plate
    xs = [x for x, _ in plate.outline_mm]
    ys = [y for _, y in plate.outline_mm]
    scale = min(w_mm / (max(xs) - min(xs)), (h_mm - key_mm) / (max(ys) - min(ys)))
    left_mm = x_mm + (w_mm - scale * (max(xs) - min(xs))) / 2
    low_mm = y_mm + key_mm + (h_mm - key_mm - scale * (max(ys) - min(ys))) / 2

    def on_sheet(points) -> tuple[tuple[float, float], ...]:
        return tuple(
            (left_mm + scale * (px - min(xs)), low_mm + scale * (py - min(ys))) for px, py in points
        )

    items: list[Item] = [Line(on_sheet(plate.outline_mm), 0.5, "#000000", STEEL, closed=True)]
    for channel in plate.channels:
        items.append(
            Line(on_sheet(channel.points_mm), max(0.2, scale * channel.width_mm), "#FFFFFF")
        )
    for hole in plate.holes:
        ((hx, hy),) = on_sheet([(hole.x_mm, hole.y_mm)])
        items.append(Circle(hx, hy, scale * hole.diameter_mm / 2, 0.2, GREY, "#FFFFFF"))
    for drop in plate.drops:
        ((dx, dy),) = on_sheet([(drop.x_mm, drop.y_mm)])
        items.append(Circle(dx, dy, scale * drop.bore_diameter_mm / 2, 0.3, "#000000", "#FFFFFF"))

    number_of = {
        step["wire"]: number
        for number, step in enumerate(plan["steps"], 1)
        if step["action"] == "pull"
    }
    for lead in route_map.leads:
        if lead.id in out:
            continue
        colour = BLUE if lead.id in number_of else ORANGE
        dash = (0.3, 1.4) if lead.id in guessed else DASH_MM[lead.kind]
        items.append(
            Line(
                on_sheet(lead.points_mm), 0.5, GREY if lead.id in guessed else colour, dash_mm=dash
            )
        )
    for crossing in route_map.crossings:
        if crossing.top is None and not {crossing.a, crossing.b} & (out | guessed):
            ((cx, cy),) = on_sheet([(crossing.x_mm, crossing.y_mm)])
            items.append(Circle(cx, cy, 1.1, 0.4, ORANGE, None))
    for name, outlines in covers.items():
        for outline in outlines:
            corners = on_sheet(outline)
            items.append(Line(corners, 0.4, "#000000", None, closed=True, dash_mm=(1.6, 0.8)))
            x = sum(corner[0] for corner in corners) / len(corners)
            y = sum(corner[1] for corner in corners) / len(corners)
            items.append(Text(x, y - 0.8, name, 2.4, bold=True, anchor="middle"))
    items += _tags(plate, route_map.leads, number_of, out, guessed, scale, on_sheet)
    items += _key(scale, x_mm, y_mm, w_mm)
    return items


def _tags(
    plate: Plate,
    leads: Sequence[Lead],
    number_of: Mapping[str, int],
    out: set[str],
    guessed: set[str],
    scale: float,
    on_sheet,
) -> list[Item]:
    """Drop id and one line per lead ("heater 3") inside each bore, as large as the bore allows."""
    items: list[Item] = []
    for drop in plate.drops:
        lines = [drop.id]
        for lead in leads:
            if lead.drop != drop.id:
                continue
            if lead.id in out:
                state = "out"
            elif lead.id in guessed:
                state = "not traced"
            else:
                state = str(number_of.get(lead.id, "wait"))
            lines.append(f"{lead.id}: {state}")
        room_mm = scale * drop.bore_diameter_mm
        size_mm = min(3.0, 0.8 * room_mm / len(lines))
        widest = max(text_width_mm(line, 1.0) for line in lines)
        size_mm = max(1.5, min(size_mm, 0.95 * room_mm / widest))
        ((cx, cy),) = on_sheet([(drop.x_mm, drop.y_mm)])
        height_mm = 1.15 * size_mm * len(lines)
        half_mm = widest * size_mm / 2 + 0.4
        items.append(
            Line(
                (
                    (cx - half_mm, cy - height_mm / 2),
                    (cx + half_mm, cy - height_mm / 2),
                    (cx + half_mm, cy + height_mm / 2),
                    (cx - half_mm, cy + height_mm / 2),
                ),
                0.1,
                None,
                "#FFFFFF",
                closed=True,
            )
        )
        for row, line in enumerate(lines):
            y_mm = cy + height_mm / 2 - 1.15 * size_mm * (row + 0.82)
            items.append(Text(cx, y_mm, line, size_mm, bold=row == 0, anchor="middle"))
    return items


def _key(scale: float, x_mm: float, y_mm: float, w_mm: float) -> list[Item]:
    """Scale bar of a round length, and what the lines mean."""
    length = 10.0 ** math.floor(math.log10(0.25 * w_mm / scale))
    length = max(step * length for step in (1, 2, 5) if step * length * scale <= 0.25 * w_mm)
    bar = Line(((x_mm, y_mm + 2), (x_mm + scale * length, y_mm + 2)), 0.8)
    label = Text(x_mm, y_mm + 3.4, f"{length:g} mm", 2.8)
    items: list[Item] = [bar, label]
    left_mm = x_mm + 0.25 * w_mm + 8
    for row, entries in enumerate(
        (
            (("heater lead", BLUE, ()), ("thermocouple lead", BLUE, DASH_MM["thermocouple"])),
            (("waits", ORANGE, ()), ("route not traced", GREY, (0.3, 1.4))),
        )
    ):
        for column, (text, colour, dash) in enumerate(entries):
            at_mm = left_mm + 42 * column
            line_y_mm = y_mm + 6.4 - 4.4 * row
            items.append(
                Line(((at_mm, line_y_mm), (at_mm + 9, line_y_mm)), 0.6, colour, dash_mm=dash)
            )
            items.append(Text(at_mm + 10.5, line_y_mm - 0.9, text, 2.6))
    at_mm = left_mm + 84
    items.append(Circle(at_mm + 1.2, y_mm + 6.4, 1.1, 0.4, ORANGE, None))
    items.append(Text(at_mm + 4, y_mm + 5.5, "open crossing", 2.6))
    return items
