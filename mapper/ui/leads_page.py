"""Page "Leads": pick a lead, click along it on a photo, drag what is wrong, go to the next.

Every click is saved as soon as it is drawn. The page works in a fragment, so that a click costs
only the list and the canvas, not the whole page.
"""

from __future__ import annotations

import time

import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.records import PhotoEntry, TracedLead
from mapper.ui import (
    jobbar,
    leads_beside,
    leads_channels,
    leads_panels,
    leads_state,
    leads_steps,
    leads_tracing,
    leads_view,
    leads_words,
    looks,
)
from mapper.ui.canvas import Line, Pane, photo_canvas, take_operations
from mapper.ui.leads_list import lead_list
from mapper.ui.leads_offers import NOTHING, Search, open_offers
from mapper.ui.leads_sight import Sight
from mapper.ui.leads_state import PageState
from mapper.ui.leads_thickness import thickness_box
from mapper.ui.leads_view import LeadRow
from mapper.ui.overlay import frames_of
from mapper.ui.session import LEAD_TO_TAKE_UP, Context, go
from mapper.ui.tiles import SHELF

__all__ = ["render", "show"]

CANVAS, LIST = "leads canvas", "leads list"
RUN_SECONDS = 0.3  # of work before what is done is shown


def show() -> None:
    """Draw the page, with the job bar above it."""
    ctx = jobbar.begin("leads")
    if ctx is not None:
        render(ctx)


def render(ctx: Context) -> None:
    """Draw the page for an open job, or say what has to be done before it."""
    if ctx.job.plate is None or not ctx.job.plate.drops:
        _first("Enter the plate with its drops before the leads are traced.", "plate")
    elif not ctx.job.photos:
        _first("Add photos before the leads are traced.", "photos")
    elif not leads_state.fitted(ctx):
        _first("Fit at least one photo to the plate before the leads are traced.", "fit")
    else:
        _work(ctx)


def _first(text: str, page: str) -> None:
    looks.note(text, "calm")
    if st.button(f"Go to {jobbar.PAGE_WORDS[page]}", type="primary"):
        go(page)


@st.fragment
def _work(ctx: Context) -> None:
    leads_state.refresh(ctx)
    state = leads_state.state_of(ctx)
    photos = leads_state.fitted(ctx)
    if not photos:  # undone meanwhile
        st.rerun()
    _found(ctx, state)
    wanted = st.session_state.pop(LEAD_TO_TAKE_UP, None)
    if wanted:
        leads_state.choose(ctx, state, wanted)
    for op in take_operations(LIST):
        state.hush()
        try:
            leads_steps.list_operation(ctx, state, op)
        except MapperError as error:
            state.message = shown(error, 220)
    until = time.monotonic() + RUN_SECONDS
    for op in take_operations(CANVAS):
        if time.monotonic() > until:
            break  # draw what is done; the rest comes with the next run
        state.hush()
        try:
            leads_steps.canvas_operation(ctx, state, op)
        except MapperError as error:
            state.message = shown(error, 220)
    jobbar.show_saved(ctx)
    left, right = st.columns([1, 3.4], gap="small")
    with right:
        bar = st.container()
        _canvas(ctx, state)  # first: it is what the user waits for
        with bar:
            _bar(ctx, state, photos)
    with left:
        _list(ctx, state)
    if state.leave:
        state.leave = False
        go("crossings", state.meeting)
    if state.reload:  # the job bar above has something new to say; the answer to a click is out
        state.reload = False
        st.rerun()


# ---- above and beside the canvas


def _bar(ctx: Context, state: PageState, photos: list[PhotoEntry]) -> None:
    by_hash = {photo.sha256: photo for photo in photos}

    def words(sha256: str) -> str:
        doubt = "" if ctx.job.fits[sha256].verdict == "good" else " · doubtful fit"
        return f"{by_hash[sha256].stage} · {by_hash[sha256].name}{doubt}"

    widget = f"leads photo {ctx.job_id}"
    if st.session_state.get(widget) != state.photo:
        st.session_state[widget] = state.photo
    with st.container(horizontal=True, vertical_alignment="center"):
        st.selectbox(
            "Photo",
            list(by_hash),
            key=widget,
            format_func=words,
            label_visibility="collapsed",
            on_change=lambda: setattr(state, "photo", st.session_state[widget]),
        )
        if ctx.job.plate.channels:
            leads_panels.channel_box(
                ctx, state.channel, lambda name: leads_state.look_at_channel(ctx, state, name)
            )
        st.toggle("Drawing", value=True, key="leads drawing")
        leads_panels.progress(ctx)
        leads_panels.second_looks(ctx, lambda look: leads_state.look_again(ctx, state, look))
        leads_panels.search_button(ctx, state.search, lambda: _search(ctx, state))
        thickness_box(ctx, lambda one: leads_state.sight_if_fitted(ctx, one), state.chosen)
        chosen = next((one for one in ctx.job.leads if one.id == state.chosen), None)
        if chosen is not None and chosen.to_lead() is not None:
            leads_panels.rename_box(
                ctx, chosen, lambda new: leads_steps.rename(ctx, state, chosen.id, new)
            )
    fit = ctx.job.fits[state.photo]
    if fit.verdict != "good":
        reason = f" {fit.reasons[0]}" if fit.reasons else ""
        looks.note(f"The fit of this photo is doubtful: leads may land beside.{reason}")


def _search(ctx: Context, state: PageState) -> None:
    """Begin to look for leads on the photo that is shown."""
    sight = leads_state.sight_of(ctx, state.photo)
    token = ctx.opened(state.photo).token
    state.search = Search(ctx.job, sight, lambda: SHELF.ground(token))
    state.hush()


