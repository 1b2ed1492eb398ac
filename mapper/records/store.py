"""The archive: jobs in a database, photo originals beside it, every edit saved at once."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, insert, select, update

from mapper.records import schema
from mapper.records.conflicts import conflict_of
from mapper.records.document import text_of, value_of
from mapper.records.job import Job, check_entry
from mapper.records.listing import EditRecord, JobSummary, history_of, listed, told_since
from mapper.records.places import default_store_folder, open_database, open_originals
from mapper.records.rows import (
    add_edit,
    add_step,
    delivered,
    job_row,
    load,
    next_edit,
    note_words,
    put,
    texts_of,
    timestamp,
)
from mapper.records.searching import words_of
from mapper.records.shelf import SharedOriginals
from mapper.records.smalls import Smalls

__all__ = ["JobStore"]


class JobStore:
    """All jobs in one folder (``jobs.sqlite`` and ``photos/``), or on a server.

    One store may be used by several threads, and several processes may have the same
    folder open. When a method that writes returns, what it did is on the disk. Methods
    raise RecordsError for what a user can mend (disk full, archive in use or damaged, job
    not there); then nothing of that call has been kept.
    """

    def __init__(
        self,
        folder: str | os.PathLike[str] | None = None,
        database: str | None = None,
        photos: str | None = None,
    ):
        """Open the archive in `folder` (made when not there); None is `default_store_folder()`.

        `database` is the URL of a PostgreSQL database that holds the jobs instead of the file;
        `photos` the URL of a place for the originals (any of fsspec), of which the folder then
        keeps copies.
        """
        self.folder = Path(folder) if folder is not None else default_store_folder()
        self.database_url = database
        self._originals = open_originals(self.folder, photos)
        self._smalls = Smalls(self.folder / "small", self._originals)
        self._database = open_database(self.folder, database)
        self._engine = self._database.engine

    def close(self) -> None:
        """Let go of the file; the store can't be used after this."""
        self._engine.dispose()

    # --- jobs -----------------------------------------------------------------------

    def jobs(self, deleted: bool = False, search: str = "") -> list[JobSummary]:
        """Return the jobs, last changed first; with `deleted`, the deleted ones instead.

        With `search`, those in which every word of it stands: in names, mould, resin, people,
        notes, tags, drops, photos or the date.
        """
        with self.reading() as connection:
            return listed(connection, deleted, search)

    def create(self, name: str, about: Mapping[str, Any] | None = None) -> str:
        """Start a job and return its id; `about` may hold mould, resin, person and note."""
        return self.import_job({"about": {**(about or {}), "name": name}})

    def import_job(self, entries: Mapping[str, Any], name: str | None = None) -> str:
        """Start a job with these entries (key -> JSON value) and return its id.

        For a copy give ``job.to_mapping()``, for a route-map file `import_route_map`'s
        result. The first entries are no edit: undo does not take them away.
        """
        entries = dict(entries)
        if name is not None:
            entries["about"] = {**entries.get("about", {}), "name": name}
        for key, value in entries.items():
            check_entry(key, value)
        texts = {key: text_of(value) for key, value in entries.items()}
        job_id, at = uuid.uuid4().hex, timestamp()
        with self.writing() as connection:
            connection.execute(
                insert(schema.job).values(
                    id=job_id, revision=0, created_at=at, changed_at=at, words=words_of(texts, at)
                )
            )
            put(connection, job_id, texts)
        return job_id

    def delete(self, job_id: str) -> None:
        """Take a job off the list; `restore` brings it back. Nothing is erased."""
        self._mark(job_id, timestamp())

    def restore(self, job_id: str) -> None:
        """Put a deleted job back on the list."""
        self._mark(job_id, None)

    def _mark(self, job_id: str, deleted_at: str | None) -> None:
        with self.writing() as connection:
            job_row(connection, job_id, deleted_too=True)
            connection.execute(
                update(schema.job).where(schema.job.c.id == job_id).values(deleted_at=deleted_at)
            )

    def values(self, key: str) -> dict[str, Any]:
        """Return the value of one key ("plate") of every job that is not deleted and has it."""
        job, entry = schema.job, schema.entry
        with self.reading() as connection:
            rows = connection.execute(
                select(entry.c.job_id, entry.c.value)
                .join(job, job.c.id == entry.c.job_id)
                .where(entry.c.key == key, job.c.deleted_at.is_(None))
            ).all()
        return {job_id: value_of(text) for job_id, text in rows}

    # --- one job --------------------------------------------------------------------

    def job(self, job_id: str) -> Job:
        """Return the job as it now stands."""
        with self.reading() as connection:
            return load(connection, job_id)

    def revision(self, job_id: str) -> int:
        """Return the job's revision; cheap, for a window that asks whether to load again."""
        with self.reading() as connection:
            return job_row(connection, job_id, to_write=False).revision

    def told_since(self, job_id: str, revision: int, most: int = 3) -> list[str]:
        """Return what was done after a revision, newest first, as phrases for a sentence."""
        with self.reading() as connection:
            return told_since(connection, job_id, revision, most)

    def history(self, job_id: str) -> list[EditRecord]:
        """Return every edit ever made, oldest first, with those that were undone."""
        with self.reading() as connection:
            job_row(connection, job_id, to_write=False)
            return history_of(connection, job_id)

    def edit(
        self,
        job_id: str,
        label: str,
        changes: Mapping[str, Any],
        uid: str | None = None,
        by: str = "",
        expected: Job | None = None,
        depends_on: Iterable[str] = (),
    ) -> Job:
        """Apply the changes (key -> new value, None deletes) as one edit; return the new job.

        Parameters
        ----------
        label : what was done, as undo will call it: "move a point of Z07-H".
        uid : the client's own id of this operation, up to 100 characters. The same one
            delivered again changes nothing. None: the operation can't come twice.
        expected : the view the changes were made from. When an entry to be changed is no
            longer as that view shows it, the edit is refused.
        depends_on : keys ("fit/ab12...") or whole kinds ("lead", "judged") that were read to
            make the changes; they too have to be as `expected` shows them. For a tick of the
            teardown log see `TICK_DEPENDS_ON`.

        Changes that change nothing make no edit.

        Raises
        ------
        EditConflict
            Another window changed one of these entries since `expected`.
        RecordsError
            A value is not what its key needs, or the store can't be written.
        """
        for key, value in changes.items():
            if value is not None:
                check_entry(key, value)
        after = {key: None if value is None else text_of(value) for key, value in changes.items()}
        with self.writing() as connection:
            row = job_row(connection, job_id)
            if delivered(connection, job_id, uid):
                return load(connection, job_id)
            now = texts_of(connection, job_id, after)
            if expected is not None:
                read = tuple(depends_on)
                there = texts_of(connection, job_id) if read else now
                keys = dict.fromkeys(after) | dict.fromkeys(
                    key
                    for key in sorted({*there, *expected.texts})
                    if any(key == one or key.startswith(f"{one}/") for one in read)
                )
                stale = tuple(k for k in keys if there.get(k) != expected.texts.get(k))
                if stale:
                    raise conflict_of(label, changes, stale)
            after = {key: value for key, value in after.items() if now.get(key) != value}
            seq = add_edit(connection, job_id, label, by, now, after) if after else None
            add_step(connection, row, uid, "edit", seq, by)
            return load(connection, job_id)

    def undo(
        self, job_id: str, uid: str | None = None, by: str = "", expected: Job | None = None
    ) -> Job | None:
        """Take back the newest edit that holds; None when there is none.

        With `expected`, EditConflict when the job is no longer as that view shows it, since
        the edit to be undone would then be another one than the view names.
        """
        return self._flip(job_id, "undo", uid, by, expected)

    def redo(
        self, job_id: str, uid: str | None = None, by: str = "", expected: Job | None = None
    ) -> Job | None:
        """Bring back what was undone last; None when there is nothing, or a new edit came.

        `expected` as for `undo`.
        """
        return self._flip(job_id, "redo", uid, by, expected)

    def _flip(
        self, job_id: str, action: str, uid: str | None, by: str, expected: Job | None
    ) -> Job | None:
        change = schema.change
        with self.writing() as connection:
            row = job_row(connection, job_id)
            if delivered(connection, job_id, uid):
                return load(connection, job_id)
            if expected is not None and row.revision != expected.revision:
                now = texts_of(connection, job_id)
                keys = sorted({*now, *expected.texts})
                stale = tuple(k for k in keys if now.get(k) != expected.texts.get(k))
                raise conflict_of(action, {}, stale)
            found = next_edit(connection, job_id, action)
            seq = None if found is None else found.seq
            if seq is not None:
                side = change.c.before if action == "undo" else change.c.after
                texts = connection.execute(
                    select(change.c.key, side).where(change.c.job_id == job_id, change.c.seq == seq)
                ).all()
                sides = dict(map(tuple, texts))
                put(connection, job_id, sides)
                note_words(connection, job_id, sides)
                connection.execute(
                    update(schema.edit)
                    .where(schema.edit.c.job_id == job_id, schema.edit.c.seq == seq)
                    .values(state="undone" if action == "undo" else "live")
                )
            add_step(connection, row, uid, action, seq, by)
            return None if seq is None else load(connection, job_id)

    # --- photos ---------------------------------------------------------------------

    def add_photo(self, data: bytes, ext: str) -> str:
        """Keep a photo's original bytes, once; return their sha256 (hex)."""
        return self._originals.add(data, ext)

    def photo_path(self, sha256: str) -> Path:
        """Return where a photo's original lies; it is not to be written."""
        return self._originals.path(sha256)

    def small_photo(self, sha256: str, max_px: int) -> bytes | None:
        """Return a small JPEG of a photo, made once and kept; None when it can't be read.

        On a shared archive only the small picture is fetched where a bench has made one.
        Raises RecordsError when the original is nowhere, or the shared place does not answer.
        """
        return self._smalls.get(sha256, max_px)

    def remarks(self) -> list[str]:
        """What was found on the shared place of the photos since this was last asked."""
        return self._originals.remarks() if isinstance(self._originals, SharedOriginals) else []

    # --- transactions ---------------------------------------------------------------

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees the archive as it is at one moment."""
        options = self._database.reading
        with (
            self._database.mended(),
            self._engine.connect().execution_options(**options) as connection,
        ):
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A connection in one transaction: all of it is kept, or nothing."""
        options = self._database.writing
        with (
            self._database.mended(),
            self._engine.connect().execution_options(**options) as connection,
            connection.begin(),
        ):
            yield connection
