"""A whole job in one ZIP: what the archive holds of it, and copies that other programs read.

``manifest.json``   form, version, name of the job, and path, size and sha256 of every file
``job.json``        the entries of the job, key -> value: all that a taken-in job is made from
``history.json``    every edit that was made, for the reader; taking in starts a new history
``photos/``         the originals, named by the sha256 of their bytes
``readable/``       route map, drawings and tables as copies; taking in does not read them

Reading trusts nothing: a name that leads out of the pack, a file that unpacks to more than it
says, a wrong hash or an entry that can't be read refuses the whole pack before anything is kept.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from mapper.errors import shown
from mapper.records.errors import RecordsError
from mapper.records.job import check_entry
from mapper.records.store import JobStore

__all__ = ["FORMAT", "VERSION", "JobPack", "is_pack", "read_pack", "take_in_pack", "write_pack"]

FORMAT = "plate-job-pack"
VERSION = 1
MAX_FILE_BYTES = 512 * 1024 * 1024  # a photo of 50 megapixels, uncompressed, is below 200 MB
MAX_PACK_BYTES = 16 * 1024**3
MAX_FILES = 20_000
BLOCK = 1024 * 1024
_PATH = re.compile(r"(?:[A-Za-z0-9][A-Za-z0-9 _.-]*/){0,3}[A-Za-z0-9][A-Za-z0-9 _.-]*\Z")
_PHOTO = re.compile(r"photos/([0-9a-f]{64})\.([a-z0-9]{1,8})\Z")
ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # the same job gives the same pack


@dataclass(frozen=True)
class JobPack:
    """A pack that was checked from end to end. `photos` maps sha256 to its path in the pack."""

    source: Path | bytes
    name: str
    entries: Mapping[str, Any]
    photos: Mapping[str, str]
    missing_photos: tuple[str, ...]


def write_pack(
    store: JobStore, job_id: str, target: IO[bytes], readable: Mapping[str, bytes] | None = None
) -> tuple[str, ...]:
    """Write the job with its photos to an open binary file.

    `readable` maps file names to the bytes of copies for other programs. Returns a sentence for
    each photo whose original is not in the archive; the pack says so too.
    """
    job = store.job(job_id)
    warnings: list[str] = []
    listed: list[dict[str, Any]] = []
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as pack:

        def add(path: str, data: bytes, compressed: bool = True) -> None:
            info = zipfile.ZipInfo(path, ZIP_TIME)
            info.compress_type = zipfile.ZIP_DEFLATED if compressed else zipfile.ZIP_STORED
            pack.writestr(info, data)
            digest = hashlib.sha256(data).hexdigest()
            listed.append({"path": path, "bytes": len(data), "sha256": digest})

        add("job.json", _json(job.to_mapping()))
        history = [
            {"seq": one.seq, "label": one.label, "by": one.by, "at": one.at.isoformat(),
             "state": one.state, "keys": list(one.keys)}
            for one in store.history(job_id)
        ]  # fmt: skip
        add("history.json", _json(history))
        missing = []
        for photo in job.photos:
            try:
                original = store.photo_path(photo.sha256)
                data = original.read_bytes()
            except (RecordsError, OSError) as error:
                missing.append(photo.sha256)
                warnings.append(f"{shown(photo.name)} is not in the pack: {shown(error, 200)}")
                continue
            add(f"photos/{photo.sha256}{original.suffix}", data, compressed=False)
        for name, data in sorted((readable or {}).items()):
            add(f"readable/{name}", data)
        manifest = {
            "format": FORMAT,
            "version": VERSION,
            "job": job.name,
            "missing_photos": missing,
            "files": listed,
        }
        info = zipfile.ZipInfo("manifest.json", ZIP_TIME)
        info.compress_type = zipfile.ZIP_DEFLATED
        pack.writestr(info, _json(manifest))
    return tuple(warnings)


def is_pack(source: Path | bytes) -> bool:
    """Whether a file or its bytes look like a job pack (a ZIP with a manifest)."""
    try:
        with _open(source) as pack:
            return "manifest.json" in pack.namelist()
    except Exception:  # broken ZIP files fail in many ways
        return False


def read_pack(source: Path | bytes) -> JobPack:
    """Check a pack from end to end and return what a job is made from; nothing is kept yet.

    Raises
    ------
    RecordsError
        The pack is damaged, hostile, or of a newer version; the message says which.
    """
    try:
        with _open(source) as pack:
            return _read(pack, source)
    except RecordsError:
        raise
    except OSError as error:
        raise RecordsError(
            f"The pack can't be read ({shown(error.strerror or error)}): choose another file."
        ) from error
    except Exception as error:  # broken ZIP files fail in many ways
        raise RecordsError(
            f"The pack is damaged ({shown(error)}): fetch it again from where it was made."
        ) from error


def take_in_pack(store: JobStore, pack: JobPack, name: str | None = None) -> str:
    """Make a job of a pack that was read, with its photos; return its id."""
    with _open(pack.source) as zipped:
        for sha256, path in pack.photos.items():
            data = zipped.read(path)
            if hashlib.sha256(data).hexdigest() != sha256:
                raise RecordsError("The pack was changed while it was read: read it again.")
            store.add_photo(data, path.rpartition(".")[2])
    return store.import_job(pack.entries, name=name)


def _open(source: Path | bytes) -> zipfile.ZipFile:
    return zipfile.ZipFile(io.BytesIO(source) if isinstance(source, bytes) else source)


def _read(pack: zipfile.ZipFile, source: Path | bytes) -> JobPack:
    infos = {info.filename: info for info in pack.infolist()}
    if len(infos) != len(pack.infolist()):
        raise RecordsError("The pack holds two files of one name: fetch it again.")
    if len(infos) > MAX_FILES or sum(one.file_size for one in infos.values()) > MAX_PACK_BYTES:
        raise RecordsError("The pack unpacks to more than any job holds: choose another file.")
    manifest = _object(_bytes(pack, infos, "manifest.json"), "manifest.json")
    if manifest.get("format") != FORMAT:
        raise RecordsError("This ZIP is no job pack: choose a file that was made as one.")
    version = manifest.get("version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise RecordsError("The pack does not say its version: fetch it again.")
    if version > VERSION:
        raise RecordsError(
            f"The pack was written by a newer version of this tool (form {version}, this one "
            f"reads up to {VERSION}): update the tool."
        )
    digests = _digests(manifest.get("files"))
    unlisted = sorted(set(infos) - set(digests) - {"manifest.json"})
    if unlisted:
        raise RecordsError(
            f"The pack holds {shown(unlisted[0])}, which its manifest does not list: "
            "fetch it again from where it was made."
        )
    photos: dict[str, str] = {}
    job_data = b""
    for path, digest in digests.items():
        data = _bytes(pack, infos, path)
        if hashlib.sha256(data).hexdigest() != digest:
            raise RecordsError(
                f"{shown(path)} in the pack is not as it was written (its hash differs): "
                "fetch the pack again."
            )
        if path == "job.json":
            job_data = data
        elif path.startswith("photos/"):
            found = _PHOTO.match(path)
            if found is None or found[1] != digest:
                raise RecordsError(f"{shown(path)} in the pack is no photo of its name.")
            photos[digest] = path
    entries = _object(job_data, "job.json")
    for key, value in entries.items():
        check_entry(key, value)
    wanted = {key.partition("/")[2] for key in entries if key.startswith("photo/")}
    said = manifest.get("missing_photos", [])
    missing = tuple(sorted(wanted - set(photos)))
    if not isinstance(said, list) or not set(missing) <= {str(one) for one in said}:
        raise RecordsError("A photo of the job is not in the pack: fetch the pack again.")
    name = manifest.get("job")
    return JobPack(source, name if isinstance(name, str) else "", entries, photos, missing)


def _digests(files: Any) -> dict[str, str]:
    """Path -> sha256 of the manifest's list, each path a plain one below the pack."""
    found: dict[str, str] = {}
    for one in files if isinstance(files, list) else ():
        path = one.get("path") if isinstance(one, dict) else None
        digest = one.get("sha256") if isinstance(one, dict) else None
        if not isinstance(path, str) or not isinstance(digest, str):
            raise RecordsError("The manifest of the pack is damaged: fetch the pack again.")
        if not _PATH.match(path) or path in found or path == "manifest.json":
            raise RecordsError(
                f"The pack names a file {shown(path)}, which no pack of this tool holds: "
                "do not use it."
            )
        found[path] = digest
    if "job.json" not in found:
        raise RecordsError("The manifest of the pack lists no job: fetch the pack again.")
    return found


def _bytes(pack: zipfile.ZipFile, infos: Mapping[str, zipfile.ZipInfo], path: str) -> bytes:
    """A file of the pack; never more than it says it is, and never more than the limit."""
    info = infos.get(path)
    if info is None:
        raise RecordsError(f"{shown(path)} is not in the pack: fetch it again.")
    if info.file_size > MAX_FILE_BYTES:
        raise RecordsError(f"{shown(path)} in the pack is larger than any file of a job.")
    parts, size = [], 0
    with pack.open(info) as file:
        while block := file.read(BLOCK):
            size += len(block)
            if size > info.file_size:
                raise RecordsError(f"{shown(path)} in the pack unpacks to more than it says.")
            parts.append(block)
    return b"".join(parts)


def _object(data: bytes, path: str) -> dict[str, Any]:
    def refuse(word: str) -> Any:
        raise ValueError(word)

    try:
        found = json.loads(data, parse_constant=refuse)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise RecordsError(f"{path} of the pack is damaged: fetch the pack again.")
    return found


def _json(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1).encode()
