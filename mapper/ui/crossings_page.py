"""Page "Crossings": one meeting of two leads at a time, and the question which is on top.

All answers are keys that lie together, and the meeting with the biggest effect comes next, so
that many are worked through with one hand. The tool's view is shown when it is asked for.
"""

from __future__ import annotations

from html import escape

import numpy as np
import streamlit as st

from mapper.errors import shown
from mapper.pulling import seen_at
from mapper.records import judgement_changes
from mapper.routes import Crossing
from mapper.ui import jobbar, leads_panels, looks
from mapper.ui.canvas import LeadStyle
from mapper.ui.channel_answer import channel_answer
from mapper.ui.crossing_desk import (
    ALONG,
    KEYS,
    Answered,
    Desk,
    desk_of,
    in_turn,
    take_back,
)
from mapper.ui.crossing_pictures import (
    COLOURS,
    first_picture,
    lead_words,
    looked_at,
    photos_that_show,
    picture_controls,
    pictures,
)
from mapper.ui.crossing_votes import ask_button, check_answers, tool_panel, when_control
from mapper.ui.drawing import Mark, plate_svg
from mapper.ui.findings import Findings, findings_of, meeting_key
from mapper.ui.lead_along import NEXT_LEAD, lead_along, photo_control
from mapper.ui.leads_state import sight_if_fitted
from mapper.ui.leads_thickness import thickness_box
from mapper.ui.look_first import look_first, place_mark
from mapper.ui.session import MEETING_TO_SHOW, Context, go

__all__ = ["FILTER", "answer", "show"]

LISTED = 200  # meetings in the list before and after the one shown; more would slow the page
FILTERS = ("Now", "Open", "Judged", "All")
_AT = "meeting shown"  # session state: key of the meeting
FIRST = ""  # as MEETING_TO_SHOW: the one with the biggest effect
FILTER = "meetings filter"
ONE_PLACE, ONE_LEAD = "One place", "One lead all along"
WAY = "what is asked"  # session state: one of these two; outlives the page
_WAY_ASKED = "what is asked, as chosen"


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("crossings")
    if ctx is None:
        return
    findings = findings_of(ctx.job)
    desk = desk_of(ctx.job_id)
    if not findings.meetings:
        looks.note(
            "No two traced leads meet yet. Crossings appear here as soon as leads are traced.",
            "calm",
        )
        if st.button("Go to Leads", type="primary"):
            go("leads")
        return
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        way = _way_control()
        meetings = _chosen(ctx, findings, desk) if way == ONE_PLACE else []
        photo = photo_control(ctx) if way == ONE_LEAD else ""
        if way == ONE_LEAD:
            leads_panels.progress(ctx)
        thickness_box(ctx, lambda one: sight_if_fitted(ctx, one))
    if way == ONE_LEAD:
        lead_along(ctx, findings, desk, photo)
        return
    if not meetings:
        if st.session_state.get(FILTER) == "Judged":
            looks.note("Nothing is judged yet.", "calm")
            return
        if findings.open_meetings:
            looks.note(
                "No answer brings another lead out now: the rest waits until more is uncovered. "
                "The pull plan says what to do next.",
                "calm",
            )
        else:
            looks.note("Nothing is open: every meeting of leads that remain is judged.", "calm")
        if st.button("Go to Pull plan", type="primary"):
            go("plan")
        if desk.answered:
            with st.container(width=260):
                _take_back_button(ctx, desk)
        return
    meeting = _current(meetings)
    with st.container(gap="small", key="desk"):
        _question(findings, desk, meeting)
        _answers(ctx, findings, desk, meeting, meetings)
    said = st.container()  # below the answers: nothing may push them aside under a finger
    shown_above = st.container()  # above their controls, so that they are seen without scrolling
    show_as = picture_controls(when_control)
    with shown_above:
        pictures(ctx, findings, meeting, *show_as, beside=lambda: _small_plate(findings, meeting))
    channel_answer(ctx, findings, lambda one: first_picture(ctx, findings, one))
    look_first(meeting_key(meeting), [KEYS[one] for one in ("a", "b", "apart", "pass")])
    with said:
        tool_panel(ctx, findings, desk, meeting)
        check_answers(ctx, findings, desk)


