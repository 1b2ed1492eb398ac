"""What is special to PostgreSQL: opening by URL, transactions, and its errors in plain words."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from sqlalchemy import URL, Connection, Engine, create_engine, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, InterfaceError, OperationalError

from mapper.errors import shown
from mapper.records.errors import RecordsError

__all__ = ["READ", "mended", "open_engine", "url_of"]

READ = {"isolation_level": "REPEATABLE READ"}  # a view of a job is of one moment
LOCK = 0x70774D31  # of the step that makes or alters tables: one program at a time


def url_of(text: str) -> URL:
    """The URL of a PostgreSQL database; RecordsError for anything else."""
    try:
        url = make_url(text)
    except ArgumentError:
        url = None
    if url is None or url.get_backend_name() != "postgresql":
        raise RecordsError(
            "The address of the archive's database should look like "
            "postgresql://user@server/database: correct it."
        )
    return url.set(drivername="postgresql+psycopg")


def open_engine(url: URL, migrate: Callable[[Connection], None]) -> Engine:
    """Return an engine on the database, its tables brought up to date by `migrate`.

    Raises RecordsError when the driver is missing or the server can't be reached.
    """
    try:
        engine = create_engine(url, pool_pre_ping=True, pool_size=4, max_overflow=30)
    except ModuleNotFoundError as error:
        raise RecordsError(
            "The driver for PostgreSQL is not installed: install the tool with its extra "
            "'postgresql'."
        ) from error
    with mended(), engine.connect() as connection, connection.begin():
        connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({LOCK})")
        migrate(connection)
    return engine


@contextmanager
def mended() -> Iterator[None]:
    """Turn the database errors that a user can mend into sentences; others pass through."""
    try:
        yield
    except (OperationalError, InterfaceError) as error:
        raise RecordsError(
            "The database server of the archive can't be reached or does not answer "
            f"({shown(error.orig, 160)}): check the network and the server, then repeat the last "
            "step; everything before it is saved."
        ) from error
    except DBAPIError as error:
        if getattr(error.orig, "sqlstate", None) == "42501":  # insufficient_privilege
            raise RecordsError(
                "The database does not let this user write: ask for the right to, then repeat "
                "the last step."
            ) from error
        raise
