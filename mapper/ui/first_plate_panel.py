"""A plate without a drawing: four corners and one known distance clicked on a photo of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.fit import FirstPlate, KnownDistance, first_plate
from mapper.plate import Numbering, Plate, check_plate
from mapper.records import PhotoEntry
from mapper.ui import looks
from mapper.ui.canvas import Handle, Line, Operation, photo_canvas, take_operations
from mapper.ui.overlay import drawing_lines, drop_markers
from mapper.ui.session import Context, go

__all__ = ["CLICKS", "FOUND", "panel", "points_after"]

CLICKS = "first plate clicks"  # session state: hash -> list of {"id", "x", "y"}, corners first
FOUND = "first plate found"  # session state: (what it was found from, FirstPlate)
CORNERS, ENDS = 4, 2
CORNER, END = "#F0E442", "#D55E00"
STEPS = (
    *(f"Click corner {n} of 4 of the face, in any order. Zoom in for it." for n in range(1, 5)),
    "Now click one end of a distance you have measured: a corner or the middle of a bore.",
    "Click the other end of that distance.",
    "All points are set. Drag one to mend it.",
)


def panel(ctx: Context, left: Any, right: Any, numbering: Callable[[], Numbering]) -> Plate | None:
    """Draw the way "From a photo" into two columns; the plate as corrected, None before."""
    photos = ctx.job.photos
    if not photos:
        with left:
            looks.note("There is no photo yet. Take one of the whole plate from above.", "calm")
            if st.button("Go to Photos", type="primary"):
                go("photos")
        return None
    with left:
        entry = st.selectbox(
            "Photo of the whole face, bores free",
            photos,
            format_func=lambda photo: f"{shown(photo.name, 40)} ({photo.stage})",
            key="first plate photo",
        )
    for operation in take_operations("first plate"):
        _set(entry.sha256, points_after(_points(entry.sha256), operation))
    points = _points(entry.sha256)
    with left:
        _find(ctx, entry, points)
        found = _found(entry.sha256, points)
        plate = None if found is None else _corrected(found, numbering)
    with right:
        _canvas(ctx, entry, points, found, plate)
    return plate


def points_after(points: Sequence[dict[str, Any]], operation: Operation) -> list[dict[str, Any]]:
    """The points after a click, a drag or a removal on the canvas; six at most."""
    kept = [dict(point) for point in points]
    if operation.type == "point" and operation.x_px is not None and len(kept) < CORNERS + ENDS:
        return [*kept, {"id": operation.uid, "x": operation.x_px, "y": operation.y_px}]
    if operation.type == "select" and CORNERS <= len(kept) < CORNERS + ENDS:
        # a corner is a good end of the known distance: the end is set on it
        on = next((point for point in kept[:CORNERS] if point["id"] == operation.id), None)
        return kept if on is None else [*kept, {**on, "id": operation.uid}]
    if operation.type == "move":
        return [
            point | {"x": operation.x_px, "y": operation.y_px}
            if point["id"] == operation.id
            else point
            for point in kept
        ]
    if operation.type == "remove":
        return [point for point in kept if point["id"] != operation.id]
    return kept


def _points(sha256: str) -> list[dict[str, Any]]:
    return list(st.session_state.get(CLICKS, {}).get(sha256, ()))


def _set(sha256: str, points: Sequence[dict[str, Any]]) -> None:
    st.session_state[CLICKS] = {**st.session_state.get(CLICKS, {}), sha256: list(points)}


def _source(sha256: str, points: Sequence[dict[str, Any]]) -> tuple[Any, ...]:
    return (sha256, *((round(p["x"], 2), round(p["y"], 2)) for p in points))


def _found(sha256: str, points: Sequence[dict[str, Any]]) -> FirstPlate | None:
    """What was found from just these points."""
    source, found = st.session_state.get(FOUND, (None, None))
    return found if source == _source(sha256, points) else None


def _find(ctx: Context, entry: PhotoEntry, points: Sequence[dict[str, Any]]) -> None:
    length = st.number_input(
        "The known distance, mm", min_value=0.0, value=None, step=1.0, key="first plate length"
    )
    missing = CORNERS + ENDS - len(points)
    with st.container(horizontal=True):
        ready = missing == 0 and bool(length)
        if st.button("Find the bores", type="primary", disabled=not ready):
            ends = [(p["x"], p["y"]) for p in points[CORNERS:]]
            corners = np.array([(p["x"], p["y"]) for p in points[:CORNERS]])
            try:
                with st.spinner("Looking for the bores"):
                    found = first_plate(
                        ctx.photo(entry.sha256), KnownDistance(*ends, float(length)), corners
                    )
                st.session_state[FOUND] = (_source(entry.sha256, points), found)
            except MapperError as error:
                looks.note(shown(error, 300), "stop")
        if points and st.button("Click anew"):
            _set(entry.sha256, ())
            st.rerun()
    if missing:
        st.caption(f"{looks.counted(missing, 'more point')} to click on the photo.")
    elif not length:
        st.caption("Type the distance between the two orange points.")


def _corrected(found: FirstPlate, numbering: Callable[[], Numbering]) -> Plate | None:
    """The plate with what the user corrects; None, with a sentence, when it can't be."""
    for note in found.notes:
        st.caption(note)
    first = min(found.plate.drops, key=lambda d: (d.y_mm, d.x_mm))
    key = f"{id(found)}"
    st.markdown("**Correct what you know better.** The lines on the photo follow.")
    one, two = st.columns(2)

    def number(place: Any, label: str, value: float, name: str) -> float:
        return place.number_input(
            label, 0.0, value=round(float(value), 2), step=0.1, format="%.2f", key=f"{name} {key}"
        )

    rows = one.number_input("Rows", 1, 100, found.rows, key=f"rows {key}")
    columns = two.number_input("Columns", 1, 100, found.columns, key=f"columns {key}")
    bore_mm = found.bore_diameter_mm
    pitch_x = number(one, "Pitch across, mm", found.pitch_x_mm or bore_mm, "pitch x")
    pitch_y = number(two, "Pitch up, mm", found.pitch_y_mm or bore_mm, "pitch y")
    bore = number(one, "Bore diameter, mm", round(bore_mm, 1), "bore")
    first_x = number(two, "First bore from the left, mm", first.x_mm, "first x")
    first_y = number(one, "First bore from the bottom, mm", first.y_mm, "first y")
    width = number(two, "Width, mm", found.plate.width_mm, "width")
    height = number(one, "Height, mm", found.plate.height_mm, "height")
    keep = bool(found.plate.holes) and two.checkbox(
        f"With {looks.counted(len(found.plate.holes), 'hole')} found",
        value=True,
        key=f"holes {key}",
    )
    try:
        plate = Plate.grid(
            int(rows),
            int(columns),
            pitch_x,
            pitch_y,
            (first_x, first_y),
            bore,
            width,
            height,
            numbering=numbering(),
            name="from a photo",
        )
        return check_plate(replace(plate, holes=found.plate.holes)) if keep else plate
    except MapperError as error:
        looks.note(shown(error, 400), "stop")
        return None


def _canvas(
    ctx: Context,
    entry: PhotoEntry,
    points: Sequence[dict[str, Any]],
    found: FirstPlate | None,
    plate: Plate | None,
) -> None:
    lines: list[Line] = []
    markers = []
    if found is not None and plate is not None:
        lines, markers = drawing_lines(plate, found), drop_markers(plate, found)
    elif len(points) == CORNERS + ENDS:
        ends = [(p["x"], p["y"]) for p in points[CORNERS:]]
        lines = [Line("known", ends, color=END, width=2, dash=(6, 4))]
    photo_canvas(
        "first plate",
        ctx.opened(entry.sha256),
        lines=lines,
        markers=markers,
        handles=[
            Handle(
                p["id"],
                p["x"],
                p["y"],
                tag=f"corner {n + 1}" if n < CORNERS else f"end {n + 1 - CORNERS}",
                color=CORNER if n < CORNERS else END,
            )
            for n, p in enumerate(points)
        ],
        tool="point" if len(points) < CORNERS + ENDS else "look",
        hint=STEPS[min(len(points), len(STEPS) - 1)],
        height=470,
    )
