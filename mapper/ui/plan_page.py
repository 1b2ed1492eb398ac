"""Page "Pull plan": what can come out now, what to look at next, what is locked; ticking off."""

from __future__ import annotations

from html import escape

import numpy as np
import streamlit as st

from mapper.pulling import LockedSet, LookAt, Release, Step
from mapper.pulling.words import place_words as said_place
from mapper.routes import Crossing
from mapper.ui import jobbar, looks
from mapper.ui.along_places import along_of, leads_asked
from mapper.ui.crossing_desk import along_key
from mapper.ui.crossings_page import FILTER
from mapper.ui.findings import Findings, findings_of, meeting_key
from mapper.ui.log_panel import contradiction_notes, log_panel, override_notes
from mapper.ui.marking import another_lead, tick, untraced_words, why_lines
from mapper.ui.own_order import own_order
from mapper.ui.parts_panel import part_how, parts_panel
from mapper.ui.plan_picture import LOOKS, picture
from mapper.ui.session import Context, go

__all__ = ["show"]

SHOWN = 4  # leads named under a lift
CARDS = 5  # steps shown as big cards; the rest stands in a list


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("plan")
    if ctx is None:
        return
    findings = findings_of(ctx.job)
    if findings.plan is None:
        looks.note("There is no lead to plan for yet: enter the plate and trace leads.", "calm")
        if st.button("Go to Leads" if ctx.job.plate else "Go to Plate", type="primary"):
            go("leads" if ctx.job.plate else "plate")
        return
    looks.cautions()
    left, right = st.columns([2, 3], gap="medium")
    with left:
        contradiction_notes(findings)
        override_notes(findings)
        _status(findings)
        _steps(ctx, findings)
        _untraced(findings)
        _look_at(findings)
        _locked(findings)
        log_panel(ctx, findings)
    with right:
        picture(ctx, findings)
        parts_panel(ctx, findings)
        _why(findings)
        own_order(findings)


def _status(findings: Findings) -> None:
    plan = findings.offered
    remaining = len(findings.leads_left)
    pulls = sum(step.action == "pull" and step.wire not in findings.parts for step in plan.steps)
    if remaining <= 0 and plan.steps:
        parts = looks.counted(len(plan.steps), "part")
        text, kind = f"All leads are out; {parts} can still be taken out.", "calm"
    elif remaining <= 0:
        text, kind = "All leads are out.", "calm"
    elif plan.status == "complete":
        text, kind = f"All {remaining} leads that remain come out, in this order.", "calm"
    elif plan.status == "locked":
        text = f"{pulls} of {remaining} leads can come out; some hold each other locked."
        kind = "stop"
    elif pulls:
        text = f"{pulls} of {remaining} leads can come out now; the rest waits for a look."
        kind = ""
    elif findings.lifts:
        text = f"None of {remaining} leads may be pulled yet; some may be lifted to see more."
        kind = ""
    else:
        text = f"None of {remaining} leads may be pulled yet: somebody has to look first."
        kind = ""
    if plan.status == "locked":
        way = ' <a class="jump" href="#locked">What holds them, and the ways out ↓</a>'
        st.html(f'<div class="band stop" role="note"><b>✕</b>&ensp;{escape(text)}{way}</div>')
        return
    looks.note(text, kind)


def _how(findings: Findings, step: Step) -> str:
    lead = findings.planned_on.leads_by_id[step.wire]
    part = findings.parts.get(step.wire)
    if part is not None:
        return part_how(findings, step.wire)
    where = f"{lead.kind} of {lead.drop}" + (f", free end at {lead.exit}" if lead.exit else "")
    if step.action == "peel":
        return f"{where}; lift it from its free end to there and leave it hanging"
    if step.wire in findings.hanging:
        return f"{where}; {part_how(findings, step.wire)}"
    return where


def _steps(ctx: Context, findings: Findings) -> None:
    steps = findings.offered.steps
    st.subheader("In this order")
    for number, step in enumerate(steps[:CARDS], start=1):
        waits = findings.waits_words(number)
        _card(ctx, findings, number, step, _how(findings, step), waits)
    if not steps:
        _lifts(ctx, findings)
    if len(steps) > CARDS:
        with st.expander(f"Then {len(steps) - CARDS} more steps"):
            st.html(
                "<ol start='{}'>{}</ol>".format(
                    CARDS + 1,
                    "".join(
                        f"<li>{escape(findings.step_words(step))}</li>" for step in steps[CARDS:]
                    ),
                )
            )
    another_lead(ctx, findings)


def _card(
    ctx: Context, findings: Findings, number: int, step: Step, how: str, waits: str = ""
) -> None:
    """A step with the button that ticks it off."""
    now = step in findings.legal_now
    card, button = st.columns([4, 1], gap="small", vertical_alignment="center")
    with card:
        looks.step_card(number, findings.step_words(step), how, waits)
    with button:
        if st.button(
            findings.done_word(step),
            key=f"tick {number} {step.action} {step.wire}",
            type="primary" if number == 1 else "secondary",
            disabled=not now,
            help=None if now else "An earlier step comes first.",
            width="stretch",
        ):
            tick(ctx, findings, step)
            st.rerun()


