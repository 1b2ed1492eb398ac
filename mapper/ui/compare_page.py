"""Page "As found, as built": what differs between two route maps, as a list and a picture."""

from __future__ import annotations

import json
from html import escape
from math import hypot
from typing import Any

import streamlit as st

from mapper.bench.parts import PART_KEYS
from mapper.bench.pins import PIN_KEYS
from mapper.errors import shown
from mapper.plate import Plate
from mapper.rebuild import CrossingChange, RouteDifference, changed_tables, route_difference
from mapper.records import Job
from mapper.routes import RouteMap
from mapper.ui import jobbar, looks
from mapper.ui.drawing import Mark, plate_svg
from mapper.ui.session import Context, go
from mapper.ui.sheet_page import file_stem

__all__ = ["difference_svg", "show"]

FOUND, BUILT = "this job, as found (traced)", "this job, as built"
FEW = 12  # changed crossings that are named in the picture
SIGNS = {"new": "+", "vanished": "–", "other on top": "⇅"}


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("compare")
    if ctx is None:
        return
    st.subheader("As found against as built")
    if ctx.job.plate is None:
        looks.note("There is no plate yet, so there is nothing to compare.", "calm")
        if st.button("Go to Plate", type="primary"):
            go("plate")
        return
    choices = _choices(ctx)
    if len(choices) < 2:
        looks.note(
            "There is only one map so far. Keep an as-built map on the page Rebuild, or map the "
            "plate in another job.",
            "calm",
        )
        if st.button("Go to Rebuild", type="primary"):
            go("rebuild")
        return
    first_column, second_column, third_column = st.columns([2, 2, 1], vertical_alignment="bottom")
    names = list(choices)
    second_at = names.index(BUILT) if BUILT in names else 1
    first = first_column.selectbox("From", names, 0, key="compare first")
    second = second_column.selectbox("To", names, second_at, key="compare second")
    moved_mm = third_column.number_input(
        "Moved counts from mm", 1.0, 200.0, 10.0, 1.0, format="%g", key="compare moved"
    )
    jobs = [_job(ctx, choices[name]) for name in (first, second)]
    maps = [_map(job, name) for job, name in zip(jobs, (first, second), strict=True)]
    found = route_difference(maps[0], maps[1], moved_mm)
    other = _tables(*jobs) if jobs[0].id != jobs[1].id else []
    _summary(found, other)
    left, right = st.columns([2, 3], gap="medium")
    with left:
        _list(found, other)
        st.download_button(
            "Differences (JSON)",
            json.dumps({**found.to_dict(), "pins_and_parts": other}, ensure_ascii=False, indent=1),
            f"{file_stem(ctx.job.name)} differences.json",
            "application/json",
            on_click="ignore",
            width="stretch",
        )
    with right:
        st.image(
            difference_svg(maps[1].plate, maps, found),
            width="stretch",
            alt="Leads that moved and crossings that changed",
        )
        st.caption(
            "Dashed grey: where a moved lead lay before. Bold: where it lies now. "
            "+ new crossing, – crossing that is gone, ⇅ the other lead on top (told only where "
            "somebody saw it in both); a number counts those that lie close together."
        )


def _choices(ctx: Context) -> dict[str, str]:
    """What can be compared: words -> job id."""
    found = {FOUND: ctx.job_id} if ctx.job.leads else {}
    if ctx.job.as_built is not None:
        found[BUILT] = ctx.job_id
    for one in ctx.store.jobs():
        if one.id != ctx.job_id and one.leads:
            found[f"job {one.name or 'without a name'} ({one.id[:6]})"] = one.id
    return found


def _job(ctx: Context, job_id: str) -> Job:
    return ctx.job if job_id == ctx.job_id else ctx.store.job(job_id)


def _map(job: Job, name: str) -> RouteMap:
    return job.as_built.route_map if name == BUILT else job.route_map(provisional=False)


