"""A job pack opens elsewhere as the same job, and a bad one changes nothing."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.cli.main import main
from mapper.errors import MapperError
from mapper.records import JobStore, RecordsError, open_demo, read_pack, take_in_pack, write_pack
from tests.conftest import REPO


@pytest.fixture(scope="module")
def packed(tmp_path_factory):
    store = JobStore(tmp_path_factory.mktemp("first"))
    job_id = open_demo(store)
    store.edit(job_id, "a note", {"about": {**store.job(job_id).about, "note": "grüße"}})
    buffer = io.BytesIO()
    warnings = write_pack(store, job_id, buffer, {"route map.json": b"{}"})
    assert not warnings
    yield store.job(job_id), buffer.getvalue(), store
    store.close()


@pytest.fixture
def other(tmp_path):
    store = JobStore(tmp_path / "second")
    yield store
    store.close()


def changed(data: bytes, manifest=None, drop=(), add=None) -> bytes:
    """The pack with another manifest, without some files, or with more."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for info in old.infolist():
            if info.filename in drop:
                continue
            content = old.read(info)
            if info.filename == "manifest.json" and manifest is not None:
                content = json.dumps(manifest(json.loads(content))).encode()
            new.writestr(info.filename, content)
        for name, content in (add or {}).items():
            new.writestr(name, content)
    return out.getvalue()


def refused(other: JobStore, data: bytes, words: str) -> None:
    with pytest.raises(MapperError, match=words):
        take_in_pack(other, read_pack(data))
    assert other.jobs() == []
    assert not [path for path in (other.folder / "photos").rglob("*") if path.is_file()]


def test_a_pack_opens_on_another_machine_as_the_same_job(packed, other):
    job, data, store = packed
    pack = read_pack(data)
    there = other.job(take_in_pack(other, pack))
    assert there.to_mapping() == job.to_mapping()
    for photo in job.photos:
        assert other.photo_path(photo.sha256).read_bytes() == (
            store.photo_path(photo.sha256).read_bytes()
        )


def test_a_pack_is_the_same_bytes_for_the_same_job(packed):
    job, data, store = packed
    again = io.BytesIO()
    write_pack(store, job.id, again, {"route map.json": b"{}"})
    assert again.getvalue() == data


def test_a_pack_on_the_disk_is_read_too(packed, other, tmp_path):
    path = tmp_path / "job.zip"
    path.write_bytes(packed[1])
    assert other.job(take_in_pack(other, read_pack(path))).name == packed[0].name


@pytest.mark.parametrize(
    "name", ["../outside.txt", "/etc/outside", "photos/../../x", "C:\\x", "a/b/c/d/e/f"]
)
def test_a_pack_that_names_a_file_outside_is_refused(packed, other, name):
    def manifest(one):
        one["files"].append({"path": name, "bytes": 1, "sha256": hashlib.sha256(b"x").hexdigest()})
        return one

    refused(other, changed(packed[1], manifest, add={name: b"x"}), "no pack of this tool holds")


def test_a_file_with_another_hash_is_refused(packed, other):
    def manifest(one):
        one["files"][0]["sha256"] = "0" * 64
        return one

    refused(other, changed(packed[1], manifest), "hash differs")


def test_a_file_that_nobody_listed_is_refused(packed, other):
    refused(other, changed(packed[1], add={"more.txt": b"x"}), "does not list")


def test_a_missing_photo_is_refused(packed, other):
    photo = f"photos/{packed[0].photos[0].sha256}.jpg"
    refused(other, changed(packed[1], drop=(photo,)), "not in the pack")

    def manifest(one):
        one["files"] = [file for file in one["files"] if file["path"] != photo]
        return one

    refused(other, changed(packed[1], manifest, drop=(photo,)), "photo of the job is not in")


def test_a_newer_pack_is_refused_with_the_way_out(packed, other):
    refused(other, changed(packed[1], lambda one: {**one, "version": 99}), "update the tool")


def test_a_zip_bomb_is_refused_before_it_is_unpacked(packed, other):
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as pack:
        pack.writestr("manifest.json", b"[" * 1000)
        for number in range(20_001):
            pack.writestr(f"readable/{number}", b"")
    refused(other, bomb.getvalue(), "more than any job holds")


def test_an_entry_that_no_job_can_hold_refuses_the_pack(packed, other):
    job = json.dumps({"about": {"name": 7}}).encode()

    def manifest(one):
        for file in one["files"]:
            if file["path"] == "job.json":
                file["sha256"] = hashlib.sha256(job).hexdigest()
        return one

    bad = changed(packed[1], manifest, drop=("job.json",), add={"job.json": job})
    refused(other, bad, "about")


def test_two_jobs_in_one_name_or_no_manifest_are_refused(packed, other):
    refused(other, changed(packed[1], drop=("manifest.json",)), "not in the pack")
    refused(other, b"PK\x03\x04 broken", "damaged")


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_damage_anywhere_is_refused_or_harmless(packed, data):
    job, whole, _ = packed
    broken = bytearray(whole)
    at = data.draw(st.integers(0, len(broken) - 1))
    broken[at : at + data.draw(st.integers(1, 300))] = data.draw(st.binary(max_size=40))
    try:
        pack = read_pack(bytes(broken))
    except RecordsError as error:
        assert str(error).strip()
    else:
        assert dict(pack.entries) == job.to_mapping()


def test_a_job_goes_out_and_in_on_the_command_line(packed, other, tmp_path, capsys):
    job, _, store = packed
    target = tmp_path / "job.zip"
    assert main(["pack", job.id, str(target), "--store", str(store.folder)]) == 0
    with zipfile.ZipFile(target) as pack:
        assert pack.read("readable/route map to scale.pdf").startswith(b"%PDF-")
    assert main(["take-in", str(target), "--store", str(other.folder)]) == 0
    there = other.job(capsys.readouterr().out.strip())
    assert there.to_mapping() == job.to_mapping()
    for ending in ("json", "graphml", "dxf", "svg", "xlsx", "zip"):
        form = tmp_path / f"map.{ending}"
        assert main(["convert", str(REPO / "tests/golden/route-map.json"), str(form)]) == 0
        assert main(["take-in", str(form), "--store", str(other.folder)]) == 0
        leads = other.job(capsys.readouterr().out.strip()).leads
        assert [lead.id for lead in leads] == ["Z01-H", "Z01-T", "Z02-H", "Z02-T"]
    assert main(["take-in", str(tmp_path / "none.zip"), "--store", str(other.folder)]) != 0
    assert main(["pack", "nobody's job", str(target), "--store", str(store.folder)]) != 0
