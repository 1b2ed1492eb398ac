"""Moving an archive from one place to another, counted and compared by hashes."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from sqlalchemy import insert, select

from mapper.records import schema
from mapper.records.errors import RecordsError
from mapper.records.store import JobStore

__all__ = ["Moved", "move_archive"]

BATCH = 500
TABLES = (schema.job, schema.entry, schema.edit, schema.change, schema.step)


@dataclass(frozen=True)
class Moved:
    """What was moved: rows of each table, and photos; `missing` were not in the old place.
    `remarks`: what was found wrong on the new place, in sentences."""

    rows: dict[str, int]
    photos: int
    missing: tuple[str, ...]
    remarks: tuple[str, ...] = ()


def move_archive(source: JobStore, target: JobStore) -> Moved:
    """Copy all jobs with their history and photos to an empty archive, and compare.

    The old archive stays as it is. All rows go over in one transaction: after a break-off the
    new archive is empty, and the command can be repeated.

    Raises
    ------
    RecordsError
        The new archive holds jobs already, or what arrived differs from what was sent.
    """
    with source.reading() as old:
        photos = sorted(
            {
                key.partition("/")[2]
                for key in old.execute(
                    select(schema.entry.c.key).where(schema.entry.c.key.startswith("photo/"))
                ).scalars()
            }
        )
    missing = []
    for sha256 in photos:
        try:
            path = source.photo_path(sha256)
        except RecordsError:
            missing.append(sha256)
            continue
        if target.add_photo(path.read_bytes(), path.suffix) != sha256:
            raise RecordsError(
                f"Photo {sha256[:8]} in the old archive is damaged: put back a copy of it first."
            )
    rows = {}
    with source.reading() as old, target.writing() as new:
        if new.execute(select(schema.job.c.id).limit(1)).first() is not None:
            raise RecordsError("The new archive holds jobs already: move into an empty one.")
        for table in TABLES:
            found = old.execute(select(table).order_by(*table.primary_key.columns)).mappings()
            sent = [dict(row) for row in found]
            for start in range(0, len(sent), BATCH):
                new.execute(insert(table), sent[start : start + BATCH])
            there = new.execute(select(table)).mappings()
            if _digest(sent) != _digest([dict(row) for row in there]):
                raise RecordsError(
                    f"The table {table.name} did not arrive as it was sent: nothing was moved."
                )
            rows[table.name] = len(sent)
    return Moved(rows, len(photos) - len(missing), tuple(missing), tuple(target.remarks()))


def _digest(rows: list[dict]) -> str:
    """One hash over all rows in an order that no database decides."""
    lines = sorted(repr(sorted(row.items())) for row in rows)
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()
