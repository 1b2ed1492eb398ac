"""Photo originals are kept untouched, once, and never half-written."""

from __future__ import annotations

import errno
import hashlib
import os
import threading
from pathlib import Path

import pytest

from mapper.records import JobStore, RecordsError

DATA = bytes(range(256)) * 500


@pytest.fixture
def store(tmp_path: Path):
    opened = JobStore(tmp_path / "store")
    yield opened
    opened.close()


def files(store: JobStore) -> list[str]:
    return sorted(str(p.relative_to(store.folder)) for p in store.folder.glob("photos/**/*.*"))


def test_an_original_is_kept_byte_for_byte_under_its_hash(store: JobStore):
    sha256 = store.add_photo(DATA, ".JPG")
    assert sha256 == hashlib.sha256(DATA).hexdigest()
    assert store.photo_path(sha256).read_bytes() == DATA
    assert files(store) == [f"photos/{sha256[:2]}/{sha256}.jpg"]


def test_the_same_photo_is_stored_once_whatever_its_file_is_called(store: JobStore):
    assert store.add_photo(DATA, "jpg") == store.add_photo(DATA, "jpeg")
    assert len(files(store)) == 1


def test_an_original_damaged_on_the_disk_is_put_right_by_adding_it_again(store: JobStore):
    path = store.photo_path(store.add_photo(DATA, "jpg"))
    path.write_bytes(DATA[:100])
    store.add_photo(DATA, "jpg")
    assert path.read_bytes() == DATA
    assert len(files(store)) == 1


@pytest.mark.parametrize("ext", ["", ".", "../../x", "a" * 40, "j/g", "part", "jp\0g"])
def test_an_odd_file_ending_does_no_harm(store: JobStore, ext: str):
    sha256 = store.add_photo(DATA, ext)
    assert store.photo_path(sha256).name == f"{sha256}.bin"


@pytest.mark.parametrize("sha256", ["", "a" * 64, "../jobs.sqlite", "*", "A" * 64])
def test_a_photo_that_is_not_there_is_asked_for(store: JobStore, sha256: str):
    with pytest.raises(RecordsError, match="add the photo again"):
        store.photo_path(sha256)


def test_an_empty_file_is_refused(store: JobStore):
    with pytest.raises(RecordsError, match="empty"):
        store.add_photo(b"", "jpg")


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.ENOSPC, "is full: free some space"),
        (errno.EACCES, "allow writing"),
        (errno.EIO, "choose another folder"),
    ],
)
@pytest.mark.parametrize("act", ["fsync", "replace"])
def test_a_disk_that_fails_leaves_nothing_half_written(
    store: JobStore, monkeypatch, code: int, words: str, act: str
):
    def fail(*_):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, act, fail)
    with pytest.raises(RecordsError, match=words):
        store.add_photo(DATA, "jpg")
    assert files(store) == []
    monkeypatch.undo()
    assert store.photo_path(store.add_photo(DATA, "jpg")).read_bytes() == DATA


def test_what_a_killed_writer_left_is_swept_when_it_is_old(store: JobStore):
    sha256 = store.add_photo(DATA, "jpg")
    old, young = (store.photo_path(sha256).with_name(name) for name in ("a.part", "b.part"))
    for part in (old, young):
        part.write_bytes(b"half")
    os.utime(old, (0, 0))
    store.close()
    JobStore(store.folder).close()
    assert [Path(name).name for name in files(store)] == [f"{sha256}.jpg", "b.part"]


def test_threads_that_add_the_same_photo_agree(store: JobStore):
    found: list[str] = []
    threads = [
        threading.Thread(target=lambda: found.append(store.add_photo(DATA, "png")))
        for _ in range(6)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 6 and len(set(found)) == 1
    assert len(files(store)) == 1
