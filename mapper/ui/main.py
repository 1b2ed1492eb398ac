"""The table of pages, in the order of the job. The server runs this script."""

from __future__ import annotations

from typing import Any

import streamlit as st

from mapper.errors import MapperError, shown
from mapper.ui import (
    bench_page,
    compare_page,
    crossings_page,
    fit_page,
    handover_page,
    jobs_page,
    leads_page,
    looks,
    parts_page,
    photos_page,
    plan_page,
    plate_page,
    readings_page,
    rebuild_page,
    response_page,
    salvage_page,
    session,
    sheet_page,
    warmup_page,
)
from mapper.ui.jobbar import PAGE_WORDS
from mapper.ui.server import settings, settle_memory

__all__ = ["main"]

# The pages in the order of the job, by phase of the work: short name and what shows it.
PHASES = {
    "": {"jobs": jobs_page.show},
    "Map": {
        "plate": plate_page.show,
        "photos": photos_page.show,
        "fit": fit_page.show,
        "leads": leads_page.show,
        "crossings": crossings_page.show,
    },
    "Take apart": {
        "plan": plan_page.show,
        "bench": bench_page.show,
        "warmup": warmup_page.show,
    },
    "Test": {
        "parts": parts_page.show,
        "readings": readings_page.show,
        "response": response_page.show,
        "salvage": salvage_page.show,
    },
    "Rebuild": {
        "rebuild": rebuild_page.show,
        "compare": compare_page.show,
    },
    "Paper": {
        "sheet": sheet_page.show,
        "handover": handover_page.show,
    },
}


def main() -> None:
    """Show the page that the address names, with one plain sentence should it fail."""
    settle_memory()
    st.set_page_config(
        page_title="Plate wire mapper", layout="wide", initial_sidebar_state="collapsed"
    )
    looks.apply_style()
    looks.log_to(settings().store_folder)
    pages = {
        name: st.Page(show, title=PAGE_WORDS[name], url_path=name, default=name == "jobs")
        for phase in PHASES.values()
        for name, show in phase.items()
    }
    page = st.navigation(list(pages.values()), position="hidden")
    session.register_pages(pages)
    # All runs of a browser tab share one note of the page asked for. A run that a click on a way
    # has stopped may still write its own page over it, and the click would lead nowhere.
    asked = session.page_asked()
    if asked in pages and pages[asked] != page:
        session.go(asked)
    _ways(pages, page)
    try:
        page.run()
    except MapperError as error:
        looks.note(shown(error, 400), "stop")
    except Exception:
        looks.plain_failure(f"page {page.title}")


def _ways(pages: dict[str, Any], page: Any) -> None:
    """One row of ways: the pages of the phase at hand, and one way into each other phase."""
    with st.container(key="ways", horizontal=True, gap="small", wrap=True):
        for phase, members in PHASES.items():
            within = any(pages[name] == page for name in members)
            if phase and not within:
                _way(pages, next(iter(members)), f"{phase} ›")
                continue
            if phase:
                st.html(f'<span class="phase">{phase}</span>', width="content")
            for name in members:
                if pages[name] == page:
                    here = f'<span class="here" aria-current="page">{PAGE_WORDS[name]}</span>'
                    st.html(here, width="content")
                else:
                    _way(pages, name, PAGE_WORDS[name])


def _way(pages: dict[str, Any], name: str, label: str) -> None:
    st.page_link(pages[name], label=label, query_params=session.query_of(name))


if __name__ == "__main__":
    main()
