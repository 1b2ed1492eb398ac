"""The plate while the events of a teardown log happen (see `mapper.pulling.log`)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from math import hypot, inf
from typing import Protocol

from mapper.errors import shown
from mapper.pulling.events import SAME_PLACE_MM, Board
from mapper.pulling.log_event import LogEvent
from mapper.pulling.model import Freed, Place, Step
from mapper.pulling.part_model import part_of
from mapper.pulling.past import SAME_MEETING_MM, Done
from mapper.pulling.pieces import (
    REACHED_MM,
    Piece,
    break_mm,
    clipped_mm,
    cut_lead,
    nearest_mm,
    piece_ids,
)
from mapper.pulling.words import place_words
from mapper.routes.judging import place_distance_mm
from mapper.routes.model import Crossing, RouteMap

__all__ = ["LogReading", "Looked", "Reader", "wrong_kind"]


class Looked(Protocol):
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


def wrong_kind(is_part: bool) -> str:
    if is_part:
        return "a part and no lead: it comes off, or is put back"
    return "a lead and no cover, nozzle or heater: it is pulled"


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


class Reader:
    """The plate while the events of a log happen."""

    def __init__(self, route_map: RouteMap) -> None:
        self.route_map = route_map
        self.board = Board(route_map.leads, route_map.crossings, route_map.tracing_error_mm)
        self.pieces = {lead.id: Piece(lead, -inf, inf) for lead in route_map.leads}
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
            self._tell(event, f"it is {wrong_kind(self._is_part(wire))}")
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
            reached_mm = nearest_mm(piece, event.reached)
            if reached_mm is None:
                self._tell(event, "its route has been traced anew there")
                return
            if reached_mm > target_mm + REACHED_MM:
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
        where = None if event.past is None else break_mm(whole.lead, event.past, whole)
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
                    (name, clipped_mm(span_mm, part))
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

    def reading(self, looked: Sequence[Looked]) -> LogReading:
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

    def _map(self, looked: Sequence[Looked]) -> RouteMap:
        leads = tuple(cut_lead(wire, piece) for wire, piece in self.pieces.items())
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

    def _settled(self, meeting: _Meeting, looked: Sequence[Looked]) -> bool:
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
