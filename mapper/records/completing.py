"""The work behind `mapper.records.provisional`: complete traced leads, add missing ones."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from typing import Any

import numpy as np
from shapely import LineString, Point, Polygon, get_coordinates, get_parts, unary_union
from shapely.ops import substring

from mapper.errors import shown
from mapper.plate import Plate, channel_path_mm
from mapper.records.expected import ExpectedLead
from mapper.records.leads import MAX_ID_LENGTH, SAME_POINT_MM, TracedLead
from mapper.records.thickness import thickest_mm
from mapper.routes import Lead

__all__ = ["Completion"]

START_REACH_MM = 10.0  # a lead that begins this far outside its bore begins too late
END_REACH_MM = 30.0  # a finished lead should end this near its exit
ACROSS_MM = 5.0  # how far a run without channels reaches over each side of a lead
SMALLEST_RING_MM2 = 1.0  # less is a seam between two channels
NAMES_SHOWN = 3


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


class Completion:
    """The leads of a job, completed: `drafts` by id, `diameters_mm` by kind, and `warnings`."""

    def __init__(
        self,
        plate: Plate,
        traced: Sequence[TracedLead],
        missing: Sequence[ExpectedLead],
        entered_mm: Mapping[str, float],
    ):
        self.plate = plate
        self.drops = {drop.id: drop for drop in plate.drops}
        self.exits = {exit.id: exit for exit in plate.exits}
        self.drafts: dict[str, _Draft] = {}
        self.lost: list[str] = []  # leads whose rest no channel tells
        self.notes: list[str] = []
        self.diameters_mm = thickest_mm(traced, entered_mm)
        self._known_ways: dict[tuple[str, str | None], tuple[tuple[str, LineString], ...]] = {}
        self._taken = {lead.id for lead in (*traced, *missing)}
        for lead in traced:
            self._complete(lead)
        for lead in missing:
            self._add_missing(lead)
        self._fill_rings()
        self._cross_free_ends()

    def _ways(self, drop: str, exit: str | None) -> tuple[tuple[str, LineString], ...]:
        """(exit, shortest way along the channels) of each exit a lead may leave by."""
        if drop not in self.drops:
            return ()
        if (drop, exit) not in self._known_ways:
            wanted = (exit,) if exit in self.exits else tuple(self.exits)
            ways = ((one, _way(self.plate, drop, one)) for one in wanted)
            found = tuple((one, way) for one, way in ways if way is not None)
            self._known_ways[drop, exit] = found
        return self._known_ways[drop, exit]

    def _complete(self, traced: TracedLead) -> None:
        """Add a traced lead, with what is missing before and after it."""
        points_mm = traced.points_mm
        if len(points_mm) < 2:
            lead = ExpectedLead(traced.id, traced.kind, traced.drop)
            self._add_missing(lead, traced.exit, traced.diameter_mm)
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
        ways = self._ways(traced.drop, traced.exit)
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

    def _add_missing(
        self, lead: ExpectedLead, exit: str | None = None, diameter_mm: float | None = None
    ) -> None:
        """Add a lead of which nothing is traced, on every way it may have taken."""
        if lead.id in self.drafts:
            return
        draft = _Draft(
            id=lead.id,
            kind=lead.kind,
            drop=lead.drop,
            exit=exit or "",
            traced_mm=np.empty((0, 2)),
            diameter_mm=diameter_mm or self.diameters_mm[lead.kind],
        )
        self.drafts[draft.id] = draft
        ways = self._ways(lead.drop, exit)
        for i, (exit, way) in enumerate(ways):
            if i == 0:
                draft.tail_mm, draft.exit = get_coordinates(way), exit
            else:
                self._add_alone(draft, exit, get_coordinates(way))
        if not ways:
            drop = self.drops.get(lead.drop)
            start = self.plate.outline_mm[0] if drop is None else (drop.x_mm, drop.y_mm)
            # A short piece, so that the other lost leads have something to cross.
            draft.tail_mm = np.array([[0.0, 0.0], [ACROSS_MM, 0.0]]) + start
            self.lost.append(draft.id)

    def _fill_rings(self) -> None:
        """Where channels part and join again, a lead may have taken another way than the
        shortest: then something untraced may lie in every channel."""
        unsure = [draft for draft in self.drafts.values() if draft.runs_mm()]
        if unsure and self.plate.channels and self.exits and _has_ring(self.plate):
            thickest = max(unsure, key=self._thick_mm)  # it stands for each of them
            for channel in self.plate.channels:
                points_mm = np.array(channel.points_mm, dtype=float)
                self._add_alone(thickest, thickest.exit, points_mm)

    def _thick_mm(self, draft: _Draft) -> float:
        return draft.diameter_mm or self.diameters_mm[draft.kind]

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
            diameter_mm=self._thick_mm(of),
            tail_mm=points_mm,
        )

    def _free_name(self, name: str) -> str:
        taken = self._taken | set(self.drafts)
        tries = (f" ({i})" if i > 1 else "" for i in count(1))
        return next(
            candidate
            for ending in tries
            if (candidate := name[: MAX_ID_LENGTH - len(ending)] + ending) not in taken
        )

    def _cross_free_ends(self) -> None:
        """Lead each lost run over the free end of every other lead."""
        ends = {draft.id: draft.lead().points_mm[-2:] for draft in self.drafts.values()}
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
