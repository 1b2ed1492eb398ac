"""Tables of the archive; portable SQL only.

A job is a set of entries. An edit is a list of changes with a state: *live* (it holds),
*undone* (redo would bring it back) or *dropped* (undone, and then something else was done;
kept for the record). Undo takes the newest live edit, redo the oldest undone one. Every
delivery of an operation leaves a step, known by the client's uid, so that the same
operation delivered twice is applied once; steps that changed the job carry its revision.
"""

from __future__ import annotations

from sqlalchemy import (
    CheckConstraint,
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Integer,
    MetaData,
    String,
    Table,
    Text,
)

__all__ = ["VERSION", "change", "edit", "entry", "job", "metadata", "step"]

VERSION = 2  # of the SQLite file; one with each step in mapper/records/migrations

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(column_0_label)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

job = Table(
    "job",
    metadata,
    Column("id", String(64), primary_key=True),
    Column("revision", Integer, nullable=False),  # grows by one with each edit, undo and redo
    Column("created_at", String(40), nullable=False),
    Column("changed_at", String(40), nullable=False),
    Column("deleted_at", String(40)),  # null unless somebody deleted it; never erased
    Column("words", Text, nullable=False, server_default=""),  # to search by, see searching.py
)

entry = Table(
    "entry",
    metadata,
    Column("job_id", ForeignKey("job.id"), primary_key=True),
    Column("key", String(200), primary_key=True),
    Column("value", Text, nullable=False),  # canonical JSON, ASCII
)

edit = Table(
    "edit",
    metadata,
    Column("job_id", ForeignKey("job.id"), primary_key=True),
    Column("seq", Integer, primary_key=True, autoincrement=False),  # 1, 2, ... in each job
    Column("label", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("at", String(40), nullable=False),
    Column("state", String(10), nullable=False),
    CheckConstraint("state IN ('live', 'undone', 'dropped')", name="state"),
)

change = Table(
    "change",
    metadata,
    Column("job_id", String(64), primary_key=True),
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("key", String(200), primary_key=True),
    Column("before", Text),  # null where the entry was not there
    Column("after", Text),  # null where the edit removed it
    ForeignKeyConstraint(["job_id", "seq"], ["edit.job_id", "edit.seq"]),
)

step = Table(
    "step",
    metadata,
    Column("job_id", ForeignKey("job.id"), primary_key=True),
    Column("uid", String(100), primary_key=True),  # given by the client
    Column("action", String(10), nullable=False),  # "edit", "undo", "redo"
    Column("seq", Integer),  # the edit it acted on; null where there was nothing to do
    Column("revision", Integer, nullable=False),  # of the job after it
    Column("by", Text, nullable=False),
    Column("at", String(40), nullable=False),
)
