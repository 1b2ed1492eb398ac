"""The table of pages, in the order of the job. The server runs this script."""

from __future__ import annotations

import streamlit as st

from mapper.errors import MapperError, shown
from mapper.ui import (
    bench_page,
    crossings_page,
    fit_page,
    jobs_page,
    leads_page,
    looks,
    photos_page,
    plan_page,
    plate_page,
    readings_page,
    session,
    sheet_page,
)
from mapper.ui.server import settings

__all__ = ["main"]


def main() -> None:
    """Show the page that the address names, with one plain sentence should it fail."""
    st.set_page_config(
        page_title="Plate wire mapper", layout="wide", initial_sidebar_state="collapsed"
    )
    looks.apply_style()
    looks.log_to(settings().store_folder)
    pages = {
        "jobs": st.Page(jobs_page.show, title="Jobs", url_path="jobs", default=True),
        "plate": st.Page(plate_page.show, title="1 Plate", url_path="plate"),
        "photos": st.Page(photos_page.show, title="2 Photos", url_path="photos"),
        "fit": st.Page(fit_page.show, title="3 Fit", url_path="fit"),
        "leads": st.Page(leads_page.show, title="4 Leads", url_path="leads"),
        "crossings": st.Page(crossings_page.show, title="5 Crossings", url_path="crossings"),
        "plan": st.Page(plan_page.show, title="6 Pull plan", url_path="plan"),
        "bench": st.Page(bench_page.show, title="7 At the plate", url_path="bench"),
        "sheet": st.Page(sheet_page.show, title="8 Sheet", url_path="sheet"),
        "readings": st.Page(readings_page.show, title="9 Readings", url_path="readings"),
    }
    page = st.navigation(list(pages.values()), position="top")
    session.register_pages(pages)
    try:
        page.run()
    except MapperError as error:
        looks.note(shown(error, 400), "stop")
    except Exception:
        looks.plain_failure(f"page {page.title}")


if __name__ == "__main__":
    main()
