"""Page "Plate": described once, by grid, table, drawing or photo; then its channels are drawn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import shapely
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.plate import (
    Channel,
    DrawingProposal,
    Exit,
    Numbering,
    Plate,
    PlateError,
    check_plate,
    read_drawing,
)
from mapper.records import PhotoEntry
from mapper.ui import first_plate_panel, jobbar, looks
from mapper.ui.canvas import Handle, Line, Marker, Operation, photo_canvas, take_operations
from mapper.ui.drawing import plate_svg
from mapper.ui.drawing_sheet import SheetFit
from mapper.ui.overlay import drawing_lines, drop_markers, frame_of
from mapper.ui.plate_tables import COLUMNS, in_words, plate_with_rows, rows_of
from mapper.ui.session import Context

__all__ = ["channel_added", "exit_added", "show", "snapped"]

SNAP_MM = 6.0  # a click this near to a drop, an exit or a channel's end means that place
MAX_DXF_MB, MAX_CSV_MB = 50, 5
FROM_PHOTO = "From a photo"
_PENDING = "pending channel"  # session state: points in mm of the channel being drawn
_ANEW = "plate anew"  # session state: the forms for a new plate are open
MARKERS_HOW = (
    "Printed markers that lie on the face; the sheet to print is on the page Photos. Measure to "
    "the middle of the marker from the lower left corner; the side is that of the black square. "
    "Angle 0: the number reads upright; turned a quarter counterclockwise it is 90."
)
EXAMPLE_TABLE = "kind,id,x,y,bore_diameter\ndrop,D01,60,60,42\nhole,P1,30,30,30\nexit,X1,496,173,\n"


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("plate")
    if ctx is None:
        return
    if ctx.job.plate is None or st.session_state.get(_ANEW):
        _enter(ctx)
    else:
        _edit(ctx)


# --- a new plate ------------------------------------------------------------------------


def _enter(ctx: Context) -> None:
    st.subheader("Describe the plate")
    if ctx.job.plate is not None and st.button("Back to the plate as it is"):
        st.session_state[_ANEW] = False
        st.rerun()
    left, right = st.columns([2, 3], gap="large")
    with left:
        way = st.segmented_control(
            "How",
            ["Grid", "Table (CSV)", "Drawing (DXF)", FROM_PHOTO],
            default="Grid",
            required=True,
            key="plate way",
        )
        plate = None
        try:
            if way == "Grid":
                plate = _grid()
            elif way == "Table (CSV)":
                plate = _table()
            elif way == FROM_PHOTO:
                plate = first_plate_panel.panel(ctx, left, right, lambda: _numbering("photo"))
            else:
                plate = _drawing()
        except PlateError as error:
            looks.note(in_words(shown(error, 400)), "stop")
    with right:
        if plate is None:
            if way != FROM_PHOTO:
                looks.note("The drawing of the plate appears here.", "calm")
            return
        _sizes(plate)
        st.image(plate_svg(plate, width_px=1200), width="stretch", alt="The plate as described")
        _use(ctx, plate)


def _number(label: str, value: float, key: str, step: float = 1.0) -> float:
    return st.number_input(label, value=value, step=step, format="%.2f", key=f"grid {key}")


def _grid() -> Plate:
    name = st.text_input("Name of the plate", max_chars=100, key="grid name")
    columns = st.columns(2)
    with columns[0]:
        width = _number("Width, mm", 496.0, "width")
        rows = st.number_input("Rows", 1, 100, 2, key="grid rows")
        pitch_y = _number("Pitch up, mm", 160.0, "pitch y")
        first_x = _number("First bore from the left, mm", 80.0, "first x")
        bore = _number("Bore diameter, mm", 42.0, "bore")
    with columns[1]:
        height = _number("Height, mm", 346.0, "height")
        count = st.number_input("Columns", 1, 100, 4, key="grid columns")
        pitch_x = _number("Pitch across, mm", 112.0, "pitch x")
        first_y = _number("First bore from the bottom, mm", 93.0, "first y")
    numbering = _numbering("grid")
    return Plate.grid(
        int(rows),
        int(count),
        pitch_x,
        pitch_y,
        (first_x, first_y),
        bore,
        width,
        height,
        numbering=numbering,
        name=name.strip(),
    )


def _numbering(key: str) -> Numbering:
    left, right = st.columns(2)
    start = left.selectbox(
        "Numbers start",
        ["upper left", "upper right", "lower left", "lower right"],
        key=f"{key} start",
    )
    along = right.selectbox("and run along", ["rows", "columns"], key=f"{key} along")
    first_id = left.text_input("First number", "D01", max_chars=64, key=f"{key} first id")
    with right:
        st.space("small")
        serpentine = st.checkbox("to and fro", key=f"{key} serpentine")
    return Numbering(start=start, along=along, serpentine=serpentine, first_id=first_id)


def _table() -> Plate | None:
    st.caption(
        "One row per drop: id, x, y, bore_diameter, in millimetres from the lower left corner. "
        "Rows may also be a hole, an exit or a corner (column kind)."
    )
    st.download_button(
        "An example table", EXAMPLE_TABLE, "drops.csv", "text/csv", on_click="ignore"
    )
    file = st.file_uploader("Table (CSV)", max_upload_size=MAX_CSV_MB, key="plate csv")
    corners = st.checkbox("The table has rows for the corners", key="plate csv corners")
    outline = None
    if not corners:
        left, right = st.columns(2)
        with left:
            width = _number("Width, mm", 496.0, "csv width")
        with right:
            height = _number("Height, mm", 346.0, "csv height")
        outline = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)]
    if file is None:
        return None
    return Plate.from_csv(file.getvalue(), outline_mm=outline, name=_stem(file.name))


def _drawing() -> Plate | None:
    file = st.file_uploader("Drawing (DXF)", max_upload_size=MAX_DXF_MB, key="plate dxf")
    units = st.segmented_control(
        "Drawn in",
        ["as the file says", "mm", "inch"],
        default="as the file says",
        required=True,
        key="dxf units",
    )
    if file is None:
        return None
    proposal = _proposal(file.getvalue(), None if units == "as the file says" else units)
    for sentence in proposal.notes:
        looks.note(sentence)
    if len(proposal.contours_mm) > 1:
        index = st.selectbox(
            "Outline",
            range(len(proposal.contours_mm)),
            format_func=lambda i: f"contour {i + 1}: {_extent(proposal.contours_mm[i])}",
            key="dxf contour",
        )
        proposal = proposal.with_outline(index)
    roles = []
    st.markdown("**What the circles are.** Please confirm.")
    for number, (group, guess) in enumerate(
        zip(proposal.circle_groups, proposal.guess_roles(), strict=True)
    ):
        roles.append(
            st.segmented_control(
                f"{len(group.centres_mm)} circles of {group.diameter_mm:g} mm",
                ["bore", "hole", "ignore"],
                default=guess,
                required=True,
                key=f"dxf role {number} {group.diameter_mm} {proposal.outline_index}",
            )
        )
    return proposal.plate(roles, _numbering("dxf"), name=_stem(file.name))


@st.cache_data(show_spinner="Reading the drawing", max_entries=4)
def _proposal(data: bytes, units: Any) -> DrawingProposal:
    return read_drawing(data, units)


def _extent(contour: Sequence[tuple[float, float]]) -> str:
    width, height = np.ptp(np.array(contour), axis=0)
    return f"{width:.1f} x {height:.1f} mm"


def _stem(name: str) -> str:
    return shown(name.rpartition(".")[0] or name, 100)


def _sizes(plate: Plate) -> None:
    st.markdown(
        f"**{plate.width_mm:g} x {plate.height_mm:g} mm**, "
        f"{looks.counted(len(plate.drops), 'drop')}, {looks.counted(len(plate.holes), 'hole')}, "
        f"{looks.counted(len(plate.channels), 'channel')}, "
        f"{looks.counted(len(plate.exits), 'exit')}"
    )


def _use(ctx: Context, plate: Plate) -> None:
    old = ctx.job.plate
    if old is not None and (old.channels or old.exits) and not (plate.channels or plate.exits):
        keep = st.checkbox("Keep the channels and exits of the plate as it is", value=True)
        if keep:
            plate = replace(plate, channels=old.channels, exits=old.exits)
    if old is not None and old.markers and not plate.markers:
        keep = st.checkbox(
            f"Keep the {looks.counted(len(old.markers), 'marker')} where they lie", value=True
        )
        if keep:
            try:
                plate = check_plate(replace(plate, markers=old.markers))
            except PlateError as error:
                looks.note(
                    f"The markers do not fit this plate. {in_words(shown(error, 300))} Or untick "
                    "the box, and enter them again.",
                    "stop",
                )
                return
    agreed = True
    if old is not None and (ctx.job.leads or ctx.job.fits):
        looks.note(
            f"{len(ctx.job.leads)} leads and {len(ctx.job.fits)} fits of photos were made on the "
            "plate as it was. They stay where they are, so a plate that is moved or scaled makes "
            "them wrong: fit the photos again afterwards."
        )
        agreed = st.checkbox("Change the plate all the same")
    if st.button("Use this plate", type="primary", disabled=not agreed):
        label = "Enter the plate" if old is None else "Enter the plate anew"
        if ctx.edit(label, {"plate": plate.to_mapping()}):
            st.session_state[_ANEW] = False
        st.rerun()


# --- the plate as it is -------------------------------------------------------------------


def _edit(ctx: Context) -> None:
    left, right = st.columns([3, 2], gap="medium")
    with right:
        with st.container(horizontal=True, vertical_alignment="center"):
            st.subheader("Plate", width="stretch")
            if st.button("Enter it anew"):
                st.session_state[_ANEW] = True
                st.rerun()
        _sizes(ctx.job.plate)
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
        height=500,
        place="" if ground is not None else f"plate sheet {ctx.job_id}",
        plate_from_photo=None
        if ground is None
        else frame_of(fit, opened.width_px, opened.height_px),
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


def snapped(plate: Plate, x_mm: float, y_mm: float) -> tuple[float, float]:
    """The drop, exit or channel point within SNAP_MM of a click, or else the click itself."""
    targets = [(drop.x_mm, drop.y_mm) for drop in plate.drops]
    targets += [(place.x_mm, place.y_mm) for place in plate.exits]
    targets += [point for channel in plate.channels for point in channel.points_mm]
    nearest = min(targets, key=lambda p: math.dist(p, (x_mm, y_mm)), default=None)
    if nearest is not None and math.dist(nearest, (x_mm, y_mm)) <= SNAP_MM:
        return nearest
    return round(x_mm, 2), round(y_mm, 2)


def _free_id(start: str, taken: Sequence[str]) -> str:
    number = 1
    while f"{start}{number}" in taken:
        number += 1
    return f"{start}{number}"


def channel_added(
    plate: Plate, points_mm: Sequence[tuple[float, float]], width_mm: float, depth_mm: float
) -> Plate:
    """The plate with one more channel under the next free id. Raises PlateError."""
    name = _free_id("C", [channel.id for channel in plate.channels])
    channel = Channel(name, tuple(map(tuple, points_mm)), width_mm, depth_mm)
    return check_plate(replace(plate, channels=(*plate.channels, channel)))


def exit_added(plate: Plate, x_mm: float, y_mm: float) -> Plate:
    """The plate with one more exit, put onto the nearest place of the outline."""
    ring = plate.outline_array
    start, step = ring, np.roll(ring, -1, axis=0) - ring
    size = (step * step).sum(axis=1)
    share = ((np.array([x_mm, y_mm]) - start) * step).sum(axis=1) / np.where(size > 0, size, 1)
    feet = start + np.clip(share, 0, 1)[:, None] * step
    x, y = feet[np.argmin(np.linalg.norm(feet - [x_mm, y_mm], axis=1))]
    name = _free_id("X", [place.id for place in plate.exits])
    place = Exit(name, round(float(x), 2), round(float(y), 2))
    return check_plate(replace(plate, exits=(*plate.exits, place)))


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
