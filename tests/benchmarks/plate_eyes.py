"""The truth of a rendered plate as the eyes of a scripted person, and as the judge of its plan.

The eyes know nothing that the photos do not show: a lead that lies hidden is hidden, and who
lies on top is told only where the upper lead is in sight. The judge knows all, and shares no
code with the program: `tests.replay` on the true crossings, and the heights of the true leads.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from mapper.pulling import Step
from mapper.records import TracedLead
from mapper.routes import Crossing, Lead
from mapper.ui.along_places import Along
from tests.replay import Meeting, Replay
from tests.truth import lead_id

SHORT_MM = 8.0  # a lead hidden for less is drawn through as if it were seen
NEAR = 0.6  # diameters; a line farther off than that lies on another lead or on none
RIGHT = 0.4  # diameters; nearer than that it is right
MARGIN_MM = 3.0  # a stroke begins and ends so far inside what is drawn right
BESIDE = 1.3  # diameters; so far off a lead may seem that lies higher or lower than was taken
JOIN_MM = 40.0  # wrong places nearer to each other are mended by one stroke
LIES_ON = 0.5  # of the half sum of two diameters: a lead nearer than that in plan hides the middle
HIGHER = 0.35  # of the same: a lead that much higher there lies on it
AROUND_MM = 5.0  # of a lead that one photo has to show on both sides of a place
AT_DROP_MM = 5.0  # of a lead under the head of its nozzle
LOOP_MM = 4.0  # a drawn line runs so much ahead or behind of its lead at most within half a mm
CROSSING_MM = 8.0  # a meeting of drawn leads that near a true crossing of the pair is that one


@dataclass(frozen=True)
class Run:
    """A run of a lead, as vertices of the truth, first and last."""

    first: int
    last: int

    def within(self, other: Run) -> bool:
        return other.first <= self.first and self.last <= other.last


class LeadEyes:
    """One lead of the truth."""

    def __init__(self, truth: dict[str, Any], wire: dict[str, Any]) -> None:
        self.id = lead_id(wire["id"])
        points = np.array(wire["points"], float)
        self.diameter_mm = float(wire["diameter"])
        self.mm, self.z_mm = points[:, :2], points[:, 2]
        width, height = truth["plate"]["width"], truth["plate"]["height"]
        self.inside = ((self.mm >= -1) & (self.mm <= (width + 1, height + 1))).all(1)
        step = np.hypot(*np.diff(self.mm, axis=0).T)
        self.s_mm = np.concatenate([[0.0], np.cumsum(step)])
        self.on: dict[str, np.ndarray] = {}  # photo -> (N, 2) px
        self.visible: dict[str, np.ndarray] = {}
        for photo in truth["photos"]:
            found = next((one for one in photo["wires"] if one["id"] == wire["id"]), None)
            if found is None:
                continue
            self.on[photo["file"]] = np.array(found["polyline_px"], float)
            self.visible[photo["file"]] = np.array(found["visible"], bool) & self.inside

    def in_sight(self, drawn_through: bool = False) -> np.ndarray:
        """(N,) whether some photo shows the vertex and the lead around it without a break, or but
        for short gaps; what several show in turn is not enough, since each sees past the lead on
        top from its side."""
        found = np.zeros(len(self.mm), bool)
        for seen in self.visible.values():
            for run in self.runs(self.filled(seen | self.at_drop) if drawn_through else seen):
                first, last = np.searchsorted(self.s_mm, self._ends_mm(run, AROUND_MM))
                found[first:last] = True
        return found

    def _ends_mm(self, run: Run, less_mm: float) -> tuple[float, float]:
        """Arc lengths of a run without so much of both ends; none is lost at the drop or where
        the lead leaves the plate."""
        low, high = np.flatnonzero(self.inside)[[0, -1]]
        first = self.s_mm[run.first] + (less_mm if run.first > low else 0.0)
        last = self.s_mm[run.last] - (less_mm if run.last < high else 0.0)
        return first, max(first, last + 1e-6)

    @property
    def at_drop(self) -> np.ndarray:
        """(N,) the first of the lead, that goes under the head of its own nozzle."""
        return self.inside & (self.s_mm < AT_DROP_MM)

    def along(self, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """How far places (N, 2) in a row along a drawn line are off, and the vertices that they
        belong to: always those a little further on, so that a loop of the lead is no shortcut."""
        off, at = cKDTree(self.mm).query(places)
        first = int(np.argmin(off))
        step = np.hypot(*np.diff(places, axis=0).T)
        for row, way in ((range(first + 1, len(at)), 1), (range(first - 1, -1, -1), -1)):
            for k in row:
                on = self.s_mm[at[k - way]]
                far = step[k - 1] if way == 1 else step[k]
                low, high = np.searchsorted(self.s_mm, [on - far - LOOP_MM, on + far + LOOP_MM])
                away = np.hypot(*(self.mm[low:high] - places[k]).T)
                at[k], off[k] = low + int(np.argmin(away)), away.min()
        return off, at

    @cached_property
    def seen_anywhere(self) -> np.ndarray:
        """(N,) whether any photo shows the vertex; gaps that a person draws through are filled."""
        return self.filled(np.any(list(self.visible.values()), axis=0))

    def filled(self, seen: np.ndarray) -> np.ndarray:
        """Short hidden runs between seen ones count as seen."""
        seen = seen.copy()
        for run in self.runs(~seen & self.inside):
            inner = run.first > 0 and run.last < len(seen) - 1
            if inner and self.long_mm(run) < SHORT_MM and seen[run.first - 1]:
                seen[run.first : run.last + 1] = seen[min(run.last + 1, len(seen) - 1)]
        return seen

    def runs(self, mask: np.ndarray) -> list[Run]:
        edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
        return [Run(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]

    def long_mm(self, run: Run) -> float:
        return float(self.s_mm[run.last] - self.s_mm[run.first])

    def wider(self, run: Run, by_mm: float) -> Run:
        """The run with some of what lies on both sides, inside the plate."""
        inner = np.flatnonzero(self.inside)
        first = np.searchsorted(self.s_mm, self.s_mm[run.first] - by_mm)
        last = np.searchsorted(self.s_mm, self.s_mm[run.last] + by_mm)
        return Run(int(max(first, inner[0])), int(min(last, inner[-1])))

    # ---- what is wrong with a drawn line

    def off_on(
        self, photo: str, line_px: np.ndarray, seen: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Per vertex: how far the line (N, 2) is off on a photo, in diameters of the lead, and
        whether it is drawn as seen there (`seen`: per segment)."""
        true_px = self.on[photo]
        off, at = _nearest(true_px, line_px)
        scale = np.hypot(*np.gradient(true_px, axis=0).T) / np.maximum(np.gradient(self.s_mm), 1e-6)
        return off / (np.median(scale[self.inside]) * self.diameter_mm), seen[at]

    def astray(self, lead: TracedLead) -> bool:
        """Whether some of the line that is drawn as seen lies where the lead is not."""
        points, seen = lead.points_mm, np.array(lead.seen, bool)
        middle = (points[1:] + points[:-1])[seen] / 2
        if not len(middle):
            return False
        off = cKDTree(self.mm).query(middle)[0]
        return bool((off > 2 * self.diameter_mm).any())

    def wrong(
        self, photo: str, off: np.ndarray, seen: np.ndarray, before: Sequence[str] = ()
    ) -> list[Run]:
        """Runs that this photo shows and that are drawn beside the lead, or as if unseen; `off`
        and `seen` as `off_on` gives them.

        What a photo looked at `before` shows is drawn there: as nobody knows how high the lead
        lies, a line that is right on one photo may lie beside the lead on another.
        """
        shown = self.filled(self.visible[photo])
        for other in before:
            shown &= ~self.filled(self.visible[other])
        return self._joined(shown & ((off > NEAR) | ~seen), shown)

    def ends_on_line(self, run: Run, off: np.ndarray) -> Run:
        """The run made longer until both ends lie where the line is right, over hidden places
        too: there a person draws on as the lead must run."""
        wide = self.wider(run, MARGIN_MM)
        first, last = wide.first, wide.last
        low, high = np.flatnonzero(self.inside)[[0, -1]]
        while first > low and off[first] > RIGHT:
            first -= 1
        while last < high and off[last] > RIGHT:
            last += 1
        return Run(int(first), int(last))

    def _joined(self, bad: np.ndarray, shown: np.ndarray) -> list[Run]:
        joined: list[Run] = []
        for run in self.runs(bad):
            before = joined[-1] if joined else None
            near = before is not None and self.s_mm[run.first] - self.s_mm[before.last] < JOIN_MM
            if near and shown[before.last : run.first].all():
                joined[-1] = Run(before.first, run.last)
            else:
                joined.append(run)
        return [run for run in joined if self.long_mm(run) > 1.0 or run.last - run.first > 1]

    def unseen_drawn_seen(self, lead: TracedLead) -> list[Run]:
        """Runs that no photo shows and that are drawn as if somebody had seen them."""
        _, at = _nearest(self.mm, lead.points_mm)
        seen = np.array(lead.seen, bool)[at]
        hidden = self.inside & ~self.seen_anywhere
        return [run for run in self.runs(hidden & seen) if self.long_mm(run) >= SHORT_MM]


