"""Lines of the list of jobs and of a job's history."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, select

from mapper.errors import shown
from mapper.records import schema
from mapper.records.document import value_of
from mapper.records.searching import query_words

__all__ = ["EditRecord", "JobSummary", "history_of", "listed", "told_since"]


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


def listed(connection: Connection, deleted: bool, search: str) -> list[JobSummary]:
    """The jobs as `JobStore.jobs` returns them."""
    job, entry = schema.job, schema.entry
    gone = job.c.deleted_at.is_not(None) if deleted else job.c.deleted_at.is_(None)
    for word in query_words(search):
        gone &= job.c.words.contains(word, autoescape=True)
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


def history_of(connection: Connection, job_id: str) -> list[EditRecord]:
    """Every edit of a job, oldest first, with those that were undone."""
    edit, change = schema.edit, schema.change
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


def told_since(connection: Connection, job_id: str, revision: int, most: int) -> list[str]:
    """The newest edits, undos and redos after a revision, newest first, as short phrases."""
    edit, step = schema.edit, schema.step
    query = (
        select(step.c.action, edit.c.label, step.c.by, step.c.at)
        .join(edit, (edit.c.job_id == step.c.job_id) & (edit.c.seq == step.c.seq))
        .where(step.c.job_id == job_id, step.c.revision > revision)
        .order_by(step.c.revision.desc())
        .limit(most)
    )
    told = []
    for action, label, by, at in connection.execute(query):
        word = "" if action == "edit" else f"{action} of "
        who = f" by {shown(by, 40)}" if by else ""
        when = f"{datetime.fromisoformat(at).astimezone():%H:%M}"
        told.append(f"{word}'{shown(label, 60)}'{who} at {when}")
    return told
