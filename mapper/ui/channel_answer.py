"""Side by side in one channel: many touching places and shared runs, looked at and answered.

Leads that lie along each other in a channel make a question each; most have the same answer.
The places are shown a few at a time, a person ticks those that lie side by side there, and one
edit keeps the answer for all that were ticked. Nothing is ticked beforehand, true crossings and
places that nobody saw are never among them.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.plate import Channel
from mapper.records import judgements_changes
from mapper.routes import Crossing, Lead
from mapper.ui import looks
from mapper.ui.findings import Findings, meeting_key
from mapper.ui.session import Context

__all__ = ["channel_answer", "in_channel"]

AT_ONCE = 6
BESIDE_MM = 2.0  # traced routes may lie this far outside their channel
FEWEST = 2  # for a single place there are the buttons of the page
_PAGE = "channel answer page"

Draw = Callable[[Crossing], tuple[str, bytes] | None]


def in_channel(findings: Findings, channel: Channel) -> list[Crossing]:
    """Open touching places and shared runs of two leads that lie in a channel and were seen."""
    line = shapely.LineString(channel.points_mm)
    area = line.buffer(channel.width_mm / 2 + BESIDE_MM)
    leads = findings.traced.leads_by_id
    return [
        one
        for one in findings.open_meetings
        if one.kind != "crossing"
        and one.a != one.b
        and all(
            _inside(leads[name], span, area)
            for name, span in ((one.a, one.a_span_mm), (one.b, one.b_span_mm))
        )
    ]


def _inside(lead: Lead, span_mm: tuple[float, float], area: shapely.Geometry) -> bool:
    """Whether a stretch of a lead lies in an area, and all of it was seen."""
    low, high = span_mm
    inner = lead.arc_mm[(lead.arc_mm > low) & (lead.arc_mm < high)]
    places = lead.point_at_mm(np.concatenate([[low], inner, [high]]))
    if not shapely.contains_xy(area, places[:, 0], places[:, 1]).all():
        return False
    if lead.seen is None:
        return True
    first, last = np.clip(np.searchsorted(lead.arc_mm, [low, high]) - 1, 0, len(lead.seen) - 1)
    return all(lead.seen[first : last + 1])


def channel_answer(ctx: Context, findings: Findings, draw: Draw) -> None:
    """The panel. `draw` gives the photo and picture that show a meeting best."""
    by_channel = {one.id: in_channel(findings, one) for one in findings.traced.plate.channels}
    by_channel = {name: found for name, found in by_channel.items() if len(found) >= FEWEST}
    if not by_channel:
        return
    count = len({meeting_key(one) for found in by_channel.values() for one in found})
    with st.expander(f"Leads side by side in a channel ({count} open places)"):
        name = st.selectbox(
            "Channel",
            list(by_channel),
            key="answered channel",
            format_func=lambda one: f"{one}: {looks.counted(len(by_channel[one]), 'place')}",
        )
        _places(ctx, name, by_channel[name], draw)


def _ticked(meeting: Crossing) -> str:
    return f"beside {meeting_key(meeting)}"


def _places(ctx: Context, name: str, found: list[Crossing], draw: Draw) -> None:
    st.caption(
        "Look at every place. Tick those where the two leads lie side by side; leave out those "
        "where one lies on the other, and those where you can't tell."
    )
    pages = -(-len(found) // AT_ONCE)
    key = f"{_PAGE} {name}"
    page = min(int(st.session_state.get(key, 0)), pages - 1)
    shown_now = found[page * AT_ONCE : (page + 1) * AT_ONCE]
    columns = st.columns(AT_ONCE // 2, gap="small")
    for number, meeting in enumerate(shown_now):
        with columns[number % len(columns)]:
            picture = draw(meeting)
            words = f"{meeting.a} / {meeting.b} at ({meeting.x_mm:.0f}, {meeting.y_mm:.0f})"
            if picture is None:
                looks.note("No fitted photo shows this place: look at the plate itself.")
            else:
                st.image(picture[1], width="stretch", alt=words)
            st.checkbox(
                looks.plain_markdown(words),
                value=bool(st.session_state.get(f"kept {_ticked(meeting)}")),
                key=f"{_ticked(meeting)} {page}",
                on_change=_keep,
                args=(meeting, page),
            )
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        if st.button("Earlier places", disabled=page == 0):
            st.session_state[key] = page - 1
            st.rerun()
        st.button(
            f"These {len(shown_now)} all lie side by side",
            on_click=_keep_all,
            args=(shown_now, page),
        )
        if st.button("Later places", disabled=page + 1 >= pages):
            st.session_state[key] = page + 1
            st.rerun()
        st.html(f"{page + 1} of {pages}")
    _answer(ctx, name, found, draw)


def _keep(meeting: Crossing, page: int) -> None:
    ticked = st.session_state[f"{_ticked(meeting)} {page}"]
    st.session_state[f"kept {_ticked(meeting)}"] = ticked


def _keep_all(meetings: list[Crossing], page: int) -> None:
    for meeting in meetings:
        st.session_state[f"{_ticked(meeting)} {page}"] = True
        st.session_state[f"kept {_ticked(meeting)}"] = True


def _answer(ctx: Context, name: str, found: list[Crossing], draw: Draw) -> None:
    ticked = [one for one in found if st.session_state.get(f"kept {_ticked(one)}")]
    if not ticked:
        st.caption("Nothing is ticked yet, so nothing is answered.")
        return
    st.markdown(
        looks.plain_markdown("Ticked: " + ", ".join(f"{one.a} / {one.b}" for one in ticked))
    )
    places = looks.counted(len(ticked), "place")
    if not st.button(
        f"Answer {places} of channel {looks.plain_markdown(name)}: apart, side by side",
        type="primary",
        key="answer the channel",
    ):
        return
    pictures = [(one, draw(one)) for one in ticked]
    looked_at = [(one, None if picture is None else picture[0]) for one, picture in pictures]
    try:
        changes = judgements_changes(ctx.job, looked_at, "apart", by=ctx.person)
    except MapperError as error:
        looks.say(shown(error, 300), "stop")
    else:
        if ctx.edit(f"{places} in channel {name}: apart", changes, depends_on=("lead", "plate")):
            for one in ticked:
                st.session_state.pop(f"kept {_ticked(one)}", None)
    st.rerun()
