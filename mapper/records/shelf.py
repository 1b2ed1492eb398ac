"""Photo originals kept on a shared place as well, named by any URL that fsspec knows."""

from __future__ import annotations

import hashlib
import threading
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import fsspec

from mapper.errors import shown
from mapper.records.errors import RecordsError
from mapper.records.originals import Originals

__all__ = ["SharedOriginals"]

PIECE = 1 << 20  # bytes read at a time when a file is only to be hashed
REST_S = 30.0  # a place that did not answer is left alone so long by whoever only reads
MOST_SMALL = 1 << 20  # bytes of a small picture; anything larger is none
WRONG = ".wrong-"  # in the name of a file that was set aside


class SharedOriginals:
    """Originals on a shared file system, with a folder of this machine as its copy.

    A photo is acknowledged when it is whole on the shared place. What is asked for is fetched
    once, checked by its hash, and then lies on this machine too. A file that lies under a
    photo's name but holds something else is set aside under another name, never overwritten;
    `remarks` tells of it.
    """

    def __init__(self, folder: Path, url: str):
        """`folder` is the local copy; `url` a folder such as ``file:///srv/photos``.

        Raises RecordsError for a URL of a kind that is not known here.
        """
        self._local = Originals(folder)
        self._remarks: list[str] = []
        self._lock = threading.Lock()
        self._rests_until = 0.0
        try:
            self._fs, self._root = fsspec.core.url_to_fs(url)
            self._fs.makedirs(self._root, exist_ok=True)
        except (ImportError, ValueError, OSError) as error:
            raise _unusable(error) from error

    def remarks(self) -> list[str]:
        """What was found on the shared place since this was last asked, in sentences."""
        with self._lock:
            told, self._remarks = self._remarks, []
        return told

    def add(self, data: bytes, ext: str) -> str:
        """Keep the bytes here and on the shared place; return their sha256 (hex)."""
        sha256 = self._local.add(data, ext)
        target = self._place(self._local.path(sha256).name)
        with self._answering(to_write=True):
            if self._fs.exists(target):
                if self._hash_of(target) == sha256:
                    return sha256
                self._set_aside(target, sha256)
            self._put(target, data)
        return sha256

    def path(self, sha256: str) -> Path:
        """Where the photo lies on this machine, fetched first when it is not here yet."""
        try:
            return self._local.path(sha256)
        except RecordsError as absent:
            with self._answering():
                found = [
                    name
                    for name in sorted(self._fs.glob(self._place(f"{sha256}.*")))
                    if name.rpartition("/")[2].count(".") == 1  # no part, none set aside
                ]
                if not found:
                    raise absent
                for name in found:
                    data = self._fs.cat_file(name)
                    if hashlib.sha256(data).hexdigest() == sha256:
                        self._local.add(data, name.rpartition(".")[2])
                        return self._local.path(sha256)
            raise RecordsError(
                f"The original of photo {shown(sha256[:8])} on the shared place is damaged: "
                "add the photo again."
            ) from None

    def small(self, sha256: str, name: str) -> bytes | None:
        """A small picture that another bench left on the shared place, None where there is none.

        It is only looked at, so it carries no hash; the original stays what counts.
        """
        place = self._small_place(sha256, name)
        with self._answering():
            if not self._fs.exists(place) or self._fs.size(place) > MOST_SMALL:
                return None
            return self._fs.cat_file(place)

    def keep_small(self, sha256: str, name: str, data: bytes) -> None:
        """Leave a small picture for the other benches."""
        with self._answering():
            self._put(self._small_place(sha256, name), data)

    def _put(self, target: str, data: bytes) -> None:
        """Write a file that appears under its name only when it is whole."""
        self._fs.makedirs(target.rpartition("/")[0], exist_ok=True)
        part = f"{target}.{uuid.uuid4().hex}.part"
        self._fs.pipe_file(part, data)
        self._fs.mv(part, target)

    def _hash_of(self, place: str) -> str:
        made = hashlib.sha256()
        with self._fs.open(place, "rb") as file:
            while piece := file.read(PIECE):
                made.update(piece)
        return made.hexdigest()

    def _set_aside(self, target: str, sha256: str) -> None:
        aside = f"{target}{WRONG}{uuid.uuid4().hex[:8]}"
        self._fs.mv(target, aside)
        with self._lock:
            self._remarks.append(
                f"On the shared place another file lay under the name of photo {sha256[:8]}, or a "
                f"damaged one. It was set aside as {shown(aside.rpartition('/')[2], 100)}, and the "
                "right photo put there. Look at what wrote it."
            )

    @contextmanager
    def _answering(self, to_write: bool = False) -> Iterator[None]:
        """Errors of the place as sentences. After one, readers are refused for a while at once,
        so that a page with many pictures does not wait for each."""
        if not to_write and time.monotonic() < self._rests_until:
            raise _unusable("it did not answer a moment ago")
        try:
            yield
        except FileNotFoundError as error:
            raise _unusable(error) from error
        except OSError as error:
            self._rests_until = time.monotonic() + REST_S
            raise _unusable(error) from error

    def _place(self, name: str) -> str:
        return f"{self._root}/{name[:2]}/{name}"

    def _small_place(self, sha256: str, name: str) -> str:
        return f"{self._root}/small/{sha256[:2]}/{sha256}-{name}"


def _unusable(error: Any) -> RecordsError:
    return RecordsError(
        f"The shared place of the photos can't be used ({shown(error, 160)}): check its address "
        "and the network, then repeat the last step; everything before it is saved."
    )
