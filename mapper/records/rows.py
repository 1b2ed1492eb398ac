"""Reading and writing the rows of one job, inside a transaction that the store has opened."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, delete, func, insert, or_, select, update

from mapper.errors import shown
from mapper.records import schema
from mapper.records.errors import RecordsError
from mapper.records.job import Job
from mapper.records.searching import SEARCHED, words_of

__all__ = [
    "add_edit",
    "add_step",
    "delivered",
    "job_row",
    "load",
    "next_edit",
    "note_words",
    "plain",
    "put",
    "texts_of",
    "timestamp",
]

MAX_UID_LENGTH = 100
MAX_LABEL_LENGTH = 300
BATCH = 500  # keys in one statement


def plain(text: str) -> str:
    """Free text without the one character that a database server can't keep."""
    return text.replace("\0", "\N{REPLACEMENT CHARACTER}")


def timestamp() -> str:
    return datetime.now(UTC).isoformat(timespec="microseconds")


def job_row(
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


def texts_of(
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


def put(connection: Connection, job_id: str, texts: Mapping[str, str | None]) -> None:
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


def note_words(connection: Connection, job_id: str, keys: Iterable[str]) -> None:
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


def next_edit(connection: Connection, job_id: str, action: str) -> Any:
    """The edit that undo or redo would act on, or None."""
    edit = schema.edit
    state, order = ("live", edit.c.seq.desc()) if action == "undo" else ("undone", edit.c.seq)
    return connection.execute(
        select(edit.c.seq, edit.c.label)
        .where(edit.c.job_id == job_id, edit.c.state == state)
        .order_by(order)
        .limit(1)
    ).one_or_none()


def load(connection: Connection, job_id: str) -> Job:
    row = job_row(connection, job_id, to_write=False)
    undo, redo = (next_edit(connection, job_id, action) for action in ("undo", "redo"))
    return Job(
        id=job_id,
        revision=row.revision,
        texts=texts_of(connection, job_id),
        undo_label=undo and undo.label,
        redo_label=redo and redo.label,
        created_at=datetime.fromisoformat(row.created_at),
        changed_at=datetime.fromisoformat(row.changed_at),
    )


def delivered(connection: Connection, job_id: str, uid: str | None) -> bool:
    if uid is None:
        return False
    if not uid or len(uid) > MAX_UID_LENGTH:
        raise ValueError(f"uid should have 1 to {MAX_UID_LENGTH} characters")
    step = schema.step
    found = connection.execute(
        select(step.c.uid).where(step.c.job_id == job_id, step.c.uid == uid)
    ).one_or_none()
    return found is not None


def add_step(
    connection: Connection, row: Any, uid: str | None, action: str, seq: int | None, by: str
) -> None:
    """Record the delivery, and count the job's revision up when it changed something."""
    at, revision = timestamp(), row.revision + (seq is not None)
    connection.execute(
        insert(schema.step).values(
            job_id=row.id,
            uid=uid or uuid.uuid4().hex,
            action=action,
            seq=seq,
            revision=revision,
            by=plain(by),
            at=at,
        )
    )
    if seq is not None:
        connection.execute(
            update(schema.job)
            .where(schema.job.c.id == row.id)
            .values(revision=revision, changed_at=at)
        )


def add_edit(
    connection: Connection,
    job_id: str,
    label: str,
    by: str,
    before: Mapping[str, str],
    after: Mapping[str, str | None],
) -> int:
    """Keep an edit with its changes and return its number; what was undone can't be redone."""
    edit = schema.edit
    connection.execute(
        update(edit)
        .where(edit.c.job_id == job_id, edit.c.state == "undone")
        .values(state="dropped")
    )
    last = connection.execute(select(func.max(edit.c.seq)).where(edit.c.job_id == job_id)).scalar()
    seq = (last or 0) + 1
    connection.execute(
        insert(edit).values(
            job_id=job_id,
            seq=seq,
            label=plain(label)[:MAX_LABEL_LENGTH],
            by=plain(by),
            at=timestamp(),
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
    put(connection, job_id, after)
    note_words(connection, job_id, after)
    return seq
