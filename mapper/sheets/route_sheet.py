"""The route map to print at a round scale, readable in black and white."""

from __future__ import annotations

import math
from collections.abc import Collection
from datetime import datetime

import numpy as np

from mapper.errors import MapperError
from mapper.plate import Plate
from mapper.routes import Lead, RouteMap
from mapper.sheets.lettering import fit_text, text_width_mm, wrapped
from mapper.sheets.paper import paper_size
from mapper.sheets.pdf import scenes_to_pdf
from mapper.sheets.scene import Circle, Item, Line, Scene, Text

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
TAG_MM = 2.8  # read at arm's length
RING_MM, DOT_MM = 1.2, 0.55
CELL_MM = 0.5
CROWD_MM = 1.5
ON_LINE_MM = 4.0  # a tag on its own line costs as much as one so far off it


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
    taken = _Taken(page, paths)
    # no tag on the words of head and foot, nor over the edge
    taken.add(np.array([-99, -99, page[0] + 99, MARGIN_MM + FOOT_MM - 1]))
    taken.add(np.array([-99, page[1] - MARGIN_MM - HEAD_MM + 1, page[0] + 99, page[1] + 99]))
    taken.add(np.array([-99, -99, 5, page[1] + 99]))
    taken.add(np.array([page[0] - 5, -99, page[0] + 99, page[1] + 99]))
    items += _names(route_map.plate, scale, on_paper, taken)
    tags, missing = _tags(route_map.leads, paths, taken, rings)
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


