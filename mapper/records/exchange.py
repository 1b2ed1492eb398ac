"""A job out to a route-map file and in again."""

from __future__ import annotations

import json
import uuid
from dataclasses import replace
from typing import Any

import numpy as np

from mapper.errors import shown
from mapper.exchange import FORMS, read_form
from mapper.plate import Plate
from mapper.records.document import JudgedEntry, Settings, key_of
from mapper.records.errors import RecordsError
from mapper.records.job import Job
from mapper.records.leads import SAME_POINT_MM, Stretch, TracedLead
from mapper.records.parts import IN_FILE, parts_from_file, parts_to_file
from mapper.records.thickness import ASSUMED, ENTERED, KIND, known_by
from mapper.routes import Lead, RouteMap, route_map_to_mapping

__all__ = [
    "entries_of_map",
    "export_route_map",
    "import_route_map",
    "job_to_share",
    "readable_copies",
    "route_map_bytes",
]

# Our own keys of a wire in the file: the stretches that nobody traced, as [from, to] arc
# length in mm from its drop; its true diameter, since such a wire counts as thicker; and whether
# the diameter was entered, for it or for its kind, or is assumed (left out: a file said it).
UNTRACED = "untraced"
TRUE_DIAMETER = "true_diameter"
DIAMETER_FROM = "diameter_from"
OWN_KEYS = (UNTRACED, TRUE_DIAMETER, DIAMETER_FROM)


def export_route_map(job: Job, provisional: bool = True) -> bytes:
    """Return the job as a route-map file (UTF-8 JSON).

    With `provisional`, runs that nobody traced go along, marked, so that whoever plans from
    the file is as careful as this tool; `import_route_map` leaves them out again. Covers,
    nozzles and heaters go along under a key of our own. Photos and the teardown log stay behind.

    Raises RecordsError when the job has no plate, or a lead hangs on a drop or exit that the
    plate does not have.
    """
    return route_map_bytes(job_to_share(job, provisional))


def route_map_bytes(route_map: RouteMap) -> bytes:
    """Return the route-map file of a map (UTF-8 JSON)."""
    mapping = route_map_to_mapping(route_map)
    return json.dumps(mapping, ensure_ascii=False, allow_nan=False, indent=1).encode()


def readable_copies(job: Job, stem: str) -> dict[str, bytes]:
    """Return the job's route map in every form, by file name; none while it can't be written."""
    try:
        route_map = job_to_share(job)
    except RecordsError:  # no plate or no exit yet: the job itself is whole without them
        return {}
    copies = {f"{stem}{ending}": write(route_map) for ending, (_, _, write, _) in FORMS.items()}
    return {f"{stem}.json": route_map_bytes(route_map), **copies}


def job_to_share(job: Job, provisional: bool = True) -> RouteMap:
    """The job as the route map that `export_route_map` writes, for the other forms."""
    route_map = job.route_map(provisional)
    runs_mm = job.untraced_runs_mm() if provisional else {}
    entered_mm = job.settings.diameters_mm
    traced = {lead.id: lead for lead in job.thick_leads}
    own = {lead.id: lead for lead in job.leads}
    leads = []
    for lead in route_map.leads:
        extra = {k: v for k, v in lead.extra.items() if k not in OWN_KEYS}
        known_mm = traced[lead.id].diameter_mm if lead.id in traced else entered_mm.get(lead.kind)
        if lead.id in runs_mm:
            extra[UNTRACED] = [list(run) for run in runs_mm[lead.id]]
            extra[TRUE_DIAMETER] = known_mm
        diameter_mm = lead.diameter_mm if provisional else known_mm
        known = known_by(own.get(lead.id), lead.kind, entered_mm)
        if diameter_mm is not None and known in (ENTERED, KIND, ASSUMED):
            extra[DIAMETER_FROM] = known
        exit = _exit_of(lead, route_map.plate)
        leads.append(replace(lead, exit=exit, diameter_mm=diameter_mm, extra=extra))
    ids = {lead.id for lead in leads}
    return replace(
        route_map,
        leads=tuple(leads),
        extra={**route_map.extra, **parts_to_file(job.covers, tuple(job.takeouts.values()))},
        judged=tuple(one for one in route_map.judged if {one.a, one.b} <= ids),
    )


def _exit_of(lead: Lead, plate: Plate) -> str:
    """The lead's exit; where none is known yet, the one nearest to the end of its route."""
    if lead.drop not in {drop.id for drop in plate.drops}:
        raise RecordsError(
            f"{shown(lead.id)} starts at drop {shown(lead.drop)}, which the plate does not have: "
            "set its drop first."
        )
    if lead.exit in {exit.id for exit in plate.exits}:
        return lead.exit
    if lead.exit or not plate.exits:
        raise RecordsError(
            f"{shown(lead.id)} needs an exit that the plate has: enter it on the plate page, then "
            "set it for the lead."
        )
    x_mm, y_mm = lead.points_mm[-1]
    return min(plate.exits, key=lambda one: np.hypot(one.x_mm - x_mm, one.y_mm - y_mm)).id


