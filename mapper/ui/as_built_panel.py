"""The as-built map of a job: what was laid, and ways to correct it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import streamlit as st

from mapper.errors import shown
from mapper.records import AsBuilt, as_built_of_job, entries_of_map, route_map_bytes
from mapper.routes import read_route_map
from mapper.ui import looks
from mapper.ui.as_built_correct import correct_panel
from mapper.ui.session import Context, go, open_job
from mapper.ui.sheet_page import file_stem

__all__ = ["as_built_panel"]


def as_built_panel(ctx: Context) -> None:
    """Show what is kept as as-built, and let a person correct or replace it."""
    built = ctx.job.as_built
    st.subheader("As built")
    if built is None:
        st.caption(
            "Nothing is kept yet. Accept the plan above, or take the map of the wiring as it was "
            "laid from a file or from another job."
        )
    else:
        when = "" if built.at is None else f" on {built.at.astimezone():%Y-%m-%d %H:%M}"
        by = f" by {built.by}" if built.by else ""
        kept = f"{len(built.laid_map.leads)} leads, from {built.source or 'a map'}, kept{when}{by}."
        if built.confirmed:
            looks.note(kept, "calm")
        else:
            looks.note(
                f"{kept} Nobody has said yet that it was laid like this, so every crossing in it "
                "counts as open: confirm it only when you laid it or saw it."
            )
            if st.button("It was laid exactly like this, I saw it", type="primary"):
                _confirm(ctx, built)
        columns = st.columns(4)
        if columns[0].button("Compare with as found", width="stretch"):
            go("compare")
        if columns[1].button(
            "Correct it in a job of its own",
            width="stretch",
            help="Opens a new job with these routes; trace them on photos of the rebuilt plate, "
            "then take them back here.",
        ):
            _own_job(ctx, built)
        columns[2].download_button(
            "As-built map (JSON)",
            route_map_bytes(built.route_map),
            f"{file_stem(ctx.job.name)} as built.json",
            "application/json",
            on_click="ignore",
            width="stretch",
        )
        if columns[3].button("Take it away", width="stretch") and ctx.edit(
            "Take the as-built map away", {"as-built": None}
        ):
            st.rerun()
        correct_panel(ctx, built)
    with st.expander("Take the as-built map from another job or a file"):
        _from_job(ctx)
        _from_file(ctx)


def _confirm(ctx: Context, built: AsBuilt) -> None:
    sure = replace(built, confirmed=True, by=ctx.person, at=datetime.now().astimezone())
    if ctx.edit("Confirm the as-built map", {"as-built": sure.to_mapping()}):
        st.rerun()


def _own_job(ctx: Context, built: AsBuilt) -> None:
    entries = entries_of_map(built.route_map)
    about = {**ctx.job.about, "name": f"{ctx.job.name or 'Job'}, rebuilt"}
    about.pop("extra", None)
    job_id = ctx.store.import_job({**entries, "about": about})
    open_job(job_id)
    looks.say(
        f"This is a new job, {about['name']}, with the routes as they were kept. Add photos of "
        "the rebuilt plate and correct the leads there.",
        "calm",
    )
    go("leads")


def _from_job(ctx: Context) -> None:
    others = {
        f"{one.name or 'Job without a name'} ({one.id[:6]})": one.id
        for one in ctx.store.jobs()
        if one.id != ctx.job_id
    }
    if not others:
        return
    chosen = st.selectbox("Job", list(others), key="as-built job")
    if chosen is not None and st.button("Take its traced routes as as-built"):
        other = ctx.store.job(others[chosen])
        _keep(ctx, as_built_of_job(other, ctx.person, datetime.now().astimezone()))


def _from_file(ctx: Context) -> None:
    file = st.file_uploader("Route-map file (JSON)", type=["json"], key="as-built file")
    if file is not None and st.button("Take this file as as-built"):
        route_map = read_route_map(file.getvalue())
        source, now = f"the file {shown(file.name)}", datetime.now().astimezone()
        _keep(ctx, AsBuilt(route_map, (), source, ctx.person, now, confirmed=True))


def _keep(ctx: Context, built: AsBuilt) -> None:
    if ctx.edit("Take an as-built map", {"as-built": built.to_mapping()}):
        st.rerun()
