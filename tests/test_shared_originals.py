"""Photos on a shared place: found by their hash, never overwritten, fetched once."""

from __future__ import annotations

import hashlib
import io
import os
import uuid
from pathlib import Path

import fsspec
import pytest
from fsspec.implementations.memory import MemoryFileSystem
from PIL import Image

from mapper.records import JobStore, RecordsError
from mapper.records.shelf import SharedOriginals

DATA = bytes(range(256)) * 300
FILES = fsspec.filesystem("memory")


@pytest.fixture
def place() -> str:
    """A shared folder of its own in the memory of this process."""
    return f"/{uuid.uuid4().hex}"


def jpeg(width_px: int = 800) -> bytes:
    buffer = io.BytesIO()
    Image.new("RGB", (width_px, 600), (200, 80, 40)).save(buffer, "JPEG")
    return buffer.getvalue()


def named(place: str, data: bytes, ending: str = "jpg") -> str:
    sha256 = hashlib.sha256(data).hexdigest()
    return f"{place}/{sha256[:2]}/{sha256}.{ending}"


def everything(place: str) -> dict[str, bytes]:
    return {name: FILES.cat_file(name) for name in FILES.find(place)}


@pytest.mark.parametrize("wrong", [DATA[::-1], DATA[:-1], DATA + b"\0", b"", b"x" * len(DATA)])
def test_a_wrong_file_under_the_right_name_is_set_aside_and_told(tmp_path, place, wrong):
    FILES.pipe_file(named(place, DATA), wrong)
    shelf = SharedOriginals(tmp_path, f"memory:/{place}")
    sha256 = shelf.add(DATA, "jpg")
    files = everything(place)
    assert files.pop(named(place, DATA)) == DATA
    ((aside, kept),) = files.items()
    assert kept == wrong and aside.startswith(f"{named(place, DATA)}.wrong-")
    (told,) = shelf.remarks()
    assert sha256[:8] in told and aside.rpartition("/")[2] in told
    assert shelf.add(DATA, "jpg") == sha256 and shelf.remarks() == []
    fresh = SharedOriginals(tmp_path / "other bench", f"memory:/{place}")
    assert fresh.path(sha256).read_bytes() == DATA  # what was set aside is never taken for it


def test_a_photo_that_is_there_already_is_read_piece_by_piece_and_not_sent_again(
    tmp_path, place, monkeypatch
):
    data = os.urandom(3 << 20)
    SharedOriginals(tmp_path / "a", f"memory:/{place}").add(data, "jpg")
    sent = []
    monkeypatch.setattr(MemoryFileSystem, "pipe_file", lambda *args, **more: sent.append(args))
    monkeypatch.setattr(MemoryFileSystem, "cat_file", None)  # never the whole file at once
    shelf = SharedOriginals(tmp_path / "b", f"memory:/{place}")
    assert shelf.add(data, "jpg") == hashlib.sha256(data).hexdigest()
    assert sent == [] and shelf.remarks() == []


def test_a_damaged_copy_beside_a_whole_one_does_not_stand_in_its_way(tmp_path, place):
    FILES.pipe_file(named(place, DATA, "bin"), b"half")
    FILES.pipe_file(named(place, DATA, "jpg"), DATA)
    shelf = SharedOriginals(tmp_path, f"memory:/{place}")
    assert shelf.path(hashlib.sha256(DATA).hexdigest()).read_bytes() == DATA


def test_a_small_picture_is_made_once_for_all_benches(tmp_path: Path, place, monkeypatch):
    url = f"memory:/{place}"
    first, second = (JobStore(tmp_path / name, photos=url) for name in "ab")
    data = jpeg()
    sha256 = first.add_photo(data, "jpg")
    made = first.small_photo(sha256, 192)
    assert max(Image.open(io.BytesIO(made)).size) == 192
    fetched = []
    whole = MemoryFileSystem.cat_file

    def counted(self, path, *args, **more):
        fetched.append(path)
        return whole(self, path, *args, **more)

    monkeypatch.setattr(MemoryFileSystem, "cat_file", counted)
    assert second.small_photo(sha256, 192) == made
    assert second.small_photo(sha256, 192) == made
    assert len(fetched) == 1 and "/small/" in fetched[0]  # once, and never the original
    assert not list((tmp_path / "b" / "photos").rglob("*.jpg"))
    for store in (first, second):
        store.close()


def test_a_small_picture_without_any_on_the_place_comes_from_the_original(tmp_path: Path, place):
    data = jpeg()
    FILES.pipe_file(named(place, data), data)
    sha256 = hashlib.sha256(data).hexdigest()
    store = JobStore(tmp_path, photos=f"memory:/{place}")
    made = store.small_photo(sha256, 192)
    assert made and f"{place}/small/{sha256[:2]}/{sha256}-192.jpg" in everything(place)
    with pytest.raises(RecordsError, match="add the photo again"):
        store.small_photo("0" * 64, 192)
    store.close()


def test_a_place_that_does_not_answer_is_not_waited_for_by_each_picture(
    tmp_path, place, monkeypatch
):
    shelf = SharedOriginals(tmp_path, f"memory:/{place}")
    sha256 = SharedOriginals(tmp_path / "other", f"memory:/{place}").add(DATA, "jpg")
    asked = []

    def down(self, *args, **more):
        asked.append(args)
        raise ConnectionError("no route to host")

    with monkeypatch.context() as cut:
        for name in ("glob", "exists"):
            cut.setattr(MemoryFileSystem, name, down)
        for _ in range(20):
            with pytest.raises(RecordsError, match="shared place"):
                shelf.path(sha256)
        assert len(asked) == 1
        with pytest.raises(RecordsError, match="shared place"):
            shelf.add(b"new", "jpg")  # a write is always tried
        assert len(asked) == 2


def test_a_small_picture_of_an_archive_in_a_folder_is_kept_there(tmp_path: Path, monkeypatch):
    store = JobStore(tmp_path)
    sha256 = store.add_photo(jpeg(), "jpg")
    made = store.small_photo(sha256, 192)
    monkeypatch.setattr("mapper.records.smalls.quick_thumbnail", None)  # not read a second time
    assert store.small_photo(sha256, 192) == made and store.remarks() == []
    store.close()