def _found(ctx: Context, state: PageState) -> None:
    """The search is over: show the first offer, or say that there is none."""
    if state.search is None or state.search.told or state.search.offers is None:
        return
    state.search.told = True
    if open_offers(state.search, ctx.job):
        state.hush()
        leads_state.show_offer(ctx, state)
    else:
        state.message, state.told = state.search.error or "", NOTHING


def _list(ctx: Context, state: PageState) -> None:
    rows = leads_view.lead_rows(ctx.job)
    count = leads_view.counts(rows)
    on = ("next", "Next untraced", False)
    if count["traced"] == len(rows):
        on = ("crossing", "Next open crossing", False)
    summary = f"{count['traced']} of {len(rows)} traced"
    if count["unfinished"]:
        summary += f", {count['unfinished']} not finished"
    lead_list(
        LIST,
        leads_view.listed_drops(
            ctx.job,
            rows,
            state.chosen,
            state.hidden,
            leads_channels.hidden_outside(ctx.job, state.channel),
        ),
        summary,
        [
            on,
            ("all", "Show all", not (state.only or state.hidden or state.channel)),
            ("only", "Only this", state.only),
        ],
    )


def _canvas(ctx: Context, state: PageState) -> None:
    opened = ctx.opened(state.photo)
    state.tokens[opened.token] = state.photo
    sight = leads_state.sight_of(ctx, state.photo)
    SHELF.warm(opened.token, sight.rehearsal())
    rows = leads_view.lead_rows(ctx.job)
    chosen = next((row for row in rows if row.id == state.chosen), None)
    tracing = chosen is not None and chosen.state != "traced" and not state.picking
    by_hand = chosen is not None and state.by_hand == chosen.id and not state.picking
    lines, markers = [], []
    if st.session_state.get("leads drawing", True):
        drawing, markers = leads_view.plate_layer(ctx.job, sight)
        lines += drawing
    if not (state.only and chosen is not None):
        left_out = leads_channels.hidden_outside(ctx.job, state.channel)
        lines += leads_view.other_lines(
            ctx.job, sight, state.chosen, state.hidden, pick=not tracing, left_out=left_out
        )
    if state.channel is not None:
        lines.append(leads_view.channel_line(sight, state.channel))
    depths_mm, where = leads_beside.depths_of(ctx.job.plate)
    handles = []
    tail = None
    waiting = [one for one in open_offers(state.search, ctx.job) if one[1].photo == state.photo]
    offered = waiting[0] if waiting and chosen is None else None
    if offered is not None:
        lines.append(leads_view.offered_line(offered[1].trace.points))
    if chosen is not None:
        lines += leads_view.chosen_lines(sight, chosen)
        handles = leads_view.chosen_handles(sight, chosen)
        if tracing and chosen.lead is not None:
            tail = _tail(sight, chosen.lead)
    meeting = leads_state.open_crossing(ctx, state)
    if meeting is not None:
        markers = [*markers, leads_view.meeting_marker(sight, meeting)]
    photo_canvas(
        CANVAS,
        opened,
        lines=lines,
        markers=markers,
        handles=handles,
        tool="draw" if by_hand else "trace" if tracing else "look",
        draws=chosen is not None,
        height="window",
        hint=state.message
        or state.told
        or (
            leads_words.offer_hint(waiting)
            if offered
            else leads_words.hint(ctx, state, chosen, meeting)
        ),
        alert=bool(state.message),
        keys=(leads_words.offer_keys(offered[2]) if offered else {})
        | leads_words.keys(ctx, chosen, state),
        key_list=leads_words.KEY_LIST,
        undo=True,
        snap_reach_px=sight.reach_px if tracing and not by_hand else 0.0,
        tail=tail,
        stroke=None if chosen is None else leads_view.stroke(chosen),
        place=f"{ctx.job_id} {state.photo}",
        home_px=sight.fit.photo_from_plate(sight.plate.outline_array),
        frames=frames_of(sight.fit, depths_mm),
        depths=where,
        panes=_panes(ctx, state, chosen, depths_mm) if state.beside else (),
        look_at=state.jump,
    )


def _panes(
    ctx: Context, state: PageState, chosen: LeadRow | None, depths_mm: tuple[float, ...]
) -> list[Pane]:
    """The other fitted photos, the latest first, with the leads on them."""
    left_out = leads_channels.hidden_outside(ctx.job, state.channel)
    meeting = leads_state.open_crossing(ctx, state)

    def lines(sight: Sight) -> list[Line]:
        own = [] if chosen is None else leads_view.chosen_lines(sight, chosen)
        if meeting is not None:
            own = [leads_view.meeting_ring(sight, meeting)]
        if state.only and chosen is not None:
            return own
        return own + leads_view.other_lines(
            ctx.job, sight, state.chosen, state.hidden, pick=False, left_out=left_out
        )

    others = [one for one in leads_state.fitted(ctx) if one.sha256 != state.photo]
    return [
        leads_beside.pane(
            f"{one.stage} · {one.name}",
            ctx.opened(one.sha256),
            leads_state.sight_of(ctx, one.sha256),
            depths_mm,
            lines,
        )
        for one in others[: leads_beside.PANES]
    ]


def _tail(sight: Sight, lead: TracedLead) -> tuple[float, float] | None:
    ends = leads_tracing.joints(lead)
    if not ends:
        return None
    end = ends[-1]
    if end.photo == sight.sha256 and end.px is not None:
        return end.px
    x, y = sight.photo_from_mm(np.array([end.mm]), end.depth_mm)[0]
    return (float(x), float(y)) if sight.shows((x, y)) else None
