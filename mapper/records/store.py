"""The archive: jobs in a database, photo originals beside it, every edit saved at once."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import platformdirs
from sqlalchemy import Connection, delete, func, insert, or_, select, update

from mapper.errors import shown
from mapper.records import schema
from mapper.records.document import text_of, value_of
from mapper.records.errors import EditConflict, RecordsError
from mapper.records.job import Job, check_entry
from mapper.records.places import open_database, open_originals
from mapper.records.searching import SEARCHED, query_words, words_of

__all__ = ["EditRecord", "JobStore", "JobSummary", "default_store_folder", "shared_places"]

MAX_UID_LENGTH = 100
MAX_LABEL_LENGTH = 300
BATCH = 500  # keys in one statement


def default_store_folder() -> Path:
    """Return the store folder when the user chose none: MAPPER_STORE, else the user's data."""
    chosen = os.environ.get("MAPPER_STORE")
    return Path(chosen or platformdirs.user_data_dir("plate-wire-mapper", appauthor=False))


def shared_places() -> tuple[str | None, str | None]:
    """URLs of a shared database and photo place, of MAPPER_DATABASE and MAPPER_PHOTOS."""
    return os.environ.get("MAPPER_DATABASE") or None, os.environ.get("MAPPER_PHOTOS") or None


@dataclass(frozen=True)
class JobSummary:
    """A line of the list of jobs."""

    id: str
    name: str
    created_at: datetime
    changed_at: datetime
    revision: int
    photos: int
    leads: int
    photo: str | None = None  # sha256 of one of them, for a small picture
    deleted_at: datetime | None = None


