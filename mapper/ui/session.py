"""What every page works on: the store, the job that is open, and saving edits to it.

The id of the open job stands in the address of the page (`?job=...`), so that a reload of the
browser, or a colleague's bookmark, comes back to the same job and page. Everything else that
has to last is in the store; `st.session_state` holds only what may be lost.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from mapper.errors import MapperError, shown
from mapper.photos import Photo, load_photo
from mapper.records import EditConflict, Job, JobStore, RecordsError, conflict_of
from mapper.ui import looks
from mapper.ui.server import settings
from mapper.ui.tiles import OpenPhoto, open_photo

__all__ = [
    "JOB_PARAM",
    "LOOK_PARAM",
    "LOOK_WORDS",
    "LEAD_TO_TAKE_UP",
    "MEETING_TO_SHOW",
    "PERSON",
    "Context",
    "close_job",
    "context",
    "go",
    "open_job",
    "open_store",
    "page_asked",
    "query_of",
    "register_pages",
    "set_person",
]

JOB_PARAM = "job"
PERSON_PARAM = "by"
LOOK_PARAM = "look"
PAGE_PARAM = "page"
_JOB = "open job"  # session state: id of the open job
_DRAWN = "job as drawn"  # session state: the view of the job that this tab shows
_LOOK = "look only"  # session state: the open job is not to be changed in this tab
PERSON = "person"  # session state: who works here
MAX_PERSON = 60
# Session state: what a page goes to when it is drawn next.
LEAD_TO_TAKE_UP = "lead to take up"
MEETING_TO_SHOW = "meeting to show"  # by its key
TO_SHOW = {"leads": LEAD_TO_TAKE_UP, "crossings": MEETING_TO_SHOW}  # by page
_PAGES: dict[str, Any] = {}
LOOK_WORDS = "This job is open to look at only, so nothing was changed: press 'Work on it' first."


@st.cache_resource(show_spinner=False)
def _store(folder: str, database: str | None, photos: str | None) -> JobStore:
    """One store per place and process."""
    return JobStore(Path(folder), database, photos)


def register_pages(pages: Mapping[str, Any]) -> None:
    """Tell the session the pages by their short names, so that pages can lead to each other."""
    _PAGES.update(pages)  # never emptied: other browser tabs read it at the same time


def query_of(name: str) -> dict[str, str]:
    """What stands in the address of the page of that short name, with the job kept open."""
    kept = {JOB_PARAM: st.session_state.get(_JOB), PERSON_PARAM: st.session_state.get(PERSON)}
    kept[LOOK_PARAM] = "1" if st.session_state.get(_LOOK) else None
    return {PAGE_PARAM: name, **{key: text for key, text in kept.items() if text}}


def go(name: str, what: str = "") -> None:
    """Go to the page of that short name (jobs, plate, photos, ...), with the job kept open; to
    `what` there, a lead or a meeting by its key."""
    if what and name in TO_SHOW:
        st.session_state[TO_SHOW[name]] = what
    st.switch_page(_PAGES[name], query_params=query_of(name))


def page_asked() -> str | None:
    """Short name of the page that a click on a way asked this very run for; None for others."""
    ctx = get_script_run_ctx()
    asked = parse_qs(ctx.query_string).get(PAGE_PARAM) if ctx is not None else None
    return asked[-1] if asked else None


def set_person(name: str) -> None:
    """Say who works in this browser tab; the address keeps it over a reload."""
    st.session_state[PERSON] = name[:MAX_PERSON]
    if name:
        st.query_params[PERSON_PARAM] = name[:MAX_PERSON]
    elif PERSON_PARAM in st.query_params:
        del st.query_params[PERSON_PARAM]


def _keep_person() -> None:
    """Take the person from the address after a reload, put it back after a change of page."""
    if PERSON not in st.session_state:
        st.session_state[PERSON] = str(st.query_params.get(PERSON_PARAM, ""))[:MAX_PERSON]
    person = st.session_state[PERSON]
    if person and st.query_params.get(PERSON_PARAM) != person:
        st.query_params[PERSON_PARAM] = person


def open_job(job_id: str, look_only: bool = False) -> None:
    """Make a job the open one of this browser tab; with `look_only` it can not be changed here."""
    st.session_state[_LOOK] = look_only
    st.session_state[_JOB] = job_id
    st.query_params[JOB_PARAM] = job_id


def close_job() -> None:
    """Have no job open in this browser tab."""
    st.session_state.pop(_JOB, None)
    st.session_state.pop(_LOOK, None)
    if JOB_PARAM in st.query_params:
        del st.query_params[JOB_PARAM]


def open_store() -> JobStore:
    """The store that this application works on."""
    where = settings()
    return _store(str(where.store_folder), where.database, where.photos)


@st.cache_resource(show_spinner=False, max_entries=4)
def _photo(sha256: str, name: str, _store: JobStore) -> Photo:
    return load_photo(_store.photo_path(sha256), name)


@st.cache_resource(show_spinner=False, max_entries=12)
def _job(folder: str, job_id: str, revision: int, _store: JobStore) -> Job:
    """The view of a job; kept per revision, since reading it out anew costs time."""
    return _store.job(job_id)


def context() -> Context | None:
    """The open job of this browser tab; None when none is open (or it was deleted)."""
    store = open_store()
    _keep_person()
    for sentence in store.remarks():
        looks.say(sentence, "stop")
    job_id = st.session_state.get(_JOB) or st.query_params.get(JOB_PARAM)
    if not job_id:
        return None
    try:
        job = _job(str(store.folder), job_id, store.revision(job_id), store)
    except RecordsError as error:
        close_job()
        looks.say(str(error), "stop")
        return None
    st.session_state[_JOB] = job_id
    # Going to another page drops the query, so it is put back on every run.
    if st.query_params.get(JOB_PARAM) != job_id:
        st.query_params[JOB_PARAM] = job_id
    look_only = st.session_state.setdefault(_LOOK, LOOK_PARAM in st.query_params)
    if look_only and LOOK_PARAM not in st.query_params:
        st.query_params[LOOK_PARAM] = "1"
    elif not look_only and LOOK_PARAM in st.query_params:
        del st.query_params[LOOK_PARAM]
    before = st.session_state.get(_DRAWN)
    st.session_state[_DRAWN] = job
    if before is None or before.id != job_id:
        return Context(store, job)
    if before.revision != job.revision:  # this tab's own edits were noted as they were made
        did = "; ".join(store.told_since(job_id, before.revision))
        looks.say(f"Changed in another window since this page was drawn: {did}.", "calm")
    return Context(store, job, before)


class Context:
    """The open job, and saving to it.

    `store` is the `JobStore`, `job_id` the id, `job` a fresh frozen view of the job: after
    every edit the view of the new revision. `drawn` is the view that the page showed when the
    person pressed something: what another window has changed since, nobody here has seen.
    """

    def __init__(self, store: JobStore, job: Job, drawn: Job | None = None) -> None:
        self.store = store
        self.job = job
        self.drawn = drawn or job
        self._new_run = True

    def renew(self) -> None:
        """Take in what another window has changed, in a page that runs without `context`."""
        if not self._new_run:  # the first time in a run of the whole page, `drawn` is known
            self.drawn = self.job
        self._new_run = False
        if self.store.revision(self.job_id) != self.job.revision:
            self.job = self.store.job(self.job_id)
            st.session_state[_DRAWN] = self.job

    @property
    def job_id(self) -> str:
        """Id of the job."""
        return self.job.id

    @property
    def person(self) -> str:
        """Who works here: as typed in this tab, else as the job's record says; may be ""."""
        return st.session_state.get(PERSON) or str(self.job.about.get("person") or "")

    @property
    def look_only(self) -> bool:
        """Whether this tab only looks at the job."""
        return bool(st.session_state.get(_LOOK))

    def photo(self, sha256: str) -> Photo:
        """The upright photo with that hash; the last few are kept decoded."""
        name = next((one.name for one in self.job.photos if one.sha256 == sha256), "photo")
        return _photo(sha256, name, self.store)

    def opened(self, sha256: str) -> OpenPhoto:
        """The photo opened for the canvas."""
        entry = next(one for one in self.job.photos if one.sha256 == sha256)
        size_px = None
        if entry.width_px and entry.height_px:
            size_px = (entry.width_px, entry.height_px)
        store, name = self.store, entry.name
        return open_photo(sha256, lambda: _photo(sha256, name, store).pixels_bgr, size_px)

    def edit(
        self,
        label: str,
        changes: Mapping[str, Any],
        uid: str | None = None,
        depends_on: Sequence[str] = (),
    ) -> bool:
        """Save an edit at once; True when the store has acknowledged it.

        Parameters
        ----------
        label : what was done, as undo will call it ("Judge Z01-H / Z02-T").
        changes : key -> new JSON value, None to delete; keys as in `mapper.records.document`.
        uid : unique name of the act; a second edit with the same one is not applied again.
        depends_on : keys, or kinds of keys, that the edit was made from without changing them;
            it is refused when another window has changed one of them since.

        An edit that meets somebody else's change, also one that came since the page was drawn,
        is not applied; a sentence says so.
        """

        def act() -> Job:
            unseen = self._unseen(changes, depends_on)
            if unseen:
                raise conflict_of(label, changes, unseen)
            return self.store.edit(
                self.job_id,
                label,
                changes,
                uid=uid,
                by=self.person,
                expected=self.job,
                depends_on=depends_on,
            )

        return self._save(act)

    def _unseen(self, changes: Mapping[str, Any], depends_on: Sequence[str]) -> tuple[str, ...]:
        """Entries that an edit rests on and another window changed since the page was drawn."""
        was, now = self.drawn.texts, self.job.texts
        if self.drawn.revision == self.job.revision:
            return ()
        return tuple(
            key
            for key in sorted({*was, *now, *changes})
            if was.get(key) != now.get(key)
            if key in changes or any(key == one or key.startswith(f"{one}/") for one in depends_on)
        )

    def undo(self, uid: str | None = None) -> bool:
        """Take back the last edit of the job; `uid` as for `edit`."""
        return self._save(
            lambda: self.store.undo(self.job_id, uid, by=self.person, expected=self.drawn)
        )

    def redo(self, uid: str | None = None) -> bool:
        """Do again what was taken back last; `uid` as for `edit`."""
        return self._save(
            lambda: self.store.redo(self.job_id, uid, by=self.person, expected=self.drawn)
        )

    def _save(self, act: Callable[[], Job | None]) -> bool:
        if self.look_only:
            looks.say(LOOK_WORDS, "stop")
            return False
        try:
            job = act()
        except EditConflict as conflict:
            self._show(self.store.job(self.job_id))
            looks.say_now(f"{conflict}{self._who(conflict.keys)}", "stop")
            return False
        except MapperError as error:
            looks.say_now(str(error), "stop")
            return False
        if job is not None:  # None: there was nothing to undo or redo
            self._show(job)
        return job is not None

    def _show(self, job: Job) -> None:
        """From here on the page shows this view."""
        self.job = self.drawn = job
        st.session_state[_DRAWN] = job

    def _who(self, keys: Sequence[str]) -> str:
        """Who changed one of these entries last and how, as a further sentence; "" if nobody."""
        made = [one for one in self.store.history(self.job_id) if set(one.keys) & set(keys)]
        if not made:
            return ""
        last = max(made, key=lambda one: one.seq)
        by = f" by {shown(last.by, 40)}" if last.by else ""
        state = "" if last.state == "live" else ", since undone"
        at = f"{last.at.astimezone():%H:%M}"
        return f" It was '{shown(last.label, 80)}'{by} at {at}{state}."
