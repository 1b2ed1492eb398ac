"""Leads where nobody has traced them, so that a plan can't overlook what it does not know.

An expected lead that is not traced, and the rest of one that is traced in part, could lie
on top of anything in the channels it must use. Here they get a *provisional* run: unseen,
along the channels from the drop to each exit it may leave by. Unseen runs are at least as
uncertain as a channel is wide, so whatever shares the channel with them meets them openly.
Where no channel leads to an exit, a provisional run crosses the free end of every other
lead: then nothing can be called free, which is the truth.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from shapely import LineString, Point, get_coordinates
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
    work.cross_free_ends()
    widest_mm = max((channel.width_mm for channel in plate.channels), default=0.0)
    return Provisional(
        leads=tuple(work.leads.values()),
        runs_mm={id: tuple(runs) for id, runs in work.runs_mm.items()},
        unseen_error_mm=max(settings.unseen_error_mm, widest_mm if work.runs_mm else 0.0),
        diameters_mm=work.diameters_mm,
        warnings=tuple(work.warnings()),
    )


class _Work:
    """Leads under completion; one use, inside `provisional_leads`."""

    def __init__(self, plate: Plate, traced: Sequence[TracedLead]):
        self.plate = plate
        self.drops = {drop.id: drop for drop in plate.drops}
        self.exits = {exit.id: exit for exit in plate.exits}
        self.leads: dict[str, Lead] = {}
        self.runs_mm: dict[str, list[tuple[float, float]]] = {}
        self.lost: list[str] = []  # leads whose rest no channel tells
        self.notes: list[str] = []
        self.diameters_mm = thickest_mm(traced)

    def paths(self, drop: str, exit: str | None) -> dict[str, LineString]:
        """Channel path from the drop to each exit the lead may leave by."""
        wanted = (exit,) if exit in self.exits else tuple(self.exits)
        found = {}
        for one in wanted:
            path = _channel_path(self.plate, drop, one) if drop in self.drops else None
            if path is not None:
                found[one] = path
        return found

    def complete(self, traced: TracedLead) -> None:
        lead = traced.to_lead()
        if lead is None:
            return
        self._check(traced)
        paths = self.paths(traced.drop, traced.exit)
        late = self._begins_late(traced)
        if traced.finished and not late:
            self.leads[lead.id] = lead
            return
        if not paths:
            self.leads[lead.id] = lead
            length_mm = LineString(lead.points_mm).length
            self.runs_mm[lead.id] = [(0.0, 0.0)] if late else [(length_mm, length_mm)]
            self.lost.append(lead.id)
            return
        head, tails = np.empty((0, 2)), {}
        if late:
            first = Point(lead.points_mm[0])
            path = min(paths.values(), key=lambda path: path.distance(first))
            head = get_coordinates(substring(path, 0.0, path.project(first)))
        if not traced.finished:
            last = Point(lead.points_mm[-1])
            tails = {
                exit: get_coordinates(substring(path, path.project(last), path.length))
                for exit, path in paths.items()
            }
        own = min(tails, key=lambda exit: paths[exit].distance(last)) if tails else None
        self._put(lead, head, tails.pop(own) if own else np.empty((0, 2)), own)
        for exit, tail in tails.items():
            points = np.vstack([lead.points_mm[-1:], tail])
            self._put_alone(f"{lead.id} to {exit}", lead.kind, lead.drop, exit, points)

    def _put(self, lead: Lead, head: np.ndarray, tail: np.ndarray, exit: str | None) -> None:
        points, seen = [*head], [False] * len(head)
        head_segments = len(head)
        points += [*lead.points_mm]
        seen += list(lead.seen or ()) + [False] * len(tail)
        points += [*tail]
        points_mm, seen = _without_doubles(np.array(points), seen)
        extended = LineString(points_mm)
        head_mm = LineString([*head, lead.points_mm[0]]).length if head_segments else 0.0
        tail_mm = LineString([lead.points_mm[-1], *tail]).length if len(tail) else 0.0
        runs = []
        if head_segments:
            runs.append((0.0, head_mm))
        if len(tail):
            runs.append((extended.length - tail_mm, extended.length))
        self.runs_mm[lead.id] = runs
        self.leads[lead.id] = replace(
            lead, points_mm=points_mm, seen=tuple(seen), exit=lead.exit or exit or ""
        )

    def add_missing(self, lead: ExpectedLead) -> None:
        paths = self.paths(lead.drop, None)
        for i, (exit, path) in enumerate(paths.items()):
            name = lead.id if i == 0 else f"{lead.id} to {exit}"
            self._put_alone(name, lead.kind, lead.drop, exit, get_coordinates(path))
        if not paths:
            drop = self.drops[lead.drop]
            start = np.array([[drop.x_mm, drop.y_mm]])
            self.lost.append(self._put_alone(lead.id, lead.kind, lead.drop, "", start))

    def _put_alone(self, name: str, kind: str, drop: str, exit: str, points: np.ndarray) -> str:
        name = self._free_name(name)
        points, _ = _without_doubles(points, [False] * (len(points) - 1))
        self.leads[name] = Lead(
            id=name,
            kind=kind,
            drop=drop,
            exit=exit,
            points_mm=points,
            diameter_mm=self.diameters_mm[kind],
            seen=(False,) * (len(points) - 1),
        )
        self.runs_mm[name] = [(0.0, float("inf"))]
        return name

    def _free_name(self, name: str) -> str:
        taken = {*self.leads}
        for i in range(len(taken) + 1):
            ending = "" if i == 0 else f" ({i + 1})"
            candidate = name[: MAX_ID_LENGTH - len(ending)] + ending
            if candidate not in taken:
                break
        return candidate

    def cross_free_ends(self) -> None:
        """Lead each lost run over the free end of every lead that is not itself lost."""
        targets = {
            id: lead.points_mm[-2:] for id, lead in self.leads.items() if len(lead.points_mm) > 1
        }
        for id in self.lost:
            lead = self.leads[id]
            way = [*lead.points_mm]
            for other, (before, end) in targets.items():
                if other == id:
                    continue
                along = (end - before) / np.linalg.norm(end - before)
                across = ACROSS_MM * np.array([-along[1], along[0]])
                middle = (before + end) / 2
                way += [middle - across, middle + across]
            if len(way) == 1:  # nothing else is here: a short run that meets nobody
                way.append(way[0] + [ACROSS_MM, 0.0])
            seen = [*(lead.seen or ())] + [False] * (len(way) - len(lead.points_mm))
            points_mm, seen = _without_doubles(np.array(way), seen)
            start_mm = self.runs_mm[id][0][0]
            self.leads[id] = replace(lead, points_mm=points_mm, seen=tuple(seen))
            self.runs_mm[id] = [(start_mm, float("inf"))]

    def _begins_late(self, traced: TracedLead) -> bool:
        drop = self.drops.get(traced.drop)
        if drop is None:
            return False
        x_mm, y_mm = traced.points_mm[0]
        gap_mm = np.hypot(x_mm - drop.x_mm, y_mm - drop.y_mm) - drop.bore_diameter_mm / 2
        return bool(gap_mm > START_REACH_MM)

    def _check(self, traced: TracedLead) -> None:
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

    def warnings(self) -> Iterable[str]:
        if self.lost:
            names = _names(self.lost)
            one = len(self.lost) == 1
            why = (
                "no channel leads from the drop to an exit"
                if self.plate.channels and self.plate.exits
                else "the plate has no channels"
                if not self.plate.channels
                else "the plate has no exits"
            )
            yield (
                f"{names} {'is' if one else 'are'} not traced to the end and {why}: "
                "nothing can be called free."
            )
        yield from self.notes


def _names(ids: Sequence[str]) -> str:
    names = [shown(id) for id in ids]
    if len(names) > NAMES_SHOWN:
        names = [*names[: NAMES_SHOWN - 1], f"{len(names) - NAMES_SHOWN + 1} more"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _channel_path(plate: Plate, drop: str, exit: str) -> LineString | None:
    if not plate.channels:
        return None
    points_mm = channel_path_mm(plate, drop, exit)
    return None if points_mm is None or len(points_mm) < 2 else LineString(points_mm)


def _without_doubles(points: np.ndarray, seen: Sequence[bool]) -> tuple[np.ndarray, list[bool]]:
    """Drop points that repeat their forerunner, with the segment between them."""
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1) > SAME_POINT_MM
    kept = np.concatenate([[True], steps])
    return points[kept], [one for one, keep in zip(seen, steps, strict=True) if keep]