@dataclass(frozen=True)
class EditRecord:
    """A line of a job's history. `state` is "live", "undone" or "dropped"; `removed` holds what
    the edit deleted, by key."""

    seq: int
    label: str
    by: str
    at: datetime
    state: str
    keys: tuple[str, ...]
    removed: Mapping[str, Any] = field(default_factory=dict)


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
        job, entry = schema.job, schema.entry
        gone = job.c.deleted_at.is_not(None) if deleted else job.c.deleted_at.is_(None)
        for word in query_words(search):
            gone &= job.c.words.contains(word, autoescape=True)
        with self.reading() as connection:
            rows = connection.execute(
                select(job).where(gone).order_by(job.c.changed_at.desc(), job.c.id)
            ).all()
            about = dict(
                connection.execute(
                    select(entry.c.job_id, entry.c.value).where(entry.c.key == "about")
                ).all()
            )
            counts = {
                kind: dict(
                    connection.execute(
                        select(entry.c.job_id, func.count())
                        .where(entry.c.key.startswith(f"{kind}/", autoescape=True))
                        .group_by(entry.c.job_id)
                    ).all()
                )
                for kind in ("photo", "lead")
            }
            key = func.min(entry.c.key)
            query = select(entry.c.job_id, key).where(entry.c.key.startswith("photo/"))
            first = {
                job_id: found.partition("/")[2]
                for job_id, found in connection.execute(query.group_by(entry.c.job_id)).all()
            }
        return [
            JobSummary(
                id=row.id,
                name=value_of(about.get(row.id, "{}")).get("name", ""),
                created_at=datetime.fromisoformat(row.created_at),
                changed_at=datetime.fromisoformat(row.changed_at),
                revision=row.revision,
                photos=counts["photo"].get(row.id, 0),
                leads=counts["lead"].get(row.id, 0),
                photo=first.get(row.id),
                deleted_at=row.deleted_at and datetime.fromisoformat(row.deleted_at),
            )
            for row in rows
        ]

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
        job_id, at = uuid.uuid4().hex, _now()
        with self.writing() as connection:
            connection.execute(
                insert(schema.job).values(
                    id=job_id, revision=0, created_at=at, changed_at=at, words=words_of(texts, at)
                )
            )
            _put(connection, job_id, texts)
        return job_id

    def delete(self, job_id: str) -> None:
        """Take a job off the list; `restore` brings it back. Nothing is erased."""
        self._mark(job_id, _now())

    def restore(self, job_id: str) -> None:
        """Put a deleted job back on the list."""
        self._mark(job_id, None)

    def _mark(self, job_id: str, deleted_at: str | None) -> None:
        with self.writing() as connection:
            _row(connection, job_id, deleted_too=True)
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
            return _load(connection, job_id)

    def revision(self, job_id: str) -> int:
        """Return the job's revision; cheap, for a window that asks whether to load again."""
        with self.reading() as connection:
            return _row(connection, job_id, to_write=False).revision

    def history(self, job_id: str) -> list[EditRecord]:
        """Return every edit ever made, oldest first, with those that were undone."""
        edit, change = schema.edit, schema.change
        with self.reading() as connection:
            _row(connection, job_id, to_write=False)
            rows = connection.execute(
                select(edit).where(edit.c.job_id == job_id).order_by(edit.c.seq)
            ).all()
            keys: dict[int, list[str]] = {}
            removed: dict[int, dict[str, Any]] = {}
            for seq, key, before, after in connection.execute(
                select(change.c.seq, change.c.key, change.c.before, change.c.after)
                .where(change.c.job_id == job_id)
                .order_by(change.c.seq, change.c.key)
            ):
                keys.setdefault(seq, []).append(key)
                if after is None and before is not None:
                    removed.setdefault(seq, {})[key] = value_of(before)
        return [
            EditRecord(
                seq=row.seq,
                label=row.label,
                by=row.by,
                at=datetime.fromisoformat(row.at),
                state=row.state,
                keys=tuple(keys.get(row.seq, ())),
                removed=removed.get(row.seq, {}),
            )
            for row in rows
        ]

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
            row = _row(connection, job_id)
            if _delivered(connection, job_id, uid):
                return _load(connection, job_id)
            now = _texts(connection, job_id, after)
            if expected is not None:
                read = tuple(depends_on)
                there = _texts(connection, job_id) if read else now
                keys = dict.fromkeys(after) | dict.fromkeys(
                    key
                    for key in sorted({*there, *expected.texts})
                    if any(key == one or key.startswith(f"{one}/") for one in read)
                )
                stale = tuple(k for k in keys if there.get(k) != expected.texts.get(k))
                if stale:
                    raise _conflict(label, changes, stale)
            after = {key: value for key, value in after.items() if now.get(key) != value}
            seq = self._add_edit(connection, job_id, label, by, now, after) if after else None
            _step(connection, row, uid, "edit", seq, by)
            return _load(connection, job_id)

    def _add_edit(
        self,
        connection: Connection,
        job_id: str,
        label: str,
        by: str,
        before: Mapping[str, str],
        after: Mapping[str, str | None],
    ) -> int:
        edit = schema.edit
        connection.execute(
            update(edit)
            .where(edit.c.job_id == job_id, edit.c.state == "undone")
            .values(state="dropped")
        )
        last = connection.execute(
            select(func.max(edit.c.seq)).where(edit.c.job_id == job_id)
        ).scalar()
        seq = (last or 0) + 1
        connection.execute(
            insert(edit).values(
                job_id=job_id,
                seq=seq,
                label=_plain(label)[:MAX_LABEL_LENGTH],
                by=_plain(by),
                at=_now(),
                state="live",
            )
        )
        connection.execute(
            insert(schema.change),
            [
                {"job_id": job_id, "seq": seq, "key": k, "before": before.get(k), "after": v}
                for k, v in after.items()
            ],
        )
        _put(connection, job_id, after)
        _note_words(connection, job_id, after)
        return seq

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
            row = _row(connection, job_id)
            if _delivered(connection, job_id, uid):
                return _load(connection, job_id)
            if expected is not None and row.revision != expected.revision:
                now = _texts(connection, job_id)
                keys = sorted({*now, *expected.texts})
                stale = tuple(k for k in keys if now.get(k) != expected.texts.get(k))
                raise _conflict(action, {}, stale)
            found = _next(connection, job_id, action)
            seq = None if found is None else found.seq
            if seq is not None:
                side = change.c.before if action == "undo" else change.c.after
                texts = connection.execute(
                    select(change.c.key, side).where(change.c.job_id == job_id, change.c.seq == seq)
                ).all()
                sides = dict(map(tuple, texts))
                _put(connection, job_id, sides)
                _note_words(connection, job_id, sides)
                connection.execute(
                    update(schema.edit)
                    .where(schema.edit.c.job_id == job_id, schema.edit.c.seq == seq)
                    .values(state="undone" if action == "undo" else "live")
                )
            _step(connection, row, uid, action, seq, by)
            return None if seq is None else _load(connection, job_id)

    # --- photos ---------------------------------------------------------------------

    def add_photo(self, data: bytes, ext: str) -> str:
        """Keep a photo's original bytes, once; return their sha256 (hex)."""
        return self._originals.add(data, ext)

    def photo_path(self, sha256: str) -> Path:
        """Return where a photo's original lies; it is not to be written."""
        return self._originals.path(sha256)

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


def _plain(text: str) -> str:
    """Free text without the one character that a database server can't keep."""
    return text.replace("\0", "\N{REPLACEMENT CHARACTER}")


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="microseconds")


def _row(
    connection: Connection, job_id: str, deleted_too: bool = False, to_write: bool = True
) -> Any:
    """The job's row; to write, locked against other writers where the database locks rows."""
    query = select(schema.job).where(schema.job.c.id == job_id)
    row = connection.execute(query.with_for_update() if to_write else query).one_or_none()
    if row is None:
        raise RecordsError(f"There is no job {shown(job_id)} in this archive: choose another.")
    if row.deleted_at is not None and not deleted_too:
        raise RecordsError("This job was deleted: restore it from the list of deleted jobs.")
    return row


