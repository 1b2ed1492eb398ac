"""Correcting the as-built route of one lead, without losing who said what of the others.

A corrected route says where the lead runs, not what lies over it there: every judgement of that
lead is taken out, so all its meetings are open until somebody looks. A way chosen through the
channels was not followed on a photo, so it counts as unseen, and the lead may lie anywhere
across the channel.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from mapper.errors import shown
from mapper.rebuild import LeadWay
from mapper.records.document import UNSEEN_ERROR_MM, Settings
from mapper.records.errors import RecordsError
from mapper.records.job import Job
from mapper.records.leads import TracedLead
from mapper.records.rebuilding import AsBuilt, Correction
from mapper.routes import Lead

__all__ = ["corrected_by_trace", "corrected_by_way", "corrected_from_job"]


def corrected_by_way(built: AsBuilt, lead_id: str, way: LeadWay, by: str, at: datetime) -> AsBuilt:
    """Return the as-built map with the lead on another way through the channels.

    Raises RecordsError when the map has no such lead.
    """
    old = _lead(built, lead_id)
    unseen = (False,) * (len(way.points_mm) - 1)
    new = replace(old, exit=way.exit, points_mm=way.points_mm, seen=unseen)
    how = f"through {' › '.join(way.channels) or 'its bore'} to {way.exit}"
    made = _with(built, new, how, by, at)
    wide_mm = max(made.laid_map.unseen_error_mm, UNSEEN_ERROR_MM, way.aside_mm)
    return replace(made, laid_map=replace(made.laid_map, unseen_error_mm=wide_mm))


def corrected_from_job(built: AsBuilt, lead_id: str, other: Job, by: str, at: datetime) -> AsBuilt:
    """Return the as-built map with the lead as another job traced it, on photos of the rebuilt
    plate. What was drawn there as buried stays unseen.

    Raises RecordsError when it is not traced there to its end on trusted photos, or starts at
    another drop.
    """
    traced = {lead.id: lead for lead in other.leads}.get(lead_id)
    if traced is None or lead_id in other.provisional_ids():
        raise RecordsError(
            f"{shown(lead_id)} of that job is not traced to its end on a trusted photo: finish it "
            "there first."
        )
    how = f"as traced in the job {other.name or other.id[:6]}"
    return corrected_by_trace(built, traced, how, by, at, other.settings)


def corrected_by_trace(
    built: AsBuilt, traced: TracedLead, how: str, by: str, at: datetime, settings: Settings
) -> AsBuilt:
    """Return the as-built map with a lead as it was traced, to its end. The larger of the two
    errors of tracing, and of buried runs, counts from now on (`settings`: of the tracing).

    Raises RecordsError when it has no end, or starts at another drop.
    """
    old, new = _lead(built, traced.id), traced.to_lead()
    if new is None or not traced.finished:
        raise RecordsError(
            f"{shown(traced.id)} is not traced to its exit yet: go on to the edge of the plate."
        )
    if new.drop != old.drop:
        raise RecordsError(
            f"{shown(new.id)} was traced from {shown(new.drop)}, but here it starts at "
            f"{shown(old.drop)}: trace it from there."
        )
    if new.diameter_mm is None:
        new = replace(new, diameter_mm=old.diameter_mm)
    made = _with(built, new, how, by, at)
    wide_mm = max(made.laid_map.unseen_error_mm, settings.unseen_error_mm)
    error_mm = max(made.laid_map.tracing_error_mm, settings.tracing_error_mm)
    laid = replace(made.laid_map, unseen_error_mm=wide_mm, tracing_error_mm=error_mm)
    return replace(made, laid_map=laid)


def _lead(built: AsBuilt, lead_id: str) -> Lead:
    lead = built.laid_map.leads_by_id.get(lead_id)
    if lead is None:
        raise RecordsError(f"The as-built map has no lead {shown(lead_id)}: choose another one.")
    return lead


def _with(built: AsBuilt, new: Lead, how: str, by: str, at: datetime) -> AsBuilt:
    leads = tuple(new if lead.id == new.id else lead for lead in built.laid_map.leads)
    judged = tuple(one for one in built.laid_map.judged if new.id not in (one.a, one.b))
    laid = replace(built.laid_map, leads=leads, judged=judged)
    return replace(
        built, laid_map=laid, corrections=(*built.corrections, Correction(new.id, how, by, at))
    )
