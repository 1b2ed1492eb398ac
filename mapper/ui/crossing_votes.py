"""What the tool would say about a meeting: every photo that shows it votes.

It is shown when a person asks, or, when this browser tab is set so, also when it is certain.
It never answers by itself. After an answer it is held against the photos, and a disagreement
is said in plain words.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import Any

import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.routes import Crossing, Lead
from mapper.trace import Ballot, Company, Vote, count_votes, judge_crossing
from mapper.ui import looks
from mapper.ui.crossing_desk import KEYS, Desk
from mapper.ui.crossing_height import USUAL_DIAMETER_MM, height_vote, leads_around
from mapper.ui.crossing_pictures import View, lead_words, lines_near, photos_that_show, stamp_of
from mapper.ui.findings import Findings, meeting_key
from mapper.ui.judging import JUDGING
from mapper.ui.session import MEETING_TO_SHOW, Context
from mapper.ui.tiles import SHELF

__all__ = [
    "ask_all",
    "ask_button",
    "check_answers",
    "disagreement",
    "proposal_words",
    "tool_panel",
    "when_control",
]

BESIDE_MM = 8.0  # other leads this near may lie on one of the two
WHEN = {"asked": "tool's view: only when I ask", "certain": "tool's view: also when it is sure"}
_WHEN = "tool's view is shown"  # session state: outlives the widget when the page is left


def when_control() -> None:
    """When the tool's view is shown; kept for this browser tab, like the name of the person."""

    def keep() -> None:
        st.session_state[_WHEN] = st.session_state["when to show the tool's view"]

    st.session_state.setdefault("when to show the tool's view", st.session_state.get(_WHEN))
    if st.session_state["when to show the tool's view"] is None:
        st.session_state["when to show the tool's view"] = "asked"
    st.segmented_control(
        "Tool's view",
        list(WHEN),
        required=True,
        key="when to show the tool's view",
        label_visibility="collapsed",
        format_func=WHEN.get,
        on_change=keep,
    )


def ask_button(desk: Desk, meeting: Crossing) -> None:
    """Ask for the tool's view of this meeting, or hide it again."""
    key = meeting_key(meeting)
    asked = desk.asked == key
    if st.button(
        "Hide tool's view" if asked else "Tool's view",
        key="ask the tool",
        shortcut=KEYS["tool"],
        width="stretch",
    ):
        desk.asked = None if asked else key
        st.rerun()


def tool_panel(ctx: Context, findings: Findings, desk: Desk, meeting: Crossing) -> None:
    """The tool's view of a meeting, where it is to be shown."""
    asked = desk.asked == meeting_key(meeting)
    if not asked and st.session_state.get(_WHEN) != "certain":
        return
    asking = ask_all(ctx, findings, meeting)
    if asked:
        with st.spinner("Looking at all photos of the place"):
            votes = [one.result() for one in asking]
    elif all(one.done() for one in asking):
        votes = [one.result() for one in asking]
    else:
        _look_again_soon(asking)
        return
    ballot = count_votes(votes)
    if not asked and not ballot.certain:
        return
    looks.note(proposal_words(meeting, ballot), "" if ballot.contradicted else "calm")
    against = disagreement(meeting, ballot, _who(ctx))
    if against:
        looks.note(against)
    if asked and votes:
        st.caption(looks.plain_markdown("; ".join(_vote_words(meeting, one) for one in votes)))


@st.fragment(run_every=1.0)
def _look_again_soon(asking: Sequence[Future[Vote]]) -> None:
    if all(one.done() for one in asking):
        st.rerun()


def check_answers(ctx: Context, findings: Findings, desk: Desk) -> None:
    """Hold the answers just given against the photos, and say where they disagree.

    What is still being looked at is said with a later answer: no key waits for it.
    """
    known = {meeting_key(one): one for one in findings.meetings}
    waiting = []
    for key in desk.to_check:
        meeting = known.get(key)
        if meeting is None or meeting.top is None:
            continue
        asking = ask_all(ctx, findings, meeting)
        if not all(one.done() for one in asking):
            waiting.append(key)
            continue
        ballot = count_votes([one.result() for one in asking])
        words = disagreement(meeting, ballot, _who(ctx))
        if words:
            desk.otherwise[key] = words
    desk.to_check = waiting
    _warn(desk)


def _who(ctx: Context) -> str:
    return shown(ctx.person, 30) if ctx.person else "You"


def ask_all(ctx: Context, findings: Findings, meeting: Crossing) -> list[Future[Vote]]:
    """The vote of every photo that shows the place, and that of the height from two of them.
    Photos of doubtful fit do not vote."""
    views = [view for view in photos_that_show(ctx, findings, meeting) if not view.doubtful]
    beside = leads_around(findings, meeting, BESIDE_MM)
    drawn = hash(tuple(ctx.job.texts.get(f"lead/{lead.id}") for lead in beside))
    stamps = [
        (stamp_of(ctx, meeting, view.entry.sha256), drawn, view.entry.sha256) for view in views
    ]
    asking = [
        JUDGING.result_of(stamp, _photo_vote(ctx, findings, meeting, view, beside))
        for stamp, view in zip(stamps, views, strict=True)
    ]
    measure = height_vote(ctx, findings, meeting, views)
    if measure is not None:  # it looks at all leads around the place
        leads = tuple(text for key, text in ctx.job.texts.items() if key.startswith("lead/"))
        asking.append(JUDGING.result_of(("height", hash(leads), *stamps), measure))
    return asking


