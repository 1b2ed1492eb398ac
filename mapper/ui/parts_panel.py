"""Covers, clips, nozzles and heaters on the page "Pull plan": what there is to take off.

A cover is set in two clicks on the picture, or over a whole channel; nozzles and heaters stand
at the drops. That a lead waits for the cover over it is common practice, no source.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.plate import Plate
from mapper.pulling import Cover, Heater, Nozzle, thermocouples_with
from mapper.records import TakeoutEntry, cover_changes, takeout_changes
from mapper.ui import looks
from mapper.ui.canvas import Marker, take_operations
from mapper.ui.findings import Findings
from mapper.ui.session import Context

__all__ = [
    "channel_at",
    "click_hint",
    "first_click",
    "part_how",
    "parts_panel",
    "setting",
    "take_clicks",
]

REACH_MM = 8.0  # a click this far outside a channel still means it
_SETTING = "cover being set"  # session state: (job id, kind, None or (channel, mm, x, y))
WAYS = ("with the nozzle", "at the front")


def part_how(findings: Findings, name: str) -> str:
    """How a part comes off, or a lead that then hangs on its nozzle, in a few words."""
    if name in findings.hanging:
        return f"let it hang, it leaves with {findings.hanging[name]}"
    part = findings.parts[name]
    if isinstance(part, Cover):
        return "before the leads under it; when it holds, never lever against a lead"
    if isinstance(part, Heater):
        return f"heater of {part.drop}; cold, and only once its lead is free"
    brings = [
        wire
        for wire in thermocouples_with(findings.planned_on, part)
        if findings.planned_on.leads_by_id[wire].drop == part.drop
    ]
    with_it = f", together with {', '.join(brings)}" if brings else ""
    return f"nozzle of {part.drop}{with_it}; cold, and only once no lead lies over it"


# --- setting a cover by two clicks ----------------------------------------------------


def setting(ctx: Context) -> str | None:
    """The kind of cover that is being set on the picture in this browser tab, if any."""
    job_id, kind, _ = st.session_state.get(_SETTING, ("", None, None))
    return kind if job_id == ctx.job_id else None


def click_hint(ctx: Context) -> str:
    """What the canvas says while a cover is being set."""
    kind = setting(ctx)
    if kind is None:
        return ""
    first = st.session_state[_SETTING][2]
    if first is None:
        return f"Click where the {kind} begins, on its channel."
    return f"Click where the {kind} ends, on channel {first[0]}."


def first_click(ctx: Context, fit: Any) -> list[Marker]:
    """The first of the two clicks, as a marker; `fit` brings plate mm onto the picture."""
    first = st.session_state[_SETTING][2] if setting(ctx) else None
    if first is None:
        return []
    x_px, y_px = np.asarray(fit.photo_from_plate([[first[2], first[3]]]))[0]
    return [Marker("cover begins", x_px, y_px, color="#D55E00", tag="begins here", strong=True)]


def channel_at(plate: Plate, x_mm: float, y_mm: float) -> tuple[str, float] | None:
    """The channel nearest to a place, and how many mm along it; None when none is near."""
    point = shapely.Point(x_mm, y_mm)
    near = []
    for channel in plate.channels:
        line = shapely.LineString(channel.points_mm)
        away_mm = line.distance(point)
        if away_mm <= channel.width_mm / 2 + REACH_MM:
            near.append((away_mm, channel.id, line.project(point)))
    return min(near)[1:] if near else None


def take_clicks(ctx: Context, key: str, fit: Any) -> None:
    """Take what was clicked on the canvas: two clicks on one channel make a cover there."""
    clicked = False
    for operation in take_operations(key):
        if operation.type != "point" or operation.x_px is None or not setting(ctx):
            continue
        place = np.asarray(fit.plate_from_photo([[operation.x_px, operation.y_px]], 0.0), float)[0]
        if np.isfinite(place).all():
            _clicked(ctx, float(place[0]), float(place[1]), operation.uid)
            clicked = True
    if clicked:  # only now: a run that is broken off acknowledges no click
        st.rerun()


def _clicked(ctx: Context, x_mm: float, y_mm: float, uid: str) -> None:
    _, kind, first = st.session_state[_SETTING]
    found = channel_at(ctx.job.plate, x_mm, y_mm)
    if found is None:
        looks.say(f"There is no channel of the plate there: click on one, for the {kind}.", "stop")
    elif first is None:
        st.session_state[_SETTING] = (ctx.job_id, kind, (*found, x_mm, y_mm))
    elif found[0] != first[0]:
        looks.say(
            f"The {kind} begins on channel {first[0]}: click its end on that channel. One that "
            "goes over two channels is set as two.",
            "stop",
        )
    else:
        low_mm, high_mm = sorted((first[1], found[1]))
        st.session_state.pop(_SETTING)
        _add(ctx, kind, uid, stretch_mm=(found[0], low_mm, high_mm))


def _add(ctx: Context, kind: str, uid: str | None = None, **lies: Any) -> None:
    try:
        changes = cover_changes(ctx.job, kind, **lies)
    except MapperError as error:
        looks.say(shown(error, 300), "stop")
        return
    name = next(iter(changes)).partition("/")[2]
    ctx.edit(f"Add {name}", changes, uid, depends_on=("plate",))


# --- the panel ------------------------------------------------------------------------


def parts_panel(ctx: Context, findings: Findings) -> None:
    """Covers and clips, nozzles and heaters: add, remove, and which way a thermocouple leaves."""
    count = len(findings.parts)
    with st.expander(f"Covers, nozzles and heaters ({count})", expanded=setting(ctx) is not None):
        st.caption(
            "What lies over the leads comes off first; a nozzle and a heater wait for their leads. "
            "A cover or clip is set with two clicks on the picture above."
        )
        _covers(ctx, findings)
        _takeouts(ctx, findings)


def _covers(ctx: Context, findings: Findings) -> None:
    plate = ctx.job.plate
    if not plate.channels:
        looks.note("The plate has no channel drawn, so no cover can be set over one.")
        return
    kind = setting(ctx)
    if kind is not None:
        looks.note(click_hint(ctx), "calm")
        if st.button("No cover after all", width="stretch"):
            st.session_state.pop(_SETTING)
            st.rerun()
    else:
        for column, kind in zip(st.columns(2, gap="small"), ("cover", "clip"), strict=True):
            if column.button(f"Add a {kind}", help="Two clicks on the picture", width="stretch"):
                st.session_state[_SETTING] = (ctx.job_id, kind, None)
                st.rerun()
        channel, whole = st.columns([1, 1], gap="small", vertical_alignment="bottom")
        chosen = channel.selectbox("Channel", [one.id for one in plate.channels], key="covered")
        if whole.button("Cover over all of it", width="stretch"):
            _add(ctx, "cover", channels=[chosen])
            st.rerun()
    logged = {step.wire for step in ctx.job.done}
    for entry in ctx.job.covers:
        text, button = st.columns([3, 1], gap="small", vertical_alignment="center")
        where = ", ".join(
            f"channel {one.channel}"
            + ("" if one.from_mm is None else f", {one.from_mm:.0f} to {one.to_mm:.0f} mm")
            for one in entry.over
        )
        off = " · off" if entry.id in findings.out else ""
        text.markdown(looks.plain_markdown(f"{entry.id}: {where or 'an outline'}{off}"))
        if entry.id in logged:
            continue  # what stands in the log is put back there, or taken back with Undo
        if button.button("Not there", key=f"no {entry.id}", width="stretch"):
            ctx.edit(f"Remove {entry.id}", {f"cover/{entry.id}": None})
            st.rerun()


def _takeouts(ctx: Context, findings: Findings) -> None:
    drops = [drop.id for drop in ctx.job.plate.drops]
    if not drops:
        return
    way = st.segmented_control(
        "Thermocouples leave",
        WAYS,
        default="with the nozzle",
        required=True,
        key="all thermocouples",
        help="In doubt: with the nozzle. Its lead then hangs until the nozzle is out.",
    )
    if st.button("All drops have a nozzle and a heater to take out", width="stretch"):
        changes = {}
        for drop in drops:
            changes |= takeout_changes(ctx.job, drop, nozzle=True, heater=True, thermocouple=way)
        ctx.edit(f"Nozzles and heaters of {len(drops)} drops", changes, depends_on=("plate",))
        st.rerun()
    with st.popover("One drop", width="stretch"):
        drop = st.selectbox("Drop", drops, key="takeout drop")
        old = ctx.job.takeouts.get(drop, TakeoutEntry(drop))
        named = f"{drop} {ctx.job.revision}"  # what undo brought back shows at once
        nozzle = st.checkbox("its nozzle comes out", old.nozzle, key=f"nozzle of {named}")
        heater = st.checkbox("its heater comes off", old.heater, key=f"heater of {named}")
        one_way = st.radio(
            "Its thermocouple leaves",
            WAYS,
            WAYS.index(old.thermocouple),
            key=f"thermocouple of {named}",
        )
        if st.button("Keep for this drop", type="primary", width="stretch"):
            changes = takeout_changes(
                ctx.job, drop, nozzle=nozzle, heater=heater, thermocouple=one_way
            )
            ctx.edit(f"What comes out of {drop}", changes, depends_on=("plate",))
            st.rerun()
    logged = {step.wire for step in ctx.job.done}
    given = [drop for drop in ctx.job.takeouts if not logged & {Nozzle(drop).id, Heater(drop).id}]
    if given and st.button("No nozzle or heater comes out", width="stretch"):
        ctx.edit("No nozzles and heaters", {f"takeout/{drop}": None for drop in given})
        st.rerun()
