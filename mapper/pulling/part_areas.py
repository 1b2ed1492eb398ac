"""What a part covers or stands in, in plate mm, and which leads meet it there."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

import numpy as np
import shapely
import shapely.ops

from mapper.errors import shown
from mapper.plate import Drop
from mapper.pulling.model import Place, PullError
from mapper.pulling.part_model import ChannelStretch, Cover, Heater, Part, PartLead
from mapper.routes.model import Crossing, Lead, RouteMap

__all__ = ["cover_area", "drop_of", "part_meetings"]

_ROUND = 32  # corners of a quarter circle


def drop_of(route_map: RouteMap, drop_id: str) -> Drop:
    for drop in route_map.plate.drops:
        if drop.id == drop_id:
            return drop
    raise PullError(f"a part belongs to drop {shown(drop_id)}, which the plate does not have")


def part_meetings(route_map: RouteMap, parts: Sequence[Part]) -> tuple[list[Lead], list[Crossing]]:
    """Return the parts as leads of no length, and what they have to wait for as meetings."""
    areas = {part.id: cover_area(route_map, part) for part in parts if isinstance(part, Cover)}
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
            drop = drop_of(route_map, part.drop)
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


def cover_area(route_map: RouteMap, cover: Cover) -> shapely.Geometry:
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
