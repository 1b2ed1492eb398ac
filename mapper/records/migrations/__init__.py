"""The steps of the archive's tables from each form to the next, run by Alembic at opening."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, inspect, text

from mapper.errors import shown
from mapper.records.errors import RecordsError

__all__ = ["FIRST", "HEAD", "migrate"]

FIRST, HEAD = "0001", "0002"


def migrate(connection: Connection) -> None:
    """Bring the tables to the form of this version, inside the caller's transaction.

    Raises RecordsError when the archive was written by a newer version of the tool.
    """
    tables = set(inspect(connection).get_table_names())
    if "alembic_version" in tables:
        found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
        if found == HEAD:
            return
        if found is None or found > HEAD:
            raise RecordsError(
                f"The archive was written by a newer version of this tool (form {shown(found)}, "
                f"this one reads up to {HEAD}): update the tool."
            )
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    config.attributes["connection"] = connection
    if "job" in tables and "alembic_version" not in tables:
        command.stamp(config, FIRST)  # made before the steps were numbered by Alembic
    command.upgrade(config, "head")
