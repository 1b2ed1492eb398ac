"""The sheet of printed markers, made and taken away from a page."""

from __future__ import annotations

import streamlit as st

from mapper.errors import MapperError, shown
from mapper.sheets import MARKER_CAUTION, PAPERS_MM, marker_sheet_pdf, read_marker_ids
from mapper.ui import looks

__all__ = ["marker_sheet_panel"]


def marker_sheet_panel() -> None:
    """A folded panel: why markers help, their size and numbers, and the sheet as PDF."""
    with st.expander("Markers to print, for plates that plastic covers", icon=":material/print:"):
        st.write(
            "Printed markers on the face are found when bores and edges are hidden. Print, cut "
            "out, lay at least four of them spread out, measure where they lie, and enter them "
            "on the page Plate, table Markers."
        )
        looks.note(MARKER_CAUTION, "stop")
        with st.container(horizontal=True, vertical_alignment="bottom"):
            side_mm = st.number_input("Side, mm", 8.0, 150.0, 30.0, 1.0, key="marker side")
            numbers = st.text_input("Numbers", "0-7", max_chars=100, key="marker numbers")
            paper = st.segmented_control(
                "Paper", list(PAPERS_MM), default="A4", required=True, key="marker paper"
            )
            try:
                pdf = _sheet(side_mm, numbers, paper)
            except MapperError as error:
                looks.note(shown(error, 200), "stop")
                return
            st.download_button(
                "Marker sheet (PDF)",
                pdf,
                "markers.pdf",
                "application/pdf",
                type="primary",
                on_click="ignore",
            )
        st.caption(
            "Print at 100 %, without fitting to the page, and measure the bar at the foot of the "
            "sheet: 100 mm."
        )


@st.cache_data(show_spinner="Drawing the sheet", max_entries=4)
def _sheet(side_mm: float, numbers: str, paper: str) -> bytes:
    return marker_sheet_pdf(side_mm, read_marker_ids(numbers), paper)
