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
from math import hypot
from typing import Any, Literal

import numpy as np
import shapely

from mapper.errors import shown
from mapper.pulling.events import Board
from mapper.pulling.model import LockedSet, LookAt, Place, PullError, Step
from mapper.pulling.part_areas import cover_area, drop_of, part_meetings
from mapper.pulling.part_model import Cover, Heater, Nozzle, Part, part_of
from mapper.pulling.past import Done, read_done, replay
from mapper.pulling.plan import SEARCH_NODES, plan_meetings
from mapper.routes.model import RouteMap

__all__ = [
    "PartStep",
    "PartsPlan",
    "cover_outlines",
    "leads_only",
    "plan_parts",
    "thermocouples_with",
    "with_parts",
]


def with_parts(route_map: RouteMap, parts: Sequence[Part]) -> RouteMap:
    """Return the map with the parts in it, each as a `PartLead`, so that log, plan, check and
    explanation all keep to them; without parts the map itself.

    Parts only ever hold more: every meeting of two leads stays as it was. Raises PullError as
    `plan_parts` does for parts that make no sense.
    """
    if not parts:
        return route_map
    _check_ids(route_map, parts)
    things, meetings = part_meetings(route_map, parts)
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
    area = cover_area(route_map, cover)
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
    things, meetings = part_meetings(route_map, parts)
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
    drop = drop_of(route_map, drop_id)
    found = [
        (hypot(*(one.points_mm[0] - (drop.x_mm, drop.y_mm))), one.id)
        for one in route_map.leads
        if one.drop == drop_id and one.kind == "thermocouple"
    ]
    nearest = min(found, default=(0.0, ""))[0]
    reach_mm = max(nearest, drop.bore_diameter_mm)
    return tuple(sorted(wire for distance, wire in found if distance <= reach_mm))
