"""What opens above the canvas of the page "Leads": progress, runs to look at again, a new name."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from mapper.errors import shown
from mapper.records import TracedLead
from mapper.ui import leads_again, leads_channels, looks
from mapper.ui.findings import findings_of
from mapper.ui.leads_offers import Search
from mapper.ui.session import Context

__all__ = [
    "channel_box",
    "progress",
    "rename_box",
    "search_button",
    "second_looks",
]

LOOK_AGAIN = "leads look again"
PROGRESS_ROWS, ROW_PX = 9, 35  # rows of the table of progress that are in sight at once
LOOKS = 6  # buried runs to look at again that are listed at once


def channel_box(ctx: Context, channel: str | None, choose: Callable[[str | None], None]) -> None:
    """Which channel's leads are drawn (None: all); it changes only what is looked at."""
    widget = f"leads channel {ctx.job_id}"
    if st.session_state.get(widget) != (channel or ""):
        st.session_state[widget] = channel or ""

    def words(id: str) -> str:
        if id == "":
            return "All channels"
        leads = looks.counted(len(leads_channels.leads_in(ctx.job, id)), "lead")
        return f"Only {shown(id, 30)} · {leads}"

    st.selectbox(
        "Channel",
        ["", *(channel.id for channel in ctx.job.plate.channels)],
        key=widget,
        format_func=words,
        label_visibility="collapsed",
        width=190,
        on_change=lambda: choose(st.session_state[widget] or None),
    )


def progress(ctx: Context) -> None:
    """A table of how far each channel is; made only while it is open, not with every click."""
    panel = st.popover("Progress", key="leads progress", on_change="rerun")
    if not panel.open:
        return
    rows = leads_channels.progress(ctx.job)
    with panel:
        left = findings_of(ctx.job).left
        st.markdown("**What is left**")
        for sentence in left or ("Nothing: all is traced, seen and judged.",):
            st.markdown(looks.plain_markdown(sentence))
        st.dataframe(
            [
                {
                    "Channel": "All" if row.channel is None else shown(row.channel, 40),
                    "Leads traced": f"{row.traced} of {row.leads}",
                    "Seen": "–" if row.seen_share is None else f"{100 * row.seen_share:.0f} %",
                    "Crossings judged": f"{row.judged} of {row.meetings}",
                }
                for row in (rows[-1], *rows[:-1])
            ],
            hide_index=True,
            height=min(PROGRESS_ROWS, len(rows) + 1) * ROW_PX + 3,
        )
        st.caption(
            "A lead that nobody has begun counts in the row All only, and so does a crossing "
            "beside the channels. Seen: the part of what is drawn that somebody saw."
        )


def second_looks(ctx: Context, take: Callable[[leads_again.SecondLook], None]) -> None:
    """Buried runs that a newer photo has in it; a press closes the list and gives one to `take`."""
    looks_found = leads_again.second_looks(ctx.job)
    if not looks_found:
        return

    def go_there(look: leads_again.SecondLook) -> None:
        st.session_state[LOOK_AGAIN] = False  # so that it does not cover the place
        take(look)

    names = {photo.sha256: f"{photo.stage} · {photo.name}" for photo in ctx.job.photos}
    with st.popover(f"Look again ({len(looks_found)})", key=LOOK_AGAIN, on_change="rerun"):
        st.caption("Drawn as buried, and a newer photo shows the place: the lead may lie bare now.")
        for one in looks_found[:LOOKS]:
            name = looks.plain_markdown(shown(one.lead, 30))
            photo = looks.plain_markdown(shown(names[one.photo], 40))
            st.button(
                f"{name}, {one.length_mm:.0f} mm: now in {photo}",
                key=f"leads look again {one.lead} {one.index}",
                width="stretch",
                on_click=go_there,
                args=(one,),
            )
        if len(looks_found) > LOOKS:
            st.caption(f"{len(looks_found) - LOOKS} more come up as these are done.")


def search_button(ctx: Context, search: Search | None, start: Callable[[], None]) -> None:
    """The button that looks for leads without a click; while it looks, how far it is and stop.

    One button in one place: nothing moves under a hand that goes on tracing meanwhile.
    """
    if search is not None and search.offers is None:
        _running(search)
        return
    st.button(
        "Look for leads by itself",
        key="leads search",
        on_click=start,
        disabled=ctx.look_only,
        help="Offers leads of this photo that are certain, one after another.",
    )


@st.fragment(run_every=1.5)
def _running(search: Search) -> None:
    if search.offers is not None:
        st.rerun()
    st.button(
        f"Looking: {100 * search.progress:.0f} %. Stop",
        key="leads search stop",
        on_click=search.stop,
        help="You can go on meanwhile.",
    )


def rename_box(ctx: Context, lead: TracedLead, rename: Callable[[str], None]) -> None:
    """Another name for a lead; what was typed goes to `rename`."""
    widget = f"leads name {ctx.job_id} {lead.id}"
    with st.popover("Rename", key=f"leads rename {lead.id}"):
        st.text_input(
            "New name of this lead",
            lead.id,
            max_chars=64,
            key=widget,
        )
        st.button(
            "Rename this lead",
            type="primary",
            on_click=lambda: rename(st.session_state.get(widget, "")),
        )
        st.caption("Its judgements, the log and the rebuild go along. Undo takes it back.")
