"""Page "Jobs": the list of jobs; new, open, copy, delete and restore, route-map files."""

from __future__ import annotations

import time
from datetime import datetime

import streamlit as st

from mapper.errors import MapperError, shown
from mapper.exchange import FORMS
from mapper.records import (
    JobStore,
    JobSummary,
    import_route_map,
    is_pack,
    next_job_entries,
    read_pack,
    take_in_pack,
)
from mapper.ui import jobbar, looks
from mapper.ui.held_form import held, submit_key
from mapper.ui.server import settings
from mapper.ui.session import (
    MAX_PERSON,
    PERSON,
    Context,
    go,
    open_job,
    open_store,
    set_person,
)

__all__ = ["show"]

PICTURE_PX = 96
TRY_AGAIN_S = 120.0  # a picture that could not be had is asked for again after so long
MAX_PACK_MB = 1000  # a pack of 60 photos; larger ones come in by `mapper take-in`


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("jobs")
    store = open_store()
    left, right = st.columns([3, 2], gap="large")
    with left:
        _list(store, None if ctx is None else ctx.job_id)
    with right:
        _person()
        if ctx is not None:
            _details(ctx)
        _new_job(store)
        _take_in(store)
        _deleted(store)


def _list(store: JobStore, open_id: str | None) -> None:
    st.subheader("Jobs")
    search = st.text_input(
        "Find",
        key="jobs search",
        placeholder="mould, plate, drop, resin, person, tag, note, date: any words",
    )
    jobs = store.jobs(search=search)
    if not jobs and search.strip():
        looks.note("No job holds all these words. Take a word away, or look under another.", "calm")
    elif not jobs:
        looks.note("There is no job yet. Start the first one on the right.", "calm")
    for job in jobs:
        _job_row(store, job, job.id == open_id)


def _job_row(store: JobStore, job: JobSummary, is_open: bool) -> None:
    with st.container(border=True, horizontal=True, vertical_alignment="center"):
        picture = _picture(store, job)
        if picture is not None:
            st.image(picture, width=PICTURE_PX)
        with st.container(width="stretch", gap="xsmall"):
            st.markdown(f"**{_plain(job.name or 'Job without a name')}**")
            st.caption(
                f"{job.photos} photos · {job.leads} leads · changed {_when(job.changed_at)}"
                + (" · open in this window" if is_open else "")
            )
        if st.button("Go on" if is_open else "Open", key=f"open {job.id}", type="primary"):
            open_job(job.id)
            go(_page_to_go_on(store, job.id))
        with st.popover("More"):
            if st.button("Only look at it", key=f"look {job.id}", width="stretch"):
                open_job(job.id, look_only=True)
                go("leads")
            if st.button("Sheet and files", key=f"files {job.id}", width="stretch"):
                open_job(job.id)
                go("sheet")
            if st.button("Open a copy", key=f"copy {job.id}", width="stretch"):
                entries = store.job(job.id).to_mapping()
                open_job(store.import_job(entries, name=f"{job.name} (copy)"[:200]))
                looks.say("This is a copy; the job it was made from stays as it is.", "calm")
                go("jobs")
            if st.button("Next job on this plate", key=f"next {job.id}", width="stretch"):
                entries = next_job_entries(store.job(job.id), f"{job.name} (next)"[:200])
                open_job(store.import_job(entries))
                looks.say(
                    "A new job with the plate, parts, pins and as-built routes of the old one. "
                    "Routes that nobody confirmed count as unseen.",
                    "calm",
                )
                go("jobs")
            if st.button("Delete", key=f"delete {job.id}", width="stretch"):
                store.delete(job.id)
                looks.say(
                    f"{shown(job.name or 'The job')} is off the list. "
                    "It can be put back under Deleted jobs.",
                    "calm",
                )
                st.rerun()


