"""The pull sheet: plate, routes, numbered steps, what to look at, cautions, date."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np

from mapper.routes import RouteMap
from mapper.sheets.lettering import text_width_mm, wrapped
from mapper.sheets.paper import Frame
from mapper.sheets.pdf import scenes_to_pdf
from mapper.sheets.scene import Circle, Item, Line, Scene, Text
from mapper.sheets.svg import scene_to_svg
from mapper.sheets.tags import TAG_MM, Taken, box_round, label, place_names, place_tags

__all__ = ["CAUTION", "pull_sheet", "pull_sheet_pdf", "pull_sheet_svg", "pull_sheets"]

# Usual cautions of the trade; topics named in OSHA 29 CFR 1910.147 and 1910.333,
# EN 50110-1 (isolation) and ISO 13732-1 (hot surfaces).
CAUTION = (
    "Guidance only. Isolate, lock out and prove dead before touching wiring. The plate burns skin "
    "long before it looks hot. Heat resin only under extraction, with face and hand protection. "
    "Local codes and licensed practice override anything shown here. Never pull harder to free a "
    "lead: stop and look again."
)

LIST_MM, GAP_MM = 96.0, 5.0  # width of the list beside the drawing
LIST_SIZES_MM = (4.0, 3.4, 3.0)  # the smallest is 8.5 point
NEXT_MM = 3.4  # size on the pages that go on with the list
KEY_MM = 13.0
# Okabe & Ito's published palette, chosen to be told apart by colour-blind readers;
# on a black-and-white print the dash and the tags carry the same meaning.
BLUE, ORANGE, GREY, STEEL = "#0072B2", "#D55E00", "#8A8A8A", "#EDEFF1"
DASH_MM = {"heater": (), "thermocouple": (2.2, 1.1), "other": (0.6, 1.0)}
GUESSED_DASH_MM = (0.3, 1.4)
RING_MM = 1.1
Row = tuple[str, bool]  # a line of the list, and whether it is a heading


def pull_sheet_pdf(
    route_map: RouteMap, plan: Mapping[str, Any], title: str, made_at: datetime, **more: Any
) -> bytes:
    """All pages of the pull sheet as PDF; arguments as for `pull_sheets`."""
    return scenes_to_pdf(pull_sheets(route_map, plan, title, made_at, **more))


def pull_sheet_svg(
    route_map: RouteMap, plan: Mapping[str, Any], title: str, made_at: datetime, **more: Any
) -> str:
    """The first page of the pull sheet as SVG; arguments as for `pull_sheets`."""
    return scene_to_svg(pull_sheet(route_map, plan, title, made_at, **more))


def pull_sheet(
    route_map: RouteMap, plan: Mapping[str, Any], title: str, made_at: datetime, **more: Any
) -> Scene:
    """The first page, which says when the list goes on; arguments as for `pull_sheets`."""
    return pull_sheets(route_map, plan, title, made_at, **more)[0]


def pull_sheets(
    route_map: RouteMap,
    plan: Mapping[str, Any],
    title: str,
    made_at: datetime,
    *,
    out: Collection[str] = (),
    guessed: Collection[str] = (),
    warnings: Sequence[str] = (),
    covers: Mapping[str, Sequence[Any]] | None = None,
    paper: str = "A4",
) -> list[Scene]:
    """Lay out the pull sheet: drawing and list on the first page, more of the list on others.

    `plan` is the plain form of a pull plan (`PullPlan.to_dict()`); `out` names leads that are
    out already; `guessed` names leads that nobody has traced and whose route is only where they
    may run; `warnings` are printed above the steps. A step of `plan` that has "words" is printed
    as those (parts are taken off, not pulled); its "lifts", if any, are sentences. `covers` are
    outlines (N, 2) in plate mm of the covers that are on, by id.
    """
    frame = Frame(title, made_at, CAUTION, paper, across=True)
    low, high = frame.floor_mm, frame.top_mm - frame.floor_mm
    left = frame.right_mm - LIST_MM
    listed, rest = _list(_sentences(plan, guessed, warnings, out), left, low, high)
    first = listed + _drawing(
        route_map,
        plan,
        set(out),
        set(guessed),
        covers or {},
        (frame.left_mm, low, left - GAP_MM - frame.left_mm, high),
        frame.size_mm,
    )
    return frame.pages([first, *_next_pages(rest, frame)])


def _sentences(
    plan: Mapping[str, Any],
    guessed: Collection[str],
    warnings: Sequence[str],
    out: Collection[str],
) -> list[Row]:
    """The text of the list column."""
    lines: list[Row] = [(text, False) for text in warnings]
    if out:
        lines.append((f"Out already: {', '.join(sorted(out))}", False))
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
    if plan.get("lifts"):
        lines.append(("To see more, lift from the exit and leave hanging:", True))
        lines += [(words, False) for words in plan["lifts"]]
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


def _broken(sentences: Sequence[Row], wide_mm: float, size_mm: float) -> list[Row]:
    return [
        (line, heading)
        for text, heading in sentences
        for line in wrapped(text, wide_mm, size_mm, bold=heading)
    ]


def _column(rows: Sequence[Row], x_mm: float, top_mm: float, size_mm: float) -> list[Item]:
    return [
        Text(x_mm, top_mm - 1.4 * size_mm * (row + 1) + 0.3 * size_mm, text, size_mm, bold=heading)
        for row, (text, heading) in enumerate(rows)
    ]


def _list(
    sentences: Sequence[Row], x_mm: float, y_mm: float, h_mm: float
) -> tuple[list[Item], list[Row]]:
    """The list beside the drawing, in the largest lettering that fits, and the lines that are left
    for the next pages, which its last line tells."""
    for size_mm in LIST_SIZES_MM:
        rows = _broken(sentences, LIST_MM, size_mm)
        most = int(h_mm / (1.4 * size_mm))
        if len(rows) <= most:
            return _column(rows, x_mm, y_mm + h_mm, size_mm), []
    size_mm = NEXT_MM
    rows = _broken(sentences, LIST_MM, size_mm)
    kept = int(h_mm / (1.4 * size_mm)) - 1
    more = f"… and {len(rows) - kept} more lines on the next pages."
    shown = [*rows[:kept], (more, True)]
    return _column(shown, x_mm, y_mm + h_mm, size_mm), rows[kept:]


def _next_pages(rows: Sequence[Row], frame: Frame) -> list[list[Item]]:
    """The rest of the list in columns, as many pages as it takes."""
    columns = max(1, int((frame.inner_mm + GAP_MM) / (LIST_MM - GAP_MM)))
    wide = (frame.inner_mm - GAP_MM * (columns - 1)) / columns
    while wide < LIST_MM and columns > 1:  # the lines are broken for the list's width
        columns -= 1
        wide = (frame.inner_mm - GAP_MM * (columns - 1)) / columns
    each = int((frame.top_mm - frame.floor_mm) / (1.4 * NEXT_MM))
    pages: list[list[Item]] = []
    for first in range(0, len(rows), each):
        column = first // each % columns
        if column == 0:
            pages.append([])
        x = frame.left_mm + column * (wide + GAP_MM)
        pages[-1] += _column(rows[first : first + each], x, frame.top_mm, NEXT_MM)
    return pages


def _drawing(
    route_map: RouteMap,
    plan: Mapping[str, Any],
    out: set[str],
    guessed: set[str],
    covers: Mapping[str, Sequence[Any]],
    into: tuple[float, float, float, float],
    page_mm: tuple[float, float],
) -> list[Item]:
    """The plate with its routes, fitted into a box on the sheet, with scale bar and key."""
    x_mm, y_mm, w_mm, h_mm = into
    plate = route_map.plate
    outline = plate.outline_array
    corner, span = outline.min(axis=0), np.ptp(outline, axis=0)
    scale = float(min(w_mm / span[0], (h_mm - KEY_MM) / span[1]))
    base = np.array([x_mm, y_mm + KEY_MM]) + ((w_mm, h_mm - KEY_MM) - scale * span) / 2

    def on_sheet(points) -> np.ndarray:
        return (np.asarray(points, float).reshape(-1, 2) - corner) * scale + base

    items: list[Item] = [Line(_plain(on_sheet(outline)), 0.5, "#000000", STEEL, closed=True)]
    for channel in plate.channels:
        path = _plain(on_sheet(channel.points_mm))
        items.append(Line(path, max(0.2, scale * channel.width_mm), "#FFFFFF"))
    for hole in plate.holes:
        ((hx, hy),) = _plain(on_sheet([(hole.x_mm, hole.y_mm)]))
        items.append(Circle(hx, hy, scale * hole.diameter_mm / 2, 0.2, GREY, "#FFFFFF"))
    for drop in plate.drops:
        ((dx, dy),) = _plain(on_sheet([(drop.x_mm, drop.y_mm)]))
        items.append(Circle(dx, dy, scale * drop.bore_diameter_mm / 2, 0.3, "#000000", "#FFFFFF"))

    number_of = {
        step["wire"]: number
        for number, step in enumerate(plan["steps"], 1)
        if step["action"] == "pull"
    }
    paths = {lead.id: on_sheet(lead.points_mm) for lead in route_map.leads if lead.id not in out}
    for lead in route_map.leads:
        if lead.id in out:
            continue
        colour = BLUE if lead.id in number_of else ORANGE
        dash = GUESSED_DASH_MM if lead.id in guessed else DASH_MM[lead.kind]
        colour = GREY if lead.id in guessed else colour
        items.append(Line(_plain(paths[lead.id]), 0.5, colour, dash_mm=dash))
    open_places = [
        (crossing.x_mm, crossing.y_mm)
        for crossing in route_map.crossings
        if crossing.top is None and not {crossing.a, crossing.b} & (out | guessed)
    ]
    rings = on_sheet(open_places)
    items += [Circle(x, y, RING_MM, 0.4, ORANGE, None) for x, y in _plain(rings)]
    taken = Taken(np.array(page_mm), paths, rings, RING_MM)
    for name, outlines in covers.items():
        for one in outlines:
            corners = on_sheet(one)
            items.append(
                Line(_plain(corners), 0.4, "#000000", None, closed=True, dash_mm=(1.6, 0.8))
            )
            x, y = corners.mean(axis=0)
            box = box_round(x, y, text_width_mm(name, TAG_MM, bold=True) + 0.6, TAG_MM + 0.6)
            items += label(box, name, TAG_MM, bold=True, framed=False)
            taken.add(box)
    # nothing over the words around the drawing, nor over its edge
    wide, high = page_mm
    for box in (
        (-99.0, -99.0, wide, y_mm + KEY_MM - 1),
        (-99.0, y_mm + h_mm + 1, wide, high + 99),
        (-99.0, -99.0, x_mm - 4, high + 99),
        (x_mm + w_mm + 2, -99.0, wide + 99, high + 99),
    ):
        taken.add(np.array(box))
    items += place_names(plate, 1 / scale, on_sheet, taken)
    states = {
        wire: "not traced" if wire in guessed else str(number_of.get(wire, "wait"))
        for wire in paths
    }
    tags, missing = place_tags({wire: f"{wire}: {states[wire]}" for wire in paths}, paths, taken)
    return [*items, *tags, *_key(scale, x_mm, y_mm, w_mm, len(missing))]


def _plain(points: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in points)


def _key(scale: float, x_mm: float, y_mm: float, w_mm: float, missing: int) -> list[Item]:
    """Scale bar of a round length, what the lines mean, and how many tags found no room."""
    length = 10.0 ** math.floor(math.log10(0.25 * w_mm / scale))
    length = max(step * length for step in (1, 2, 5) if step * length * scale <= 0.25 * w_mm)
    bar = Line(((x_mm, y_mm + 4), (x_mm + scale * length, y_mm + 4)), 0.8)
    items: list[Item] = [bar, Text(x_mm, y_mm + 5.4, f"{length:g} mm", TAG_MM)]
    left_mm = x_mm + 0.25 * w_mm + 8
    for row, entries in enumerate(
        (
            (("heater lead", BLUE, ()), ("thermocouple lead", BLUE, DASH_MM["thermocouple"])),
            (("waits", ORANGE, ()), ("route not traced", GREY, GUESSED_DASH_MM)),
        )
    ):
        for column, (text, colour, dash) in enumerate(entries):
            at_mm = left_mm + 38 * column
            line_y_mm = y_mm + 8.4 - 4.4 * row
            items.append(
                Line(((at_mm, line_y_mm), (at_mm + 9, line_y_mm)), 0.6, colour, dash_mm=dash)
            )
            items.append(Text(at_mm + 10.5, line_y_mm - 0.9, text, TAG_MM))
    at_mm = left_mm + 82
    items.append(Circle(at_mm + 1.2, y_mm + 8.4, RING_MM, 0.4, ORANGE, None))
    items.append(Text(at_mm + 4, y_mm + 7.5, "open crossing", TAG_MM))
    if missing:
        items.append(Text(at_mm, y_mm + 3.1, f"{missing} tags: no room", TAG_MM))
    return items
