"""Photo originals kept on a shared place as well, named by any URL that fsspec knows."""

from __future__ import annotations

import hashlib
import uuid
from pathlib import Path
from typing import Any

import fsspec

from mapper.errors import shown
from mapper.records.errors import RecordsError
from mapper.records.originals import Originals

__all__ = ["SharedOriginals"]


class SharedOriginals:
    """Originals on a shared file system, with a folder of this machine as its copy.

    A photo is acknowledged when it is whole on the shared place. What is asked for is fetched
    once, checked by its hash, and then lies on this machine too.
    """

    def __init__(self, folder: Path, url: str):
        """`folder` is the local copy; `url` a folder such as ``file:///srv/photos``.

        Raises RecordsError for a URL of a kind that is not known here.
        """
        self._local = Originals(folder)
        try:
            self._fs, self._root = fsspec.core.url_to_fs(url)
            self._fs.makedirs(self._root, exist_ok=True)
        except (ImportError, ValueError, OSError) as error:
            raise _unusable(error) from error

    def add(self, data: bytes, ext: str) -> str:
        """Keep the bytes here and on the shared place; return their sha256 (hex)."""
        sha256 = self._local.add(data, ext)
        target = self._place(self._local.path(sha256).name)
        try:
            if not self._fs.exists(target) or self._fs.size(target) != len(data):
                self._fs.makedirs(target.rpartition("/")[0], exist_ok=True)
                part = f"{target}.{uuid.uuid4().hex}.part"
                self._fs.pipe_file(part, data)
                self._fs.mv(part, target)
        except OSError as error:
            raise _unusable(error) from error
        return sha256

    def path(self, sha256: str) -> Path:
        """Where the photo lies on this machine, fetched first when it is not here yet."""
        try:
            return self._local.path(sha256)
        except RecordsError as absent:
            try:
                found = self._fs.glob(self._place(f"{sha256}.*"))
                found = [name for name in found if not name.endswith(".part")]
                if not found:
                    raise absent
                data = self._fs.cat_file(found[0])
            except OSError as error:
                raise _unusable(error) from error
            if hashlib.sha256(data).hexdigest() != sha256:
                raise RecordsError(
                    f"The original of photo {shown(sha256[:8])} on the shared place is damaged: "
                    "add the photo again."
                ) from None
            self._local.add(data, found[0].rpartition(".")[2])
            return self._local.path(sha256)

    def _place(self, name: str) -> str:
        return f"{self._root}/{name[:2]}/{name}"


def _unusable(error: Any) -> RecordsError:
    return RecordsError(
        f"The shared place of the photos can't be used ({shown(error, 160)}): check its address "
        "and the network, then repeat the last step; everything before it is saved."
    )
