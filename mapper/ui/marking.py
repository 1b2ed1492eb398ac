"""Marking what happened at the plate: ticks, refusals with a way around, breaks, put-backs."""

from __future__ import annotations

import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.pulling import Freed, Step, check_order, explain
from mapper.records import TICK_DEPENDS_ON, tick_changes
from mapper.ui import looks
from mapper.ui.findings import Findings
from mapper.ui.session import Context

__all__ = [
    "another_lead",
    "break_form",
    "moved_leads",
    "override_form",
    "put_back",
    "tick",
    "untraced_words",
    "why_lines",
]

_REFUSED = "refused tick"  # session state: (job id, step, sentences) of a mark that was refused


def untraced_words(wire: str) -> str:
    """Why a lead that nobody traced to its end is not offered."""
    return (
        f"{wire} is not traced to its end: what may lie under it waits, and it is not offered "
        "until it is traced."
    )


def why_lines(findings: Findings, wire: str) -> list[str]:
    """Why a lead can or can't come out now, in plain sentences."""
    sentences = list(explain(findings.planned_on, wire, findings.done))
    if wire in findings.untraced:
        return [untraced_words(wire)] + [s for s in sentences if "can be pulled" not in s]
    return sentences


def tick(ctx: Context, findings: Findings, step: Step, reason: str = "") -> bool:
    """Tick a step off. Without a reason only a step that the rule allows is taken; with one,
    also a lead that is not free, but nothing that makes no sense."""
    if reason:
        event = {"action": step.action, "wire": step.wire, "past": step.past, "reason": reason}
        why = ctx.job.refusals(event)
        if why:
            looks.say(" ".join(why), "stop")
            return False
    else:
        broken = check_order(findings.planned_on, [step], findings.done)
        if broken or step.wire in findings.untraced:
            why = why_lines(findings, step.wire)
            if step.action == "peel":
                why = [one.sentence().removeprefix("Step 1: ") for one in broken] or why
            st.session_state[_REFUSED] = (ctx.job_id, step, why)
            return False
    st.session_state.pop(_REFUSED, None)
    changes = tick_changes(ctx.job, step.action, step.wire, step.past, by=ctx.person, reason=reason)
    word = {"Take off": "off", "Free": "free"}.get(findings.act(step), "out")
    label = f"{step.wire} {word}" if step.action == "pull" else findings.step_words(step)
    return ctx.edit(label, changes, depends_on=TICK_DEPENDS_ON)


def _refused(ctx: Context, findings: Findings) -> tuple[Step, list[str]] | None:
    """The mark that was refused last, as long as its lead still lies in the plate."""
    job_id, step, why = st.session_state.get(_REFUSED, ("", None, []))
    if job_id != ctx.job_id or step.wire in findings.out:
        return None
    return (step, why) if step.wire in findings.planned_on.leads_by_id else None


def override_form(ctx: Context, findings: Findings) -> None:
    """What was refused and why; with a typed reason it is recorded all the same."""
    refused = _refused(ctx, findings)
    if refused is None:
        return
    step, why = refused
    pull = step.action == "pull"
    done = "out" if pull else "peeled"
    looks.note(f"{step.wire} was not marked as {done}. " + " ".join(why), "stop")
    reason = st.text_input(
        f"If it is {done} all the same, say how it happened",
        key="tick reason",
        max_chars=200,
        placeholder="for example: it was cut at the nozzle" if pull else "",
    )
    st.caption("It stays in the log as done although it was not free.")
    if st.button(f"Record that it is {done}", key="record out", width="stretch"):
        if not reason.strip():
            looks.note("Not recorded: say how it happened first.", "stop")
        else:
            tick(ctx, findings, step, reason.strip())
            st.rerun()
    if st.button(f"It is not {done}: leave it", key="leave refused", width="stretch"):
        st.session_state.pop(_REFUSED, None)
        st.rerun()


def another_lead(ctx: Context, findings: Findings, besides: str | None = None) -> None:
    """Mark any lead or part that remains as out: refused when it is not free, with the reason.

    `besides` is a lead that has buttons of its own on the page: it is left out here, and what
    was refused is shown there.
    """
    remaining = [
        one.id for one in findings.planned_on.leads if one.id not in findings.out | {besides}
    ]
    if not remaining:
        return
    refused = None if besides else _refused(ctx, findings)
    what = "lead or part" if findings.parts else "lead"
    with st.expander(f"Another {what} came out", expanded=refused is not None):
        wire = st.selectbox(what.capitalize(), remaining, key="another lead")
        if st.button("Mark it as out", key="mark another"):
            tick(ctx, findings, Step("pull", wire))
            st.rerun()
        if besides is None:
            override_form(ctx, findings)


def moved_leads(findings: Findings) -> list[str]:
    """Leads, pieces of broken leads and parts that are out or peeled: they can be put back."""
    peeled = {one.wire for one in findings.done if isinstance(one, Freed)}
    return [one.id for one in findings.planned_on.leads if one.id in findings.out | peeled]


def put_back(ctx: Context, wire: str) -> bool:
    """Record that a lead was laid into its channel again, or a part put on."""
    event = {"action": "put back", "wire": wire}
    why = ctx.job.refusals(event)
    if why:
        looks.say(" ".join(why), "stop")
        return False
    changes = tick_changes(ctx.job, "put back", wire, by=ctx.person)
    return ctx.edit(f"{wire} put back", changes, depends_on=TICK_DEPENDS_ON)


def break_form(ctx: Context, findings: Findings, wire: str, key: str) -> bool:
    """Ask where a lead broke and record it; True once it is recorded. `key` names the form.
    Nothing is asked for a part."""
    if wire in findings.parts:
        return False
    lead = findings.planned_on.leads_by_id[wire]
    came_mm = st.number_input(
        "If it broke: how many mm of it came off, from the free end",
        min_value=0,
        max_value=int(lead.length_mm),
        key=f"{key}: came off mm {wire}",
    )
    how = st.text_input(
        "How it came to it (may stay empty)", key=f"{key}: how {wire}", max_chars=200
    )
    if came_mm:
        x, y = (float(v) for v in lead.point_at_mm(np.array([lead.length_mm - came_mm]))[0])
        st.caption(f"That is at ({x:.0f}, {y:.0f}) mm on the plate.")
    if not st.button(
        "Record that it broke there",
        key=f"{key}: broke {wire}",
        disabled=not came_mm,
        width="stretch",
    ):
        return False
    event = {"action": "broke", "wire": wire, "past": (x, y)}
    try:
        why = ctx.job.refusals(event)
        if why:
            looks.note(" ".join(why), "stop")
            return False
        changes = tick_changes(ctx.job, "broke", wire, (x, y), by=ctx.person, reason=how.strip())
    except MapperError as error:
        looks.note(shown(error, 300), "stop")
        return False
    return ctx.edit(f"{wire} broke", changes, depends_on=TICK_DEPENDS_ON)
