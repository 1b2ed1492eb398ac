"""Parts in the pull order: covers and clips, nozzles, heaters, and how thermocouples leave.

Every part takes part in the peel rule as one more thing that is drawn out:

* a cover or clip lies over a stretch of each lead under it and waits for nothing: no lead is
  freed into that stretch before the cover is off;
* a nozzle waits for every lead that starts at its drop, for every other lead that passes over
  its pocket, and for covers over the pocket;
* a heater waits for the heater leads of its drop, and for covers over the pocket;
* a thermocouple that runs along the nozzle body leaves *with the nozzle*: its lead is freed
  first and then hangs until the nozzle is out. One that comes out *at the front* is taken
  without the nozzle; the nozzle still waits for it (in doubt a lead is not dragged along).

These are common practice, no source. Where a lead runs is known to its radius and the tracing
error, and unseen runs to the unseen error: covers and pockets are taken wider by that much.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import hypot, isfinite
from typing import Any, Literal

import numpy as np
import shapely
import shapely.ops

from mapper.errors import shown
from mapper.plate import Drop
from mapper.pulling.events import Board
from mapper.pulling.model import LockedSet, LookAt, Place, PullError, Step
from mapper.pulling.past import Done, read_done, replay
from mapper.pulling.plan import SEARCH_NODES, plan_meetings
from mapper.routes.model import Crossing, Lead, RouteMap

__all__ = [
    "ChannelStretch",
    "Cover",
    "Heater",
    "Nozzle",
    "Part",
    "PartLead",
    "PartStep",
    "PartsPlan",
    "cover_outlines",
    "leads_only",
    "part_of",
    "plan_parts",
    "thermocouples_with",
    "with_parts",
]

_ROUND = 32  # corners of a quarter circle


@dataclass(frozen=True)
class ChannelStretch:
    """A stretch of a channel, as arc lengths in mm along its centre line."""

    channel: str
    from_mm: float
    to_mm: float


@dataclass(frozen=True)
class Cover:
    """A cover or clip over one or more stretches of channels, or over a polygon (plate mm,
    3 corners up)."""

    id: str
    over: ChannelStretch | tuple[ChannelStretch, ...] | tuple[Place, ...]


@dataclass(frozen=True)
class Nozzle:
    """The nozzle of a drop, and how its thermocouple leaves."""

    drop: str
    thermocouple: Literal["with the nozzle", "at the front"] = "with the nozzle"

    @property
    def id(self) -> str:
        return f"nozzle {self.drop}"


@dataclass(frozen=True)
class Heater:
    """The heater of a drop."""

    drop: str

    @property
    def id(self) -> str:
        return f"heater {self.drop}"


Part = Cover | Nozzle | Heater


@dataclass(frozen=True, eq=False)
class PartLead(Lead):
    """A part as it takes part in the rule: a lead of no length that others wait for."""

    part: Part | None = None


def part_of(lead: Lead | None) -> Part | None:
    """Return the part that a lead of a map made by `with_parts` stands for; None for a lead."""
    return lead.part if isinstance(lead, PartLead) else None


def with_parts(route_map: RouteMap, parts: Sequence[Part]) -> RouteMap:
    """Return the map with the parts in it, each as a `PartLead`, so that log, plan, check and
    explanation all keep to them; without parts the map itself.

    Parts only ever hold more: every meeting of two leads stays as it was. Raises PullError as
    `plan_parts` does for parts that make no sense.
    """
    if not parts:
        return route_map
    _check_ids(route_map, parts)
    things, meetings = _things(route_map, parts)
    return _changed(
        route_map, (*route_map.leads, *things), (*route_map.crossings, *meetings), meetings
    )


def leads_only(route_map: RouteMap) -> RouteMap:
    """Return a map without its parts, for drawing; never plan from it."""
    parts = {lead.id for lead in route_map.leads if part_of(lead) is not None}
    if not parts:
        return route_map
    leads = tuple(lead for lead in route_map.leads if lead.id not in parts)
    crossings = tuple(one for one in route_map.crossings if not {one.a, one.b} & parts)
    return _changed(route_map, leads, crossings)


def cover_outlines(route_map: RouteMap, cover: Cover) -> tuple[np.ndarray, ...]:
    """Return the outlines (N, 2) in plate mm of what a cover lies over, for drawing: no more than
    the plate itself."""
    area = _cover_area(route_map, cover)
    face = shapely.Polygon(route_map.plate.outline_mm)
    if face.is_valid and area.intersects(face):
        area = area.intersection(face)
    polygons = [one for one in shapely.get_parts(area) if isinstance(one, shapely.Polygon)]
    return tuple(np.asarray(one.exterior.coords) for one in polygons)


def thermocouples_with(route_map: RouteMap, part: Part | None) -> tuple[str, ...]:
    """Return the leads that hang on a nozzle and leave with it."""
    if isinstance(part, Nozzle) and part.thermocouple == "with the nozzle":
        return _along_the_nozzle(route_map, part.drop)
    return ()


def _changed(route_map, leads, crossings, more=()) -> RouteMap:
    changed = replace(route_map, leads=leads)
    # The meetings are known: those with parts are not found from points.
    known = {lead.id for lead in leads}
    found = tuple(one for one in route_map.found if {one.a, one.b} <= known)
    changed.__dict__["found"] = (*found, *more)
    changed.__dict__["crossings"] = tuple(crossings)
    return changed


@dataclass(frozen=True)
class PartStep:
    """One act on a lead or part.

    `action`: "take off" a cover or heater, "take out" a nozzle, "pull" or "peel" a lead, or
    "free" a thermocouple lead that then leaves with its nozzle. `brings`: leads that come out
    together with a nozzle.
    """

    action: Literal["take off", "take out", "pull", "free", "peel"]
    id: str
    kind: Literal["lead", "cover", "nozzle", "heater"]
    past: Place | None = None
    brings: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        out: dict[str, Any] = {"action": self.action, "kind": self.kind, "id": self.id}
        if self.past is not None:
            out["past"] = list(self.past)
        if self.brings:
            out["brings"] = list(self.brings)
        return out


@dataclass(frozen=True)
class PartsPlan:
    """Leads and parts in one order.

    `now`: what can be done at once, each on its own. `left`: ids of leads and parts that stay
    in the plate after the last step. Otherwise as in PullPlan.
    """

    status: Literal["complete", "needs-a-look", "locked"]
    steps: tuple[PartStep, ...]
    now: tuple[PartStep, ...]
    look_at: tuple[LookAt, ...] = ()
    locked: tuple[LockedSet, ...] = ()
    left: tuple[str, ...] = ()

    @property
    def leads_now(self) -> tuple[str, ...]:
        """Leads that no lead and no cover holds."""
        return tuple(step.id for step in self.now if step.kind == "lead")


def plan_parts(
    route_map: RouteMap,
    parts: Sequence[Part],
    done: Iterable[Done] = (),
    off: Iterable[str] = (),
    *,
    search_nodes: int = SEARCH_NODES,
) -> PartsPlan:
    """Plan leads and parts in one order; `PullPlan` and its form stay as they are.

    `done`: what has happened to leads (or the `done` of a log that was read, with its map);
    `off`: ids of the parts that are off or out already. Raises PullError for a part of an
    unknown drop or channel, a polygon that is none, two things of one id, an unknown id in
    `off`, and as `plan_pull` does.
    """
    known = _check_ids(route_map, parts)
    gone = list(off)
    for part_id in gone:
        if part_id not in known:
            raise PullError(f"{shown(part_id)} is marked as off but is no part; check the id")
    things, meetings = _things(route_map, parts)
    leads = (*route_map.leads, *things)
    meetings = (*route_map.crossings, *meetings)
    all_done = [*done, *(Step("pull", part_id) for part_id in gone)]
    plan = plan_meetings(
        leads,
        meetings,
        all_done,
        judged=route_map.judged,
        tracing_error_mm=route_map.tracing_error_mm,
        search_nodes=search_nodes,
    )
    say = _Say(route_map, known)
    board = Board(leads, meetings, route_map.tracing_error_mm)
    state = replay(board, read_done(board, all_done))
    free = [x for x in range(board.n) if not state.out[x] and state.held_at(x) is None]
    return PartsPlan(
        status=plan.status,
        steps=tuple(say.step(step) for step in plan.steps),
        now=tuple(say.step(Step("pull", board.ids[x])) for x in free),
        look_at=plan.look_at,
        locked=plan.locked,
        left=plan.left,
    )


def _check_ids(route_map: RouteMap, parts: Sequence[Part]) -> dict[str, Part]:
    known = {part.id: part for part in parts}
    if len(known) < len(parts):
        raise PullError("two parts have the same id; give each its own")
    for part_id in known:
        if part_id in route_map.leads_by_id:
            raise PullError(f"{shown(part_id)} names a part and a lead; rename the part")
    return known


class _Say:
    """Steps of the common plan in the words for leads and parts."""

    def __init__(self, route_map: RouteMap, parts: dict[str, Part]) -> None:
        self.parts = parts
        self.brings: dict[str, tuple[str, ...]] = {}
        for part in parts.values():
            self.brings[part.id] = thermocouples_with(route_map, part)
        self.freed_only = {wire for wires in self.brings.values() for wire in wires}

    def step(self, step: Step) -> PartStep:
        part = self.parts.get(step.wire)
        if isinstance(part, Cover):
            return PartStep("take off", part.id, "cover")
        if isinstance(part, Heater):
            return PartStep("take off", part.id, "heater")
        if isinstance(part, Nozzle):
            return PartStep("take out", part.id, "nozzle", brings=self.brings.get(part.id, ()))
        if step.past is not None:
            return PartStep("peel", step.wire, "lead", step.past)
        return PartStep("free" if step.wire in self.freed_only else "pull", step.wire, "lead")


def _along_the_nozzle(route_map: RouteMap, drop_id: str) -> tuple[str, ...]:
    """Thermocouple leads that hang on the nozzle: of pieces of a broken one the inner piece."""
    drop = _drop(route_map, drop_id)
    found = [
        (hypot(*(one.points_mm[0] - (drop.x_mm, drop.y_mm))), one.id)
        for one in route_map.leads
        if one.drop == drop_id and one.kind == "thermocouple"
    ]
    nearest = min(found, default=(0.0, ""))[0]
    reach_mm = max(nearest, drop.bore_diameter_mm)
    return tuple(sorted(wire for distance, wire in found if distance <= reach_mm))


def _drop(route_map: RouteMap, drop_id: str) -> Drop:
    for drop in route_map.plate.drops:
        if drop.id == drop_id:
            return drop
    raise PullError(f"a part belongs to drop {shown(drop_id)}, which the plate does not have")


def _things(route_map: RouteMap, parts: Sequence[Part]) -> tuple[list[Lead], list[Crossing]]:
    """Return the parts as leads of no length, and what they have to wait for as meetings."""
    areas = {part.id: _cover_area(route_map, part) for part in parts if isinstance(part, Cover)}
    things: list[Lead] = []
    meetings: list[Crossing] = []

    def meet(upper: str, lower: str, place: Place, upper_mm=(0.0, 0.0), lower_mm=(0.0, 0.0)):
        meetings.append(Crossing(upper, lower, *place, "shared run", upper_mm, lower_mm, 0.0, "a"))

    for part in parts:
        if isinstance(part, Cover):
            area = areas[part.id]
            centre = (area.centroid.x, area.centroid.y)
            for lead in route_map.leads:
                for low, high in _stretches_mm(route_map, lead, area):
                    x, y = lead.point_at_mm((low + high) / 2).tolist()
                    meet(part.id, lead.id, (x, y), lower_mm=(low, high))
            drop_id = ""
        else:
            drop = _drop(route_map, part.drop)
            centre, drop_id = (drop.x_mm, drop.y_mm), drop.id
            pocket = _pocket(drop)
            for cover_id, area in areas.items():
                if area.intersects(pocket):
                    meet(cover_id, part.id, centre)
            for lead in route_map.leads:
                own = lead.drop == part.drop
                if isinstance(part, Heater):
                    waits, high_mm = own and lead.kind == "heater", 0.0
                else:
                    # Up to where it leaves the pocket: of a lead that broke, the part waits
                    # for every piece that may lie there.
                    over = _stretches_mm(route_map, lead, pocket)
                    waits, high_mm = own or bool(over), over[-1][1] if over else 0.0
                if waits:
                    meet(lead.id, part.id, centre, upper_mm=(0.0, high_mm))
        things.append(PartLead(part.id, "other", drop_id, "", [centre, centre], part=part))
    return things, meetings


def _cover_area(route_map: RouteMap, cover: Cover) -> shapely.Geometry:
    if isinstance(cover.over, ChannelStretch):
        return _stretch_area(route_map, cover, cover.over)
    if cover.over and isinstance(cover.over[0], ChannelStretch):
        return shapely.union_all([_stretch_area(route_map, cover, one) for one in cover.over])
    corners = np.asarray(cover.over, dtype=float)
    if corners.ndim != 2 or corners.shape[1] != 2 or len(corners) < 3:
        raise PullError(f"cover {shown(cover.id)} needs three corners or more")
    if not np.isfinite(corners).all():
        raise PullError(f"cover {shown(cover.id)} has a corner that is not a number")
    area = shapely.Polygon(corners)
    # An outline that crosses itself says little about what is under it: take all it spans.
    return area if area.is_valid else shapely.MultiPoint(corners).convex_hull


def _stretch_area(route_map: RouteMap, cover: Cover, over: ChannelStretch) -> shapely.Geometry:
    channel = next((c for c in route_map.plate.channels if c.id == over.channel), None)
    if channel is None:
        raise PullError(
            f"cover {shown(cover.id)} lies on channel {shown(over.channel)}, which the plate "
            "does not have"
        )
    if not (isfinite(over.from_mm) and isfinite(over.to_mm) and over.from_mm <= over.to_mm):
        raise PullError(f"cover {shown(cover.id)} needs a stretch of two numbers, low to high")
    line = shapely.LineString(channel.points_mm)
    part = shapely.ops.substring(line, max(over.from_mm, 0.0), max(over.to_mm, 0.0))
    return part.buffer(_outside(channel.width_mm / 2), quad_segs=_ROUND)


def _pocket(drop: Drop) -> shapely.Geometry:
    return shapely.Point(drop.x_mm, drop.y_mm).buffer(
        _outside(drop.bore_diameter_mm / 2), quad_segs=_ROUND
    )


def _outside(radius_mm: float) -> float:
    """Radius of a polygon's corners so that the polygon holds the whole circle."""
    return radius_mm / np.cos(np.pi / (4 * _ROUND))


