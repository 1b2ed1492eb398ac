"""Leads where nobody has traced them, so that a plan can't overlook what it does not know.

An expected lead that is not traced, and the rest of one that is traced in part, could lie
on top of anything in the channels it must use. Here they get a *provisional* run: unseen,
along the channels from the drop to each exit it may leave by; where channels form a ring, in
every channel. Unseen runs are at least as
uncertain as a channel is wide, so whatever shares the channel with them meets them openly.
Where no channel leads to an exit, a provisional run crosses the free end of every other
lead: then nothing can be called free, which is the truth.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import count
from typing import Any

import numpy as np
from shapely import (
    LineString,
    Point,
    Polygon,
    get_coordinates,
    get_parts,
    unary_union,
)
from shapely.ops import substring

from mapper.errors import shown
from mapper.plate import Plate, channel_path_mm
from mapper.records.document import JudgedEntry, Settings
from mapper.records.expected import ExpectedLead
from mapper.records.leads import MAX_ID_LENGTH, SAME_POINT_MM, TracedLead
from mapper.routes import Crossing, Lead, RouteMap
from mapper.routes.judging import JUDGED_WITHIN_MM, place_distance_mm

__all__ = ["Provisional", "provisional_leads", "thickest_mm", "with_diameters"]

# Thickest usual leads; common practice, no source. Too thick only asks more questions.
USUAL_DIAMETER_MM = {"heater": 3.0, "thermocouple": 2.5, "other": 3.0}
START_REACH_MM = 10.0  # a lead that begins this far outside its bore begins too late
END_REACH_MM = 30.0  # a finished lead should end this near its exit
ACROSS_MM = 5.0  # how far a run without channels reaches over each side of a lead
SMALLEST_RING_MM2 = 1.0  # less is a seam between two channels
NAMES_SHOWN = 3


@dataclass(frozen=True)
class Provisional:
    """The leads of a job, completed; `runs_mm` are the provisional stretches of each lead
    that has some, as (from, to) arc length from its drop."""

    leads: tuple[Lead, ...] = ()
    runs_mm: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    unseen_error_mm: float = 0.0
    diameters_mm: Mapping[str, float] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    @property
    def ids(self) -> frozenset[str]:
        return frozenset(self.runs_mm)

    def route_map(
        self, plate: Plate, judged: Sequence[JudgedEntry], settings: Settings
    ) -> RouteMap:
        """The completed route map. A judgement does not count for a meeting that a
        provisional run takes part in: nobody has seen that run there."""
        route_map = RouteMap(
            plate=plate,
            leads=with_diameters(self.leads, self.diameters_mm),
            tracing_error_mm=settings.tracing_error_mm,
            unseen_error_mm=self.unseen_error_mm,
        )
        kept = tuple(one.to_judged() for one in judged)
        if self.runs_mm and kept:
            unsure: dict[frozenset[str], list[Crossing]] = {}
            for meeting in route_map.found:
                if self._has_run(meeting.a, meeting.a_span_mm) or self._has_run(
                    meeting.b, meeting.b_span_mm
                ):
                    unsure.setdefault(frozenset((meeting.a, meeting.b)), []).append(meeting)
            kept = tuple(
                one
                for one in kept
                if not any(
                    place_distance_mm(meeting, one.x_mm, one.y_mm, route_map.leads_by_id)
                    <= JUDGED_WITHIN_MM + SAME_POINT_MM
                    for meeting in unsure.get(frozenset((one.a, one.b)), ())
                )
            )
        return replace(route_map, judged=kept)

    def _has_run(self, lead: str, span_mm: tuple[float, float]) -> bool:
        low, high = min(span_mm) - SAME_POINT_MM, max(span_mm) + SAME_POINT_MM
        return any(low <= end and start <= high for start, end in self.runs_mm.get(lead, ()))


def with_diameters(leads: Iterable[Lead], diameters_mm: Mapping[str, float]) -> tuple[Lead, ...]:
    """Return the leads; where one has an unseen run, none stays an ideal line.

    An ideal line meets others only where it truly crosses them, but an unseen run may lie
    beside where it was drawn.
    """
    leads = tuple(leads)
    if not any(lead.seen is not None and not all(lead.seen) for lead in leads):
        return leads
    return tuple(
        lead if lead.diameter_mm else replace(lead, diameter_mm=diameters_mm[lead.kind])
        for lead in leads
    )


def thickest_mm(traced: Iterable[TracedLead]) -> dict[str, float]:
    """Return the diameter of a lead that nobody measured, by kind: the thickest of its kind
    in the job, else a usual one."""
    diameters_mm = dict(USUAL_DIAMETER_MM)
    measured: dict[str, float] = {}
    for lead in traced:
        if lead.diameter_mm:
            measured[lead.kind] = max(lead.diameter_mm, measured.get(lead.kind, 0.0))
    return diameters_mm | measured


def provisional_leads(
    plate: Plate | None,
    traced: Sequence[TracedLead],
    missing: Sequence[ExpectedLead],
    settings: Settings,
) -> Provisional:
    """Complete the traced leads and add the missing ones; see the head of this module."""
    if plate is None:
        return Provisional(
            unseen_error_mm=settings.unseen_error_mm,
            warnings=("No plate is entered, so nothing can be planned: enter it first.",),
        )
    work = _Work(plate, traced)
    for lead in traced:
        work.complete(lead)
    for lead in missing:
        work.add_missing(lead)
    work.fill_rings()
    work.cross_free_ends()
    runs_mm = {draft.id: draft.runs_mm() for draft in work.drafts.values() if draft.runs_mm()}
    widest_mm = max((channel.width_mm for channel in plate.channels), default=0.0)
    return Provisional(
        leads=tuple(draft.lead() for draft in work.drafts.values()),
        runs_mm=runs_mm,
        unseen_error_mm=max(settings.unseen_error_mm, widest_mm if runs_mm else 0.0),
        diameters_mm=work.diameters_mm,
        warnings=tuple(work.warnings()),
    )


@dataclass
class _Draft:
    """A lead under completion: what was traced, with provisional runs before and after it."""

    id: str
    kind: str
    drop: str
    exit: str
    traced_mm: np.ndarray  # (N, 2), N may be 0
    seen: tuple[bool, ...] = ()
    diameter_mm: float | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)
    head_mm: np.ndarray = field(default_factory=lambda: np.empty((0, 2)))
    tail_mm: np.ndarray = field(default_factory=lambda: np.empty((0, 2)))

    def runs_mm(self) -> tuple[tuple[float, float], ...]:
        """Provisional stretches as (from, to) arc length from the drop."""
        if not len(self.traced_mm):
            return ((0.0, _length_mm(self.tail_mm)),)
        head = _length_mm(np.vstack([self.head_mm, self.traced_mm[:1]]))
        tail = _length_mm(np.vstack([self.traced_mm[-1:], self.tail_mm]))
        whole = head + _length_mm(self.traced_mm) + tail
        runs = [(0.0, head)] if len(self.head_mm) else []
        return (*runs, (whole - tail, whole)) if len(self.tail_mm) else tuple(runs)

    def lead(self) -> Lead:
        points_mm = np.vstack([self.head_mm, self.traced_mm, self.tail_mm])
        before = len(self.head_mm)
        seen = [False] * before + [*self.seen]
        seen += [False] * (len(points_mm) - 1 - len(seen))
        moves = np.hypot(*np.diff(points_mm, axis=0).T) > SAME_POINT_MM
        moves[0] |= not moves.any()  # a route keeps two points
        return Lead(
            id=self.id,
            kind=self.kind,
            drop=self.drop,
            exit=self.exit,
            points_mm=points_mm[np.concatenate([[True], moves])],
            diameter_mm=self.diameter_mm,
            seen=tuple(one for one, keep in zip(seen, moves, strict=True) if keep),
            extra=dict(self.extra),
        )


class _Work:
    """Leads under completion; one use, inside `provisional_leads`."""

    def __init__(self, plate: Plate, traced: Sequence[TracedLead]):
        self.plate = plate
        self.drops = {drop.id: drop for drop in plate.drops}
        self.exits = {exit.id: exit for exit in plate.exits}
        self.drafts: dict[str, _Draft] = {}
        self.lost: list[str] = []  # leads whose rest no channel tells
        self.notes: list[str] = []
        self.diameters_mm = thickest_mm(traced)
        self._names = {lead.id for lead in traced}

    @cache  # noqa: B019  (lives as long as one call of provisional_leads)
    def ways(self, drop: str, exit: str | None) -> tuple[tuple[str, LineString], ...]:
        """(exit, shortest way along the channels) of each exit a lead may leave by."""
        if drop not in self.drops:
            return ()
        wanted = (exit,) if exit in self.exits else tuple(self.exits)
        ways = ((one, _way(self.plate, drop, one)) for one in wanted)
        return tuple((one, way) for one, way in ways if way is not None)

    def complete(self, traced: TracedLead) -> None:
        """Add a traced lead, with what is missing before and after it."""
        points_mm = traced.points_mm
        if len(points_mm) < 2:
            return
        self._note_faults(traced)
        draft = _Draft(
            id=traced.id,
            kind=traced.kind,
            drop=traced.drop,
            exit=traced.exit or "",
            traced_mm=points_mm,
            seen=traced.seen,
            diameter_mm=traced.diameter_mm,
            extra=traced.extra,
        )
        self.drafts[draft.id] = draft
        late = self._begins_late(traced)
        if traced.finished and not late:
            return
        ways = self.ways(traced.drop, traced.exit)
        if not ways:
            self.lost.append(draft.id)
            return
        first, last = Point(points_mm[0]), Point(points_mm[-1])
        if late:
            for i, way in enumerate(_nearest_first([way for _, way in ways], first)):
                head = get_coordinates(substring(way, 0.0, way.project(first)))
                if i == 0:
                    draft.head_mm = head
                else:
                    self._add_alone(draft, "", np.vstack([head, points_mm[:1]]))
        if not traced.finished:
            exits = {id(way): exit for exit, way in ways}
            for i, way in enumerate(_nearest_first([way for _, way in ways], last)):
                tail = get_coordinates(substring(way, way.project(last), way.length))
                if i == 0:
                    draft.tail_mm, draft.exit = tail, exits[id(way)]
                else:
                    self._add_alone(draft, exits[id(way)], np.vstack([points_mm[-1:], tail]))

    def add_missing(self, lead: ExpectedLead) -> None:
        """Add a lead of which nothing is traced, on every way it may have taken."""
        draft = _Draft(
            id=self._free_name(lead.id),
            kind=lead.kind,
            drop=lead.drop,
            exit="",
            traced_mm=np.empty((0, 2)),
            diameter_mm=self.diameters_mm[lead.kind],
        )
        self.drafts[draft.id] = draft
        ways = self.ways(lead.drop, None)
        for i, (exit, way) in enumerate(ways):
            if i == 0:
                draft.tail_mm, draft.exit = get_coordinates(way), exit
            else:
                self._add_alone(draft, exit, get_coordinates(way))
        if not ways:
            drop = self.drops[lead.drop]
            # A short piece, so that the other lost leads have something to cross.
            draft.tail_mm = np.array([[0.0, 0.0], [ACROSS_MM, 0.0]]) + [drop.x_mm, drop.y_mm]
            self.lost.append(draft.id)

    def fill_rings(self) -> None:
        """Where channels part and join again, a lead may have taken another way than the
        shortest: then something untraced may lie in every channel."""
        unsure = [draft for draft in self.drafts.values() if draft.runs_mm()]
        if unsure and self.plate.channels and self.exits and _has_ring(self.plate):
            for channel in self.plate.channels:
                points_mm = np.array(channel.points_mm, dtype=float)
                self._add_alone(unsure[0], unsure[0].exit, points_mm)

    def _add_alone(self, of: _Draft, exit: str, points_mm: np.ndarray) -> None:
        """Add another way that lead `of` may have taken, as a lead of its own."""
        if _length_mm(points_mm) <= SAME_POINT_MM:
            return
        name = self._free_name(f"{of.id} or here")
        self.drafts[name] = _Draft(
            id=name,
            kind=of.kind,
            drop=of.drop,
            exit=exit,
            traced_mm=np.empty((0, 2)),
            diameter_mm=self.diameters_mm[of.kind],
            tail_mm=points_mm,
        )

    def _free_name(self, name: str) -> str:
        taken = self._names | set(self.drafts)
        tries = (f" ({i})" if i > 1 else "" for i in count(1))
        return next(
            candidate
            for ending in tries
            if (candidate := name[: MAX_ID_LENGTH - len(ending)] + ending) not in taken
        )

    def cross_free_ends(self) -> None:
        """Lead each lost run over the free end of every other lead."""
        ends = {
            draft.id: (draft.tail_mm if len(draft.tail_mm) > 1 else draft.lead().points_mm)[-2:]
            for draft in self.drafts.values()
        }
        for id in self.lost:
            over = []
            for other, (before, end) in ends.items():
                if other != id:
                    along = (end - before) / np.hypot(*(end - before))
                    across = ACROSS_MM * np.array([-along[1], along[0]])
                    over += [(before + end) / 2 - across, (before + end) / 2 + across]
            draft = self.drafts[id]
            # Without another lead there is nothing to meet, but the end is still unknown.
            draft.tail_mm = np.vstack(
                [draft.tail_mm, *over] if over or len(draft.tail_mm) else [draft.traced_mm[-1:]]
            )

    def _begins_late(self, traced: TracedLead) -> bool:
        drop = self.drops.get(traced.drop)
        if drop is None:
            return False
        x_mm, y_mm = traced.points_mm[0]
        gap_mm = np.hypot(x_mm - drop.x_mm, y_mm - drop.y_mm) - drop.bore_diameter_mm / 2
        return bool(gap_mm > START_REACH_MM)

    def _note_faults(self, traced: TracedLead) -> None:
        name = shown(traced.id)
        if traced.drop not in self.drops:
            self.notes.append(
                f"{name} starts at drop {shown(traced.drop)}, which the plate does not have: "
                "set its drop."
            )
        if traced.exit is not None and traced.exit not in self.exits:
            self.notes.append(
                f"{name} leaves by exit {shown(traced.exit)}, which the plate does not have: "
                "set its exit."
            )
        elif traced.finished and traced.exit is not None:
            exit = self.exits[traced.exit]
            x_mm, y_mm = traced.points_mm[-1]
            gap_mm = np.hypot(x_mm - exit.x_mm, y_mm - exit.y_mm)
            if gap_mm > END_REACH_MM:
                self.notes.append(
                    f"{name} is marked as finished but ends {gap_mm:.0f} mm from its exit: "
                    "trace the rest, or see that it ends there."
                )
        if self._begins_late(traced):
            self.notes.append(
                f"{name} begins far from its drop {shown(traced.drop)}: trace it from the drop."
            )

    def warnings(self) -> Iterator[str]:
        if self.lost:
            if not self.plate.channels:
                why = "the plate has no channels"
            elif not self.plate.exits:
                why = "the plate has no exits"
            else:
                why = "no channel leads from the drop to an exit"
            verb = "is" if len(self.lost) == 1 else "are"
            yield (
                f"{_names(self.lost)} {verb} not traced to the end and {why}: "
                "nothing can be called free."
            )
        yield from self.notes


def _way(plate: Plate, drop: str, exit: str) -> LineString | None:
    """The shortest way along the channels from the drop to the exit, if there is one."""
    if not plate.channels:
        return None
    points_mm = channel_path_mm(plate, drop, exit)
    return None if points_mm is None or len(points_mm) < 2 else LineString(points_mm)


def _has_ring(plate: Plate) -> bool:
    """Whether channels and bores enclose something, so that there is more than one way."""
    areas = [LineString(one.points_mm).buffer(one.width_mm / 2) for one in plate.channels]
    areas += [Point(one.x_mm, one.y_mm).buffer(one.bore_diameter_mm / 2) for one in plate.drops]
    return any(
        Polygon(ring).area > SMALLEST_RING_MM2
        for part in get_parts(unary_union(areas))
        for ring in part.interiors
    )


def _nearest_first(ways: Sequence[LineString], place: Point) -> list[LineString]:
    return sorted(ways, key=lambda way: way.distance(place))


def _length_mm(points_mm: np.ndarray) -> float:
    return float(np.hypot(*np.diff(points_mm, axis=0).T).sum()) if len(points_mm) > 1 else 0.0


def _names(ids: Sequence[str]) -> str:
    names = [shown(id) for id in ids]
    if len(names) > NAMES_SHOWN:
        names = [*names[: NAMES_SHOWN - 1], f"{len(names) - NAMES_SHOWN + 1} more"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