def _photo_vote(
    ctx: Context, findings: Findings, meeting: Crossing, view: View, beside: Sequence[Lead]
) -> Callable[[], Vote]:
    """What judges one photo, with all that it needs from the page."""
    fit: Any = ctx.job.fits[view.entry.sha256]
    plate = findings.traced.plate
    token = ctx.opened(view.entry.sha256).token
    source = shown(view.entry.name, 40)

    def on_photo(points_mm: np.ndarray) -> np.ndarray:
        return np.asarray(fit.photo_from_plate(points_mm, plate.lead_depth_mm(points_mm)))

    paths = [on_photo(lines_near(findings, meeting, side)[1]) for side in ("a", "b")]
    wide = [
        findings.traced.leads_by_id[name].diameter_mm or USUAL_DIAMETER_MM
        for name in (meeting.a, meeting.b)
    ]
    here = np.array([meeting.x_mm, meeting.y_mm])
    place, aside = on_photo(np.stack([here, here + (min(wide), 0.0)]))
    company = Company(
        tuple(on_photo(lead.points_mm) for lead in beside), float(np.hypot(*(aside - place)))
    )

    def judge() -> Vote:
        try:
            said = judge_crossing(SHELF.ground(token), *paths, tuple(place), company)
        except MapperError:
            return Vote(None, 0.0, "photo", source)
        return Vote(said.top, said.confidence, "photo", source)

    return judge


def proposal_words(meeting: Crossing, ballot: Ballot) -> str:
    """What all votes together say, in plain words."""
    if ballot.contradicted:
        return (
            "The tool proposes nothing, because what it sees disagrees. "
            f"{_sides(meeting, 'a', ballot.for_a)} {_sides(meeting, 'b', ballot.for_b)} "
            "Look yourself, at the plate if you can."
        )
    asked = len(ballot.for_a) + len(ballot.for_b) + len(ballot.silent)
    if ballot.top is None:
        where = (
            "no well fitted photo shows this place" if not asked else "no photo shows it plainly"
        )
        return f"The tool can't tell: {where}."
    for_it = ballot.for_a if ballot.top == "a" else ballot.for_b
    silent = f" {len(ballot.silent)} can't tell." if ballot.silent else ""
    says = "says" if len(for_it) == 1 else "say"
    return (
        f"The tool would say: {lead_words(meeting, ballot.top)} on top, sure to "
        f"{min(ballot.confidence, 0.99):.0%}; {len(for_it)} of {asked} {says} so.{silent} "
        "Look yourself."
    )


def _sides(meeting: Crossing, side: str, votes: Sequence[Vote]) -> str:
    names = ", ".join(f"{one.source} ({one.confidence:.0%})" for one in votes)
    return f"For {lead_words(meeting, side)} on top: {names}."


def disagreement(meeting: Crossing, ballot: Ballot, who: str) -> str:
    """How the votes disagree with a person's answer; "" where they do not."""
    if meeting.top is None:
        return ""
    if meeting.top == "apart":
        against, said = (*ballot.for_a, *ballot.for_b), "lie apart"
        other = "one on top"
    else:
        against = ballot.against(meeting.top)
        said = f"{lead_words(meeting, meeting.top)} on top"
        other = f"{lead_words(meeting, 'b' if meeting.top == 'a' else 'a')} on top"
    if not against:
        return ""
    names = ", ".join(f"{one.source} ({one.confidence:.0%})" for one in against)
    return (
        f"At {meeting.a} / {meeting.b}, ({meeting.x_mm:.0f}, {meeting.y_mm:.0f}) mm: {who} said "
        f"{said}, but {names} {'looks' if len(against) == 1 else 'look'} like {other}. "
        "The answer is kept as it was given."
    )


def _warn(desk: Desk) -> None:
    """Show one disagreement, with the way to it."""
    for key, words in reversed(desk.otherwise.items()):
        looks.note(words)
        with st.container(horizontal=True, gap="small"):
            if st.button("Look at it again", key="look at the disagreement"):
                st.session_state[MEETING_TO_SHOW] = key
                desk.otherwise.pop(key)
                st.rerun()
            if st.button("My answer is right", key="keep against the photos"):
                desk.otherwise.pop(key)
                st.rerun()
        return


def _vote_words(meeting: Crossing, vote: Vote) -> str:
    if vote.top is None:
        return f"{vote.source}: can't tell"
    return f"{vote.source}: {lead_words(meeting, vote.top)} on top, {vote.confidence:.0%}"
