"""The two pictures of a card: the plate with the place marked, and the place on a photo.

Lines and names are drawn over the photo as lines and text of the sheet, in black with a white
rim, so that they stay sharp and read the same without colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from mapper.routes import Lead, RouteMap
from mapper.sheets.lettering import fit_middle, text_width_mm, wrapped
from mapper.sheets.paper import box
from mapper.sheets.place_photo import PlacePhoto
from mapper.sheets.scene import Circle, Item, Line, Picture, Text
from mapper.sheets.step_places import Mark, StepPlace, pull_way

__all__ = ["Shown", "place_picture", "plate_picture"]

Box = tuple[float, float, float, float]  # left, low, width, height on paper, mm
INK, WHITE, GREY, GROUND = "#000000", "#FFFFFF", "#6A6A6A", "#DDDDDD"
TAG_MM = 2.9  # 8.2 point
DASH_MM = (1.6, 1.2)
RING_MM = 1.5
ARROW_MM = 15.0
TAG_FAR_MM = (RING_MM + 0.4, 3.5, 6.0, 9.0, 13.0, 18.0)  # of a name from the point it names
MOST_NAMES, NAME_TRIES = 10, 7
NO_PHOTO = "No fitted photo shows this place: look at the plate itself. Lines are as traced."


@dataclass(frozen=True, eq=False)
class Shown:
    """What is drawn: the leads in question, others beside them, marks at meetings, outlines of a
    part; and whether an arrow shows the way of the pull, at a place or (None) near the exit."""

    wires: tuple[str, ...]
    others: tuple[str, ...]
    marks: tuple[Mark, ...]
    outlines: tuple[np.ndarray, ...]
    arrow: bool
    at_mm: np.ndarray | None


def _plain(points: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in points)


def plate_picture(route_map: RouteMap, shown: Shown, place: StepPlace, into: Box) -> list[Item]:
    """The whole plate, small: the leads in question, and a frame where the crop looks."""
    plate = route_map.plate
    left, low, wide, high = into
    outline = plate.outline_array
    corner, span = outline.min(axis=0), np.ptp(outline, axis=0)
    scale = float(min((wide - 3) / span[0], (high - 3) / span[1]))
    base = np.array([left, low]) + (np.array([wide, high]) - scale * span) / 2

    def on_paper(points) -> np.ndarray:
        return (np.asarray(points, float).reshape(-1, 2) - corner) * scale + base

    items: list[Item] = [Line(_plain(on_paper(outline)), 0.4, INK, WHITE, closed=True)]
    for channel in plate.channels:
        path = _plain(on_paper(channel.points_mm))
        items.append(Line(path, max(0.4, channel.width_mm * scale), GROUND))
    for drop in plate.drops:
        ((x, y),) = _plain(on_paper([(drop.x_mm, drop.y_mm)]))
        items.append(Circle(x, y, drop.bore_diameter_mm / 2 * scale, 0.15, GREY, WHITE))
    for outline_mm in shown.outlines:
        items.append(Line(_plain(on_paper(outline_mm)), 0.5, INK, closed=True, dash_mm=(1.2, 0.6)))
    for k, wire in enumerate(shown.wires if not shown.outlines else ()):
        lead = route_map.leads_by_id.get(wire)
        if lead is None:
            continue
        path = on_paper(lead.points_mm)
        area = shapely.box(left, low, left + wide, low + high)
        for piece in _inside(shapely.LineString(path), area):
            items.append(Line(_plain(piece), 0.7, INK, dash_mm=DASH_MM if k else ()))
        if not area.contains(shapely.Point(path[-1]).buffer(4.0)):
            continue
        if shown.arrow:
            items += _arrow(path[-1], pull_way(lead.points_mm, lead.points_mm[-1]), 4.0)
    half = np.array([place.half_mm * 1.5, place.half_mm])
    frame = (
        np.array([place.x_mm, place.y_mm]) + np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    )
    edges = np.clip(on_paper(frame), [left, low], [left + wide, low + high])
    items.append(Line(_plain(edges), 0.3, INK, closed=True))
    return items


def _arrow(start: np.ndarray, way: np.ndarray, long_mm: float) -> list[Item]:
    """A filled arrow on paper from a point, black with a white rim."""
    side = np.array([-way[1], way[0]])
    neck, tip = start + 0.5 * long_mm * way, start + long_mm * way
    thick, head = 0.09 * long_mm, 0.26 * long_mm
    points = np.array(
        [
            *(start + side * thick, neck + side * thick, neck + side * head, tip),
            *(neck - side * head, neck - side * thick, start - side * thick),
        ]
    )
    rim = max(0.5, 0.07 * long_mm)
    return [
        Line(_plain(points), 2 * rim, WHITE, WHITE, closed=True),
        Line(_plain(points), 0.1, INK, INK, closed=True),
    ]


def _inside(line: shapely.Geometry, area: shapely.Geometry) -> list[np.ndarray]:
    """The pieces (N, 2) of a line that lie in an area."""
    pieces = shapely.get_parts(line.intersection(area))
    lines = [one for one in pieces if one.geom_type == "LineString" and not one.is_empty]
    return [shapely.get_coordinates(one) for one in lines]


class _Window:
    """The part of the plate that the crop shows, on paper."""

    def __init__(self, place: StepPlace, into: Box) -> None:
        self.left, self.low, self.wide, self.high = into
        self.scale = self.high / (2 * place.half_mm)
        self.middle_mm = np.array([place.x_mm, place.y_mm])
        self.middle = np.array([self.left + self.wide / 2, self.low + self.high / 2])
        self.area = shapely.box(
            self.left, self.low, self.left + self.wide, self.low + self.high
        ).buffer(-0.3)
        self.taken: list[tuple[float, float, float, float]] = []
        self.leaders: list[Item] = []  # drawn below all names, so that none is struck out
        self.names: list[Item] = []

    def on_paper(self, points) -> np.ndarray:
        points = np.asarray(points, float).reshape(-1, 2)
        return (points - self.middle_mm) * self.scale + self.middle

    def paths(self, line: shapely.Geometry) -> list[np.ndarray]:
        """The pieces (N, 2) on paper of a line that lie in the window."""
        return _inside(line, self.area)

    def touches(self, points_mm: np.ndarray) -> bool:
        """Whether the box round points (N, 2) of the plate reaches into the window."""
        points = self.on_paper(points_mm)
        low, high = points.min(axis=0), points.max(axis=0)
        return bool(
            low[0] <= self.left + self.wide
            and low[1] <= self.low + self.high
            and high[0] >= self.left
            and high[1] >= self.low
        )

    def shows(self, point: np.ndarray, edge: float = 1.0) -> bool:
        return bool(
            self.left + edge <= point[0] <= self.left + self.wide - edge
            and self.low + edge <= point[1] <= self.low + self.high - edge
        )

    def take(self, points: np.ndarray) -> None:
        """Keep names off what is drawn round these points (N, 2) on paper."""
        (left, low), (right, top) = points.min(axis=0), points.max(axis=0)
        self.taken.append((float(left), float(low), float(right), float(top)))

    def tag(self, text: str, foot: np.ndarray, bold: bool = False) -> bool:
        """Write a framed name as near to a point as there is room; False where there is none."""
        text = fit_middle(text, 0.6 * self.wide, TAG_MM, bold)
        size = np.array([text_width_mm(text, TAG_MM, bold) + 1.2, TAG_MM + 0.9])
        turns = np.linspace(0, 2 * np.pi, 16, endpoint=False)
        ring = np.column_stack((np.cos(turns), np.sin(turns)))
        shifts = [ring * (size / 2 + far) - size / 2 for far in TAG_FAR_MM]
        corners = foot + np.concatenate(shifts)
        taken = np.array(self.taken).reshape(-1, 4)
        low = np.array([self.left, self.low]) + 0.4
        high = np.array([self.left + self.wide, self.low + self.high]) - 0.4 - size
        free = ((corners >= low) & (corners <= high)).all(axis=1)
        on = (corners[:, None] < taken[None, :, 2:]) & (
            corners[:, None] + size > taken[None, :, :2]
        )
        free &= ~on.all(axis=2).any(axis=1)
        held = shapely.box(*taken.T)
        corners = corners[free]
        edges = np.clip(foot, corners, corners + size)
        ends = np.stack((np.broadcast_to(foot, edges.shape), edges), axis=1)
        crossed = shapely.intersects(shapely.linestrings(ends)[:, None], held[None]).any(axis=1)
        for corner, line in zip(corners[~crossed], ends[~crossed], strict=True):
            self.take(np.array([corner - 0.3, corner + size + 0.3]))
            self.leaders += [Line(_plain(line), 0.7, WHITE), Line(_plain(line), 0.25, INK)]
            x, y = (float(v) for v in corner)
            self.names.append(Line(box(x, y, *map(float, size)), 0.2, INK, WHITE, closed=True))
            self.names.append(Text(x + 0.6, y + 1.05, text, TAG_MM, bold=bold))
            return True
        return False


def place_picture(
    route_map: RouteMap, shown: Shown, place: StepPlace, photo: PlacePhoto | None, into: Box
) -> list[Item]:
    """The place on its photo, or the routes alone with the words that no photo shows it."""
    window = _Window(place, into)
    left, low, wide, high = into
    items: list[Item] = []
    if photo is None:
        items += _ground(route_map, window)
    else:
        across = 2 * photo.half_width_mm * window.scale
        x, y = window.on_paper([(photo.x_mm, photo.y_mm)])[0]
        tall = 2 * photo.half_mm * window.scale
        items.append(Picture(float(x - across / 2), float(y - tall / 2), across, tall, photo.jpeg))
    items.append(Line(box(left, low, wide, high), 0.3, INK, closed=True))
    caption = NO_PHOTO if photo is None else photo.name
    if photo is not None and photo.doubtful:
        caption = f"FIT DOUBTFUL, lines may be off: {caption}"
    lines = wrapped(caption, wide - 3, TAG_MM)[:2]
    foot = _band(lines, left, low)
    window.taken.append((left, low, left + _wide(lines) + 0.5, low + _high(lines) + 0.5))
    more = ["+ 99 leads not named"]
    at = (left + wide - _wide(more), low + high - _high(more))
    window.taken.append((at[0], at[1], left + wide, low + high))
    drawn, unnamed = _lines(route_map, shown, window)
    items += [*drawn, *foot]
    if unnamed:
        lead = "lead" if unnamed == 1 else "leads"
        items += _band([f"+ {unnamed} {lead} not named"], *at)
    return items


def _wide(lines: Sequence[str]) -> float:
    return max(text_width_mm(line, TAG_MM) for line in lines) + 2.0


def _high(lines: Sequence[str]) -> float:
    return 3.8 * len(lines) + 0.8


def _band(lines: Sequence[str], left: float, low: float) -> list[Item]:
    """Lines of text in a white band, from its lower left corner."""
    items: list[Item] = [
        Line(box(left, low, _wide(lines), _high(lines)), 0.2, INK, WHITE, closed=True)
    ]
    for k, line in enumerate(lines):
        items.append(Text(left + 1.0, low + _high(lines) - 3.1 - 3.8 * k, line, TAG_MM))
    return items


def _ground(route_map: RouteMap, window: _Window) -> list[Item]:
    """The channels and bores of the place, where no photo shows it."""
    items: list[Item] = []
    for channel in route_map.plate.channels:
        path = shapely.LineString(window.on_paper(channel.points_mm))
        area = path.buffer(channel.width_mm / 2 * window.scale).intersection(window.area)
        for one in shapely.get_parts(area):
            if isinstance(one, shapely.Polygon) and not one.is_empty:
                ring = shapely.get_coordinates(one.exterior)
                items.append(Line(_plain(ring), 0.1, GREY, GROUND, closed=True))
    for drop in route_map.plate.drops:
        at = window.on_paper([(drop.x_mm, drop.y_mm)])[0]
        ring = shapely.Point(at).buffer(drop.bore_diameter_mm / 2 * window.scale).exterior
        items += [Line(_plain(path), 0.25, GREY) for path in window.paths(ring)]
    return items


def _lines(route_map: RouteMap, shown: Shown, window: _Window) -> tuple[list[Item], int]:
    """Leads, marks and names of the place; and how many leads in sight found no room for one."""
    leads = route_map.leads_by_id
    items: list[Item] = []
    inside: dict[str, list[np.ndarray]] = {}
    for wire in shown.others:
        if wire in leads and window.touches(leads[wire].points_mm):
            inside[wire] = window.paths(_on_paper(leads[wire], window))
            for path in inside[wire]:
                items.append(Line(_plain(path), 0.75, WHITE))
                items.append(Line(_plain(path), 0.3, INK, dash_mm=DASH_MM))
    for outline in shown.outlines:
        ring = shapely.LinearRing(window.on_paper(outline))
        for path in window.paths(ring):
            items.append(Line(_plain(path), 1.2, WHITE))
            items.append(Line(_plain(path), 0.6, INK, dash_mm=(2.4, 1.2)))
    own = shown.wires if not shown.outlines else ()
    for k, wire in enumerate(own):
        if wire in leads:
            items += _beside(leads[wire], window, dashed=k > 0)
    if shown.arrow and not shown.outlines and own and own[0] in leads:
        items += _pull(leads[own[0]], shown.at_mm, window)
    elif not shown.arrow:  # a question: where exactly
        items += _ring(window.middle)
    for k, wire in enumerate(own):
        name = wire if len(own) == 1 else f"{'AB'[k]} {wire}"
        if wire in leads:
            _name(name, window.paths(_on_paper(leads[wire], window)), window, bold=True)
    feet = window.on_paper([(m.x_mm, m.y_mm) for m in shown.marks])
    named = set()
    # what lies above or below tells more than what lies beside
    marks = sorted(zip(shown.marks, feet, strict=True), key=lambda one: one[0].word == "beside")
    for mark, foot in marks:
        if window.shows(foot) and len(named) < MOST_NAMES:
            items += _ring(foot)
            text = f"{mark.word} {mark.other}"
            if window.tag(text, foot, bold=mark.word != "beside"):
                named.add(mark.other)
    for wire, paths in inside.items():
        if wire not in named and len(named) < MOST_NAMES and _name(wire, paths, window):
            named.add(wire)
    left = sum(bool(paths) for wire, paths in inside.items() if wire not in named)
    return [*items, *window.leaders, *window.names], left


def _ring(foot: np.ndarray) -> list[Item]:
    x, y = (float(v) for v in foot)
    return [Circle(x, y, RING_MM, 1.0, WHITE, None), Circle(x, y, RING_MM, 0.4, INK, None)]


def _on_paper(lead: Lead, window: _Window) -> shapely.LineString:
    return shapely.LineString(window.on_paper(lead.points_mm))


def _beside(lead: Lead, window: _Window, dashed: bool) -> list[Item]:
    """Two lines along both sides of a lead, so that the wire itself stays in sight."""
    off = ((lead.diameter_mm or 2.0) / 2 + 0.7) * window.scale
    line = _on_paper(lead, window)
    items: list[Item] = []
    for side in (off, -off):
        for path in window.paths(line.offset_curve(side)):
            items.append(Line(_plain(path), 1.0, WHITE))
            items.append(Line(_plain(path), 0.45, INK, dash_mm=DASH_MM if dashed else ()))
    return items


def _name(text: str, paths: Sequence[np.ndarray], window: _Window, bold: bool = False) -> bool:
    """Name a lead somewhere along what is in sight of it, near the rim if it can be; False where
    there is no room."""
    lines = [shapely.LineString(path) for path in paths if len(path) > 1]
    if not lines:
        return False
    points = np.concatenate([shapely.get_coordinates(shapely.segmentize(x, 1.0)) for x in lines])
    points = np.array([one for one in points if window.shows(one, 2.0)]).reshape(-1, 2)
    if not len(points):
        return False
    off = (np.abs(points - window.middle) / [window.wide, window.high]).max(axis=1)
    order = np.argsort(-off)
    tries = order[np.unique(np.linspace(0, len(order) - 1, NAME_TRIES).astype(int))]
    return any(window.tag(text, points[k], bold) for k in tries)


def _pull(lead: Lead, at_mm: np.ndarray | None, window: _Window) -> list[Item]:
    """The arrow: beside the lead, where it leaves the window or where the peel ends."""
    paths = window.paths(_on_paper(lead, window))
    if not paths:
        return []
    if at_mm is None:
        # the last stretch of the lead that is in sight runs towards the free end
        end = max(paths, key=lambda path: _along(lead, path[-1], window))[-1]
        at_mm = (end - window.middle) / window.scale + window.middle_mm
        way = pull_way(lead.points_mm, at_mm)
        start = end - way * (ARROW_MM + 0.5)
    else:
        way = pull_way(lead.points_mm, at_mm)
        start = window.on_paper([at_mm])[0]
    window.take(np.array([start, start + way * ARROW_MM]))
    return _arrow(start, way, ARROW_MM)


def _along(lead: Lead, point: np.ndarray, window: _Window) -> float:
    line = _on_paper(lead, window)
    return float(line.project(shapely.Point(point)))
