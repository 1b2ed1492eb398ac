"""The slim bar on top of every page: job, saved state, undo and redo, progress, next thing."""

from __future__ import annotations

from html import escape

import streamlit as st

from mapper.errors import MapperError, shown
from mapper.ui import looks
from mapper.ui.findings import findings_of
from mapper.ui.server import settings
from mapper.ui.session import Context, context, go, open_job

__all__ = ["PAGE_WORDS", "begin", "show_saved"]

DEMO_TEXT = (
    "This job is an invented scenario with computer-rendered photos. "
    "What you do here is kept apart from your own jobs."
)
DEMO_CHIP = "invented scenario, computer-rendered photos"
_SAVED = "jobbar saved line"  # session state: the place of that line in the bar
PAGE_WORDS = {
    "jobs": "Jobs",
    "plate": "Plate",
    "photos": "Photos",
    "fit": "Fit",
    "leads": "Leads",
    "crossings": "Crossings",
    "plan": "Pull plan",
    "bench": "At the plate",
    "warmup": "Warm-up",
    "sheet": "Sheet",
    "parts": "Parts",
    "readings": "Readings",
    "response": "Response test",
    "salvage": "Salvage",
    "rebuild": "Rebuild",
    "compare": "As found, as built",
    "handover": "Hand-over",
}


def begin(page: str) -> Context | None:
    """Draw the bar of a page and return the open job; None (with a way on) when none is open."""
    ctx = context()
    if ctx is None:
        if settings().demo:
            st.html(f'<div class="demo" role="note">{escape(DEMO_TEXT)}</div>')
        looks.show_said()
        if page != "jobs":
            looks.note("No job is open. Open one, or start a new one, on the page Jobs.", "calm")
            if st.button("Go to Jobs", type="primary"):
                go("jobs")
        return None
    _bar(ctx, page)
    if ctx.look_only:
        with st.container(horizontal=True, vertical_alignment="center"):
            looks.note("Open to look at only: nothing is changed in this tab.", "calm")
            if st.button("Work on it"):
                open_job(ctx.job_id)
                st.rerun()
    looks.show_said()
    return ctx


def _bar(ctx: Context, page: str) -> None:
    job = ctx.job
    with st.container(
        key="jobbar", horizontal=True, vertical_alignment="center", gap="small", wrap=True
    ):
        name = escape(shown(job.name or "Job without a name", 60))
        next_thing = _next(ctx)
        here = ""
        if next_thing is not None and next_thing.page == page:
            here = f'<span class="jb-next">Next: <b>{escape(next_thing.text)}</b></span>'
        demo = ""
        if settings().demo:
            demo = f'<span class="demo" role="note" title="{escape(DEMO_TEXT)}">{DEMO_CHIP}</span>'
        with st.container(width="stretch", gap=None):
            st.html(f'<div class="jb-top"><span class="jb-name">{name}</span>{demo}{here}</div>')
            with st.container(key="jobbar line", horizontal=True, gap="small", wrap=False):
                st.html(f'<span class="jb-soft">{_progress(ctx)}</span>', width="content")
                st.session_state[_SAVED] = st.empty()
                show_saved(ctx)
        if next_thing is not None and not here:
            text = f"Next: {next_thing.text}"
            if st.button(text, key="jobbar next", type="primary"):
                go(next_thing.page, next_thing.what)
        for word, label, act, icon in (
            ("Undo", job.undo_label, ctx.undo, ":material/undo:"),
            ("Redo", job.redo_label, ctx.redo, ":material/redo:"),
        ):
            text = word if label is None or word == "Undo" else f"{word}: {shown(label, 34)}"
            if st.button(text, key=f"jobbar {word}", icon=icon, disabled=label is None):
                act()
                st.rerun()


def show_saved(ctx: Context) -> None:
    """Say when the job was last saved and what undo would take back.

    A page that works in a fragment calls it in every run, since the bar is drawn outside.
    """
    slot = st.session_state.get(_SAVED)
    if slot is not None:
        label = ctx.job.undo_label
        last = "" if label is None else f" · last: {escape(shown(label, 48))}"
        slot.html(f'<span class="jb-saved">{_saved(ctx)}</span><span class="jb-soft">{last}</span>')


def _saved(ctx: Context) -> str:
    at = ctx.job.changed_at
    when = f" {at.astimezone():%H:%M:%S}" if at is not None else ""
    return f"✓ saved{when}"


def _progress(ctx: Context) -> str:
    try:
        return escape(findings_of(ctx.job).line)
    except MapperError as error:
        return escape(shown(error, 160))


def _next(ctx: Context):
    try:
        return findings_of(ctx.job).next_thing
    except MapperError:
        return None
