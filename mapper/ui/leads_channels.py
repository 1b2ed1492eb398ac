"""Which leads run in which channel, and how far each channel's leads are."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import shapely

from mapper.plate import Channel, Plate
from mapper.records import Job, TracedLead

__all__ = [
    "Progress",
    "channel_at",
    "hidden_outside",
    "inside_mm",
    "leads_in",
    "progress",
    "runs_in",
]

# A lead that only passes over a channel at a junction lies about one width inside it.
PASSING_WIDTHS = 1.5
KEPT_LEADS = 1024  # leads whose channels are kept


@dataclass(frozen=True)
class Progress:
    """How far the leads of one channel are, or all of them (`channel` None).

    `drawn_mm` is the length drawn so far, `seen_mm` the part of it that somebody saw.
    `meetings`: places where two leads that are drawn meet, `judged` those with an answer.
    """

    channel: str | None
    leads: int
    traced: int
    drawn_mm: float
    seen_mm: float
    meetings: int
    judged: int

    @property
    def seen_share(self) -> float | None:
        """Part 0..1 of the drawn length that was seen; None while nothing is drawn."""
        return self.seen_mm / self.drawn_mm if self.drawn_mm > 0 else None


def runs_in(channel: Channel, lead: TracedLead) -> bool:
    """Whether the lead, as drawn so far, runs along the channel and does not only pass over it.

    It runs where it lies within half the channel's width of its centre line, for more than
    1.5 widths in all, or for half of a channel that is shorter than three.
    """
    needed_mm = min(PASSING_WIDTHS * channel.width_mm, _centre_line(channel).length / 2)
    return inside_mm(channel, lead)[0] > needed_mm


def inside_mm(channel: Channel, lead: TracedLead) -> tuple[float, float]:
    """Length of the lead in the channel as (drawn so far, seen of that), in mm."""
    points_mm = lead.points_mm
    if len(points_mm) < 2:
        return 0.0, 0.0
    ends = np.stack([points_mm[:-1], points_mm[1:]], axis=1)
    lengths = shapely.length(shapely.intersection(shapely.linestrings(ends), _area(channel)))
    return float(lengths.sum()), float(lengths[np.array(lead.seen, dtype=bool)].sum())


def hidden_outside(job: Job, channel_id: str | None) -> frozenset[str]:
    """Leads to leave out when only one channel is shown: all that don't run in it.

    None, or a channel that the plate does not have any more, hides nothing.
    """
    channels = () if job.plate is None else job.plate.channels
    channel = next((one for one in channels if one.id == channel_id), None)
    if channel is None:
        return frozenset()
    return frozenset(lead.id for lead in job.leads) - set(leads_in(job, channel.id))


def leads_in(job: Job, channel_id: str) -> tuple[str, ...]:
    """Names of the leads that run in a channel of the plate, in the order of the job."""
    return _leads_by_channel(job)[channel_id]


@lru_cache(maxsize=4)
def _leads_by_channel(job: Job) -> dict[str, tuple[str, ...]]:
    channels, plate = job.plate.channels, job.texts["plate"]
    runs = {
        lead.id: _runs_of((job.texts[f"lead/{lead.id}"], plate), _Kept((channels, lead)))
        for lead in job.leads
    }
    return {one.id: tuple(id for id, own in runs.items() if one.id in own) for one in channels}


@dataclass(frozen=True)
class _Kept:
    """Something that the text beside it stands for: all of them are equal."""

    value: Any = field(compare=False)


@lru_cache(maxsize=KEPT_LEADS)
def _runs_of(texts: tuple[str, str], kept: _Kept) -> frozenset[str]:
    """Channels that a lead runs in: kept, since a click changes one lead and asks for all."""
    channels, lead = kept.value
    return frozenset(one.id for one in channels if runs_in(one, lead))


def channel_at(plate: Plate, place_mm: tuple[float, float]) -> str | None:
    """The channel in which a place (mm) lies, or beside which by less than its width.

    Where channels join, the narrower one is meant: the wide one can be pointed at elsewhere.
    """
    place = shapely.Point(place_mm)
    found = []
    for channel in plate.channels:
        beside_mm = _centre_line(channel).distance(place) - channel.width_mm / 2
        if beside_mm < channel.width_mm:
            found.append((max(0.0, beside_mm), channel.width_mm, channel.id))
    return min(found)[2] if found else None


def progress(job: Job) -> tuple[Progress, ...]:
    """How far each channel is, in the order of the plate, and last all leads together.

    A lead that nobody has begun runs in no channel yet, and is counted in the last row only.
    Raises RecordsError without a plate.
    """
    crossings = job.route_map(provisional=False).crossings
    at_mm = np.array([(one.x_mm, one.y_mm) for one in crossings], dtype=float).reshape(-1, 2)
    places = shapely.points(at_mm)
    judged = np.array([one.top is not None for one in crossings], dtype=bool)
    rows = []
    for channel in job.plate.channels:
        names = set(leads_in(job, channel.id))
        here = [lead for lead in job.leads if lead.id in names]
        inside = [inside_mm(channel, lead) for lead in here]
        near = shapely.distance(places, _centre_line(channel)) <= channel.width_mm / 2
        rows.append(
            Progress(
                channel.id,
                len(here),
                sum(lead.finished for lead in here),
                sum(drawn for drawn, _ in inside),
                sum(seen for _, seen in inside),
                int(near.sum()),
                int((judged & near).sum()),
            )
        )
    drawn_mm = seen_mm = 0.0
    for lead in job.leads:
        steps = np.linalg.norm(np.diff(lead.points_mm, axis=0), axis=1)
        drawn_mm += float(steps.sum())
        seen_mm += float(steps[np.array(lead.seen, dtype=bool)].sum())
    begun = sum(lead.to_lead() is not None for lead in job.leads)
    finished = sum(lead.finished for lead in job.leads)
    leads = begun + len(job.missing_leads())
    whole = Progress(None, leads, finished, drawn_mm, seen_mm, len(places), int(judged.sum()))
    return (*rows, whole)


@lru_cache(maxsize=256)
def _centre_line_of(points_mm: tuple[tuple[float, float], ...]) -> shapely.LineString:
    return shapely.LineString(points_mm)


def _centre_line(channel: Channel) -> shapely.LineString:
    return _centre_line_of(channel.points_mm)


@lru_cache(maxsize=256)
def _area_of(points_mm: tuple[tuple[float, float], ...], width_mm: float) -> shapely.Polygon:
    area = shapely.buffer(_centre_line_of(points_mm), width_mm / 2)
    shapely.prepare(area)
    return area


def _area(channel: Channel) -> shapely.Polygon:
    return _area_of(channel.points_mm, channel.width_mm)
