"""Correcting the as-built route of one lead where it stands: another way through the channels,
or the route that was traced of it in another job."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.plate import Plate
from mapper.rebuild import LeadWay, lead_ways
from mapper.records import AsBuilt, Correction, corrected_by_way, corrected_from_job
from mapper.routes import Lead
from mapper.ui import looks
from mapper.ui.drawing import plate_svg
from mapper.ui.session import Context

__all__ = ["correct_panel"]

SHOWN = 12  # corrections that are listed


def correct_panel(ctx: Context, built: AsBuilt) -> None:
    """Let a person give one lead of the as-built map another route; undo takes it back."""
    leads = [lead.id for lead in built.laid_map.leads]
    if not leads:
        return
    done = f" ({len(built.corrections)} corrected)" if built.corrections else ""
    with st.expander(f"Correct one lead as built{done}"):
        st.caption(
            "The other leads stay as they are. Where the corrected lead meets others, nobody has "
            "seen yet which lies on top, so those crossings are open again."
        )
        lead_id = st.selectbox("Lead", leads, key="correct lead")
        if lead_id is None:
            return
        left, right = st.columns([2, 3], gap="medium")
        with left:
            way = _way(ctx, built, lead_id)
            _traced(ctx, built, lead_id)
            _corrections(built.corrections)
        with right:
            st.image(
                _picture(built, lead_id, way), width="stretch", alt="The lead before and after"
            )
            st.caption("Dashed grey: as it is kept. Bold: as it would be.")


def _way(ctx: Context, built: AsBuilt, lead_id: str) -> LeadWay | None:
    """The way that is chosen; a button keeps it."""
    plate, lead = built.laid_map.plate, built.laid_map.leads_by_id[lead_id]
    ways = _ways(repr(plate), lead.drop, plate)
    if not ways:
        looks.note(
            f"No channel leads from {shown(lead.drop)} to an exit on the plate of that map: draw "
            "the channels on the page Plate, or trace the lead in a job of its own.",
            "calm",
        )
        return None
    number = st.selectbox(
        "It runs through",
        range(len(ways)),
        format_func=lambda k: _words(ways[k]),
        index=_nearest(ways, lead),
        key=f"correct way {lead_id}",
    )
    way = ways[0 if number is None else number]
    st.caption(
        "The way is drawn along the middle of the channels and counts as unseen: the lead may lie "
        "anywhere across them."
    )
    if st.button("Keep this way", type="primary", width="stretch", key="keep way"):
        _keep(ctx, lead_id, corrected_by_way(built, lead_id, way, ctx.person, _now()))
    return way


@st.cache_resource(show_spinner="Looking for ways", max_entries=64)
def _ways(plate_key: str, drop: str, _plate: Plate) -> tuple[LeadWay, ...]:
    return lead_ways(_plate, drop)


def _words(way: LeadWay) -> str:
    through = " › ".join(shown(name, 16) for name in way.channels) or "its bore"
    return f"{through} › exit {shown(way.exit, 16)} ({way.length_mm:.0f} mm)"


def _nearest(ways: tuple[LeadWay, ...], lead: Lead) -> int:
    """The way that the kept route follows best, so that the choice begins where it is."""
    import shapely

    kept = shapely.LineString(lead.points_mm)
    far = [shapely.LineString(way.points_mm).hausdorff_distance(kept) for way in ways]
    return int(np.argmin(far))


def _traced(ctx: Context, built: AsBuilt, lead_id: str) -> None:
    """Take the lead as another job traced it, on photos of the rebuilt plate."""
    others = {
        f"{one.name or 'Job without a name'} ({one.id[:6]})": one.id
        for one in ctx.store.jobs()
        if one.id != ctx.job_id and one.leads
    }
    if not others:
        return
    with st.popover("As traced in another job", width="stretch"):
        name = st.selectbox("Job", list(others), key="correct job")
        if name is not None and st.button(f"Take {shown(lead_id, 20)} from it", key="correct take"):
            try:
                other = ctx.store.job(others[name])
                made = corrected_from_job(built, lead_id, other, ctx.person, _now())
            except MapperError as error:
                looks.note(str(error), "stop")
            else:
                _keep(ctx, lead_id, made)


def _keep(ctx: Context, lead_id: str, made: AsBuilt) -> None:
    if ctx.edit(f"Correct {lead_id} as built", {"as-built": made.to_mapping()}):
        looks.say(f"{shown(lead_id)} is corrected. Undo takes it back.", "calm")
    st.rerun()


def _corrections(made: tuple[Correction, ...]) -> None:
    for one in reversed(made[-SHOWN:]):
        when = "" if one.at is None else f", {one.at.astimezone():%Y-%m-%d %H:%M}"
        by = shown(one.by or "nobody named", 40)
        words = f"{shown(one.wire)}: {shown(one.how, 120)} ({by}{when})"
        st.caption(looks.plain_markdown(words))


def _picture(built: AsBuilt, lead_id: str, way: LeadWay | None) -> str:
    plate, leads = built.laid_map.plate, built.laid_map.leads
    old = built.laid_map.leads_by_id[lead_id]
    if way is None:
        return plate_svg(plate, leads, faint=[one.id for one in leads if one.id != lead_id])
    new = Lead(lead_id, old.kind, old.drop, way.exit, way.points_mm, old.diameter_mm)
    top = max(y for _, y in plate.outline_mm)
    wide = max(plate.width_mm, plate.height_mm) / 260
    line = " ".join(f"{x:.2f},{top - y:.2f}" for x, y in old.points_mm)
    before = (
        f'<polyline points="{line}" fill="none" stroke="#4a5661" stroke-width="{wide:.2f}" '
        f'stroke-dasharray="{4 * wide:.2f} {3 * wide:.2f}"/>'
    )
    rest = [one for one in leads if one.id != lead_id]
    return plate_svg(plate, [*rest, new], faint=[one.id for one in rest], over=before)


def _now() -> datetime:
    return datetime.now().astimezone()
