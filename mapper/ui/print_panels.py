"""More to print on the page Sheet: the route map to scale, and wire tags for label stock."""

from __future__ import annotations

from datetime import datetime

import streamlit as st

from mapper.errors import MapperError, shown
from mapper.records import Job, job_to_share
from mapper.sheets import (
    PAPERS_MM,
    TagStock,
    route_sheet,
    scene_to_svg,
    scenes_to_pdf,
    wire_tag_sheets,
)
from mapper.ui import looks

__all__ = ["route_map_pdf", "route_sheet_panel", "wire_tags_panel"]

ROLL = "Roll"
# common practice, no source
TAGS_CAUTION = (
    "Paper and plastic labels burn, and their glue lets go in heat: none on a lead or plate that "
    "is to be heated. Stick tags on only when the plate is cold and cut off from power. A tag says "
    "which lead this should be, never that it is safe to touch; measure before anything is joined."
)


def route_sheet_panel(job: Job, stem: str) -> None:
    """The route map to scale on a chosen paper, as a picture and as PDF."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        paper = st.segmented_control(
            "Paper", list(PAPERS_MM), default="A4", required=True, key="route paper"
        )
        try:
            pdf, svg = _route_sheet(job.id, job.revision, paper, job)
        except MapperError as error:
            looks.note(shown(error, 300), "stop")
            return
        st.download_button(
            "Route map to scale (PDF)",
            pdf,
            f"{stem} route map {paper}.pdf",
            "application/pdf",
            type="primary",
            on_click="ignore",
        )
    st.caption("Print at 100 %, without fitting to the page, and measure the bar: 50 mm.")
    st.image(svg, width="stretch", alt="The route map to scale")


def route_map_pdf(job: Job, paper: str = "A4") -> bytes:
    """The route map to scale as PDF. Raises MapperError for paper that is too small."""
    return _route_sheet(job.id, job.revision, paper, job)[0]


def wire_tags_panel(job: Job, stem: str) -> None:
    """Wire tags for the label stock at hand, the first page as a picture, all as PDF."""
    usual = TagStock()
    looks.note(TAGS_CAUTION, "stop")
    with st.container(horizontal=True, vertical_alignment="bottom"):
        paper = st.segmented_control(
            "Stock", [*PAPERS_MM, ROLL], default="A4", required=True, key="tag paper"
        )
        both_ends = st.toggle("A tag for both ends", key="tag ends")
    wide, high, *sheet = st.columns(6)
    width_mm = wide.number_input("Width, mm", 10.0, 297.0, usual.width_mm, 1.0, key="tag width")
    height_mm = high.number_input("Height, mm", 10.0, 200.0, usual.height_mm, 1.0, key="tag height")
    if paper == ROLL:
        stock = TagStock(width_mm, height_mm, paper="")
    else:
        stock = TagStock(
            width_mm,
            height_mm,
            sheet[0].number_input("Columns", 1, 20, usual.columns, key="tag columns"),
            sheet[1].number_input(
                "Gap across, mm", 0.0, 50.0, usual.gap_across_mm, 0.5, key="tag across"
            ),
            sheet[2].number_input(
                "Gap down, mm", 0.0, 50.0, usual.gap_down_mm, 0.5, key="tag down"
            ),
            sheet[3].number_input("Top, mm", 0.0, 100.0, usual.top_mm, 0.5, key="tag top"),
            paper=paper,
        )
    try:
        pdf, svg, pages = _wire_tags(job.id, job.revision, stock, both_ends, job)
    except MapperError as error:
        looks.note(shown(error, 300), "stop")
        return
    st.download_button(
        f"Wire tags (PDF, {looks.counted(pages, 'page')})",
        pdf,
        f"{stem} wire tags.pdf",
        "application/pdf",
        type="primary",
        on_click="ignore",
    )
    st.caption(
        "Print at 100 %, without fitting to the page; try one sheet on plain paper first. The code "
        "holds the lead's id."
    )
    st.image(svg, width=360 if paper == ROLL else 640, alt="The first page of wire tags")


@st.cache_data(show_spinner="Drawing the route map", max_entries=4)
def _route_sheet(job_id: str, revision: int, paper: str, _job: Job) -> tuple[bytes, str]:
    title = _job.name or "Job without a name"
    guessed = _job.provisional_ids()
    scene = route_sheet(job_to_share(_job), title, datetime.now(), paper, guessed)
    return scenes_to_pdf([scene]), scene_to_svg(scene)


@st.cache_data(show_spinner="Drawing the tags", max_entries=4)
def _wire_tags(
    job_id: str, revision: int, stock: TagStock, both_ends: bool, _job: Job
) -> tuple[bytes, str, int]:
    scenes = wire_tag_sheets(job_to_share(_job).leads, stock, both_ends)
    return scenes_to_pdf(scenes), scene_to_svg(scenes[0]), len(scenes)