def _lifts(ctx: Context, findings: Findings) -> None:
    """Where nothing comes out yet: what may be lifted, so that more can be seen."""
    lifts = findings.lifts
    if not lifts:
        st.markdown("Nothing may be pulled yet.")
        return
    looks.note(
        "No lead comes out yet. As far as is known nothing lies on these between their exits and "
        "the places named: lift them by hand in a wide bend, leave them hanging, then take a new "
        "photo of what lay under them.",
        "calm",
    )
    for number, lift in enumerate(lifts[:CARDS], start=1):
        shows = ", ".join(lift.shows[:SHOWN])
        more = f" and {len(lift.shows) - SHOWN} more" if len(lift.shows) > SHOWN else ""
        how = f"shows what lies under it: {shows}{more}"
        _card(ctx, findings, number, lift.step, how, findings.waits_words(number))
    if len(lifts) > CARDS:
        st.caption(f"{len(lifts) - CARDS} more may be lifted after these.")


def _untraced(findings: Findings) -> None:
    untraced = sorted(findings.untraced - findings.out)
    if not untraced and not findings.job.warnings():
        return
    for wire in untraced[:4]:
        looks.note(untraced_words(wire), "stop")
    if len(untraced) > 4:
        looks.note(f"{len(untraced) - 4} more leads are not traced to their end.", "stop")
    for sentence in findings.job.warnings():
        looks.note(sentence)
    if untraced and st.button(f"Trace {looks.plain_markdown(untraced[0])}"):
        go("leads", untraced[0])


def _look_at(findings: Findings) -> None:
    if not findings.to_look_at:
        return
    st.subheader("Look at next")
    _look_along(findings)
    places = findings.look_at_now
    for number, look in enumerate(places[:LOOKS], start=1):
        frees = f"may free {look.frees}" if look.frees else "frees none on its own"
        pair = looks.plain_markdown(f"{look.a} / {look.b} at ({look.x_mm:.0f}, {look.y_mm:.0f}) mm")
        if st.button(
            f"**? {number}**  {pair}: {frees}",
            key=f"look {number} {meeting_key(look)}",
            help="Go to its photos and say which lies on top",
            width="stretch",
        ):
            _show_meeting(look, "Now")
    more = [f"{len(places) - LOOKS} more places"] if len(places) > LOOKS else []
    later = len(findings.to_look_at) - len(places)
    if later:
        more.append(f"{looks.counted(later, 'open place')} can wait: no answer there frees one yet")
    if more:
        st.caption(" · ".join(more))


def _look_along(findings: Findings) -> None:
    """The leads that may lie free, the likeliest first; or that there is none."""
    leads = leads_asked(findings)
    if not findings.asked.now.leads:
        looks.note(
            "No answer brings another lead out now. Do what stands above, or uncover more; then "
            "take a new photo and look again.",
            "calm",
        )
    for name in leads[:LOOKS]:
        places = looks.counted(len(along_of(findings, name).places), "place")
        free = "how far may it be lifted" if findings.asked.to_lift else "may lie free"
        if st.button(
            f"**Look along {looks.plain_markdown(name)}**  ({free}; {places} by one answer)",
            key=f"look along {name}",
            help="One look from end to end answers all its places",
            width="stretch",
        ):
            go("crossings", along_key(name))


def _locked(findings: Findings) -> None:
    locked = findings.plan.locked
    if not locked:
        return
    st.subheader("Locked", anchor="locked")
    for part in locked:
        with st.container(border=True):
            _locked_set(findings, part)


def _locked_set(findings: Findings, part: LockedSet) -> None:
    words = [f"<div>{escape(part.cycle)}</div>"]
    if part.held:
        words.append(f"<div>Behind them wait: {escape(', '.join(part.held))}.</div>")
    if part.release:
        items = "".join(f"<li>{escape(release.words)}</li>" for release in part.release)
        words.append(f"<div>Ways to release them, least harm first:<ol>{items}</ol></div>")
    st.html(
        f"{looks.badge('locked', 'hold each other')} <b>{escape(', '.join(part.wires))}</b>"
        + "".join(words)
    )
    again = next((one for one in part.release if one.way == "look again"), None)
    meeting = None if again is None else _meeting_at(findings, again)
    if meeting is not None and st.button(
        f"Look again at {meeting.a} / {meeting.b}", key=f"again {meeting_key(meeting)}"
    ):
        _show_meeting(meeting, "All")


def _meeting_at(findings: Findings, release: Release) -> Crossing | None:
    """The meeting that a release asks to look at again."""
    near = [
        (np.hypot(one.x_mm - release.places[0][0], one.y_mm - release.places[0][1]), n, one)
        for n, one in enumerate(findings.meetings)
        if {one.a, one.b} == set(release.wires)
    ]
    return min(near)[2] if near and min(near)[0] <= 1.0 else None


def _show_meeting(meeting: Crossing | LookAt, which: str) -> None:
    """Go to the page Crossings, to this meeting."""
    st.session_state[FILTER] = which
    go("crossings", meeting_key(meeting))


def _why(findings: Findings) -> None:
    """Why any lead can or can't come out now, with the way to the crossings behind it."""
    with st.expander("Why can a lead come out, or not?"):
        remaining = [one.id for one in findings.planned_on.leads if one.id not in findings.out]
        if not remaining:
            return
        wire = st.selectbox("Lead", remaining, key="why lead")
        sentences = why_lines(findings, wire)
        for sentence in sentences:
            st.html(f"<div>{escape(sentence)}</div>")
        text = " ".join(sentences)
        behind = [
            one
            for one in findings.meetings
            if said_place((one.x_mm, one.y_mm)) in text and not {one.a, one.b} & findings.out
        ]
        for one in behind[:4]:
            words = f"See {one.a} / {one.b} at ({one.x_mm:.0f}, {one.y_mm:.0f})"
            if st.button(looks.plain_markdown(words), key=f"why {meeting_key(one)}"):
                _show_meeting(one, "All")