def _chosen(ctx: Context, findings: Findings, desk: Desk) -> list[Crossing]:
    """The meetings that pass the filter; with it the controls of the filter."""
    total = len(findings.meetings)
    still_open = {meeting_key(meeting) for meeting in findings.open_meetings}
    open_count = len(still_open)
    judged = sum(meeting.top is not None for meeting in findings.meetings)
    now = {meeting_key(meeting) for meeting in findings.asked_now}
    counts = {"Now": len(now), "Open": open_count, "Judged": judged, "All": total}
    if FILTER not in st.session_state:
        st.session_state[FILTER] = "Now" if open_count else "All"
    wanted = st.session_state.get(MEETING_TO_SHOW)
    if wanted and wanted not in _passing(st.session_state[FILTER], findings, now, still_open):
        st.session_state[FILTER] = "Open" if wanted in still_open else "All"
    chosen = st.segmented_control(
        "Show",
        FILTERS,
        key=FILTER,
        label_visibility="collapsed",
        required=True,
        format_func=lambda name: f"{name} ({counts[name]})",
        help="Now: places whose answer can bring a lead out now, as far as it can be seen there.",
    )
    passing = _passing(chosen, findings, now, still_open)
    meetings = [one for one in findings.ordered_meetings if meeting_key(one) in passing]
    if not meetings:
        return []
    if chosen in ("Now", "Open"):
        meetings = in_turn(meetings, desk.passed)
    _walk(findings, meetings)
    leads_panels.progress(ctx)
    return meetings


def _passing(chosen: str, findings: Findings, now: set[str], still_open: set[str]) -> set[str]:
    """The keys of the meetings that pass a filter."""
    if chosen in ("Now", "Open"):
        return now if chosen == "Now" else still_open
    return {meeting_key(one) for one in findings.meetings if chosen == "All" or one.top is not None}


def _way_control() -> str:
    """Whether one place is asked about or one lead; kept for this browser tab."""
    st.session_state.setdefault(_WAY_ASKED, st.session_state.get(WAY, ONE_PLACE))
    wanted = st.session_state.get(MEETING_TO_SHOW)
    if (wanted or "").startswith(ALONG):  # somebody came here to look along a lead
        st.session_state[_WAY_ASKED] = ONE_LEAD
        st.session_state[NEXT_LEAD] = st.session_state.pop(MEETING_TO_SHOW).removeprefix(ALONG)
    elif wanted:
        st.session_state[_WAY_ASKED] = ONE_PLACE  # somebody came here for that very place
    st.session_state[WAY] = st.segmented_control(
        "What is asked",
        (ONE_PLACE, ONE_LEAD),
        key=_WAY_ASKED,
        label_visibility="collapsed",
        required=True,
    )
    return st.session_state[WAY]


def _walk(findings: Findings, meetings: list[Crossing]) -> None:
    """Previous, next, and the list to choose from."""
    keys = [meeting_key(meeting) for meeting in meetings]
    by_key = dict(zip(keys, meetings, strict=True))
    wanted = st.session_state.pop(MEETING_TO_SHOW, None)
    if wanted in by_key:
        st.session_state[_AT] = wanted
    elif wanted == FIRST or st.session_state.get(_AT) not in by_key:
        st.session_state[_AT] = keys[0]
    here = keys.index(st.session_state[_AT])
    if st.button("Previous", shortcut="Left", disabled=here == 0):
        st.session_state[_AT] = keys[here - 1]
        st.rerun()
    if st.button("Next", shortcut="Right", disabled=here + 1 == len(keys)):
        st.session_state[_AT] = keys[here + 1]
        st.rerun()
    numbers = {key: number for number, key in enumerate(keys, start=1)}
    st.selectbox(
        f"Meeting {here + 1} of {len(keys)}",
        keys[max(0, here - LISTED) : here + LISTED],
        key=_AT,
        label_visibility="collapsed",
        format_func=lambda key: f"{numbers[key]} of {len(keys)}: {_short(findings, by_key[key])}",
    )


