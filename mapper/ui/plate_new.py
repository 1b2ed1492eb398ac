"""Page "Plate", a new plate: by grid, table, drawing or photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import streamlit as st

from mapper.errors import shown
from mapper.plate import DrawingProposal, Numbering, Plate, PlateError, check_plate, read_drawing
from mapper.ui import first_plate_panel, looks
from mapper.ui.drawing import plate_svg
from mapper.ui.plate_tables import in_words
from mapper.ui.session import Context

__all__ = ["ANEW", "describe", "show_sizes"]

MAX_DXF_MB, MAX_CSV_MB = 50, 5
FROM_PHOTO = "From a photo"
ANEW = "plate anew"  # session state: the forms for a new plate are open
EXAMPLE_TABLE = "kind,id,x,y,bore_diameter\ndrop,D01,60,60,42\nhole,P1,30,30,30\nexit,X1,496,173,\n"


def describe(ctx: Context) -> None:
    """The forms for a new plate, and the plate that they make."""
    st.subheader("Describe the plate")
    if ctx.job.plate is not None and st.button("Back to the plate as it is"):
        st.session_state[ANEW] = False
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
        show_sizes(plate)
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
            st.session_state[ANEW] = False
        st.rerun()


def show_sizes(plate: Plate) -> None:
    """One line: size and what is on the plate."""
    st.markdown(
        f"**{plate.width_mm:g} x {plate.height_mm:g} mm**, "
        f"{looks.counted(len(plate.drops), 'drop')}, {looks.counted(len(plate.holes), 'hole')}, "
        f"{looks.counted(len(plate.channels), 'channel')}, "
        f"{looks.counted(len(plate.exits), 'exit')}"
    )