def _stretches_mm(
    route_map: RouteMap, lead: Lead, area: shapely.Geometry
) -> list[tuple[float, float]]:
    """Stretches of a lead that may be in an area, as arc lengths, apart and in order."""
    near_mm = (lead.diameter_mm or 0.0) / 2 + route_map.tracing_error_mm
    areas = {
        seen: area.buffer(_outside(near_mm + more), quad_segs=_ROUND)
        for seen, more in ((True, 0.0), (False, route_map.unseen_error_mm))
    }
    seen = lead.seen or (True,) * (len(lead.points_mm) - 1)
    segments = shapely.linestrings(np.stack([lead.points_mm[:-1], lead.points_mm[1:]], axis=1))
    found: list[tuple[float, float]] = []
    for k, segment in enumerate(segments):
        within = shapely.intersection(segment, areas[seen[k]])
        for piece in shapely.get_parts(within):
            xy = shapely.get_coordinates(piece)
            if len(xy):
                along = lead.arc_mm[k] + np.hypot(*(xy - lead.points_mm[k]).T)
                found.append((float(along.min()), float(along.max())))
    joined: list[tuple[float, float]] = []
    for low, high in sorted(found):
        if joined and low - joined[-1][1] <= near_mm:
            joined[-1] = (joined[-1][0], max(joined[-1][1], high))
        else:
            joined.append((low, high))
    return joined
