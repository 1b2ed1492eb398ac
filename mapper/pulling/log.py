"""The teardown log: what really happened, read so that plan, check and explanation follow it.

A log is a list of events in the order in which they happened:

========== ================================================================================
pull       the lead came out
peel       it was lifted to just past a place
broke      it broke at a place
put back   a lead that was out or peeled was laid into its channel again, or a part put on
took off   a cover or heater came off, or a nozzle came out (see `mapper.pulling.parts`)
========== ================================================================================

Reading a log never fails because leads were traced anew: what can't be followed any more
counts for nothing (so that less is taken as free, not more) and is told in `findings`.

Broken leads. The break is known only to `BREAK_ERROR_MM`, so the two pieces overlap there:
each keeps every meeting that may be on it. The piece at the exit is freed from the exit, the
piece at the drop from the break.

Leads that were put back lie where they were traced. Which lead is on top is only known
where the judgement says that the one put back lies over the one that lay there still; every
other meeting of the two is open until somebody looks after that (`looked`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from math import hypot, inf, isfinite
from typing import Any, Protocol

import numpy as np

from mapper.errors import shown
from mapper.pulling.check import check_order
from mapper.pulling.events import SAME_PLACE_MM, Board
from mapper.pulling.model import Freed, Place, PullError, Step
from mapper.pulling.parts import part_of
from mapper.pulling.past import SAME_MEETING_MM, Done
from mapper.pulling.words import place_words
from mapper.routes.judging import place_distance_mm
from mapper.routes.model import Crossing, Lead, RouteMap

__all__ = [
    "BREAK_ERROR_MM",
    "LogEvent",
    "LogReading",
    "contradictions",
    "piece_ids",
    "reached_place",
    "read_log",
    "refusals",
]

_REACHED_MM = 2.0  # further than two tracings of one lead differ where nothing has changed
BREAK_ERROR_MM = 5.0  # how well somebody can say where on its route a lead broke
ACTIONS = ("pull", "peel", "broke", "put back", "took off")
_MAX_ID = 64  # of the route-map file


@dataclass(frozen=True)
class LogEvent:
    """One thing that happened. `past`: place in plate mm that it was peeled past, or where it
    broke. `reached`: place on its route down to which a peel freed it, as it was traced then
    (`reached_place`). `reason`: why it was done although the rule forbade it, or how it came to
    it."""

    action: str
    wire: str
    past: Place | None = None
    at: datetime | None = None
    by: str = ""
    reason: str = ""
    reached: Place | None = None


class _Looked(Protocol):
    """A judgement with its time, as the records keep it."""

    a: str
    b: str
    x_mm: float
    y_mm: float
    at: datetime | None


@dataclass(frozen=True)
class LogReading:
    """The plate as the log leaves it.

    `route_map` and `done` go to `plan_pull`, `safe_now`, `check_order` and `explain`. The map
    is the one that was given, unless a lead broke or was put back. `pieces`: id of each piece
    -> the lead that it was once a part of. `out`: leads and pieces that are out now.
    `findings`: steps that can't be followed, and contradictions, in plain sentences.
    """

    route_map: RouteMap
    done: tuple[Done, ...]
    out: frozenset[str] = frozenset()
    pieces: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[str, ...] = ()

    def lead_of(self, wire: str) -> str:
        """Return the lead of the traced map that a lead or piece belongs to."""
        return self.pieces.get(wire, wire)


def read_log(
    route_map: RouteMap, events: Iterable[Any], looked: Iterable[_Looked] = ()
) -> LogReading:
    """Follow a log on a route map as it is now.

    `events`: LogEvents, or other records or mappings with `action`, `wire`, `past` and, if
    they have them, `at`, `by`, `reason`. `looked`: the judgements with their times; one made
    after a lead was put back settles how it lies there. Raises PullError for an event that
    is of no known kind; one that does not fit the map is told in `findings`.
    """
    reader = _Reader(route_map)
    for event in events:
        reader.follow(_as_event(event))
    return reader.reading(tuple(looked))


def contradictions(
    route_map: RouteMap, log: Iterable[Any], looked: Iterable[_Looked] = ()
) -> list[str]:
    """Return what in the log does not fit the map as it is now, in plain sentences."""
    return list(read_log(route_map, log, looked).findings)


def refusals(
    route_map: RouteMap, log: Iterable[Any], event: Any, looked: Iterable[_Looked] = ()
) -> list[str]:
    """Return why an event should not be logged as it is; an empty list means that it may be.

    A pull or peel of a lead that is not free is refused unless it has a reason (a deliberate
    override). What makes no sense at all is refused with or without a reason. Raises PullError
    for an event of no known kind.
    """
    event = _as_event(event)
    now = read_log(route_map, log, looked)
    wire = event.wire
    if wire not in {lead.id for lead in now.route_map.leads}:
        return [f"There is no lead {shown(wire)} in the plate; check the id."]
    is_part = part_of(now.route_map.leads_by_id[wire]) is not None
    if event.action in (("peel", "broke") if is_part else ("took off",)):
        return [f"{shown(wire)} is {_wrong_kind(is_part)}."]
    if event.action in ("pull", "peel", "took off"):
        act = "peel" if event.action == "peel" else "pull"
        found = check_order(now.route_map, [Step(act, wire, event.past)], now.done)
        if event.reason.strip():
            found = [one for one in found if one.reason not in ("lies under", "nobody has looked")]
        return [one.sentence().removeprefix("Step 1: ") for one in found]
    if event.action == "put back":
        moved = wire in now.out or any(isinstance(d, Freed) and d.wire == wire for d in now.done)
        return [] if moved else [f"{wire} is neither out nor peeled; there is nothing to put back."]
    if wire in now.out:
        return [f"{wire} is out already; what broke afterwards is for the bench."]
    lead = next(lead for lead in now.route_map.leads if lead.id == wire)
    if event.past is None or _break_mm(lead, event.past) is None:
        return [f"Say where {wire} broke: a place within {BREAK_ERROR_MM:g} mm of its route."]
    return []


def reached_place(
    route_map: RouteMap, log: Iterable[Any], event: Any, looked: Iterable[_Looked] = ()
) -> Place | None:
    """Return the place on its route down to which a peel frees a lead, to be kept with it.

    Where the leads are traced anew later, the peel never counts for more than up to there.
    None for any other event, and for a peel that does not fit the map.
    """
    event = _as_event(event)
    if event.action != "peel":
        return None
    now = read_log(route_map, [*log, event], looked)
    leads = {lead.id: lead for lead in now.route_map.leads}
    for item in now.done:
        if isinstance(item, Freed) and item.wire == event.wire:
            x, y = leads[item.wire].point_at_mm(item.down_to_mm).tolist()
            return x, y
    return None


def piece_ids(wire: str, taken: Iterable[str] = ()) -> tuple[str, str]:
    """Return the ids of the drop-side and the exit-side piece of a broken lead.

    At most 64 characters; a name that has to be cut short, or is `taken`, gets a mark of the
    whole id so that two leads never share a piece.
    """
    taken = set(taken)
    found = []
    for side in (" (drop side)", " (exit side)"):
        name, salt = wire + side, ""
        while len(name) > _MAX_ID or name in taken:
            mark = hashlib.sha256((wire + salt).encode("utf-8", "replace")).hexdigest()[:6]
            name = f"{wire[: _MAX_ID - len(side) - 7]}~{mark}{side}"
            salt += "+"
        found.append(name)
    return found[0], found[1]


def _wrong_kind(is_part: bool) -> str:
    if is_part:
        return "a part and no lead: it comes off, or is put back"
    return "a lead and no cover, nozzle or heater: it is pulled"


def _as_event(item: Any) -> LogEvent:
    if not isinstance(item, LogEvent):
        get = item.get if isinstance(item, Mapping) else lambda key: getattr(item, key, None)
        item = LogEvent(
            get("action"),
            get("wire"),
            get("past"),
            get("at"),
            get("by") or "",
            get("reason") or "",
            get("reached"),
        )
    if item.action not in ACTIONS:
        raise PullError(
            f"{shown(item.action)} is not an event of the log; use {', '.join(ACTIONS)}"
        )
    if not isinstance(item.wire, str):
        raise PullError(f"an event of the log ({item.action}) names no lead; give its id")
    return replace(item, past=_as_place(item.past), reached=_as_place(item.reached))


def _as_place(value: Any) -> Place | None:
    """Return two finite numbers, or None for anything else."""
    try:
        x, y = (float(number) for number in value)
    except (TypeError, ValueError):
        return None
    return (x, y) if isfinite(x) and isfinite(y) else None


@dataclass
class _Piece:
    """A lead or piece of one. All lengths are arc lengths of the traced lead, from its drop."""

    lead: Lead
    low_mm: float
    high_mm: float
    freed_mm: float = inf  # free from here to the free end
    out: bool = False

    def is_past(self, span_mm: tuple[float, float]) -> bool:
        return self.out or span_mm[0] >= self.freed_mm - SAME_PLACE_MM


@dataclass
class _Meeting:
    """A meeting of two pieces; spans as arc lengths of the traced leads."""

    record: Crossing
    wires: tuple[str, str]
    spans_mm: tuple[tuple[float, float], tuple[float, float]]
    doubtful: bool = False  # somebody put a lead back here; who lies on top is not known
    since: datetime | None = None

    @property
    def upper(self) -> int | None:
        """0 or 1: the side that lies on top for certain."""
        return None if self.doubtful else {"a": 0, "b": 1}.get(self.record.top)


class _Reader:
    """The plate while the events of a log happen."""

    def __init__(self, route_map: RouteMap) -> None:
        self.route_map = route_map
        self.board = Board(route_map.leads, route_map.crossings, route_map.tracing_error_mm)
        self.pieces = {lead.id: _Piece(lead, -inf, inf) for lead in route_map.leads}
        self.broken: dict[str, tuple[str, ...]] = {}
        self.meetings: dict[str, list[_Meeting]] = {wire: [] for wire in self.pieces}
        self.findings: list[str] = []
        self.changed = False
        for record in route_map.crossings:
            self._keep(_Meeting(record, (record.a, record.b), (record.a_span_mm, record.b_span_mm)))

    def _keep(self, meeting: _Meeting) -> None:
        for wire in dict.fromkeys(meeting.wires):
            self.meetings[wire].append(meeting)

    # -- one event after the other ---------------------------------------------------------

    def follow(self, event: LogEvent) -> None:
        wire = event.wire
        if wire in self.broken:
            if event.action == "put back":
                # in doubt both pieces lie there again: more is in the way then, not less
                for piece in self.broken[wire]:
                    if piece in self.broken or self.pieces[piece].freed_mm < inf:
                        self.follow(replace(event, wire=piece))
            else:
                self._tell(event, "it was in two pieces by then")
        elif wire not in self.pieces:
            self._tell(event, "no lead or part of that name is on the map now")
        elif self.pieces[wire].out and event.action != "put back":
            self._tell(event, "it was out already")
        elif event.action in (("peel", "broke") if self._is_part(wire) else ("took off",)):
            self._tell(event, f"it is {_wrong_kind(self._is_part(wire))}")
        elif event.action in ("pull", "took off"):
            self._pull(event)
        elif event.action == "peel":
            self._peel(event)
        elif event.action == "broke":
            self._break(event)
        else:
            self._put_back(event)

    def _is_part(self, wire: str) -> bool:
        return part_of(self.pieces[wire].lead) is not None

    def _tell(self, event: LogEvent, why: str) -> None:
        where = "" if event.past is None else f" {place_words(event.past)}"
        what = {
            "pull": "out",
            "took off": "off",
            "peel": f"peeled past{where}",
            "broke": f"broken at{where}",
            "put back": "put back",
        }[event.action]
        self.findings.append(
            f"{shown(event.wire)} is marked as {what}, but {why}; the mark stays in the log and "
            "frees nothing."
        )

    def _pull(self, event: LogEvent) -> None:
        piece = self.pieces[event.wire]
        self._contradict(event, -inf)
        piece.out, piece.freed_mm = True, -inf

    def _peel(self, event: LogEvent) -> None:
        piece = self.pieces[event.wire]
        target_mm = None if event.past is None else self._target_mm(event.wire, event.past)
        if target_mm is None:
            self._tell(event, "it meets nothing at that place now")
            return
        if event.reached is not None:
            reached_mm = _nearest_mm(piece, event.reached)
            if reached_mm is None:
                self._tell(event, "its route has been traced anew there")
                return
            if reached_mm > target_mm + _REACHED_MM:
                self._tell(event, "that meeting goes on further towards its drop now")
                target_mm = reached_mm
        self._contradict(event, target_mm)
        piece.freed_mm = min(piece.freed_mm, target_mm)

    def _target_mm(self, wire: str, past: Place) -> float | None:
        """Down to where a peel past a place frees a piece: all that is passed together with the
        meeting nearest to the place, the first pass that the piece is not yet past."""
        piece, board = self.pieces[wire], self.board
        lead = board.index[piece.lead.id]
        near = []
        for side in board.sides_of[lead]:
            low_mm, high_mm = board.span_mm(side)
            if part_of(board.leads[board.lead_of[side ^ 1]]) is not None:
                continue  # a lead is peeled past other leads
            if low_mm <= piece.high_mm and high_mm >= piece.low_mm:
                x, y = board.place(side)
                near.append((hypot(x - past[0], y - past[1]), board.low[side]))
        nearest = min(near, default=(inf, 0))[0]
        if nearest > SAME_MEETING_MM:
            return None
        depths = {depth for distance, depth in near if distance <= nearest + SAME_PLACE_MM}
        places_mm = sorted(board.start_mm(lead, depth) for depth in depths)
        ahead = [mm for mm in places_mm if mm < piece.freed_mm - SAME_PLACE_MM]
        return ahead[-1] if ahead else places_mm[-1]

    def _contradict(self, event: LogEvent, target_mm: float) -> None:
        """Tell where a lead was freed from under one that was still there, as judged now."""
        piece = self.pieces[event.wire]
        for meeting in self.meetings[event.wire]:
            upper = meeting.upper
            if upper is None:
                continue
            own = meeting.wires[0] == meeting.wires[1]
            if meeting.wires[upper] == event.wire and not (own and upper == 0):
                continue
            lower = 1 - upper
            span_mm = meeting.spans_mm[lower]
            over = self.pieces[meeting.wires[upper]]
            enters = span_mm[1] >= target_mm and not piece.is_past(span_mm)
            if enters and not over.is_past(meeting.spans_mm[upper]):
                act = "was peeled" if event.action == "peel" else "came out"
                other = "its own other pass" if own else meeting.wires[upper]
                where = place_words((meeting.record.x_mm, meeting.record.y_mm))
                parts = any(self._is_part(wire) for wire in meeting.wires)
                why = f" (taken all the same: {event.reason})" if event.reason else ""
                self.findings.append(
                    f"{event.wire} {act} while it lay under {other} at {where}, as the map is "
                    f"now{why}; look at both {'' if parts else 'leads '}for damage."
                )

    def _put_back(self, event: LogEvent) -> None:
        piece = self.pieces[event.wire]
        if not piece.out and piece.freed_mm == inf:
            self._tell(event, "it was neither out nor peeled")
            return
        for meeting in self.meetings[event.wire]:
            if any(self._is_part(wire) for wire in meeting.wires):
                continue  # a cover lies over leads, and leads over a nozzle, whoever came last
            own = meeting.wires[0] == meeting.wires[1]
            side = 1 if own else meeting.wires.index(event.wire)  # the outer pass comes first
            spans_mm = meeting.spans_mm
            if spans_mm[side][1] < piece.freed_mm - SAME_PLACE_MM:
                continue  # this part of the lead has not been lifted
            moved = piece.is_past(spans_mm[side])
            there = own or not self.pieces[meeting.wires[1 - side]].is_past(spans_mm[1 - side])
            known = not own and {"a": 0, "b": 1}.get(meeting.record.top) == side
            if there and not (known and moved):
                meeting.doubtful, meeting.since, self.changed = True, event.at, True
            elif moved and not there:
                meeting.doubtful, meeting.since = False, None
        piece.out, piece.freed_mm = False, inf

    def _break(self, event: LogEvent) -> None:
        whole = self.pieces[event.wire]
        where = None if event.past is None else _break_mm(whole.lead, event.past, whole)
        if where is None:
            self._tell(event, "its route does not pass there now")
            return
        low_mm, high_mm = where
        names = piece_ids(event.wire, {*self.pieces, *self.broken})
        parts = (
            replace(whole, high_mm=min(high_mm, whole.high_mm)),
            replace(whole, low_mm=max(low_mm, whole.low_mm)),
        )
        self.broken[event.wire], self.changed = names, True
        del self.pieces[event.wire]
        self.pieces.update(zip(names, parts, strict=True))
        self.meetings.update({name: [] for name in names})
        for meeting in self.meetings.pop(event.wire):
            for other in set(meeting.wires) - {event.wire}:
                self.meetings[other].remove(meeting)
            sides = [
                [
                    (name, _clipped(span_mm, part))
                    for name, part in zip(names, parts, strict=True)
                    if span_mm[0] <= part.high_mm and span_mm[1] >= part.low_mm
                ]
                if wire == event.wire
                else [(wire, span_mm)]
                for wire, span_mm in zip(meeting.wires, meeting.spans_mm, strict=True)
            ]
            for a, a_mm in sides[0]:
                for b, b_mm in sides[1]:
                    self._keep(replace(meeting, wires=(a, b), spans_mm=(a_mm, b_mm)))

    # -- what stands in the end --------------------------------------------------------------

    def reading(self, looked: Sequence[_Looked]) -> LogReading:
        done: list[Done] = []
        for wire in sorted(self.pieces):
            piece = self.pieces[wire]
            if piece.out:
                done.append(Step("pull", wire))
            elif piece.freed_mm < inf:
                done.append(Freed(wire, piece.freed_mm - max(piece.low_mm, 0.0)))
        return LogReading(
            route_map=self._map(looked) if self.changed else self.route_map,
            done=tuple(done),
            out=frozenset(wire for wire, piece in self.pieces.items() if piece.out),
            pieces={w: p.lead.id for w, p in self.pieces.items() if w != p.lead.id},
            findings=tuple(self.findings),
        )

    def _map(self, looked: Sequence[_Looked]) -> RouteMap:
        leads = tuple(_cut(wire, piece) for wire, piece in self.pieces.items())
        unique = {id(one): one for own in self.meetings.values() for one in own}
        crossings = []
        for meeting in unique.values():
            top = meeting.record.top
            if meeting.doubtful and not self._settled(meeting, looked):
                top = None
            spans = [
                (
                    low - max(self.pieces[wire].low_mm, 0.0),
                    high - max(self.pieces[wire].low_mm, 0.0),
                )
                for wire, (low, high) in zip(meeting.wires, meeting.spans_mm, strict=True)
            ]
            a, b = meeting.wires
            made = replace(
                meeting.record, a=a, b=b, a_span_mm=spans[0], b_span_mm=spans[1], top=top
            )
            crossings.append(made)
        changed = replace(self.route_map, leads=leads)
        # The meetings are known: pieces must keep every one that may be on them.
        changed.__dict__["found"] = tuple(replace(one, top=None) for one in crossings)
        changed.__dict__["crossings"] = tuple(crossings)
        return changed

    def _settled(self, meeting: _Meeting, looked: Sequence[_Looked]) -> bool:
        """Whether somebody looked at this very meeting after the lead was put back."""
        record, leads = meeting.record, self.route_map.leads_by_id
        pair = {record.a, record.b}
        rivals = [
            one for one in self.route_map.crossings if {one.a, one.b} == pair and one is not record
        ]
        for one in looked:
            if {one.a, one.b} != pair or not _later(one.at, meeting.since):
                continue
            own_mm = place_distance_mm(record, one.x_mm, one.y_mm, leads)
            others_mm = (place_distance_mm(r, one.x_mm, one.y_mm, leads) for r in rivals)
            if own_mm <= SAME_MEETING_MM and own_mm < min(others_mm, default=inf):
                return True
        return False


def _later(one: datetime | None, other: datetime | None) -> bool:
    if one is None or other is None or (one.tzinfo is None) != (other.tzinfo is None):
        return False
    return one > other


def _clipped(span_mm: tuple[float, float], part: _Piece) -> tuple[float, float]:
    return max(span_mm[0], part.low_mm), min(span_mm[1], part.high_mm)


def _break_mm(lead: Lead, place: Place, part: _Piece | None = None) -> tuple[float, float] | None:
    """Return the stretch of a lead in which it may have broken, as arc lengths from its drop.

    All of the lead that is as near to the place as its nearest point, give or take the error
    of saying where; where it passes there twice, everything between. None if it is not near.
    """
    points = np.asarray(lead.points_mm) - np.asarray(place)
    start, step = points[:-1], np.diff(points, axis=0)
    size = np.hypot(*step.T)
    unit = step / np.where(size > 0, size, 1.0)[:, None]
    foot = -(start * unit).sum(axis=1)  # where each segment's line is nearest, from its start
    low_mm = np.zeros(len(size)) if part is None else np.maximum(part.low_mm - lead.arc_mm[:-1], 0)
    high_mm = size if part is None else np.minimum(part.high_mm - lead.arc_mm[:-1], size)
    kept = low_mm <= high_mm
    near = np.clip(foot, low_mm, np.maximum(high_mm, low_mm))
    distance = np.where(kept, np.hypot(*(start + near[:, None] * unit).T), inf)
    nearest = float(distance.min())
    if nearest > BREAK_ERROR_MM:
        return None
    off_line = np.hypot(*(start + foot[:, None] * unit).T)
    reach = np.sqrt(np.maximum((nearest + BREAK_ERROR_MM) ** 2 - off_line**2, 0.0))
    inside = kept & (distance <= nearest + BREAK_ERROR_MM)
    arc = lead.arc_mm[:-1]
    first = np.clip(foot - reach, low_mm, high_mm) + arc
    last = np.clip(foot + reach, low_mm, high_mm) + arc
    return float(first[inside].min()), float(last[inside].max())


def _nearest_mm(piece: _Piece, place: Place) -> float | None:
    """Return where a lead is nearest to a place, as arc length from its drop; of several places
    as near, the one nearest its free end. None if it is not near at all."""
    lead = piece.lead
    start, step = lead.points_mm[:-1] - np.asarray(place), np.diff(lead.points_mm, axis=0)
    size = np.hypot(*step.T)
    unit = step / np.where(size > 0, size, 1.0)[:, None]
    along = np.clip(-(start * unit).sum(axis=1), 0.0, size)
    distance = np.hypot(*(start + along[:, None] * unit).T)
    arc = lead.arc_mm[:-1] + along
    distance[(arc < piece.low_mm - _REACHED_MM) | (arc > piece.high_mm + _REACHED_MM)] = inf
    if distance.min() > _REACHED_MM:
        return None
    return float(arc[distance <= distance.min() + SAME_MEETING_MM].max())


def _cut(wire: str, piece: _Piece) -> Lead:
    lead = piece.lead
    if wire == lead.id:
        return lead
    low, high = max(piece.low_mm, 0.0), min(piece.high_mm, lead.length_mm)
    inner = (lead.arc_mm > low) & (lead.arc_mm < high)
    ends = lead.point_at_mm(np.array([low, high]))
    middles = (np.concatenate([[low], lead.arc_mm[inner]]) + [*lead.arc_mm[inner], high]) / 2
    segments = np.clip(np.searchsorted(lead.arc_mm, middles) - 1, 0, len(lead.arc_mm) - 2)
    seen = None if lead.seen is None else tuple(lead.seen[k] for k in segments)
    points = np.concatenate([ends[:1], lead.points_mm[inner], ends[1:]])
    return replace(lead, id=wire, points_mm=points, seen=seen)