class _Taken:
    """What is on the paper already: boxes of text, and how much line lies in each cell."""

    def __init__(self, page_mm: np.ndarray, paths: dict[str, np.ndarray]) -> None:
        self.boxes = np.empty((0, 4))
        self.shape = tuple(int(n) for n in np.ceil(page_mm / CELL_MM) + 1)
        total = np.zeros(self.shape)
        for path in paths.values():
            np.add.at(total, self._cells(_spread(path)), CELL_MM)
        self.sums = np.pad(total.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))

    def _cells(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        cells = np.clip((points / CELL_MM).astype(int), 0, np.array(self.shape) - 1)
        return cells[:, 0], cells[:, 1]

    def add(self, box: np.ndarray) -> None:
        self.boxes = np.vstack((self.boxes, box))

    def free(self, boxes: np.ndarray) -> np.ndarray:
        """Which boxes (N, 4: left, low, right, top) meet none that is there: (N,) bool."""
        a, b = boxes[:, None], self.boxes[None]
        apart = (
            (a[..., 0] >= b[..., 2])
            | (a[..., 2] <= b[..., 0])
            | (a[..., 1] >= b[..., 3])
            | (a[..., 3] <= b[..., 1])
        )
        return apart.all(axis=1)

    def line_mm(self, boxes: np.ndarray) -> np.ndarray:
        """Length of line under each box, in mm: (N,)."""
        left, low = self._cells(boxes[:, :2])
        right, top = self._cells(boxes[:, 2:])
        s = self.sums
        right, top = right + 1, top + 1
        return s[right, top] - s[left, top] - s[right, low] + s[left, low]


def _spread(path: np.ndarray) -> np.ndarray:
    """Points along a path (N, 2), a cell apart."""
    steps = np.hypot(*np.diff(path, axis=0).T)
    along = np.concatenate(([0.0], np.cumsum(steps)))
    where = np.linspace(0.0, along[-1], max(2, math.ceil(along[-1] / CELL_MM)))
    return np.column_stack([np.interp(where, along, path[:, k]) for k in (0, 1)])


def _box(x: float, y: float, wide: float, high: float) -> np.ndarray:
    return np.array([x - wide / 2, y - high / 2, x + wide / 2, y + high / 2])


def _label(box: np.ndarray, text: str, size: float, bold: bool, framed: bool) -> list[Item]:
    left, low, right, top = (float(v) for v in box)
    corners = ((left, low), (right, low), (right, top), (left, top))
    return [
        Line(corners, 0.12, INK if framed else None, "#FFFFFF", closed=True),
        Text((left + right) / 2, (low + top) / 2 - 0.35 * size, text, size, bold, anchor="middle"),
    ]


def _names(plate: Plate, scale: float, on_paper, taken: _Taken) -> list[Item]:
    """Ids of drops in their bores and of exits at the edge."""
    items: list[Item] = []
    for drop in plate.drops:
        ((x, y),) = on_paper([(drop.x_mm, drop.y_mm)])
        room = max(drop.bore_diameter_mm / scale - 1.0, 4.5)
        size = min(3.6, room / max(text_width_mm(drop.id, 1.0, bold=True), 0.1))
        text = fit_text(drop.id, 30.0, max(size, 1.8), bold=True)
        size = max(size, 1.8)
        wide = text_width_mm(text, size, bold=True)
        box = _box(x, y, wide + 0.4, 1.1 * size)
        items += _label(box, text, size, bold=True, framed=False)
        taken.add(box)
    for exit_ in plate.exits:
        ((x, y),) = on_paper([(exit_.x_mm, exit_.y_mm)])
        text = fit_text(exit_.id, 30.0, 3.2, bold=True)
        wide, high = text_width_mm(text, 3.2, bold=True) + 0.6, 3.6
        offsets = np.array([(1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1)])
        centres = (x, y) + offsets * (wide / 2 + 1.6, high / 2 + 1.6)
        boxes = np.array([_box(*centre, wide, high) for centre in centres])
        free = np.flatnonzero(taken.free(boxes))
        if len(free) == 0:
            free = np.arange(len(boxes))
        box = boxes[free[np.argmin(taken.line_mm(boxes[free]))]]
        items += _label(box, text, 3.2, bold=True, framed=False)
        taken.add(box)
    return items


def _tags(
    leads: tuple[Lead, ...], paths: dict[str, np.ndarray], taken: _Taken, rings: np.ndarray
) -> tuple[list[Item], list[str]]:
    """A tag for each lead, where it hides least line, and the ids that found no place.

    No tag covers a ring of an open crossing or the dot that another tag points to.
    """
    turns = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    ring = np.column_stack((np.cos(turns), np.sin(turns)))
    lines: list[Item] = []
    labels: list[Item] = []
    missing: list[str] = []
    clear = [(ring, RING_MM) for ring in rings]
    for lead in leads:
        text = fit_text(lead.id, 40.0, TAG_MM)
        wide, high = text_width_mm(text, TAG_MM) + 1.2, TAG_MM + 0.8
        path = _spread(paths[lead.id])
        # not at the very ends, where leads come together
        anchors = path[np.unique(np.linspace(0.1, 0.9, 25) * (len(path) - 1)).astype(int)]
        shifts = np.vstack(
            [np.zeros((1, 2))]
            + [ring * (wide / 2 + far, high / 2 + far) for far in (1.0, 3.5, 7.0, 12.0, 18.0)]
        )
        centres = (anchors[:, None] + shifts[None]).reshape(-1, 2)
        feet = np.repeat(anchors, len(shifts), axis=0)
        half = np.array([wide, high]) / 2
        boxes = np.hstack((centres - half, centres + half))
        free = taken.free(boxes)
        for spot, reach in clear:
            inside = (boxes[:, :2] - reach < spot) & (boxes[:, 2:] + reach > spot)
            free &= ~inside.all(axis=1)
        if not free.any():
            missing.append(lead.id)
            continue
        far = np.hypot(*(centres - feet).T)
        on_it = far == 0
        # its own line under a tag that sits on it does no harm
        hidden = taken.line_mm(boxes) - np.where(on_it, wide, 0.0)
        # where other leads lie close by, nobody sees which one is meant
        near = taken.line_mm(np.hstack((feet - CROWD_MM, feet + CROWD_MM))) - 2 * CROWD_MM
        cost = (
            2.0 * np.maximum(hidden, 0.0)
            + 0.7 * np.maximum(near, 0.0)
            + np.where(on_it, ON_LINE_MM, far)
        )
        cost = np.where(free, cost, np.inf)
        best = int(np.argmin(cost))
        box, foot = boxes[best], feet[best]
        taken.add(box)
        labels += _label(box, text, TAG_MM, bold=False, framed=True)
        if not on_it[best]:
            edge = np.clip(foot, box[:2], box[2:])
            lines.append(Line(_plain(np.array([foot, edge])), 0.15, INK))
            lines.append(Circle(float(foot[0]), float(foot[1]), DOT_MM, 0.1, INK, INK))
            clear.append((foot, DOT_MM))
    return [*lines, *labels], missing


def _head(
    title: str, made_at: datetime, scale: float, paper: str, width_mm: float, height_mm: float
) -> list[Item]:
    top, right = height_mm - MARGIN_MM, width_mm - MARGIN_MM
    name = fit_text(f"Route map: {title}", width_mm - 2 * MARGIN_MM - 62, 5.5, bold=True)
    return [
        Text(MARGIN_MM, top - 5, name, 5.5, bold=True),
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
    items.append(Text(left, y + 2.9, "0", 2.8))
    words = f"{paper_mm * scale:g} mm of plate"
    items.append(Text(left + paper_mm, y + 2.9, words, 2.8, anchor="end"))
    items.append(Text(left, y - 3.6, "Bar is 50 mm on paper: print at 100 %.", 2.8))
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
        items.append(Text(x + 12, line_y - 1.0, words, 2.8))
    x = left + paper_mm + 8 + 2 * step
    items.append(Circle(x + 1.2, y + 3.6, RING_MM, 0.3, INK, None))
    items.append(Text(x + 4, y + 2.6, "open crossing", 2.8))
    items.append(Text(x, y - 2.4, fit_text("Which lies on top: see pull sheet", step, 2.8), 2.8))
    if missing:
        words = f"No room for the tags of {len(missing)}: {', '.join(missing)}"
        items.append(Text(left, MARGIN_MM + 7.6, fit_text(words, within, 2.8), 2.8))
    for k, line in enumerate(reversed(wrapped(ROUTE_CAUTION, within, 2.8))):
        items.append(Text(left, MARGIN_MM + 0.2 + 3.6 * k, line, 2.8))
    return items
