"""The demo job that ships with the tool, copied into a store so that its files stay untouched.

The folder holds ``job.json``, a job's document as key -> JSON value, and the photos under
the names that the document gives them.
"""

from __future__ import annotations

import json
from pathlib import Path

from mapper.errors import shown
from mapper.records.document import check_key
from mapper.records.errors import RecordsError
from mapper.records.store import JobStore

__all__ = ["demo_folder", "open_demo"]

_MARK = "demo"  # in `about`: tells the demo job from people's own


def demo_folder() -> Path:
    """Return the folder of the demo job: inside the package when installed, else beside it."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "sample_images"
    return inside if inside.is_dir() else package.parent / "sample_images"


def open_demo(store: JobStore, fresh: bool = False, folder: Path | None = None) -> str:
    """Return the id of the demo job in the store; make it when it isn't there, or `fresh`.

    Raises
    ------
    RecordsError
        The files of the demo job are missing or damaged.
    """
    if not fresh:
        for job in store.jobs():
            if store.job(job.id).about.get(_MARK):
                return job.id
    folder = demo_folder() if folder is None else folder
    damaged = f"The demo job in {shown(folder, 200)} is missing or damaged: install it again."
    try:
        entries = json.loads((folder / "job.json").read_text(encoding="utf-8"))
        photos = {
            sha256: folder / value["name"]
            for key, value in entries.items()
            for kind, sha256 in [check_key(key)]
            if kind == "photo"
        }
        originals = {sha256: path.read_bytes() for sha256, path in photos.items()}
    except (OSError, ValueError, AttributeError, KeyError, TypeError) as error:
        raise RecordsError(damaged) from error
    for sha256, data in originals.items():
        if store.add_photo(data, photos[sha256].suffix) != sha256:
            raise RecordsError(damaged)
    entries["about"] = {**entries.get("about", {}), _MARK: True}
    return store.import_job(entries)