def _picture(store: JobStore, job: JobSummary) -> bytes | None:
    """One of the job's photos, small; None when it has none or it can't be read."""
    if job.photo is None:
        return None
    return _small_or_none(job.photo, int(time.monotonic() // TRY_AGAIN_S), store)


@st.cache_data(show_spinner=False, max_entries=400)
def _small(sha256: str, _store: JobStore) -> bytes | None:
    return _store.small_photo(sha256, 2 * PICTURE_PX)


@st.cache_data(show_spinner=False, max_entries=800)
def _small_or_none(sha256: str, turn: int, _store: JobStore) -> bytes | None:
    """Also remembers for a while that a photo can't be had, since asking a far place takes time."""
    try:
        return _small(sha256, _store)
    except MapperError:
        return None


def _page_to_go_on(store: JobStore, job_id: str) -> str:
    """The page where the next thing is to be done."""
    from mapper.ui.findings import findings_of

    try:
        return findings_of(store.job(job_id)).next_thing.page
    except MapperError:
        return "plate"


def _person() -> None:
    st.subheader("Who works here")
    st.text_input(
        "Your name or initials",
        key="person typed",
        value=st.session_state.get(PERSON, ""),
        max_chars=MAX_PERSON,
        placeholder="stands beside what you judge and tick off",
        on_change=looks.guarded(_keep_person),
    )


def _keep_person() -> None:
    set_person(st.session_state["person typed"].strip())


DETAILS = (("name", "Name"), ("mould", "Mould"), ("resin", "Resin"), ("tags", "Tags"))
MAX_NOTE = 4000


def _details(ctx: Context) -> None:
    """Name, mould, resin and note of the open job, to correct at any time."""
    stamp, about = held("details", f"{ctx.job_id} {ctx.job.revision}", ctx.job.about)
    with (
        st.expander("Name, mould, resin and note of the open job"),
        st.form(f"details {stamp}", border=False),
    ):
        typed = {
            key: st.text_input(word, value=str(about.get(key) or ""), max_chars=200)
            for key, word in DETAILS
        }
        typed["note"] = st.text_area(
            "Note for the next shift", value=str(about.get("note") or ""), max_chars=MAX_NOTE
        )
        sent = st.form_submit_button("Keep these", type="primary", key=submit_key("details", stamp))
        if not sent:
            return
    typed = {
        key: words.strip()
        for key, words in typed.items()
        if words.strip() != str(about.get(key) or "").strip()
    }
    if not typed.get("name", "x"):
        looks.note("Give the job a name, so that the next person finds it.", "stop")
    elif not typed:
        looks.note("Nothing was changed.", "calm")
    else:
        if not ctx.edit("Details of the job", {"about": {**ctx.job.about, **typed}}):
            words = "; ".join(f"{key}: {shown(one, 300)}" for key, one in typed.items())
            looks.say(f"What you typed and what was not saved: {words}.")
        st.rerun()  # shows what was kept, or why it was not


def _new_job(store: JobStore) -> None:
    st.subheader("New job")
    with st.form("new job", border=True):
        name = st.text_input("Name", max_chars=200, placeholder="for example: lid tool, spring")
        first, second = st.columns(2)
        mould = first.text_input("Mould", max_chars=200)
        resin = second.text_input("Resin", max_chars=200)
        if not st.form_submit_button("Start the job", type="primary"):
            return
    if not name.strip():
        looks.note("Give the job a name, so that the next person finds it.", "stop")
        return
    about = {"mould": mould.strip(), "resin": resin.strip()}
    if st.session_state.get(PERSON):
        about["person"] = st.session_state[PERSON]
    open_job(store.create(name.strip(), about))
    go("plate")


def _take_in(store: JobStore) -> None:
    with st.expander("Take in a job pack or a route map"):
        file = st.file_uploader(
            "Job pack (ZIP), or a route map as JSON, GraphML, DXF, SVG, XLSX or CSV tables (ZIP)",
            type=["zip", "json", *(ending[1:] for ending in FORMS if ending != ".zip")],
            max_upload_size=MAX_PACK_MB,
            key="route map in",
        )
        if file is None or not st.button("Make a job from it", type="primary"):
            return
        try:
            job_id = _job_from(store, file.name, file.getvalue())
        except MapperError as error:
            looks.note(f"{shown(file.name)} was not taken in: {shown(error, 300)}", "stop")
            return
        open_job(job_id)
        go(_page_to_go_on(store, job_id))


def _job_from(store: JobStore, name: str, data: bytes) -> str:
    """A new job of a pack or of a route map in any of its forms."""
    if is_pack(data):
        return take_in_pack(store, read_pack(data))
    entries = import_route_map(data, name)
    return store.import_job(entries, name=entries["about"].get("name") or name[:200])


def _deleted(store: JobStore) -> None:
    deleted = store.jobs(deleted=True)
    if not deleted:
        return
    with st.expander(f"Deleted jobs ({len(deleted)})"):
        for job in deleted:
            with st.container(horizontal=True, vertical_alignment="center"):
                st.markdown(_plain(job.name or "Job without a name"), width="stretch")
                if st.button("Put back", key=f"restore {job.id}"):
                    store.restore(job.id)
                    looks.say(f"{shown(job.name or 'The job')} is back on the list.", "calm")
                    st.rerun()
    if settings().demo:
        st.caption("Demo store: your own jobs are kept in another folder.")


def _when(at: datetime) -> str:
    return f"{at.astimezone():%Y-%m-%d %H:%M}"


def _plain(text: str) -> str:
    """Free text for markdown: no sign of it may act as one."""
    return looks.plain_markdown(shown(text, 80))
