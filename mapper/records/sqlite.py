"""What is special to SQLite: opening the file, transactions, and its errors in plain words.

No business logic; everything else in this package is portable SQL.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError

from mapper.errors import shown
from mapper.records.errors import RecordsError

__all__ = ["WRITE", "mended", "open_engine"]

APPLICATION_ID = 0x70774D31  # "pwM1": marks the file as an archive of this tool
BUSY_TIMEOUT_S = 15.0
WRITE = {"mapper_write": True}  # execution options of a connection that is going to write


def open_engine(path: Path, version: int, migrate: Callable[[Connection], None]) -> Engine:
    """Return an engine on the archive at `path`; `migrate` makes or alters its tables.

    Raises
    ------
    RecordsError
        The file is no archive, is newer than `version`, or can't be opened.
    """
    with mended(path):
        _refuse_foreign(path, version)
        engine = create_engine(
            URL.create("sqlite+pysqlite", database=str(path)),  # any folder name, also with ?
            connect_args={"timeout": BUSY_TIMEOUT_S, "check_same_thread": False},
            pool_size=4,
            max_overflow=60,  # a thread of the app waits for the disk, not for the pool
        )
        event.listen(engine, "connect", _on_connect)
        event.listen(engine, "begin", _on_begin)
        with engine.connect().execution_options(**WRITE) as connection, connection.begin():
            # Asked again under the write lock: another process may have been first.
            if _pragma(connection, "user_version") < version:
                migrate(connection)
                connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.exec_driver_sql(f"PRAGMA user_version = {version}")
    return engine


def _refuse_foreign(path: Path, version: int) -> None:
    """Look before any pragma is set, so that somebody else's file stays as it is."""
    if not path.exists():
        return
    with closing(sqlite3.connect(path, timeout=BUSY_TIMEOUT_S)) as connection:
        (application_id,) = connection.execute("PRAGMA application_id").fetchone()
        (found,) = connection.execute("PRAGMA user_version").fetchone()
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if (application_id, found, tables) == (0, 0, 0):
        return  # empty: we were stopped before anything was written
    if application_id != APPLICATION_ID:
        raise RecordsError(
            f"{shown(path.name)} in {shown(path.parent, 200)} is not an archive of this tool: "
            "choose another folder."
        )
    if found > version:
        raise RecordsError(
            f"The archive in {shown(path.parent, 200)} was written by a newer version of this "
            f"tool (form {found}, this one reads up to {version}): update the tool."
        )


def _pragma(connection: Connection, name: str) -> Any:
    return connection.exec_driver_sql(f"PRAGMA {name}").scalar_one()


def _on_connect(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # we begin transactions ourselves, see _on_begin
    for pragma in (
        "journal_mode = WAL",  # readers don't wait for the writer
        "synchronous = FULL",  # what is shown as saved survives a power cut
        "foreign_keys = ON",
    ):
        connection.execute(f"PRAGMA {pragma}").fetchall()


def _on_begin(connection: Connection) -> None:
    # A writer takes the lock first: what it reads then can't change under it.
    write = connection.get_execution_options().get("mapper_write", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


@contextmanager
def mended(path: Path) -> Iterator[None]:
    """Turn the database errors that a user can mend into sentences; others pass through."""
    try:
        yield
    except DBAPIError as error:
        sentence = _sentence(error.orig, path)
        if sentence is None:
            raise
        raise RecordsError(sentence) from error
    except sqlite3.Error as error:
        sentence = _sentence(error, path)
        if sentence is None:
            raise
        raise RecordsError(sentence) from error


def _sentence(error: BaseException | None, path: Path) -> str | None:
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        return None
    folder = shown(path.parent, 200)
    return {
        sqlite3.SQLITE_BUSY: f"Another program holds the archive in {folder}: close it, then "
        "repeat the last step.",
        sqlite3.SQLITE_LOCKED: f"The archive in {folder} is in use: repeat the last step.",
        sqlite3.SQLITE_FULL: f"The disk with {folder} is full: free some space, then repeat the "
        "last step; everything before it is saved.",
        sqlite3.SQLITE_READONLY: f"The archive in {folder} can't be written: allow writing there, "
        "or choose another folder.",
        sqlite3.SQLITE_PERM: f"The archive in {folder} can't be opened: allow access to it, or "
        "choose another folder.",
        sqlite3.SQLITE_CANTOPEN: f"The archive in {folder} can't be opened: check that the folder "
        "is there and may be written.",
        sqlite3.SQLITE_IOERR: f"The disk with {folder} could not be read or written: check it, "
        "then repeat the last step.",
        sqlite3.SQLITE_CORRUPT: f"The archive in {folder} is damaged: put back the latest copy of "
        "that folder, and keep the damaged one.",
        sqlite3.SQLITE_NOTADB: f"{shown(path.name)} in {folder} is not an archive of this tool: "
        "choose another folder.",
    }.get(code & 0xFF)
