"""Photo originals: untouched, stored once, named by the sha256 of their bytes."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mapper.errors import shown
from mapper.records.errors import RecordsError

__all__ = ["Originals", "write_whole"]

_SHA256 = re.compile(r"[0-9a-f]{64}\Z")
_EXTENSION = re.compile(r"[a-z0-9]{1,8}\Z")
_PART = ".part"  # ending of a file that is still being written
STALE_PART_S = 24 * 3600.0  # a part this old belongs to nobody any more


class Originals:
    """The folder ``photos/ab/abcdef....<ext>`` below the store."""

    def __init__(self, folder: Path):
        self.folder = folder
        with _mended(folder):
            folder.mkdir(parents=True, exist_ok=True)
            self._sweep()

    def add(self, data: bytes, ext: str) -> str:
        """Store the bytes unless they are there already; return their sha256 (hex).

        The file appears under its name only when it is wholly on the disk. An original that
        was damaged on the disk is put right.

        Raises
        ------
        RecordsError
            The file is empty, the disk is full, or the folder can't be written.
        """
        if not data:
            raise RecordsError("The photo file is empty: copy it from the phone again.")
        sha256 = hashlib.sha256(data).hexdigest()
        with _mended(self.folder):
            there = self._find(sha256)
            if there is not None and hashlib.sha256(there.read_bytes()).hexdigest() == sha256:
                return sha256
            folder = self.folder / sha256[:2]
            folder.mkdir(exist_ok=True)
            target = there or folder / f"{sha256}.{_clean_extension(ext)}"
            write_whole(folder, target, data)
        return sha256

    def path(self, sha256: str) -> Path:
        """Return where the original lies. Raises RecordsError when it is not there."""
        found = self._find(sha256) if _SHA256.match(sha256) else None
        if found is None:
            raise RecordsError(
                f"The original of photo {shown(sha256[:8])} is not in {shown(self.folder, 200)}: "
                "add the photo again."
            )
        return found

    def _find(self, sha256: str) -> Path | None:
        folder = self.folder / sha256[:2]
        found = (path for path in folder.glob(f"{sha256}.*") if path.suffix != _PART)
        return next(found, None)

    def _sweep(self) -> None:
        for part in self.folder.glob(f"*/*{_PART}"):
            if time.time() - part.stat().st_mtime > STALE_PART_S:
                part.unlink(missing_ok=True)


def _clean_extension(ext: str) -> str:
    ext = ext.lower().lstrip(".")
    return ext if _EXTENSION.match(ext) and f".{ext}" != _PART else "bin"


def write_whole(folder: Path, target: Path, data: bytes) -> None:
    """Write a file that appears under its name only when it is wholly on the disk."""
    handle, name = tempfile.mkstemp(suffix=_PART, dir=folder)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, target)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    if os.name == "posix":  # the new name itself has to reach the disk too
        directory = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(directory)
        finally:
            os.close(directory)


@contextmanager
def _mended(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        where = shown(folder, 200)
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            sentence = (
                f"The disk with {where} is full: free some space, then add the photo again; "
                "everything before it is saved."
            )
        elif isinstance(error, PermissionError) or error.errno == errno.EROFS:
            sentence = f"{where} can't be written: allow writing there, or choose another folder."
        else:
            sentence = f"{where} can't be used ({shown(error.strerror)}): choose another folder."
        raise RecordsError(sentence) from error
