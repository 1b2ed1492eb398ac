"""The teardown log: what really happened, read so that plan, check and explanation follow it.

A log is a list of events in the order in which they happened:

========== ================================================================================
pull       the lead came out
peel       it was lifted to just past a place
broke      it broke at a place
put back   a lead that was out or peeled was laid into its channel again, or a part put on
took off   a cover or heater came off, or a nozzle came out (see `mapper.pulling.parts`)
========== ================================================================================

Reading a log never fails because leads were traced anew: what can't be followed any more
counts for nothing (so that less is taken as free, not more) and is told in `findings`.

Broken leads. The break is known only to `BREAK_ERROR_MM`, so the two pieces overlap there:
each keeps every meeting that may be on it. The piece at the exit is freed from the exit, the
piece at the drop from the break.

Leads that were put back lie where they were traced. Which lead is on top is only known
where the judgement says that the one put back lies over the one that lay there still; every
other meeting of the two is open until somebody looks after that (`looked`).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from mapper.errors import shown
from mapper.pulling.check import check_order
from mapper.pulling.log_event import as_event
from mapper.pulling.log_reader import LogReading, Looked, Reader, wrong_kind
from mapper.pulling.model import Freed, Place, Step
from mapper.pulling.part_model import part_of
from mapper.pulling.pieces import BREAK_ERROR_MM, break_mm
from mapper.routes.model import RouteMap

__all__ = ["contradictions", "reached_place", "read_log", "refusals"]


def read_log(
    route_map: RouteMap, events: Iterable[Any], looked: Iterable[Looked] = ()
) -> LogReading:
    """Follow a log on a route map as it is now.

    `events`: LogEvents, or other records or mappings with `action`, `wire`, `past` and, if
    they have them, `at`, `by`, `reason`. `looked`: the judgements with their times; one made
    after a lead was put back settles how it lies there. Raises PullError for an event that
    is of no known kind; one that does not fit the map is told in `findings`.
    """
    reader = Reader(route_map)
    for event in events:
        reader.follow(as_event(event))
    return reader.reading(tuple(looked))


def contradictions(
    route_map: RouteMap, log: Iterable[Any], looked: Iterable[Looked] = ()
) -> list[str]:
    """Return what in the log does not fit the map as it is now, in plain sentences."""
    return list(read_log(route_map, log, looked).findings)


def refusals(
    route_map: RouteMap, log: Iterable[Any], event: Any, looked: Iterable[Looked] = ()
) -> list[str]:
    """Return why an event should not be logged as it is; an empty list means that it may be.

    A pull or peel of a lead that is not free is refused unless it has a reason (a deliberate
    override). What makes no sense at all is refused with or without a reason. Raises PullError
    for an event of no known kind.
    """
    event = as_event(event)
    now = read_log(route_map, log, looked)
    wire = event.wire
    if wire not in {lead.id for lead in now.route_map.leads}:
        return [f"There is no lead {shown(wire)} in the plate; check the id."]
    is_part = part_of(now.route_map.leads_by_id[wire]) is not None
    if event.action in (("peel", "broke") if is_part else ("took off",)):
        return [f"{shown(wire)} is {wrong_kind(is_part)}."]
    if event.action in ("pull", "peel", "took off"):
        act = "peel" if event.action == "peel" else "pull"
        found = check_order(now.route_map, [Step(act, wire, event.past)], now.done)
        if event.reason.strip():
            found = [one for one in found if one.reason not in ("lies under", "nobody has looked")]
        return [one.sentence().removeprefix("Step 1: ") for one in found]
    if event.action == "put back":
        moved = wire in now.out or any(isinstance(d, Freed) and d.wire == wire for d in now.done)
        return [] if moved else [f"{wire} is neither out nor peeled; there is nothing to put back."]
    if wire in now.out:
        return [f"{wire} is out already; what broke afterwards is for the bench."]
    lead = next(lead for lead in now.route_map.leads if lead.id == wire)
    if event.past is None or break_mm(lead, event.past) is None:
        return [f"Say where {wire} broke: a place within {BREAK_ERROR_MM:g} mm of its route."]
    return []


def reached_place(
    route_map: RouteMap, log: Iterable[Any], event: Any, looked: Iterable[Looked] = ()
) -> Place | None:
    """Return the place on its route down to which a peel frees a lead, to be kept with it.

    Where the leads are traced anew later, the peel never counts for more than up to there.
    None for any other event, and for a peel that does not fit the map.
    """
    event = as_event(event)
    if event.action != "peel":
        return None
    now = read_log(route_map, [*log, event], looked)
    leads = {lead.id: lead for lead in now.route_map.leads}
    for item in now.done:
        if isinstance(item, Freed) and item.wire == event.wire:
            x, y = leads[item.wire].point_at_mm(item.down_to_mm).tolist()
            return x, y
    return None
