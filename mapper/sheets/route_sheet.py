"""The route map to print at a round scale, readable in black and white."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

import numpy as np

from mapper.errors import MapperError
from mapper.plate import Plate
from mapper.routes import RouteMap
from mapper.sheets.lettering import fit_size, fit_text, wrapped
from mapper.sheets.paper import paper_size
from mapper.sheets.pdf import scenes_to_pdf
from mapper.sheets.scene import Circle, Item, Line, Scene, Text
from mapper.sheets.tags import Taken, place_names, place_tags

__all__ = ["ROUTE_SCALES", "route_sheet", "route_sheet_pdf"]

# 1:n, of which ISO 5455 recommends 1, 2, 5 and 10
ROUTE_SCALES = (1.0, 2.0, 2.5, 5.0, 10.0)
ROUTE_CAUTION = (
    "CAUTION: this map shows where leads run, not that one may be pulled or touched. Isolate, "
    "lock out and prove dead before touching wiring; let the plate cool. Local codes and licensed "
    "practice override anything shown here."
)
MARGIN_MM = 7.0
HEAD_MM, FOOT_MM = 11.0, 24.0
INK, GREY, GROUND = "#000000", "#6A6A6A", "#E6E6E6"
DASH_MM = {"heater": (), "thermocouple": (2.4, 1.2), "other": (4.0, 1.0, 0.5, 1.0)}
GUESSED_DASH_MM = (0.2, 1.6)
RING_MM = 1.2
SMALL_MM = 2.9  # 8.2 point, read at arm's length


def route_sheet_pdf(
    route_map: RouteMap,
    title: str,
    made_at: datetime,
    paper: str = "A4",
    guessed: Collection[str] = (),
) -> bytes:
    """The sheet as PDF; arguments as for `route_sheet`."""
    return scenes_to_pdf([route_sheet(route_map, title, made_at, paper, guessed)])


def route_sheet(
    route_map: RouteMap,
    title: str,
    made_at: datetime,
    paper: str = "A4",
    guessed: Collection[str] = (),
) -> Scene:
    """Plate and leads at the largest of `ROUTE_SCALES` that fits, upright or across.

    `guessed` names leads of which some stretch is nowhere traced. A tag that finds no free place
    is left off, and named at the foot. Raises MapperError for paper that is too small.
    """
    width_mm, height_mm, scale = _paper(route_map.plate, paper)
    outline = route_map.plate.outline_array
    low, span = outline.min(axis=0), np.ptp(outline, axis=0)
    room = np.array([width_mm - 2 * MARGIN_MM, height_mm - 2 * MARGIN_MM - HEAD_MM - FOOT_MM])
    at = np.array([MARGIN_MM, MARGIN_MM + FOOT_MM]) + (room - span / scale) / 2

    def on_paper(points) -> np.ndarray:
        return (np.asarray(points, float).reshape(-1, 2) - low) / scale + at

    items = _plate(route_map.plate, scale, on_paper)
    paths = {lead.id: on_paper(lead.points_mm) for lead in route_map.leads}
    for lead in route_map.leads:
        dash = GUESSED_DASH_MM if lead.id in guessed else DASH_MM[lead.kind]
        items.append(Line(_plain(paths[lead.id]), 0.35, INK, dash_mm=dash))
    open_places = [
        (one.x_mm, one.y_mm)
        for one in route_map.crossings
        if one.top is None and not {one.a, one.b} & set(guessed)
    ]
    rings = on_paper(open_places)
    page = np.array([width_mm, height_mm])
    taken = Taken(page, paths, rings, RING_MM)
    # no tag on the words of head and foot, nor over the edge
    taken.add(np.array([-99, -99, page[0] + 99, MARGIN_MM + FOOT_MM - 1]))
    taken.add(np.array([-99, page[1] - MARGIN_MM - HEAD_MM + 1, page[0] + 99, page[1] + 99]))
    taken.add(np.array([-99, -99, 5, page[1] + 99]))
    taken.add(np.array([page[0] - 5, -99, page[0] + 99, page[1] + 99]))
    items += place_names(route_map.plate, scale, on_paper, taken)
    tags, missing = place_tags({lead.id: lead.id for lead in route_map.leads}, paths, taken)
    items += tags
    items += [Circle(x, y, RING_MM, 0.3, INK, None) for x, y in _plain(rings)]
    items += _head(title, made_at, scale, paper, width_mm, height_mm)
    items += _foot(scale, width_mm, missing)
    return Scene(width_mm, height_mm, f"{title}: route map", tuple(items))


def _paper(plate: Plate, paper: str) -> tuple[float, float, float]:
    """Width and height of the sheet as turned, and n of the scale 1:n."""
    short, long = paper_size(paper)
    span = np.ptp(plate.outline_array, axis=0)
    turned = [(long, short), (short, long)]
    if span[1] > span[0]:
        turned.reverse()
    for scale in ROUTE_SCALES:
        for wide, high in turned:
            room = (wide - 2 * MARGIN_MM, high - 2 * MARGIN_MM - HEAD_MM - FOOT_MM)
            if span[0] / scale <= room[0] and span[1] / scale <= room[1]:
                return wide, high, scale
    raise MapperError(
        f"A plate of {span[0]:.0f} x {span[1]:.0f} mm does not fit on {paper} at 1:10: take "
        "larger paper."
    )


def _plain(points: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in points)


def _plate(plate: Plate, scale: float, on_paper) -> list[Item]:
    items: list[Item] = [Line(_plain(on_paper(plate.outline_mm)), 0.5, INK, "#FFFFFF", closed=True)]
    for channel in plate.channels:
        line = _plain(on_paper(channel.points_mm))
        items.append(Line(line, max(0.4, channel.width_mm / scale), GROUND))
    for hole in plate.holes:
        ((x, y),) = _plain(on_paper([(hole.x_mm, hole.y_mm)]))
        items.append(Circle(x, y, hole.diameter_mm / 2 / scale, 0.2, GREY, "#FFFFFF"))
    for drop in plate.drops:
        ((x, y),) = _plain(on_paper([(drop.x_mm, drop.y_mm)]))
        items.append(Circle(x, y, drop.bore_diameter_mm / 2 / scale, 0.25, GREY, "#FFFFFF"))
    for exit_ in plate.exits:
        ((x, y),) = _plain(on_paper([(exit_.x_mm, exit_.y_mm)]))
        items.append(Circle(x, y, 1.0, 0.4, INK, "#FFFFFF"))
    return items


def _head(
    title: str, made_at: datetime, scale: float, paper: str, width_mm: float, height_mm: float
) -> list[Item]:
    top, right = height_mm - MARGIN_MM, width_mm - MARGIN_MM
    name, room = f"Route map: {title}", width_mm - 2 * MARGIN_MM - 62
    size = fit_size(name, room, 5.5, 3.8, bold=True)
    name = fit_text(name, room, size, bold=True)
    return [
        Text(MARGIN_MM, top - 5, name, size, bold=True),
        Text(right, top - 5, f"Scale 1:{scale:g} on {paper}", 5.0, bold=True, anchor="end"),
        Text(right, top - 9.5, f"Made {made_at:%Y-%m-%d %H:%M}", 3.2, anchor="end"),
    ]


def _foot(scale: float, width_mm: float, missing: list[str]) -> list[Item]:
    """Scale bar, meaning of the lines, leads without a tag, caution."""
    left, within = MARGIN_MM, width_mm - 2 * MARGIN_MM
    y = MARGIN_MM + 15.6
    paper_mm = 50.0
    items: list[Item] = []
    for part in range(5):
        x = left + part * paper_mm / 5
        corners = ((x, y), (x + paper_mm / 5, y), (x + paper_mm / 5, y + 2), (x, y + 2))
        fill = INK if part % 2 == 0 else "#FFFFFF"
        items.append(Line(corners, 0.2, INK, fill, closed=True))
    items.append(Text(left, y + 2.9, "0", SMALL_MM))
    words = f"{paper_mm * scale:g} mm of plate"
    items.append(Text(left + paper_mm, y + 2.9, words, SMALL_MM, anchor="end"))
    items.append(Text(left, y - 3.6, "Bar is 50 mm on paper: print at 100 %.", SMALL_MM))
    key = (
        ("heater", DASH_MM["heater"]),
        ("thermocouple", DASH_MM["thermocouple"]),
        ("other lead", DASH_MM["other"]),
        ("not all traced", GUESSED_DASH_MM),
    )
    step = (within - paper_mm - 8) / 3
    for k, (words, dash) in enumerate(key):
        x, line_y = left + paper_mm + 8 + step * (k % 2), y + 3.6 - 5.0 * (k // 2)
        items.append(Line(((x, line_y), (x + 10, line_y)), 0.35, INK, dash_mm=dash))
        items.append(Text(x + 12, line_y - 1.0, words, SMALL_MM))
    x = left + paper_mm + 8 + 2 * step
    items.append(Circle(x + 1.2, y + 3.6, RING_MM, 0.3, INK, None))
    items.append(Text(x + 4, y + 2.6, "open crossing", SMALL_MM))
    items.append(
        Text(x, y - 2.4, fit_text("Which lies on top: see pull sheet", step, SMALL_MM), SMALL_MM)
    )
    if missing:
        words = f"No room for the tags of {len(missing)}: {', '.join(missing)}"
        items.append(Text(left, MARGIN_MM + 7.6, fit_text(words, within, SMALL_MM), SMALL_MM))
    for k, line in enumerate(reversed(wrapped(ROUTE_CAUTION, within, SMALL_MM))):
        items.append(Text(left, MARGIN_MM + 0.2 + 3.6 * k, line, SMALL_MM))
    return items
