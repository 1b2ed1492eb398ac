"""Small pictures of photos for lists: made once, kept here, shared with other benches."""

from __future__ import annotations

import contextlib
from pathlib import Path

from mapper.photos import quick_thumbnail
from mapper.records.errors import RecordsError
from mapper.records.originals import Originals, write_whole
from mapper.records.shelf import SharedOriginals

__all__ = ["Smalls"]


class Smalls:
    """The folder ``small/ab/<sha256>-<px>.jpg`` of an archive; it may be deleted at any time."""

    def __init__(self, folder: Path, originals: Originals | SharedOriginals):
        self._folder = folder
        self._originals = originals

    def get(self, sha256: str, max_px: int) -> bytes | None:
        """A JPEG whose longer side has at most `max_px` pixels; None when the photo can't be read.

        Raises RecordsError when the original is nowhere, or the shared place does not answer.
        """
        name = f"{max_px}.jpg"
        kept = self._folder / sha256[:2] / f"{sha256}-{name}"
        with contextlib.suppress(OSError):
            return kept.read_bytes()
        shared = self._originals if isinstance(self._originals, SharedOriginals) else None
        data = None
        if shared is not None:
            with contextlib.suppress(RecordsError):
                data = shared.small(sha256, name)
        if data is None:
            data = quick_thumbnail(self._originals.path(sha256), max_px)
            if data is None:
                return None
            if shared is not None:
                with contextlib.suppress(RecordsError):
                    shared.keep_small(sha256, name, data)
        with contextlib.suppress(OSError):  # a full disk costs time, not the picture
            kept.parent.mkdir(parents=True, exist_ok=True)
            write_whole(kept.parent, kept, data)
        return data
