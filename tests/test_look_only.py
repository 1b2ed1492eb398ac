"""A job that is open to look at only can't be changed by anything on its pages."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from mapper.photos import quick_thumbnail
from mapper.records import JobStore
from mapper.ui.session import LOOK_PARAM
from tests.test_pages import click, grid_plate, page, sound, store, words

__all__ = ["store"]  # the fixture


def test_nothing_is_changed_in_a_job_that_is_only_looked_at(store: JobStore):
    job_id = store.create("Lid tool")
    store.edit(job_id, "Enter the plate", {"plate": grid_plate().to_mapping()})
    before = store.job(job_id)
    test = page("jobs", job_id, **{"look only": True})
    sound(test)
    assert LOOK_PARAM in test.query_params
    assert "Open to look at only" in words(test)
    next(one for one in test.text_input if one.label == "Mould").input("another")
    click(test, "Keep these")
    assert "open to look at only, so nothing was changed" in words(test)
    click(test, "Undo")
    assert store.job(job_id).to_mapping() == before.to_mapping()
    click(test, "Work on it")
    assert "Open to look at only" not in words(test)
    click(test, "Undo")
    assert store.job(job_id).plate is None


def test_jobs_are_found_and_shown_with_a_small_photo(store: JobStore, tmp_path: Path):
    pixels = np.full((900, 1200, 3), 90, np.uint8)
    data = cv2.imencode(".jpg", pixels)[1].tobytes()
    sha256 = store.add_photo(data, "jpg")
    entry = {"name": "a.jpg", "stage": "before", "width_px": 1200, "height_px": 900}
    job_id = store.create("Cap tool", {"mould": "M 12"})
    store.edit(job_id, "Add a photo", {f"photo/{sha256}": entry})
    store.create("Lid tool", {"mould": "M 4711"})
    test = page("jobs")
    assert "Cap tool" in words(test) and "Lid tool" in words(test)
    assert len(test.get("image")) == 1
    next(one for one in test.text_input if one.label == "Find").input("4711").run()
    assert "Cap tool" not in words(test) and "Lid tool" in words(test)
    next(one for one in test.text_input if one.label == "Find").input("nowhere").run()
    assert "No job holds all these words" in words(test)
    small = cv2.imdecode(np.frombuffer(quick_thumbnail(store.photo_path(sha256), 96), np.uint8), 1)
    assert max(small.shape) == 96
    (tmp_path / "x.jpg").write_bytes(data[:300])
    assert quick_thumbnail(tmp_path / "x.jpg", 96) is None