def _short(findings: Findings, meeting: Crossing) -> str:
    frees = findings.frees.get(meeting_key(meeting), 0)
    more = f", may free {frees}" if frees else ""
    state = {"a": f"{meeting.a} on top", "b": f"{meeting.b} on top", "apart": "apart"}
    return f"{meeting.a} / {meeting.b}: {state.get(meeting.top, 'open')}{more}"


def _current(meetings: list[Crossing]) -> Crossing:
    wanted = st.session_state.get(_AT)
    return next((one for one in meetings if meeting_key(one) == wanted), meetings[0])


def _plain(meeting: Crossing, side: str) -> str:
    return looks.plain_markdown(lead_words(meeting, side))


def _question(findings: Findings, desk: Desk, meeting: Crossing) -> None:
    kind = {
        "crossing": "cross",
        "touching": "come close enough to touch",
        "shared run": "run along each other",
    }[meeting.kind]
    if meeting.a == meeting.b:
        pair = f"{meeting.a} meets itself"
    else:
        pair = f"{meeting.a} and {meeting.b} {kind}"
    st.subheader(f"{looks.plain_markdown(pair)}. Which lies on top?")
    if meeting.top is None and meeting_key(meeting) in desk.passed:
        looks.note(
            "You could not tell this one before. A closer photo from another side helps, or a "
            "look at the plate itself.",
            "calm",
        )
    said = {
        "a": f"{lead_words(meeting, 'a')} is on top",
        "b": f"{lead_words(meeting, 'b')} is on top",
    }
    said["apart"] = "they lie apart"
    parts = [f"at ({meeting.x_mm:.0f}, {meeting.y_mm:.0f}) mm"]
    if meeting.kind == "crossing" and np.degrees(meeting.angle_rad) < 8:
        parts.append("they cross at a very flat angle, so look twice")
    frees = findings.frees.get(meeting_key(meeting), 0)
    if frees:
        parts.append(f"the answer may free {frees} lead{'s' if frees > 1 else ''}")
    state = "open" if meeting.top is None else "good"
    word = "open: counts as locked until somebody has looked"
    if meeting.top is not None:
        word = f"judged: {said[meeting.top]}{_judged_by(findings, meeting)}"
    unseen = _unseen(findings, meeting)
    soft = escape(" · ".join(parts))
    st.html(
        f"{looks.badge(state, word)} &ensp;"
        f'<span class="jb-soft" {place_mark(meeting_key(meeting))}>{soft}</span>&emsp;'
        f'<span class="swatch" style="border-color:{COLOURS["a"]}"></span><b>A</b>&emsp;'
        f'<span class="swatch" style="border-color:{COLOURS["b"]};border-top-style:dashed">'
        "</span><b>B</b>"
    )
    if unseen:
        looks.note(
            f"{' and '.join(unseen)}: not seen all over this place, in part only guessed. Judge it "
            "only if a photo shows it."
        )


def _judged_by(findings: Findings, meeting: Crossing) -> str:
    """Who judged a meeting and when, from the nearest entry of the pair."""
    entries = [
        (np.hypot(one.x_mm - meeting.x_mm, one.y_mm - meeting.y_mm), one)
        for one in findings.job.judged
        if {one.a, one.b} == {meeting.a, meeting.b} and one.top is not None
    ]
    if not entries:
        return ""
    _, entry = min(entries, key=lambda item: item[0])
    by = f" by {shown(entry.by, 30)}" if entry.by else ""
    at = f", {entry.at.astimezone():%Y-%m-%d %H:%M}" if entry.at else ""
    return by + at


def _unseen(findings: Findings, meeting: Crossing) -> list[str]:
    """Leads of a meeting that nobody saw all over the place."""
    leads = findings.traced.leads_by_id
    both = dict.fromkeys((meeting.a, meeting.b))
    return [name for name in both if not seen_at(leads[name], meeting)]


