"""Job packs and other forms of a route map on the command line."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from mapper.errors import MapperError, shown
from mapper.exchange import read_form, write_form
from mapper.records import (
    ARCHIVE_FILE,
    Job,
    JobStore,
    Moved,
    default_store_folder,
    import_route_map,
    is_pack,
    job_to_share,
    move_archive,
    read_pack,
    readable_copies,
    shared_places,
    take_in_pack,
    write_pack,
)
from mapper.routes import write_route_map
from mapper.sheets import route_sheet_pdf

__all__ = ["convert", "move", "pack_job", "take_in"]


def pack_job(folder: Path | None, wanted: str, target: Path) -> tuple[str, ...]:
    """Write the job of that name or id to a ZIP; returns what is missing in it, in words.

    Raises MapperError for no such job, two of one name, or a file that can't be written.
    """
    store = _archive(folder)
    try:
        found = [job.id for job in store.jobs() if wanted in (job.id, job.name)]
        if len(found) != 1:
            count = "no job" if not found else f"{len(found)} jobs"
            raise MapperError(
                f"There is {count} named '{shown(wanted)}' in {shown(store.folder, 200)}: "
                "give the id of one."
            )
        job = store.job(found[0])
        readable = readable_copies(job, "route map") | _route_sheet(job)
        beside = target.with_name(f"{target.name}.part")
        try:
            with open(beside, "wb") as file:
                warnings = write_pack(store, job.id, file, readable)
            beside.replace(target)
        except OSError as error:
            beside.unlink(missing_ok=True)
            raise _unwritable(target, error) from error
        return warnings
    finally:
        store.close()


def _route_sheet(job: Job) -> dict[str, bytes]:
    """The route map to scale by file name; none without a plate, or paper to hold it."""
    if job.plate is None:
        return {}
    for paper in ("A4", "A3"):
        try:
            drawn = (job_to_share(job), job.name or "Job without a name", datetime.now(), paper)
            return {"route map to scale.pdf": route_sheet_pdf(*drawn, job.provisional_ids())}
        except MapperError:  # the plate is too large for this paper
            continue
    return {}


def take_in(folder: Path | None, source: Path) -> str:
    """Make a job of a pack or a route map and return its id. Raises MapperError."""
    store = _archive(folder)
    try:
        if source.suffix.lower() == ".zip" and is_pack(source):
            return take_in_pack(store, read_pack(source))
        entries = import_route_map(_read(source), source.name)
        return store.import_job(entries, name=entries["about"].get("name") or source.stem[:200])
    finally:
        store.close()


def move(
    old: tuple[Path | None, str | None, str | None], new: tuple[Path, str | None, str | None]
) -> Moved:
    """Copy an archive to another place: each is (folder, database URL, photos URL).

    Raises MapperError for no such old archive, the same place twice, or when something did
    not arrive.
    """
    folder = old[0] or default_store_folder()
    if old[1] is None and not (folder / ARCHIVE_FILE).is_file():
        raise MapperError(f"There is no archive in {shown(folder, 200)}: name its folder.")
    if (folder.resolve(), old[1]) == (new[0].resolve(), new[1]):
        raise MapperError("The old and the new archive are the same place: choose another.")
    source, target = JobStore(folder, *old[1:]), JobStore(*new)
    try:
        return move_archive(source, target)
    finally:
        source.close()
        target.close()


def convert(source: Path, target: Path) -> None:
    """Write the route map of one file in the form of the other's ending. Raises MapperError."""
    route_map = read_form(source.name, _read(source))
    if target.suffix.lower() == ".json":
        write_route_map(route_map, target)
        return
    data = write_form(route_map, target.name)
    try:
        target.write_bytes(data)
    except OSError as error:
        raise _unwritable(target, error) from error


def _archive(folder: Path | None) -> JobStore:
    """The archive that the app would open: in the folder, or on the server of the settings."""
    return JobStore(folder or default_store_folder(), *shared_places())


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise MapperError(
            f"'{shown(path.name)}' can't be read ({shown(error.strerror)}): choose another file."
        ) from error


def _unwritable(path: Path, error: OSError) -> MapperError:
    return MapperError(
        f"'{shown(path.name)}' can't be written ({shown(error.strerror)}): choose another place."
    )
