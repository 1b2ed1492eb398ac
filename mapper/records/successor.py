"""The next job on a plate: what lasts from one rebuild to the next flood."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from mapper.bench.parts import PART_KEYS
from mapper.bench.pins import PIN_KEYS
from mapper.records.document import Settings, key_of
from mapper.records.exchange import entries_of_map
from mapper.records.job import Job

__all__ = ["next_job_entries"]

ABOUT = ("mould", "resin", "tags")  # who worked and what was noted belongs to the old job
LASTING = ("plate", "limits", "pins")


def next_job_entries(job: Job, name: str) -> dict[str, Any]:
    """Return the entries of a new job on the same plate, for `JobStore.import_job`.

    Plate, covers, parts and pins go over, and the routes as they were built; readings, photos,
    judgements of the old flood and the log stay behind. Routes that nobody confirmed come as
    unseen, with every crossing open. Without an as-built map there are no leads.
    """
    entries: dict[str, Any] = {}
    if job.as_built is not None:
        entries |= entries_of_map(job.as_built.route_map)
    old = job.to_mapping()
    entries |= {key: old[key] for key in LASTING if key in old}
    entries |= {key: old[key] for key in old if key.startswith(("cover/", "takeout/"))}
    for zone in job.zones:
        kept = {key: zone.data[key] for key in (*PART_KEYS, *PIN_KEYS) if key in zone.data}
        if kept:
            entries[key_of("zone", zone.id)] = kept
    # What was not there in the old wiring may be in the new one, so it is waited for again.
    settings = replace(job.settings, not_there=())
    if "settings" in entries:  # never less careful than the map that the routes come from
        laid = Settings.from_mapping(entries["settings"])
        settings = replace(
            settings,
            tracing_error_mm=max(settings.tracing_error_mm, laid.tracing_error_mm),
            unseen_error_mm=max(settings.unseen_error_mm, laid.unseen_error_mm),
        )
    entries["settings"] = settings.to_mapping()
    about = {key: job.about[key] for key in ABOUT if job.about.get(key)}
    return {**entries, "about": {**about, "name": name}}