def import_route_map(data: bytes, name: str = "route-map.json") -> dict[str, Any]:
    """Return the entries of a job for a route-map file's bytes, for `JobStore.import_job`.

    The ending of `name` says the form (mapper.exchange). Each wire becomes a finished lead
    without photos, in one stretch, or in several where its seen and unseen runs change. Raises
    mapper.routes.RouteMapError or mapper.exchange.ExchangeError.
    """
    return entries_of_map(read_form(name, data))


def entries_of_map(route_map: RouteMap) -> dict[str, Any]:
    """Return the entries of a job for a route map, as `import_route_map` does."""
    settings = Settings(
        tracing_error_mm=route_map.tracing_error_mm,
        unseen_error_mm=route_map.unseen_error_mm or Settings().unseen_error_mm,
        diameters_mm=_of_kinds(route_map.leads),
    )
    covers, takeouts = parts_from_file(route_map.extra)
    extra = {key: value for key, value in route_map.extra.items() if key != IN_FILE}
    extra = {"extra": extra} if extra else {}
    entries: dict[str, Any] = {
        "about": {"name": route_map.plate.name, **extra},
        "plate": route_map.plate.to_mapping(),
        "settings": settings.to_mapping(),
    }
    for lead in route_map.leads:
        traced = _traced(lead)
        if traced is not None:
            entries[key_of("lead", lead.id)] = traced.to_mapping()
    entries |= {key_of("cover", one.id): one.to_mapping() for one in covers}
    entries |= {key_of("takeout", one.drop): one.to_mapping() for one in takeouts}
    for one in route_map.judged:
        entry = JudgedEntry(
            uuid.uuid4().hex, one.a, one.b, one.x_mm, one.y_mm, one.top, extra=one.extra
        )
        entries[key_of("judged", entry.id)] = entry.to_mapping()
    return entries


def _traced(lead: Lead) -> TracedLead | None:
    """The lead without the stretches that nobody traced; None when nothing is left."""
    arc_mm, length_mm = lead.arc_mm, lead.length_mm
    start_mm, end_mm, finished = 0.0, length_mm, True
    for low_mm, high_mm in _runs(lead.extra.get(UNTRACED)):
        if high_mm >= length_mm - SAME_POINT_MM:
            end_mm, finished = min(end_mm, low_mm), False
        elif low_mm <= SAME_POINT_MM:
            start_mm = max(start_mm, high_mm)
    inside = (arc_mm >= start_mm - SAME_POINT_MM) & (arc_mm <= end_mm + SAME_POINT_MM)
    kept = np.flatnonzero(inside)
    if len(kept) < 2:
        return None
    points_mm = lead.points_mm[kept[0] : kept[-1] + 1]
    all_seen = lead.seen if lead.seen is not None else (True,) * (len(arc_mm) - 1)
    seen = np.array(all_seen[kept[0] : kept[-1]])
    ends = [0, *(np.flatnonzero(seen[1:] != seen[:-1]) + 1).tolist(), len(seen)]
    of_its_own = lead.extra.get(DIAMETER_FROM)
    return TracedLead(
        id=lead.id,
        kind=lead.kind,
        drop=lead.drop,
        exit=lead.exit,
        stretches=tuple(
            Stretch(
                points_mm=tuple((float(x), float(y)) for x, y in points_mm[i : j + 1]),
                seen=bool(seen[i]),
            )
            for i, j in zip(ends[:-1], ends[1:], strict=True)
        ),
        diameter_mm=None if of_its_own in (KIND, ASSUMED) else _true_diameter_mm(lead),
        finished=finished,
        diameter_from=ENTERED if of_its_own == ENTERED else None,
        extra={k: v for k, v in lead.extra.items() if k not in OWN_KEYS},
    )


def _of_kinds(leads: tuple[Lead, ...]) -> dict[str, float]:
    """What was entered for all leads of a kind; the thickest where a file says several."""
    found: dict[str, float] = {}
    for lead in leads:
        value_mm = _true_diameter_mm(lead) if lead.extra.get(DIAMETER_FROM) == KIND else None
        if value_mm is not None:
            found[lead.kind] = max(value_mm, found.get(lead.kind, 0.0))
    return found


def _true_diameter_mm(lead: Lead) -> float | None:
    value = lead.extra.get(TRUE_DIAMETER, lead.diameter_mm)
    if value is None and UNTRACED in lead.extra:
        return None
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    return float(value) if is_number and 0 < value < float("inf") else lead.diameter_mm


def _runs(value: Any) -> list[tuple[float, float]]:
    """Read the stretches; a form that is not ours says nothing."""
    runs = []
    for run in value if isinstance(value, (list, tuple)) else ():
        if (
            isinstance(run, (list, tuple))
            and len(run) == 2
            and all(isinstance(one, (int, float)) and not isinstance(one, bool) for one in run)
        ):
            runs.append((float(run[0]), float(run[1])))
    return runs