def _tables(first: Job, second: Job) -> list[str]:
    """What differs in pins and parts of two jobs, in sentences."""
    kept = {*PART_KEYS, *PIN_KEYS}
    zones = [
        {zone.id: {key: value for key, value in zone.data.items() if key in kept} for zone in own}
        for own in (first.zones, second.zones)
    ]
    covers = [
        {one.id: _plain(job.value(f"cover/{one.id}", {})) for one in job.covers}
        for job in (first, second)
    ]
    return [*changed_tables(*zones, "zone"), *changed_tables(*covers, "cover")]


def _plain(value: dict[str, Any]) -> dict[str, Any]:
    return {key: json.dumps(one) if isinstance(one, list) else one for key, one in value.items()}


def _summary(found: RouteDifference, other: list[str]) -> None:
    if found.same and not other:
        looks.note("Nothing differs.", "calm")
        return
    count = {
        "moved": len(found.moved),
        "changed in kind, thickness, drop or exit": len({one.id for one in found.changed}),
        "gone": len(found.gone),
        "new": len(found.new),
    }
    leads = ", ".join(f"{number} {word}" for word, number in count.items() if number) or "as before"
    changes = [one.change for one in found.crossings]
    crossings = (
        ", ".join(f"{changes.count(word)} {word}" for word in SIGNS if word in changes)
        or "as before"
    )
    looks.note(f"Leads: {leads}. Crossings: {crossings}. Pins and parts: {len(other)} changes.")


def _list(found: RouteDifference, other: list[str]) -> None:
    rows = [escape(sentence) for sentence in [*found.sentences(), *other]]
    if rows:
        with st.container(height=430):
            st.html("<ul>" + "".join(f"<li>{row}</li>" for row in rows) + "</ul>")


def _marks(changes: tuple[CrossingChange, ...], apart_mm: float) -> list[Mark]:
    """A sign for each change; changes of one sort that lie close together share one, counted."""
    groups: list[list[CrossingChange]] = []
    for one in changes:
        near = (
            own
            for own in groups
            if own[0].change == one.change
            and hypot(own[0].x_mm - one.x_mm, own[0].y_mm - one.y_mm) < apart_mm
        )
        group = next(near, None)
        if group is None:
            groups.append([one])
        else:
            group.append(one)
    few = len(changes) <= FEW
    marks = []
    for own in groups:
        first = own[0]
        words = SIGNS[first.change]
        if few and len(own) == 1:
            words += f" {shown(first.a, 12)} / {shown(first.b, 12)}"
        elif len(own) > 1:
            words += f" {len(own)}"
        ink = "#0b4f5c" if first.change == "vanished" else "#a32200"
        marks.append(Mark(first.x_mm, first.y_mm, words, ink))
    return marks


def difference_svg(
    plate: Plate, maps: list[RouteMap] | tuple[RouteMap, RouteMap], found: RouteDifference
) -> str:
    """Draw the second map, the moved leads bold over their old routes, and changed crossings."""
    top = max(y for _, y in plate.outline_mm)
    wide = max(plate.width_mm, plate.height_mm) / 260
    under = []
    lost = [maps[0].leads_by_id[name].points_mm for name in found.gone]
    for route in [maps[0].leads_by_id[one.id].points_mm for one in found.moved] + lost:
        line = " ".join(f"{x:.2f},{top - y:.2f}" for x, y in route)
        under.append(
            f'<polyline points="{line}" fill="none" stroke="#4a5661" stroke-width="{wide:.2f}" '
            f'stroke-dasharray="{4 * wide:.2f} {3 * wide:.2f}"/>'
        )
    bold = {one.id for one in found.moved} | set(found.new)
    leads = maps[1].leads
    marks = _marks(found.crossings, max(plate.width_mm, plate.height_mm) / 30)
    faint = [lead.id for lead in leads if lead.id not in bold]
    ordered = sorted(leads, key=lambda lead: lead.id in bold)
    return plate_svg(plate, ordered, marks=marks, faint=faint, under="".join(under))