def _nearest(places: np.ndarray, line: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance of each place to a line (N, 2), and the segment that is nearest."""
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    s = np.linspace(0.0, arc[-1], max(int(arc[-1] / 0.25), 2))
    dense = np.column_stack([np.interp(s, arc, line[:, k]) for k in (0, 1)])
    segment = np.clip(np.searchsorted(arc, s, "right") - 1, 0, len(line) - 2)
    off, nearest = cKDTree(dense).query(places)
    return off, segment[nearest]


class Eyes:
    """What a person sees where two leads meet, on all photos of the job together."""

    def __init__(self, truth: dict[str, Any]) -> None:
        self.truth = truth
        self.leads = {lead_id(one["id"]): LeadEyes(truth, one) for one in truth["wires"]}
        # per lead, the vertices that still lie in the plate
        self.lies = {name: np.ones(len(lead.mm), bool) for name, lead in self.leads.items()}

    def answer(self, meeting: Crossing) -> str | None:
        """ "a", "b" or "apart", as the photos show it; None where nobody can tell."""
        if meeting.a == meeting.b:
            return self._answer_to_itself(meeting)
        a, b = self.leads[meeting.a], self.leads[meeting.b]
        place = np.array([meeting.x_mm, meeting.y_mm])
        crossing = self._true_crossing(meeting, place)
        if crossing is not None:
            over = lead_id(crossing["over"])
            upper = self.leads[over]
            at = float(crossing["vertex_a" if crossing["over"] == crossing["a"] else "vertex_b"])
            near = np.abs(upper.s_mm - np.interp(at, np.arange(len(upper.s_mm)), upper.s_mm))
            if self._shown(upper, near < 1.0 * upper.diameter_mm):
                return "a" if over == meeting.a else "b"
            return None
        if meeting.kind == "crossing":
            return None  # the drawn lines cross, the leads don't: mend them
        half = max(2.0, (meeting.a_span_mm[1] - meeting.a_span_mm[0]) / 2)
        own = {
            side: np.hypot(*(one.mm - place).T) < half + 2.0 for side, one in (("a", a), ("b", b))
        }
        shown = {side: self._shown(one, own[side]) for side, one in (("a", a), ("b", b))}
        if shown["a"] and shown["b"]:
            return "apart"
        if shown["a"]:
            return "a"
        return "b" if shown["b"] else None

    def _answer_to_itself(self, meeting: Crossing) -> str | None:
        """The same where a lead meets itself; "b" is its pass nearer the exit."""
        lead, place = self.leads[meeting.a], np.array([meeting.x_mm, meeting.y_mm])
        for one in self.truth["crossings"]:
            off_mm = np.hypot(one["x"] - place[0], one["y"] - place[1])
            if one["self"] and lead_id(one["a"]) == lead.id and off_mm < CROSSING_MM:
                upper = (
                    "b" if (one["z_b"] > one["z_a"]) == (one["vertex_b"] > one["vertex_a"]) else "a"
                )
                vertex = max if upper == "b" else min
                at = vertex(float(one["vertex_a"]), float(one["vertex_b"]))
                near = np.abs(lead.s_mm - np.interp(at, np.arange(len(lead.s_mm)), lead.s_mm))
                return upper if self._shown(lead, near < lead.diameter_mm) else None
        if meeting.kind == "crossing":
            return None
        near = np.hypot(*(lead.mm - place).T) < max(2.0, np.ptp(meeting.a_span_mm) / 2) + 2.0
        return "apart" if self._shown(lead, near) else None

    def marks(self, along: Along, drawn: Lead) -> list[int]:
        """The places of a look along a lead, by their number, at which `nothing_on` fails."""
        places = zip(along.places, along.spans_mm, strict=True)
        return [
            number
            for number, (place, span_mm) in enumerate(places, start=1)
            if not self.nothing_on(drawn, place, span_mm)
        ]

    def nothing_on(self, drawn: Lead, meeting: Crossing, span_mm: tuple[float, float]) -> bool:
        """Whether a person sees that the other lead of a meeting does not lie on this one over a
        stretch of its drawn line and a little more.

        Some photo has to show each place of it without a break, but for short gaps (a third lead
        that crosses is asked about by itself); none near a crossing. Never where the line lies
        beside the lead, nor where the other one, in sight, covers a part of its width.
        """
        lead = self.leads[drawn.id]
        other = self.leads[meeting.b if meeting.a == drawn.id else meeting.a]
        own_mm = meeting.a_span_mm if meeting.a == drawn.id else meeting.b_span_mm
        s = np.arange(span_mm[0] - MARGIN_MM, span_mm[1] + MARGIN_MM, 0.5)
        off, at = lead.along(drawn.point_at_mm(s))
        if (off > BESIDE * lead.diameter_mm).any():
            return False
        where = np.zeros(len(lead.mm), bool)
        where[at.min() : at.max() + 1] = True
        where &= lead.inside
        if meeting.kind == "crossing":
            near = at[(s > own_mm[0] - MARGIN_MM) & (s < own_mm[1] + MARGIN_MM)]
            core = np.zeros(len(lead.mm), bool)
            core[near.min() : near.max() + 1] = True
            if not lead.in_sight()[core & lead.inside & ~lead.at_drop].all():
                return False
        if not lead.in_sight(drawn_through=True)[where].all():
            return False
        return not any(
            any(seen[there[over & where]].any() for seen in other.visible.values())
            for name, over, there in self.over(lead)
            if name == other.id
        )

    def over(self, lead: LeadEyes) -> Iterator[tuple[str, np.ndarray, np.ndarray]]:
        """Other leads still in the plate: name, at which vertices of the lead it lies on it, and
        its own nearest vertices."""
        for other in self.leads.values():
            left = np.flatnonzero(self.lies[other.id])
            if other.id == lead.id or not len(left):
                continue
            both = (lead.diameter_mm + other.diameter_mm) / 2
            away, nearest = cKDTree(other.mm[left]).query(lead.mm)
            higher = other.z_mm[left[nearest]] - lead.z_mm > HIGHER * both
            yield other.id, lead.inside & (away < LIES_ON * both) & higher, left[nearest]

    def _shown(self, lead: LeadEyes, where: np.ndarray) -> bool:
        """Whether one photo shows the lead there without a break; what several show in turn is
        not enough, since each sees past the lead on top from another side."""
        where = where & lead.inside
        return bool(where.any() and any(seen[where].all() for seen in lead.visible.values()))

    def _true_crossing(self, meeting: Crossing, place: np.ndarray) -> dict[str, Any] | None:
        near = [
            (float(np.hypot(c["x"] - place[0], c["y"] - place[1])), n)
            for n, c in enumerate(self.truth["crossings"])
            if {lead_id(c["a"]), lead_id(c["b"])} == {meeting.a, meeting.b} and not c["self"]
        ]
        if not near or min(near)[0] > CROSSING_MM:
            return None
        return self.truth["crossings"][min(near)[1]]


JUST_PAST_MM = 5.0  # so far beyond the end of a peel the lead is bent up and clear of others
PAST_MM = 8.0  # a peel past a place is one past the true crossing this near


def against_truth(
    truth: dict[str, Any],
    eyes: Eyes,
    steps: Sequence[Step],
    freed: Mapping[int, int] | None = None,
) -> dict[str, Any]:
    """What the truth has to say against the steps of a plan: nothing, it is hoped.

    `freed`: number of a step, from 0 -> first vertex of its lead that is free after it, as the
    log has it; a peel without it is taken to free the lead from the place that names it."""
    freed = freed or {}
    width, height = truth["plate"]["width"], truth["plate"]["height"]
    crossings = [  # not those beyond the exits, where the ends of the leads hang free
        one
        for one in truth["crossings"]
        if not one["self"] and -1 <= one["x"] <= width + 1 and -1 <= one["y"] <= height + 1
    ]
    found = [
        Meeting(
            lead_id(one["a"]),
            lead_id(one["b"]),
            _place(one["vertex_a"]),
            _place(one["vertex_b"]),
            one["x"],
            one["y"],
        )
        for one in crossings
    ]
    tops = ["a" if one["over"] == one["a"] else "b" for one in crossings]
    replay = Replay(dict.fromkeys(eyes.leads), found, tops)
    harmed, buried, not_told = [], {}, 0
    judge = Eyes(truth)
    lies = judge.lies
    for number, step in enumerate(steps):
        lead = eyes.leads[step.wire]
        first = 0
        if step.action == "peel":
            nearest = int(cKDTree(lead.mm).query(step.past)[1])
            first = freed.get(number, nearest)
        moved = lies[step.wire] & (np.arange(len(lead.mm)) >= first)
        on_it = sorted(name for name, over, _ in judge.over(lead) if (over & moved).any())
        if on_it:
            buried.setdefault(step.wire, []).append((number, on_it))
        clear_mm = lead.s_mm[first] - (JUST_PAST_MM if step.action == "peel" else 0.0)
        lies[step.wire] = lies[step.wire] & ~moved & (lead.s_mm < max(clear_mm, 0.0))
        if step.action == "pull":
            harmless = replay.pull(step.wire)
        elif number in freed:
            harmless = _freed_from(replay, lead, first)
        else:
            own = [one for one in found if step.wire in (one.a, one.b)]
            far = [np.hypot(one.x - step.past[0], one.y - step.past[1]) for one in own]
            if not far or min(far) > PAST_MM:
                not_told += 1
                continue
            place = own[int(np.argmin(far))]
            harmless = replay.peel(step.wire, (place.x, place.y))
        if not harmless:
            harmed.append(f"{step.action} {step.wire}")
    return {"false-safe": harmed, "something lies on": buried, "peels not told": not_told}


def _freed_from(replay: Replay, lead: LeadEyes, first: int) -> bool:
    """Free a lead from a vertex on; what is just past it hangs clear if nothing lies on it."""
    harmless = True
    for (segment, share), number, side in replay.events(lead.id):
        at_mm = float(np.interp(segment + share, np.arange(len(lead.s_mm)), lead.s_mm))
        allowed = replay.may_pass(lead.id, number, side)
        if at_mm >= lead.s_mm[first]:
            harmless &= allowed
        elif not (allowed and at_mm > lead.s_mm[first] - JUST_PAST_MM):
            break
        replay.passed.add((lead.id, number, side))
    return harmless


def _place(vertex: float) -> tuple[int, Fraction]:
    return int(vertex), Fraction(vertex) - int(vertex)
