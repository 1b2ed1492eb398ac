"""What can go wrong with the records, each with one sentence for the user."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from mapper.errors import MapperError

__all__ = ["EditConflict", "RecordsError"]


class RecordsError(MapperError):
    """The archive, a job or an entry can't be used as it is."""


class EditConflict(RecordsError):
    """Another window changed the same thing first; the job is left as that window saved it.

    `label` and `changes` are the refused edit, so that it can be offered again;
    `keys` are the entries that were not as the editor had seen them.
    """

    def __init__(self, message: str, label: str, changes: Mapping[str, Any], keys: tuple[str, ...]):
        super().__init__(message)
        self.label = label
        self.changes = dict(changes)
        self.keys = keys
