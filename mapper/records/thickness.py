"""How thick a lead counts when nobody measured it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from mapper.records.leads import TracedLead
from mapper.routes import Lead

__all__ = ["thickest_mm", "with_diameters"]

# Thickest usual leads; common practice, no source. Too thick only asks more questions.
USUAL_DIAMETER_MM = {"heater": 3.0, "thermocouple": 2.5, "other": 3.0}


def thickest_mm(traced: Iterable[TracedLead]) -> dict[str, float]:
    """Return the diameter of a lead that nobody measured, by kind: the thickest of its kind
    in the job, else a usual one."""
    diameters_mm = dict(USUAL_DIAMETER_MM)
    measured: dict[str, float] = {}
    for lead in traced:
        if lead.diameter_mm:
            measured[lead.kind] = max(lead.diameter_mm, measured.get(lead.kind, 0.0))
    return diameters_mm | measured


def with_diameters(
    leads: Iterable[Lead], diameters_mm: Mapping[str, float], unsure: bool = False
) -> tuple[Lead, ...]:
    """Return the leads; where one has an unseen run (or `unsure`), none stays an ideal line.

    An ideal line meets others only where it truly crosses them, but an unseen run may lie
    beside where it was drawn.
    """
    leads = tuple(leads)
    unseen = (lead.seen is not None and not all(lead.seen) for lead in leads)
    if not unsure and not any(unseen):
        return leads
    return tuple(
        lead if lead.diameter_mm else replace(lead, diameter_mm=diameters_mm[lead.kind])
        for lead in leads
    )
