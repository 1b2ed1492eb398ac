"""The rebuild plan: ways, lanes, layers, install order, cut lengths, fills.

Leads are laid one after the other, each on top of what lies there already. So the layers follow
from the install order alone, and whatever the routes are, no lead locks another: pulled in the
opposite order each comes out whole.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from mapper.errors import shown
from mapper.plate import Plate
from mapper.rebuild.bottleneck import minimum_cut, overfilled, unreachable
from mapper.rebuild.drawing import drawn_routes
from mapper.rebuild.lanes import crossing_places, lane_orders, uncrossed
from mapper.rebuild.model import (
    Fill,
    PlannedLead,
    RebuildError,
    RebuildPlan,
    RebuildSettings,
    WantedLead,
)
from mapper.rebuild.network import Network, network_of
from mapper.rebuild.reroute import fewer_crossings
from mapper.rebuild.ways import Unit, Ways, area_mm2, find_ways, units_of, way_cost_mm
from mapper.routes import Judged, Lead, RouteMap, find_crossings, with_judged

__all__ = ["plan_rebuild"]

CUT_STEP_MM = 10.0  # cut lengths are rounded up to this


def plan_rebuild(
    plate: Plate, wanted: Sequence[WantedLead], settings: RebuildSettings | None = None
) -> RebuildPlan:
    """Plan the wiring of a plate.

    The leads of a drop stay together where the channels allow it; where they do not, each lead
    finds its own way. The length is the shortest there is within the settings (`length_bound_mm`
    says how sure that is). Crossings are undone by swapping ways, which costs no length; where
    wishes leave some, other ways are taken if that costs less than `crossing_mm` each. The same
    input gives the same plan, unless a search runs out of time.

    Raises
    ------
    RebuildError
        Two leads of one name, or a lead that names a drop, exit or channel that the plate does
        not have.
    """
    settings = settings or RebuildSettings()
    _check(plate, wanted)
    if not wanted:
        return RebuildPlan("planned", settings, route_map=RouteMap(plate, ()))
    network = network_of(plate)
    lost = unreachable(network, plate, wanted, settings)
    if lost is not None:
        return RebuildPlan("does not fit", settings, bottleneck=lost)
    cut = minimum_cut(network, wanted, settings)
    for together in (True, False) if cut is None else ():
        units = units_of(wanted, together)
        ways = find_ways(network, units, settings)
        if ways is not None:
            return _planned(plate, network, units, ways, settings)
    units = units_of(wanted, False)
    over = find_ways(network, units, settings, overfill=True)
    bottleneck = cut or overfilled(network, over)
    fills = () if over is None else _fills(network, units, over.arcs, settings)
    return RebuildPlan("does not fit", settings, fills=fills, bottleneck=bottleneck)


def _check(plate: Plate, wanted: Sequence[WantedLead]) -> None:
    names = [lead.id for lead in wanted]
    for name in names:
        if names.count(name) > 1:
            raise RebuildError(f"Two leads are called {shown(name)}: give one another name.")
    known = {
        "drop": {drop.id for drop in plate.drops},
        "exit": {exit_.id for exit_ in plate.exits},
        "channel": {channel.id for channel in plate.channels},
    }
    for lead in wanted:
        for what, ids in known.items():
            value = getattr(lead, what)
            if value is not None and value not in ids:
                raise RebuildError(
                    f"{shown(lead.id)} is wanted at {what} {shown(value)}, which the plate does "
                    "not have: choose another one."
                )


def _planned(
    plate: Plate, network: Network, units: list[Unit], ways: Ways, settings: RebuildSettings
) -> RebuildPlan:
    keys = [unit.key for unit in units]
    turns = {unit.key: network.turns(unit.thickest_mm, settings.bend_radius_mm) for unit in units}
    settled = uncrossed(network, ways.arcs, keys, turns)
    crossed = crossing_places(network, settled, lane_orders(network, settled))
    if crossed:
        settled = _better(network, units, settled, crossed, keys, turns, settings)
    cost = sum(way_cost_mm(network, settings, way) for way in settled)
    wanted = [lead for unit in units for lead in unit.leads]
    own = [way for unit, way in zip(units, settled, strict=True) for _ in unit.leads]
    orders = lane_orders(network, own)
    diameters = [lead.diameter_mm for lead in wanted]
    routes = drawn_routes(network, own, orders, diameters, settings.clearance_mm)
    exit_of = {place: name for name, place in network.place_of_exit.items()}
    leads = [
        Lead(
            id=one.id,
            kind=one.kind,
            drop=one.drop,
            exit=one.exit or exit_of[network.head(way[-1])],
            points_mm=route,
            diameter_mm=one.diameter_mm,
        )
        for one, way, route in zip(wanted, own, routes, strict=True)
    ]
    order = _install_order(plate, network, own, leads)
    number = {leads[k].id: place for place, k in enumerate(order, start=1)}
    route_map = _judged_map(plate, leads, number)
    planned = tuple(
        PlannedLead(
            number=number[leads[k].id],
            lead=leads[k],
            channels=network.channels_of(own[k]),
            cut_length_mm=_cut_length_mm(plate, network, own[k], leads[k], settings),
        )
        for k in order
    )
    pairs = {
        tuple(sorted((leads[one].id, leads[other].id)))
        for _, one, other in crossing_places(network, own, orders)
    }
    found = {(one.a, one.b) for one in route_map.found if one.kind == "crossing"}
    note = ""
    if found != pairs:
        note = (
            f"{len(found ^ pairs)} pairs of leads do not run as planned, because channels or bores "
            "lie over each other and leave no room for the lanes: check the channels of the plate."
        )
    return RebuildPlan(
        status="planned",
        settings=settings,
        leads=planned,
        crossings=tuple(sorted(pairs)),
        fills=_fills(network, units, settled, settings),
        route_map=route_map,
        length_mm=cost,
        length_bound_mm=min(ways.bound_mm, cost),
        note=note,
    )


def _better(network, units, ways, crossed, keys, turns, settings) -> list[tuple[int, ...]]:
    """Other ways where they cost less with their crossings, as the lanes really have them."""

    def cost(some) -> float:
        found = crossing_places(network, some, lane_orders(network, some))
        pairs = sum(len(units[one].leads) * len(units[other].leads) for _, one, other in found)
        length = sum(way_cost_mm(network, settings, way) for way in some)
        return length + settings.crossing_mm * pairs

    others = fewer_crossings(network, units, ways, crossed, settings)
    return min((ways, uncrossed(network, others, keys, turns)), key=cost)


def _install_order(plate: Plate, network: Network, ways, leads: Sequence[Lead]) -> list[int]:
    """Drop by drop, the longest ways first: they run under those that join later."""
    length = [sum(network.stretches[arc // 2].length_mm for arc in way) for way in ways]
    place = {drop.id: k for k, drop in enumerate(plate.drops)}
    longest = {
        lead.drop: max(length[k] for k, one in enumerate(leads) if one.drop == lead.drop)
        for lead in leads
    }
    return sorted(
        range(len(leads)),
        key=lambda k: (-round(longest[leads[k].drop], 3), place[leads[k].drop], k),
    )


def _judged_map(plate: Plate, leads: Sequence[Lead], number: dict[str, int]) -> RouteMap:
    """The route map with every meeting judged: the lead laid later lies on top.

    Leads that nowhere come closer than their thickness, and do not cross, lie apart.
    """
    route_map = RouteMap(plate, tuple(leads))
    tight = {(meeting.a, meeting.b) for meeting in find_crossings(leads, 0.0)}
    judged = []
    for meeting in route_map.found:
        top = "a" if number[meeting.a] > number[meeting.b] else "b"
        if (meeting.a, meeting.b) not in tight:
            top = "apart"
        judged.append(Judged(meeting.a, meeting.b, meeting.x_mm, meeting.y_mm, top))
    return with_judged(route_map, judged)


def _cut_length_mm(
    plate: Plate, network: Network, way, lead: Lead, settings: RebuildSettings
) -> float:
    """Length to cut, rounded up: from the bore's centre, along the lane or the centre line
    (whichever is longer; a bent lead is no shorter than its chords), slack, and the tail."""
    drop = next(one for one in plate.drops if one.id == lead.drop)
    begin = math.dist((drop.x_mm, drop.y_mm), lead.points_mm[0])
    centre = sum(network.stretches[arc // 2].length_mm for arc in way)
    length = begin + max(centre, lead.length_mm)
    whole = length * (1 + settings.slack_share) + settings.tail_mm
    return math.ceil(whole / CUT_STEP_MM - 1e-9) * CUT_STEP_MM


def _fills(
    network: Network, units: Sequence[Unit], ways, settings: RebuildSettings
) -> tuple[Fill, ...]:
    area: dict[int, float] = {}
    count: dict[int, int] = {}
    for unit, way in zip(units, ways, strict=True):
        for arc in way:
            area[arc // 2] = area.get(arc // 2, 0.0) + sum(map(area_mm2, unit.leads))
            count[arc // 2] = count.get(arc // 2, 0) + len(unit.leads)
    found = []
    for stretch, used in sorted(area.items()):
        one = network.stretches[stretch]
        if one.channel is not None:
            start, end = (tuple(network.places_mm[place].tolist()) for place in one.ends)
            share = used / one.area_mm2
            found.append(Fill(one.channel, start, end, count[stretch], share, settings.fill_limit))
    return tuple(found)
