"""Files given to the pages: good ones are kept, bad ones get one sentence each."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import ezdxf
import numpy as np
import pytest

from mapper.plate import Plate
from mapper.records import JobStore, export_route_map
from mapper.ui import server
from tests.test_pages import click, page, sound, words


@pytest.fixture
def store(tmp_path: Path, monkeypatch) -> JobStore:
    """An empty store that the pages work on."""
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    return JobStore(tmp_path / "store")


def jpeg(seed: int) -> bytes:
    rng = np.random.default_rng(seed)
    noise = rng.integers(0, 255, (60, 80, 3), dtype=np.uint8)
    done, data = cv2.imencode(".jpg", cv2.resize(noise, (800, 600)))
    assert done
    return data.tobytes()


def drawing() -> bytes:
    """A plate of 300 x 200 mm with two bores of 40 and one hole of 20, drawn at (50, 50)."""
    document = ezdxf.new(units=ezdxf.units.MM)
    space = document.modelspace()
    space.add_lwpolyline([(50, 50), (350, 50), (350, 250), (50, 250)], close=True)
    for x, y, diameter in ((110, 150, 40), (210, 150, 40), (70, 70, 20)):
        space.add_circle((x, y), diameter / 2)
    text = io.StringIO()
    document.write(text)
    return text.getvalue().encode()


def test_good_photos_are_kept_when_others_are_bad(store: JobStore):
    job_id = store.create("Photos")
    test = page("photos", job_id)
    test.file_uploader[0].set_value(
        [
            ("one.jpg", jpeg(1), "image/jpeg"),
            ("notes.jpg", b"hello, this is text", "image/jpeg"),
            ("empty.png", b"", "image/png"),
            ("cut.jpg", jpeg(2)[:4000], "image/jpeg"),
            ("two.jpg", jpeg(3), "image/jpeg"),
        ]
    )
    test.run()
    sound(test)
    assert {photo.name for photo in store.job(job_id).photos} == {"one.jpg", "two.jpg"}
    said = words(test)
    for name in ("notes.jpg", "empty.png", "cut.jpg"):
        assert name in said
    assert store.job(job_id).undo_label == "Add 2 photos"


def test_the_same_photo_twice_is_kept_once(store: JobStore):
    job_id = store.create("Photos")
    test = page("photos", job_id)
    files = [("one.jpg", jpeg(1), "image/jpeg"), ("again.jpg", jpeg(1), "image/jpeg")]
    test.file_uploader[0].set_value(files).run()
    assert len(store.job(job_id).photos) == 1
    assert "in the job already" in words(test)


def test_original_is_kept_untouched(store: JobStore):
    job_id = store.create("Photos")
    test = page("photos", job_id)
    test.file_uploader[0].set_value([("one.jpg", jpeg(1), "image/jpeg")]).run()
    (photo,) = store.job(job_id).photos
    assert store.photo_path(photo.sha256).read_bytes() == jpeg(1)


def plate_page_with(store: JobStore, way: str):
    test = page("plate", store.create("Plate"))
    test.segmented_control(key="plate way").set_value(way).run()
    sound(test)
    return test


def test_drawing_is_shown_and_taken_after_confirmation(store: JobStore):
    test = plate_page_with(store, "Drawing (DXF)")
    test.file_uploader(key="plate dxf").set_value(("lid.dxf", drawing(), "")).run()
    sound(test)
    assert "300 x 200 mm" in words(test)
    assert store.jobs()[0].id and store.job(store.jobs()[0].id).plate is None
    click(test, "Use this plate")
    plate = store.job(store.jobs()[0].id).plate
    assert [(d.x_mm, d.y_mm, d.bore_diameter_mm) for d in plate.drops] == [
        (60, 100, 40),
        (160, 100, 40),
    ]
    assert [hole.diameter_mm for hole in plate.holes] == [20]


def test_circles_can_be_told_apart_by_the_user(store: JobStore):
    test = plate_page_with(store, "Drawing (DXF)")
    test.file_uploader(key="plate dxf").set_value(("lid.dxf", drawing(), "")).run()
    test.segmented_control(key="dxf role 1 20.0 0").set_value("ignore").run()
    click(test, "Use this plate")
    plate = store.job(store.jobs()[0].id).plate
    assert len(plate.drops) == 2 and plate.holes == ()


@pytest.mark.parametrize(
    ("way", "key", "data"),
    [
        ("Drawing (DXF)", "plate dxf", b"no drawing at all"),
        ("Drawing (DXF)", "plate dxf", b""),
        ("Table (CSV)", "plate csv", b"id,x,y,bore_diameter\nD01,60,sixty,42\n"),
        ("Table (CSV)", "plate csv", b"\x00\x01\x02\xff"),
        ("Table (CSV)", "plate csv", b""),
    ],
)
def test_bad_plate_files_are_said_in_one_sentence(store: JobStore, way: str, key: str, data: bytes):
    test = plate_page_with(store, way)
    test.file_uploader(key=key).set_value(("file", data, "")).run()
    sound(test)
    assert "✕" in words(test)
    assert not [button for button in test.button if button.label == "Use this plate"]


def test_a_bad_cell_of_a_table_is_named_by_its_row(store: JobStore):
    test = plate_page_with(store, "Table (CSV)")
    data = b"id,x,y,bore_diameter\nD01,60,60,42\nD02,160,sixty,42\n"
    test.file_uploader(key="plate csv").set_value(("drops.csv", data, "")).run()
    assert "row 3" in words(test).lower() and "sixty" in words(test)


def test_route_map_file_becomes_a_job(store: JobStore):
    job_id = store.create("Out")
    plate = Plate.grid(1, 2, 100, 100, (100, 100), 40, 300, 200, name="round trip")
    store.edit(job_id, "Enter the plate", {"plate": plate.to_mapping()})
    data = export_route_map(store.job(job_id), provisional=False)
    test = page("jobs")
    test.file_uploader(key="route map in").set_value(("map.json", data, "application/json")).run()
    button = next(b for b in test.button if b.label == "Make a job from it")
    # The page that comes next is known only inside the whole application.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("mapper.ui.jobs_page.go", lambda name: None)
        button.click().run()
    assert sorted(job.name for job in store.jobs()) == ["Out", "round trip"]


def test_broken_route_map_file_is_refused_in_a_sentence(store: JobStore):
    test = page("jobs")
    test.file_uploader(key="route map in").set_value(("map.json", b"{]", "application/json")).run()
    click(test, "Make a job from it")
    sound(test)
    assert "was not taken in" in words(test)
    assert store.jobs() == []
