"""Leads offered without a click: looked for in a thread, then shown one after another.

Where leads may start and end is read off the photo: wires that come out of a drop's pocket into
a channel, and wires in the channel before an exit. `mapper.trace.propose` offers what is
certain between them. Which of its drop's leads a line is, the person says who accepts it.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from mapper.errors import MapperError, shown
from mapper.records import ExpectedLead, Job, TracedLead
from mapper.trace import Trace, propose
from mapper.ui import leads_tracing
from mapper.ui.leads_sight import Pixel, Sight

__all__ = ["NOTHING", "Offer", "Search", "accepted", "open_offers", "places_round"]

STEP_MM = 1.0  # between the places round a pocket where a wire is looked for
PAST_POCKET_MM = 5.0
ROUND_EXIT_MM = 13.0
SAME_LEAD = 0.5  # of an offered line along a lead that is drawn already: it is that lead
NEAR_MM = 2.0
NOTHING = (
    "No lead on this photo is certain enough to offer. That is common: leads of one colour side "
    "by side, or plastic over them, leave room for doubt. Trace by clicks, or try another photo."
)


class _Stopped(Exception):
    """The search was stopped."""


@dataclass(frozen=True, eq=False)
class Offer:
    """A line on a photo that is offered as a lead of a drop."""

    drop: str
    exit: str
    photo: str
    trace: Trace


def places_round(
    sight: Sight, middle_mm: tuple[float, float], radius_mm: float
) -> list[tuple[float, float]]:
    """Pixels of the wires that cross a circle on the plate where it runs in a channel."""
    count = max(12, math.ceil(2 * math.pi * radius_mm / STEP_MM))
    turn = np.arange(count) * (2 * math.pi / count)
    ring_mm = np.array(middle_mm) + radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    depth_mm = sight.plate.lead_depth_mm(ring_mm)
    found: list[tuple[float, float, float]] = []
    inside = depth_mm > 0
    for x, y in sight.photo_from_mm(ring_mm[inside], depth_mm[inside]):
        if not sight.shows((x, y)):
            continue
        snap = sight.snap((float(x), float(y)), sight.reach_px)
        if snap is None:
            continue
        (at_x, at_y), width = snap
        if all(math.dist((at_x, at_y), one[:2]) > 0.8 * max(width, one[2]) for one in found):
            found.append((float(at_x), float(at_y), float(width)))
    return [one[:2] for one in found]


class Search:
    """A search on one photo, in a thread. `progress` 0..1; `offers` None until it is over."""

    def __init__(self, job: Job, sight: Sight, ground: Callable[[], object]) -> None:
        self.photo = sight.sha256
        self.progress = 0.0
        self.offers: tuple[Offer, ...] | None = None
        self.error = ""
        self.told = False  # the user has been told what was found
        self.refused: list[tuple[Offer, int]] = []  # with the job's revision then
        self.accepted: dict[int, str] = {}  # number of the offer -> lead it became
        self._stop = threading.Event()
        missing = {one.drop for one in _missing(job)}
        drops = [one for one in job.plate.drops if one.id in missing]
        arguments = (job, sight, ground, drops)
        # Not a daemon: a process that ended in the middle of OpenCV's work would abort.
        self._thread = threading.Thread(target=self._work, args=arguments, name="look for leads")
        self._thread.start()

    def wait(self) -> None:
        """Wait until the search is over."""
        self._thread.join()

    def stop(self) -> None:
        """End the search as soon as it can; what was found so far is not offered."""
        self._stop.set()

    def _tell(self, done: int, of: int) -> None:
        if self._stop.is_set() or not threading.main_thread().is_alive():
            raise _Stopped
        self.progress = done / max(of, 1)

    def _work(self, job: Job, sight: Sight, ground: Callable[[], object], drops: list) -> None:
        offers: list[Offer] = []
        try:
            prepared = ground()
            starts = [
                (drop.id, px)
                for drop in drops
                for px in places_round(
                    sight, (drop.x_mm, drop.y_mm), drop.bore_diameter_mm / 2 + PAST_POCKET_MM
                )
            ]
            ends = [
                (one.id, px)
                for one in job.plate.exits
                for px in places_round(sight, (one.x_mm, one.y_mm), ROUND_EXIT_MM)
            ]
            self._tell(0, 1)
            proposals = propose(
                prepared, [px for _, px in starts], [px for _, px in ends], progress=self._tell
            )
            for one in proposals:
                offer = Offer(starts[one.start][0], ends[one.end][0], sight.sha256, one.trace)
                if not _drawn_already(offer, job, sight):
                    offers.append(offer)
        except _Stopped:
            offers.clear()
            self.error = "Stopped."
        except (MapperError, ValueError, OSError) as error:
            self.error = shown(error, 200)
        finally:
            self.offers = tuple(offers)


def open_offers(search: Search | None, job: Job) -> list[tuple[int, Offer, list[ExpectedLead]]]:
    """(number, offer, leads it may be) of the offers that wait for an answer.

    An accepted offer whose lead was taken back by undo waits again.
    """
    if search is None or not search.offers:
        return []
    missing = _missing(job)
    refused = {id(one) for one, _ in search.refused}
    drawn = {one.id for one in job.leads if one.stretches}
    found = []
    for number, offer in enumerate(search.offers):
        may_be = [one for one in missing if one.drop == offer.drop]
        taken = search.accepted.get(number) in drawn
        if may_be and not taken and id(offer) not in refused:
            found.append((number, offer, may_be))
    return found


def accepted(offer: Offer, lead: ExpectedLead, sight: Sight) -> TracedLead:
    """The lead with the offered line, as two clicks at its ends would have drawn it."""
    points = offer.trace.points
    first, last = (tuple(float(v) for v in points[i]) for i in (0, -1))

    def snap(click: Pixel, reach_px: float) -> tuple[Pixel, float]:
        return click, 0.0

    along = replace(sight, trace=lambda start, end: offer.trace, snap=snap)
    begun = leads_tracing.begin(TracedLead(lead.id, lead.kind, lead.drop), along, first)
    new = leads_tracing.extend(begun, along, last)
    return new if new.finished else leads_tracing.finish(new, sight.plate)


def _missing(job: Job) -> list[ExpectedLead]:
    """Leads without a line."""
    drawn = {one.id for one in job.leads if one.stretches}
    return [one for one in job.missing_leads() if one.id not in drawn]


def _drawn_already(offer: Offer, job: Job, sight: Sight) -> bool:
    points_mm, _ = sight.plate_from_line(offer.trace.points)
    for lead in job.leads:
        line = lead.points_mm
        if len(line) < 2:
            continue
        s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        even = np.arange(0.0, s[-1] + 1.0)
        dense = np.column_stack([np.interp(even, s, line[:, i]) for i in (0, 1)])
        away, _ = cKDTree(dense).query(points_mm)
        if (away < NEAR_MM).mean() > SAME_LEAD:
            return True
    return False
