"""What follows from a job as it stands: meetings, plan, how far it is and what comes next.

All of it is computed once per revision of the job and kept for the pages.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
import streamlit as st

from mapper.bench import lead_costs
from mapper.errors import shown
from mapper.pulling import (
    Freed,
    Lift,
    LookAt,
    LooksNow,
    Nozzle,
    Part,
    PullPlan,
    Step,
    check_order,
    leads_only,
    lifts,
    part_of,
    plan_pull,
    safe_now,
    thermocouples_with,
)
from mapper.records import Job, TracedLead
from mapper.routes import Crossing, RouteMap
from mapper.sheets import waits_of
from mapper.ui.asked import Asked, asked_of, meeting_key
from mapper.ui.next_thing import NextThing, next_thing

__all__ = ["Findings", "findings_of", "meeting_key"]

NAMED = 8  # names in one sentence
WAITS_NAMED = 3  # steps that a step waits for, on its card
LEAST_UNSEEN_MM = 1.0
SAME_MM = 0.05  # a step names the place of its meeting, at most rounded


class Findings:
    """Everything derived from one revision of a job, computed when first asked for."""

    def __init__(self, job: Job) -> None:
        self.job = job

    @cached_property
    def traced(self) -> RouteMap | None:
        """Only what somebody traced; None without a plate."""
        return None if self.job.plate is None else self.job.route_map(provisional=False)

    @cached_property
    def planned_on(self) -> RouteMap | None:
        """With the routes that nobody traced yet, and the covers, nozzles and heaters, as the
        plan needs them; None without a plate."""
        return None if self.job.plate is None else self.job.teardown.route_map

    @cached_property
    def drawn(self) -> RouteMap | None:
        """`planned_on` without the parts, for drawing; never plan from it."""
        return None if self.planned_on is None else leads_only(self.planned_on)

    @cached_property
    def parts(self) -> dict[str, Part]:
        """Covers, nozzles and heaters of the plan by their id, also those that are off."""
        leads = () if self.planned_on is None else self.planned_on.leads
        found = ((lead.id, part_of(lead)) for lead in leads)
        return {name: part for name, part in found if part is not None}

    @cached_property
    def hanging(self) -> dict[str, str]:
        """Thermocouple leads that hang on a nozzle once they are free -> the nozzle's id."""
        return {
            wire: name
            for name, part in self.parts.items()
            for wire in thermocouples_with(self.planned_on, part)
        }

    @cached_property
    def leads_left(self) -> tuple[str, ...]:
        """Leads, and pieces of broken ones, that are still in the plate."""
        leads = () if self.drawn is None else self.drawn.leads
        return tuple(lead.id for lead in leads if lead.id not in self.out)

    def step_words(self, step: Step) -> str:
        """A step in words."""
        if step.action == "peel":
            return f"Peel {step.wire} to just past {self.past_words(step)}"
        return f"{self.act(step)} {step.wire}"

    def past_words(self, step: Step) -> str:
        """Where a peel ends, by the lead that is met there: "Z02-T at (175, 115)", in mm."""
        x_mm, y_mm = step.past
        at = f"({x_mm:.0f}, {y_mm:.0f})"
        for one in self.planned_on.crossings:
            pair = {one.a, one.b}
            if step.wire in pair and max(abs(one.x_mm - x_mm), abs(one.y_mm - y_mm)) < SAME_MM:
                return f"{next(iter(pair - {step.wire}), 'itself')} at {at}"
        return at

    def act(self, step: Step) -> str:
        """What is done in a step: Pull, Peel, Free, Take off or Take out."""
        part = self.parts.get(step.wire)
        if part is not None:
            return "Take out" if isinstance(part, Nozzle) else "Take off"
        if step.action == "pull" and step.wire in self.hanging:
            return "Free"
        return step.action.capitalize()

    def done_word(self, step: Step) -> str:
        """The word on the button that ticks a step off."""
        return {"Pull": "Out", "Take out": "Out", "Take off": "Off"}.get(self.act(step), "Done")

    @cached_property
    def contradictions(self) -> tuple[str, ...]:
        """What in the teardown log does not fit the map as it is now, in plain sentences."""
        return () if self.job.plate is None else self.job.teardown.findings

    @cached_property
    def untraced(self) -> frozenset[str]:
        """Leads, and pieces of broken leads, of the plan that nobody traced to their end."""
        if self.planned_on is None:
            return frozenset()
        provisional, lead_of = self.job.provisional_ids(), self.job.teardown.lead_of
        return frozenset(
            lead.id for lead in self.planned_on.leads if lead_of(lead.id) in provisional
        )

    @cached_property
    def meetings(self) -> tuple[Crossing, ...]:
        """All meetings of traced leads."""
        return () if self.traced is None else self.traced.crossings

    @cached_property
    def partners(self) -> dict[str, set[str]]:
        """Each lead that meets any -> itself and those that it meets."""
        found: dict[str, set[str]] = {}
        for one in self.meetings:
            found.setdefault(one.a, {one.a}).add(one.b)
            found.setdefault(one.b, {one.b}).add(one.a)
        return found

    @cached_property
    def out(self) -> frozenset[str]:
        """Leads, and pieces of broken leads, that are out as the teardown log leaves them."""
        return frozenset() if self.job.plate is None else self.job.teardown.out

    @cached_property
    def open_meetings(self) -> tuple[Crossing, ...]:
        """Meetings that nobody has judged, without those of leads that are out."""
        return tuple(
            meeting
            for meeting in self.meetings
            if meeting.top is None and not {meeting.a, meeting.b} & self.out
        )

    @cached_property
    def plan(self) -> PullPlan | None:
        """The pull plan from here on; None while there is no plate or no lead.

        Raises
        ------
        MapperError
            The teardown log can't be followed on this route map any more.
        """
        if self.planned_on is None or not self.planned_on.leads:
            return None
        return plan_pull(self.planned_on, done=self.done, costs=self.lead_costs)

    @cached_property
    def lead_costs(self) -> dict[str, float]:
        """What each lead (or piece of one) costs when it is cut, from the zones' prices; empty
        while no price is known. A lead without a price counts as the dearest: nobody is told
        to cut it because it looks cheap."""
        known = lead_costs((zone.id, zone.data) for zone in self.job.zones)
        if not known or self.drawn is None:
            return {}
        dearest = max(known.values())
        lead_of = self.job.teardown.lead_of
        return {lead.id: known.get(lead_of(lead.id), dearest) for lead in self.drawn.leads}

    @cached_property
    def done(self) -> tuple[Step | Freed, ...]:
        """What the teardown log leaves freed, for the plan."""
        return () if self.job.plate is None else self.job.teardown.done

    @cached_property
    def offered(self) -> PullPlan | None:
        """The plan without any step on a lead that nobody traced to its end.

        A step that leans on such a step goes too, so that the rest is right on its own: what is
        left was replayed against the rule. With a step taken away the plan is not complete.
        """
        plan, untraced = self.plan, self.untraced
        if plan is None or self.planned_on is None:
            return None
        steps = [step for step in plan.steps if step.wire not in untraced]
        while bad := {
            violation.step for violation in check_order(self.planned_on, steps, self.done)
        }:
            steps = [step for number, step in enumerate(steps, start=1) if number not in bad]
        if len(steps) == len(plan.steps):
            return plan
        status = "needs-a-look" if plan.status == "complete" else plan.status
        return replace(plan, status=status, steps=tuple(steps))

    @cached_property
    def lifts(self) -> tuple[Lift, ...]:
        """Where nothing comes out as far as is known: peels of leads that stay, so that what lies
        under them can be looked at."""
        if self.offered is None or self.offered.steps or not self.to_look_at:
            return ()
        traced = {lead.id for lead in self.planned_on.leads} - self.untraced
        return lifts(self.planned_on, self.done, traced)

    @cached_property
    def steps_now(self) -> tuple[Step, ...]:
        """The steps of the offered plan; where there is none, the lifts."""
        if self.offered is None:
            return ()
        return self.offered.steps or tuple(lift.step for lift in self.lifts)

    @cached_property
    def legal_now(self) -> frozenset[Step]:
        """Those of `steps_now` that can be done right now, in any order."""
        if self.offered is None or self.planned_on is None:
            return frozenset()
        free = set(safe_now(self.planned_on, self.done).pull)
        return frozenset(
            step
            for step in self.steps_now
            if (
                step.wire in free
                if step.action == "pull"
                else not check_order(self.planned_on, [step], self.done)
            )
        )

    def waits_words(self, number: int) -> str:
        """Which of `steps_now` come before a step (numbered from 1): "step 1 (Pull Z10-T)"; empty
        for a step that can be done now."""
        steps = self.steps_now[:number]
        if steps[-1] in self.legal_now:
            return ""
        first = waits_of(self.planned_on, steps, self.done)[-1]
        named = [f"{one} ({self.step_words(steps[one - 1])})" for one in first[:WAITS_NAMED]]
        more = f" and {len(first) - WAITS_NAMED} more" if len(first) > WAITS_NAMED else ""
        return f"step {', '.join(named)}{more}" if named else "an earlier step"

    @cached_property
    def to_look_at(self) -> tuple[LookAt, ...]:
        """Open meetings of traced leads that hold leads back, the most helpful first."""
        if self.plan is None:
            return ()
        known = {meeting_key(meeting) for meeting in self.meetings}
        return tuple(look for look in self.plan.look_at if meeting_key(look) in known)

    @cached_property
    def asked(self) -> Asked:
        """Which leads answers can bring out now, and the open meetings to look at for that."""
        return Asked(LooksNow((), ())) if self.plan is None else asked_of(self)

    @cached_property
    def asked_now(self) -> tuple[Crossing, ...]:
        """The meetings to look at now that are open and those of traced leads."""
        known = {meeting_key(meeting): meeting for meeting in self.meetings}
        keys = map(meeting_key, self.asked.now.meetings)
        return tuple(known[key] for key in keys if key in known and known[key].top is None)

    @cached_property
    def look_at_now(self) -> tuple[LookAt, ...]:
        """Those of `to_look_at` that are asked now, one by one; while it is asked how far leads
        may be lifted only those where one meets itself: elsewhere a look along it serves better."""
        lifting = bool(self.asked.to_lift)
        now = {meeting_key(one) for one in self.asked_now if one.a == one.b or not lifting}
        return tuple(look for look in self.to_look_at if meeting_key(look) in now)

    @cached_property
    def frees(self) -> dict[str, int]:
        """How many leads an answer may free, by the key of the meeting."""
        return {meeting_key(look): look.frees for look in self.to_look_at}

    @cached_property
    def ordered_meetings(self) -> tuple[Crossing, ...]:
        """All meetings: open before judged, those that hold most leads back first."""
        rank = {meeting_key(look): number for number, look in enumerate(self.to_look_at)}
        last = len(rank)

        def order(item: tuple[int, Crossing]):
            number, meeting = item
            gone = bool({meeting.a, meeting.b} & self.out)
            at = rank.get(meeting_key(meeting), last)
            return (meeting.top is not None, gone, at, number)

        return tuple(meeting for _, meeting in sorted(enumerate(self.meetings), key=order))

    @cached_property
    def unfinished(self) -> tuple[str, ...]:
        """Leads that are begun and do not reach their exit yet."""
        return tuple(lead.id for lead in self.job.leads if not lead.finished)

    @cached_property
    def doubtful(self) -> tuple[str, ...]:
        """Hashes of photos whose fit is doubtful and was not confirmed by a person."""
        return tuple(
            name
            for name, fit in self.job.fits.items()
            if fit.verdict != "good" and not self.job.value(f"fit/{name}", {}).get("confirmed")
        )

    @cached_property
    def line(self) -> str:
        """How far the job is, in one line."""
        job = self.job
        if job.plate is None:
            return "No plate yet"
        drops = len(job.plate.drops)
        parts = ["1 drop" if drops == 1 else f"{drops} drops"]
        if job.photos:
            doubtful = f" ({len(self.doubtful)} doubtful)" if self.doubtful else ""
            parts.append(f"{len(job.fits)} of {len(job.photos)} photos fitted{doubtful}")
        else:
            parts.append("no photos yet")
        finished = sum(lead.finished for lead in job.leads)
        total = len(job.leads) + sum(
            lead.id not in {one.id for one in job.leads} for lead in job.missing_leads()
        )
        parts.append(f"{finished} of {total} leads traced")
        if self.meetings:
            judged = sum(meeting.top is not None for meeting in self.meetings)
            parts.append(f"{judged} of {len(self.meetings)} crossings judged")
        if self.out:
            parts.append(f"{len(self.out - set(self.parts))} of {total} leads out")
        return " · ".join(parts)

    @cached_property
    def left(self) -> tuple[str, ...]:
        """What is left to trace, to see and to judge, a sentence each; empty when nothing is."""
        leads = self.job.leads
        unseen_mm = {lead.id: _unseen_mm(lead) for lead in leads}
        buried = [name for name, length_mm in unseen_mm.items() if length_mm >= LEAST_UNSEEN_MM]
        held = [meeting for meeting in self.open_meetings if meeting_key(meeting) in self.frees]
        found = (
            ("Not begun", [one.id for one in self.job.missing_leads()], ""),
            ("Not at the exit yet", list(self.unfinished), ""),
            (
                "Not seen all the way",
                buried,
                f", {sum(unseen_mm.values()) / 1000:.1f} m in all",
            ),
            (
                "Nobody has judged",
                [f"{one.a} / {one.b}" for one in held or self.open_meetings],
                f", of {len(self.open_meetings)} open crossings those that hold leads back"
                if held and len(held) < len(self.open_meetings)
                else "",
            ),
        )
        return tuple(
            f"{words} ({len(names)}{more}): {_first(names)}."
            for words, names, more in found
            if names
        )

    @cached_property
    def next_thing(self) -> NextThing:
        """What to do next, in the order of the job."""
        return next_thing(self)

    @cached_property
    def gone(self) -> frozenset[str]:
        """Leads of the job of which no piece is in the plate any more."""
        if self.planned_on is None:
            return frozenset()
        lead_of = self.job.teardown.lead_of
        return frozenset(map(lead_of, self.out)) - frozenset(map(lead_of, self.leads_left))


def _first(names: Sequence[str]) -> str:
    """The first few of some names."""
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return ", ".join(shown(name, 40) for name in names[:NAMED]) + more


def _unseen_mm(lead: TracedLead) -> float:
    """Length of a lead's line that nobody saw."""
    steps = np.linalg.norm(np.diff(lead.points_mm, axis=0), axis=1)
    return float(steps[~np.array(lead.seen, dtype=bool)].sum())


@st.cache_resource(show_spinner=False, max_entries=12)
def _findings(job_id: str, revision: int, _job: Job) -> Findings:
    return Findings(_job)


def findings_of(job: Job) -> Findings:
    """Findings of a job as it stands, from the cache where they are there."""
    return _findings(job.id, job.revision, job)
