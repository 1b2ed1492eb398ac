"""Page "Plate": described once, by grid, table, drawing or photo; then its channels are drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.plate import (
    Plate,
    PlateError,
)
from mapper.records import PhotoEntry
from mapper.ui import jobbar, looks, plate_new
from mapper.ui.canvas import Handle, Line, Marker, Operation, photo_canvas, take_operations
from mapper.ui.drawing_sheet import SheetFit
from mapper.ui.overlay import drawing_lines, drop_markers, frames_of
from mapper.ui.plate_drawn import channel_added, exit_added, snapped
from mapper.ui.plate_tables import COLUMNS, in_words, plate_with_rows, rows_of
from mapper.ui.session import Context

__all__ = ["show"]

_PENDING = "pending channel"  # session state: points in mm of the channel being drawn
MARKERS_HOW = (
    "Printed markers that lie on the face; the sheet to print is on the page Photos. Measure to "
    "the middle of the marker from the lower left corner; the side is that of the black square. "
    "Angle 0: the number reads upright; turned a quarter counterclockwise it is 90."
)


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("plate")
    if ctx is None:
        return
    if ctx.job.plate is None or st.session_state.get(plate_new.ANEW):
        plate_new.describe(ctx)
    else:
        _edit(ctx)


def _edit(ctx: Context) -> None:
    left, right = st.columns([3, 2], gap="medium")
    with right:
        with st.container(horizontal=True, vertical_alignment="center"):
            st.subheader("Plate", width="stretch")
            if st.button("Enter it anew"):
                st.session_state[plate_new.ANEW] = True
                st.rerun()
        plate_new.show_sizes(ctx.job.plate)
        _missing(ctx.job.plate)
        tool, width_mm, depth_mm = _tools()
    with left:
        ground = _ground(ctx)
        for operation in take_operations("plate"):
            _apply(ctx, operation, ground, tool, width_mm, depth_mm)
        _sheet(ctx, ground, tool)
    with right:
        _pending_controls(ctx, tool, width_mm, depth_mm)
        if ctx.job.leads:
            st.caption(
                f"{len(ctx.job.leads)} leads are traced on this plate; they do not move with it."
            )
        for kind, tab in zip(
            COLUMNS, st.tabs([kind.capitalize() for kind in COLUMNS]), strict=True
        ):
            with tab:
                if kind == "markers":
                    st.caption(MARKERS_HOW)
                _rows(ctx, kind)
        looks.show_said()


def _missing(plate: Plate) -> None:
    if not plate.channels:
        looks.note("No channels yet: draw them, so that leads are looked for at their depth.")
    if not plate.exits:
        looks.note("No exits yet: mark where leads leave the plate.")


def _tools() -> tuple[str, float, float]:
    tool = st.segmented_control(
        "Draw on the left",
        ["Look", "Channel", "Exit"],
        default="Look",
        required=True,
        key="plate tool",
    )
    width_mm = depth_mm = 0.0
    if tool == "Channel":
        first, second = st.columns(2)
        width_mm = first.number_input("Width, mm", 0.5, 200.0, 14.0, 0.5, key="channel width")
        depth_mm = second.number_input("Depth, mm", 0.5, 200.0, 15.0, 0.5, key="channel depth")
    return tool, width_mm, depth_mm


def _ground(ctx: Context) -> PhotoEntry | None:
    """What is drawn on: the sheet (None) or a fitted photo."""
    fitted = {entry.sha256: entry for entry in ctx.job.photos if entry.sha256 in ctx.job.fits}
    if not fitted:
        return None
    words = {sha256: f"{entry.name} ({entry.stage})" for sha256, entry in fitted.items()}
    chosen = st.selectbox(
        "Drawn on",
        ["", *fitted],
        key="plate ground",
        format_func=lambda sha256: words.get(sha256, "the drawing"),
    )
    return fitted.get(chosen)


def _fit_of(ctx: Context, ground: PhotoEntry | None) -> Any:
    return SheetFit(ctx.job.plate) if ground is None else ctx.job.fits[ground.sha256]


def _sheet(ctx: Context, ground: PhotoEntry | None, tool: str) -> None:
    plate = ctx.job.plate
    fit = _fit_of(ctx, ground)
    lines = _channel_bands(plate, fit) if ground is None else []
    lines += drawing_lines(plate, fit)
    markers = drop_markers(plate, fit)
    for place in plate.exits:
        x, y = np.asarray(fit.photo_from_plate([[place.x_mm, place.y_mm]]))[0]
        markers.append(
            Marker(f"exit {place.id}", x, y, color="#D55E00", shape="square", tag=place.id)
        )
    pending = st.session_state.get(_PENDING, [])
    handles = []
    if tool == "Channel" and pending:
        px = np.asarray(fit.photo_from_plate(pending))
        lines.append(Line("pending", px, color="#D55E00", width=4))
        handles = [Handle(f"{i}", x, y, tag=str(i + 1)) for i, (x, y) in enumerate(px)]
    hints = {
        "Look": "",
        "Channel": "Click along the middle of the channel, from the drop to the exit.",
        "Exit": "Click where leads leave the plate.",
    }
    opened = None if ground is None else ctx.opened(ground.sha256)
    photo_canvas(
        "plate",
        opened,
        blank_px=fit.size_px if ground is None else None,
        lines=lines,
        markers=markers,
        handles=handles,
        tool="look" if tool == "Look" else "point",
        hint=hints[tool],
        height="window",
        home_px=fit.photo_from_plate(ctx.job.plate.outline_array),
        place="" if ground is not None else f"plate sheet {ctx.job_id}",
        frames=None if ground is None else frames_of(fit),
    )


def _channel_bands(plate: Plate, fit: SheetFit) -> list[Line]:
    """Both sides of each channel, so that its width is seen on the sheet."""
    lines = []
    for channel in plate.channels:
        band = shapely.LineString(channel.points_mm).buffer(
            channel.width_mm / 2, cap_style="flat", join_style="mitre"
        )
        lines.append(
            Line(
                f"sides {channel.id}",
                fit.photo_from_plate(shapely.get_coordinates(band.exterior)),
                color="#009E73",
                width=1.5,
                halo=False,
            )
        )
    return lines


def _apply(
    ctx: Context,
    operation: Operation,
    ground: PhotoEntry | None,
    tool: str,
    width_mm: float,
    depth_mm: float,
) -> None:
    pending = list(st.session_state.get(_PENDING, []))
    if operation.type == "remove" and tool == "Channel" and (operation.id or "").isdecimal():
        index = int(operation.id)
        st.session_state[_PENDING] = pending[:index] + pending[index + 1 :]
        return
    if operation.type not in ("point", "move") or operation.x_px is None:
        return
    fit = _fit_of(ctx, ground)
    place = np.asarray(fit.plate_from_photo([[operation.x_px, operation.y_px]]), float)[0]
    if not np.isfinite(place).all():
        return
    x_mm, y_mm = snapped(ctx.job.plate, float(place[0]), float(place[1]))
    try:
        if tool == "Channel" and operation.type == "move":
            index = int(operation.id or 0)
            pending[index : index + 1] = [(x_mm, y_mm)]
            st.session_state[_PENDING] = pending
        elif tool == "Channel":
            st.session_state[_PENDING] = [*pending, (x_mm, y_mm)]
        elif tool == "Exit" and operation.type == "point":
            plate = exit_added(ctx.job.plate, x_mm, y_mm)
            ctx.edit(
                f"Mark exit {plate.exits[-1].id}", {"plate": plate.to_mapping()}, operation.uid
            )
    except PlateError as error:
        looks.say(in_words(shown(error, 300)), "stop")


def _pending_controls(ctx: Context, tool: str, width_mm: float, depth_mm: float) -> None:
    pending = st.session_state.get(_PENDING, [])
    if tool != "Channel" or not pending:
        return
    with st.container(horizontal=True):
        done = st.button(
            f"Keep this channel ({len(pending)} points)",
            type="primary",
            disabled=len(pending) < 2,
        )
        if st.button("Take back the last point"):
            st.session_state[_PENDING] = pending[:-1]
            st.rerun()
        if done:
            try:
                plate = channel_added(ctx.job.plate, pending, width_mm, depth_mm)
                label = f"Draw channel {plate.channels[-1].id}"
                if ctx.edit(label, {"plate": plate.to_mapping()}):
                    st.session_state[_PENDING] = []
            except PlateError as error:
                looks.say(in_words(shown(error, 300)), "stop")
            st.rerun()


def _rows(ctx: Context, kind: str) -> None:
    plate = ctx.job.plate
    heads = [head for _, head in COLUMNS[kind]]
    rows = rows_of(plate, kind)
    frame = pd.DataFrame(rows, columns=heads)
    frame[heads[0]] = frame[heads[0]].astype("string")
    config: dict[str, Any] = {}
    for name, head in COLUMNS[kind]:
        if name in ("id", "points_mm"):
            config[head] = st.column_config.TextColumn(width="medium" if name != "id" else "small")
            frame[head] = frame[head].astype("string")
        else:
            config[head] = st.column_config.NumberColumn(format="%.2f", width="small")
            frame[head] = frame[head].astype("float64")
    edited = st.data_editor(
        frame,
        # A new key after each save: the editor then starts from what was saved.
        key=f"{kind} {ctx.job_id} {hash(str(rows))}",
        num_rows="dynamic",
        hide_index=True,
        column_config=config,
        width="stretch",
        height=250,
    )
    new_rows = [
        {head: None if pd.isna(value) else value for head, value in row.items()}
        for row in edited.to_dict("records")
    ]
    if new_rows == rows:
        return
    try:
        changed = plate_with_rows(plate, kind, new_rows)
    except MapperError as error:
        looks.note(f"Not saved yet. {shown(error, 300)}", "stop")
        return
    if changed != plate:
        ctx.edit(f"Edit the table of {kind}", {"plate": changed.to_mapping()})
        st.rerun()