def _texts(
    connection: Connection, job_id: str, keys: Iterable[str] | None = None
) -> dict[str, str]:
    """Entries of the job as key -> canonical JSON; all, or those of `keys` that are there."""
    entry = schema.entry
    query = select(entry.c.key, entry.c.value).where(entry.c.job_id == job_id)
    if keys is None:
        return dict(map(tuple, connection.execute(query)))
    found: dict[str, str] = {}
    for some in _batches(keys):
        found |= dict(map(tuple, connection.execute(query.where(entry.c.key.in_(some)))))
    return found


def _batches(keys: Iterable[str]) -> Iterator[list[str]]:
    """Databases take only so many values in one statement."""
    keys = list(keys)
    return (keys[i : i + BATCH] for i in range(0, len(keys), BATCH))


def _put(connection: Connection, job_id: str, texts: Mapping[str, str | None]) -> None:
    """Set the entries; None removes."""
    entry = schema.entry
    for some in _batches(texts):
        connection.execute(delete(entry).where(entry.c.job_id == job_id, entry.c.key.in_(some)))
    kept = [
        {"job_id": job_id, "key": key, "value": text}
        for key, text in texts.items()
        if text is not None
    ]
    if kept:
        connection.execute(insert(entry), kept)


def _note_words(connection: Connection, job_id: str, keys: Iterable[str]) -> None:
    """Keep what the job can be found by, when an entry that counts for it was changed."""
    if not any(key.startswith(SEARCHED) for key in keys):
        return
    entry, job = schema.entry, schema.job
    query = select(entry.c.key, entry.c.value).where(
        entry.c.job_id == job_id, or_(*(entry.c.key.startswith(kind) for kind in SEARCHED))
    )
    texts = dict(map(tuple, connection.execute(query)))
    created_at = connection.execute(select(job.c.created_at).where(job.c.id == job_id)).scalar_one()
    connection.execute(
        update(job).where(job.c.id == job_id).values(words=words_of(texts, created_at))
    )


def _next(connection: Connection, job_id: str, action: str) -> Any:
    """The edit that undo or redo would act on, or None."""
    edit = schema.edit
    state, order = ("live", edit.c.seq.desc()) if action == "undo" else ("undone", edit.c.seq)
    return connection.execute(
        select(edit.c.seq, edit.c.label)
        .where(edit.c.job_id == job_id, edit.c.state == state)
        .order_by(order)
        .limit(1)
    ).one_or_none()


def _load(connection: Connection, job_id: str) -> Job:
    row = _row(connection, job_id, to_write=False)
    undo, redo = (_next(connection, job_id, action) for action in ("undo", "redo"))
    return Job(
        id=job_id,
        revision=row.revision,
        texts=_texts(connection, job_id),
        undo_label=undo and undo.label,
        redo_label=redo and redo.label,
        created_at=datetime.fromisoformat(row.created_at),
        changed_at=datetime.fromisoformat(row.changed_at),
    )


def _delivered(connection: Connection, job_id: str, uid: str | None) -> bool:
    if uid is None:
        return False
    if not uid or len(uid) > MAX_UID_LENGTH:
        raise ValueError(f"uid should have 1 to {MAX_UID_LENGTH} characters")
    step = schema.step
    found = connection.execute(
        select(step.c.uid).where(step.c.job_id == job_id, step.c.uid == uid)
    ).one_or_none()
    return found is not None


def _step(
    connection: Connection, row: Any, uid: str | None, action: str, seq: int | None, by: str
) -> None:
    """Record the delivery, and count the job's revision up when it changed something."""
    at, revision = _now(), row.revision + (seq is not None)
    connection.execute(
        insert(schema.step).values(
            job_id=row.id,
            uid=uid or uuid.uuid4().hex,
            action=action,
            seq=seq,
            revision=revision,
            by=_plain(by),
            at=at,
        )
    )
    if seq is not None:
        connection.execute(
            update(schema.job)
            .where(schema.job.c.id == row.id)
            .values(revision=revision, changed_at=at)
        )


def _conflict(label: str, changes: Mapping[str, Any], stale: tuple[str, ...]) -> EditConflict:
    words = {"lead": "lead ", "photo": "a photo", "fit": "the fit of a photo"}
    words |= {"judged": "a judgement", "done": "the teardown log"}
    words |= {"cover": "a cover", "takeout": "what is taken out of a drop"}
    named = []
    for key in stale:
        kind, _, name = key.partition("/")
        word = words.get(kind, f"the {kind}")
        named.append(word + shown(name) if kind == "lead" else word)
    named = list(dict.fromkeys(named))
    what = named[0] if named else "the job"
    if len(named) > 1:
        what += f" and {len(named) - 1} more"
    return EditConflict(
        f"Another window has changed {what} in the meantime, so this was not saved: "
        "look at the job as it is now, then do it again.",
        label,
        changes,
        stale,
    )
