"""Where an archive lies: a folder, or a database server and a shared place for the photos."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Engine

from mapper.records import postgres, schema, sqlite
from mapper.records.migrations import migrate
from mapper.records.originals import Originals
from mapper.records.shelf import SharedOriginals

__all__ = ["Database", "open_database", "open_originals"]


@dataclass(frozen=True)
class Database:
    """An open database: its engine, options of a reading and of a writing connection, and what
    turns its errors into sentences."""

    engine: Engine
    mended: Callable[[], AbstractContextManager[None]]
    reading: dict[str, Any]
    writing: dict[str, Any]


def open_database(folder: Path, url: str | None) -> Database:
    """The database at `url` (PostgreSQL), or the file ``jobs.sqlite`` in the folder."""
    if url is not None:
        engine = postgres.open_engine(postgres.url_of(url), migrate)
        return Database(engine, postgres.mended, postgres.READ, {})
    path = folder / "jobs.sqlite"
    engine = sqlite.open_engine(path, schema.VERSION, migrate)
    return Database(engine, lambda: sqlite.mended(path), {}, sqlite.WRITE)


def open_originals(folder: Path, url: str | None) -> Originals | SharedOriginals:
    """The photos at `url`, with the folder as a copy of them, or in the folder alone."""
    return Originals(folder / "photos") if url is None else SharedOriginals(folder / "photos", url)