def _answers(
    ctx: Context, findings: Findings, desk: Desk, meeting: Crossing, meetings: list[Crossing]
) -> None:
    choices: list[tuple[str, str | None, str]] = [
        (f"**A**  {_plain(meeting, 'a')} is on top", "a", KEYS["a"]),
        (f"**B**  {_plain(meeting, 'b')} is on top", "b", KEYS["b"]),
    ]
    if meeting.kind != "crossing":
        choices.append(("Apart, side by side", "apart", KEYS["apart"]))
    pass_words = "Can't tell: next" if meeting.top is None else "Open it again"
    choices.append((pass_words, None, KEYS["pass"]))
    columns = st.columns(len(choices) + 2, gap="small")
    for column, (label, top, key) in zip(columns, choices, strict=False):
        chosen = top is not None and meeting.top == top
        with column:
            # The name holds the meeting: a second press can't reach the next one's button.
            pressed = st.button(
                label,
                key=f"answer {key} {meeting_key(meeting)}",
                type="primary" if chosen else "secondary",
                shortcut=key,
                width="stretch",
            )
        if pressed:
            _answered(ctx, findings, desk, meeting, meetings, top)
            st.rerun()
    with columns[-2]:
        _take_back_button(ctx, desk)
    with columns[-1]:
        ask_button(desk, meeting)


def _take_back_button(ctx: Context, desk: Desk) -> None:
    if st.button(
        "Take back",
        key="take back",
        shortcut=KEYS["take back"],
        disabled=not desk.answered,
        help="Take back the last answer given here, and show it again",
        width="stretch",
    ):
        key = take_back(ctx, desk)
        st.session_state[MEETING_TO_SHOW] = "" if (key or "").startswith(ALONG) else key
        st.rerun()


def _answered(
    ctx: Context,
    findings: Findings,
    desk: Desk,
    meeting: Crossing,
    meetings: list[Crossing],
    top: str | None,
) -> None:
    """Keep the answer and go on: to the biggest effect among the open ones, else in order."""
    key = meeting_key(meeting)
    if top is None and meeting.top is None:
        desk.passed = [*(one for one in desk.passed if one != key), key]
        desk.answered.append(Answered(key, None))
    elif answer(ctx, findings, meeting, top):
        desk.answered.append(Answered(key, answer_label(meeting, top)))
        desk.otherwise.pop(key, None)
        if top is not None:
            desk.to_check.append(key)
    else:
        return
    if st.session_state.get(FILTER) in ("Now", "Open"):
        st.session_state[MEETING_TO_SHOW] = FIRST
    else:
        _go_on(meeting, meetings)


def answer_label(meeting: Crossing, top: str | None) -> str:
    """How undo calls an answer."""
    words = {"a": f"{meeting.a} on top", "b": f"{meeting.b} on top", "apart": "apart"}
    return f"{meeting.a} / {meeting.b}: {words.get(top, 'open')}"


def answer(ctx: Context, findings: Findings, meeting: Crossing, top: str | None) -> bool:
    """Keep a person's answer with name, time and the photo looked at: the one shown large, else
    the first."""
    if top is None and meeting.top is None:
        return True
    views = photos_that_show(ctx, findings, meeting)
    large = looked_at(meeting, views)
    photo = (large or views[0]).entry.sha256 if views else None
    changes = judgement_changes(ctx.job, meeting, top, by=ctx.person, photo=photo)
    return ctx.edit(answer_label(meeting, top), changes)


def _go_on(meeting: Crossing, meetings: list[Crossing]) -> None:
    """Show the next meeting of the list."""
    keys = [meeting_key(one) for one in meetings]
    here = keys.index(meeting_key(meeting))
    if here + 1 < len(keys):
        st.session_state[MEETING_TO_SHOW] = keys[here + 1]


def _small_plate(findings: Findings, meeting: Crossing) -> None:
    leads = [findings.traced.leads_by_id[name] for name in dict.fromkeys((meeting.a, meeting.b))]
    looks_of = {meeting.a: LeadStyle(COLOURS["a"], ())}
    if meeting.b != meeting.a:
        looks_of[meeting.b] = LeadStyle(COLOURS["b"], (9.0, 4.0))
    svg = plate_svg(
        findings.traced.plate,
        leads,
        looks=looks_of,
        marks=[Mark(meeting.x_mm, meeting.y_mm, "here")],
        width_px=420,
    )
    st.image(svg, width="stretch", alt="Where on the plate the meeting lies")
