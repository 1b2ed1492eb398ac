"""A job out to a route-map file and in again."""

from __future__ import annotations

import json
import uuid
from dataclasses import replace
from typing import Any

import numpy as np

from mapper.records.document import JudgedEntry, Settings, key_of
from mapper.records.job import Job
from mapper.records.leads import Stretch, TracedLead
from mapper.routes import Lead

__all__ = ["export_route_map", "import_route_map"]

# Our own keys of a wire in the file, so that a job comes back as it went out.
PROVISIONAL = "provisional"
UNFINISHED = "unfinished"


def export_route_map(job: Job, provisional: bool = True) -> bytes:
    """Return the job as a route-map file (UTF-8 JSON).

    With `provisional`, runs that nobody traced go along, marked, so that whoever plans from
    the file is as careful as this tool; `import_route_map` leaves them out again.

    Raises RecordsError when the job has no plate.
    """
    from mapper.routes import route_map_to_mapping

    route_map = job.route_map(provisional)
    traced = {lead.id: lead for lead in job.leads}
    leads = []
    for lead in route_map.leads:
        extra = {k: v for k, v in lead.extra.items() if k not in (PROVISIONAL, UNFINISHED)}
        if lead.id not in traced:
            extra[PROVISIONAL] = True
        elif not traced[lead.id].finished:
            extra[UNFINISHED] = traced[lead.id].to_mapping()
        leads.append(replace(lead, extra=extra))
    mapping = route_map_to_mapping(replace(route_map, leads=tuple(leads)))
    return json.dumps(mapping, ensure_ascii=False, indent=1).encode()


def import_route_map(data: bytes) -> dict[str, Any]:
    """Return the entries of a job for a route-map file's bytes: `JobStore.import_job`.

    Each wire becomes a finished lead without photos. Raises mapper.routes.RouteMapError.
    """
    from mapper.routes import read_route_map

    route_map = read_route_map(data)
    about: dict[str, Any] = {"name": route_map.plate.name}
    if route_map.extra:
        about["extra"] = dict(route_map.extra)
    settings = Settings(tracing_error_mm=route_map.tracing_error_mm)
    entries: dict[str, Any] = {
        "about": about,
        "plate": route_map.plate.to_mapping(),
        "settings": settings.to_mapping(),
    }
    for lead in route_map.leads:
        if not lead.extra.get(PROVISIONAL):
            entries[key_of("lead", lead.id)] = _traced(lead).to_mapping()
    for one in route_map.judged:
        entry = JudgedEntry(
            uuid.uuid4().hex, one.a, one.b, one.x_mm, one.y_mm, one.top, extra=one.extra
        )
        entries[key_of("judged", entry.id)] = entry.to_mapping()
    return entries


def _traced(lead: Lead) -> TracedLead:
    if UNFINISHED in lead.extra:
        return TracedLead.from_mapping(lead.extra[UNFINISHED])
    segments = len(lead.points_mm) - 1
    seen = np.array(lead.seen if lead.seen is not None else [True] * segments)
    ends = [0, *(np.flatnonzero(seen[1:] != seen[:-1]) + 1).tolist(), segments]
    return TracedLead(
        id=lead.id,
        kind=lead.kind,
        drop=lead.drop,
        exit=lead.exit,
        stretches=tuple(
            Stretch(
                points_mm=tuple((float(x), float(y)) for x, y in lead.points_mm[start : end + 1]),
                seen=bool(seen[start]),
            )
            for start, end in zip(ends, ends[1:], strict=False)
        ),
        diameter_mm=lead.diameter_mm,
        finished=True,
        extra=dict(lead.extra),
    )
