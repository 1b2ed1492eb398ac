"""Where an archive lies: a folder, or a database server and a shared place for the photos."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import platformdirs
from sqlalchemy import Engine

from mapper.records import postgres, schema, sqlite
from mapper.records.migrations import migrate
from mapper.records.originals import Originals
from mapper.records.shelf import SharedOriginals

__all__ = [
    "ARCHIVE_FILE",
    "Database",
    "default_store_folder",
    "open_database",
    "open_originals",
    "shared_places",
]

ARCHIVE_FILE = "jobs.sqlite"


def default_store_folder() -> Path:
    """Return the store folder when the user chose none: MAPPER_STORE, else the user's data."""
    chosen = os.environ.get("MAPPER_STORE")
    return Path(chosen or platformdirs.user_data_dir("plate-wire-mapper", appauthor=False))


def shared_places() -> tuple[str | None, str | None]:
    """URLs of a shared database and photo place, of MAPPER_DATABASE and MAPPER_PHOTOS."""
    return os.environ.get("MAPPER_DATABASE") or None, os.environ.get("MAPPER_PHOTOS") or None


@dataclass(frozen=True)
class Database:
    """An open database: its engine, options of a reading and of a writing connection, and what
    turns its errors into sentences."""

    engine: Engine
    mended: Callable[[], AbstractContextManager[None]]
    reading: dict[str, Any]
    writing: dict[str, Any]


def open_database(folder: Path, url: str | None) -> Database:
    """The database at `url` (PostgreSQL), or the file `ARCHIVE_FILE` in the folder."""
    if url is not None:
        engine = postgres.open_engine(postgres.url_of(url), migrate)
        return Database(engine, postgres.mended, postgres.READ, {})
    path = folder / ARCHIVE_FILE
    engine = sqlite.open_engine(path, schema.VERSION, migrate)
    return Database(engine, lambda: sqlite.mended(path), {}, sqlite.WRITE)


def open_originals(folder: Path, url: str | None) -> Originals | SharedOriginals:
    """The photos at `url`, with the folder as a copy of them, or in the folder alone."""
    return Originals(folder / "photos") if url is None else SharedOriginals(folder / "photos", url)
