"""An archive on a server: two benches lose nothing, photos are shared, and it can be moved."""

from __future__ import annotations

import hashlib
import io
import shutil
import sqlite3
import threading
from datetime import datetime
from pathlib import Path

import fsspec
import pytest
from sqlalchemy import text

from mapper.cli.main import main
from mapper.records import (
    AsBuilt,
    EditConflict,
    JobStore,
    RecordsError,
    as_built_of_job,
    move_archive,
    next_job_entries,
    open_demo,
    shared_places,
    write_pack,
)
from mapper.records.migrations import FIRST, HEAD

DATA = bytes(range(256)) * 300


def test_two_writers_at_once_lose_nothing(new_database: str, tmp_path: Path):
    benches = [JobStore(tmp_path / str(n), new_database) for n in range(2)]
    job_id = benches[0].create("shared")
    failures: list[BaseException] = []

    def work(bench: JobStore, name: str) -> None:
        try:
            for n in range(15):
                bench.edit(job_id, f"note {n}", {f"note/{name}{n}": note(f"{name}{n}")}, by=name)
        except BaseException as error:
            failures.append(error)

    def note(words: str) -> dict:
        return {"text": words, "by": "", "at": "2026-01-01T00:00:00+00:00"}

    threads = [threading.Thread(target=work, args=pair) for pair in zip(benches, "ab", strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    job = benches[1].job(job_id)
    assert {one.text for one in job.notes} == {f"{name}{n}" for name in "ab" for n in range(15)}
    assert job.revision == 30
    for bench in benches:
        bench.close()


def test_a_conflict_between_two_benches_is_shown_and_not_swallowed(new_database, tmp_path):
    first, second = (JobStore(tmp_path / name, new_database) for name in "ab")
    job_id = first.create("shared")
    seen = second.job(job_id)
    first.edit(job_id, "resin", {"about": {"name": "shared", "resin": "PP"}})
    with pytest.raises(EditConflict, match="Another window has changed"):
        second.edit(job_id, "note", {"about": {"name": "shared", "note": "x"}}, expected=seen)
    assert second.job(job_id).about["resin"] == "PP"
    first.close()
    second.close()


def test_an_archive_moves_to_a_server_and_back_with_every_row_and_photo(new_database, tmp_path):
    old = JobStore(tmp_path / "old")
    job_id = open_demo(old)
    old.edit(job_id, "words\0with a null", {"about": {**old.job(job_id).about, "note": "grün"}})
    server = JobStore(tmp_path / "server", new_database, "memory://moved")
    moved = move_archive(old, server)
    assert moved.photos == len(old.job(job_id).photos)
    assert not moved.missing
    back = JobStore(tmp_path / "back")
    assert move_archive(server, back).rows == moved.rows
    assert back.job(job_id).to_mapping() == old.job(job_id).to_mapping()
    assert back.history(job_id) == old.history(job_id)
    packs = []
    for store in (old, server, back):
        packs.append(io.BytesIO())
        assert not write_pack(store, job_id, packs[-1])
    assert packs[0].getvalue() == packs[1].getvalue() == packs[2].getvalue()
    with pytest.raises(RecordsError, match="holds jobs already"):
        move_archive(old, server)
    for store in (old, server, back):
        store.close()


def test_a_photo_of_one_bench_is_there_on_the_other(tmp_path: Path):
    place = (tmp_path / "place").as_uri()
    first, second = (JobStore(tmp_path / name, photos=place) for name in "ab")
    sha256 = first.add_photo(DATA, ".JPG")
    assert second.photo_path(sha256).read_bytes() == DATA
    shutil.rmtree(tmp_path / "place")
    assert second.photo_path(sha256).read_bytes() == DATA  # its own copy, also without network


def test_a_damaged_photo_of_the_shared_place_is_refused(tmp_path: Path):
    first, second = (JobStore(tmp_path / name, photos="memory://damaged") for name in "ab")
    sha256 = first.add_photo(DATA, "jpg")
    files = fsspec.filesystem("memory")
    files.pipe_file(f"/damaged/{sha256[:2]}/{sha256}.jpg", b"half")
    with pytest.raises(RecordsError, match="damaged"):
        second.photo_path(sha256)
    assert first.add_photo(DATA, "jpg") == hashlib.sha256(DATA).hexdigest()  # put right
    assert second.photo_path(sha256).read_bytes() == DATA
    (told,) = first.remarks()
    assert sha256[:8] in told and first.remarks() == []


@pytest.mark.parametrize("address", ["mysql://a/b", "jobs", "postgresql://nobody@127.0.0.1:1/x"])
def test_a_wrong_address_of_the_database_is_said(tmp_path: Path, address: str):
    with pytest.raises(RecordsError, match="address|reached"):
        JobStore(tmp_path, address)


def test_an_unknown_kind_of_photo_place_is_said(tmp_path: Path):
    with pytest.raises(RecordsError, match="shared place"):
        JobStore(tmp_path, photos="nonsense://x")


def test_an_archive_of_the_first_version_opens_with_all_it_held(tmp_path: Path):
    store = JobStore(tmp_path)
    job_id = store.create("Deckel Größe", {"mould": "lid tool"})
    store.edit(job_id, "note", {"about": {"name": "Deckel Größe", "note": "spring"}})
    store.close()
    path = tmp_path / "jobs.sqlite"
    with sqlite3.connect(path) as raw:  # as it was before the second step
        raw.execute("ALTER TABLE job DROP COLUMN words")
        raw.execute("DROP TABLE alembic_version")
        raw.execute("CREATE TABLE migration (version INTEGER PRIMARY KEY, at VARCHAR(40) NOT NULL)")
        raw.execute("PRAGMA user_version = 1")
    store = JobStore(tmp_path)
    assert [job.id for job in store.jobs(search="grosse spring")] == [job_id]
    assert len(store.history(job_id)) == 1
    with store.reading() as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar() == HEAD
    store.close()
    assert FIRST < HEAD


def test_a_newer_archive_on_a_server_is_refused_and_left_alone(new_database, tmp_path):
    store = JobStore(tmp_path, new_database)
    with store.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    store.close()
    with pytest.raises(RecordsError, match="newer version"):
        JobStore(tmp_path, new_database)


def test_jobs_are_found_by_any_word_of_theirs(tmp_path: Path):
    store = JobStore(tmp_path)
    lid = store.create("Lid tool", {"mould": "M 4711", "tags": "urgent", "note": "Köln 100%"})
    store.create("Cap tool", {"mould": "M 12"})
    store.edit(
        lid,
        "plate",
        {
            "plate": {
                "name": "P-9",
                "outline": [[0, 0], [9, 0], [9, 9]],
                "drops": [{"id": "D77", "x": 8, "y": 4, "bore_diameter": 1}],
            }
        },
    )

    def found(query: str) -> list[str]:
        return [job.name for job in store.jobs(search=query)]

    assert found("tool") == ["Lid tool", "Cap tool"]
    for query in ("4711", "URGENT lid", "koln", "p-9", "d77", "100%"):
        assert found(query) == ["Lid tool"], query
    assert found("tool 4711 cap") == []
    assert found("_") == found("%%") == []
    store.undo(lid)
    assert found("p-9") == []
    store.close()


def test_the_next_job_on_a_plate_takes_what_lasts_and_no_old_judgement(tmp_path: Path):
    store = JobStore(tmp_path)
    old_id = open_demo(store)
    old = store.job(old_id)
    store.edit(old_id, "part", {"zone/Z01": {"volts": 230.0, "watts": 500.0, "ohm": 99.0}})
    store.edit(old_id, "as-built", {"as-built": AsBuilt(old.route_map()).to_mapping()})
    new = store.job(store.import_job(next_job_entries(store.job(old_id), "next")))
    assert new.name == "next"
    assert new.plate == old.plate
    assert dict(new.zones[0].data) == {"volts": 230.0, "watts": 500.0}
    assert new.photos == () and new.done == () and new.judged == ()
    assert {lead.id for lead in new.leads} == {lead.id for lead in old.route_map().leads}
    assert all(one.top is None for one in new.route_map().crossings)
    store.close()


def test_an_archive_moves_on_the_command_line(tmp_path: Path, capsys):
    old = JobStore(tmp_path / "old")
    old.create("lid")
    old.close()
    command = ["move", "--store", str(tmp_path / "old"), "--to-store", str(tmp_path / "new")]
    assert main(command) == 0
    assert "1 rows of job" in capsys.readouterr().out
    new = JobStore(tmp_path / "new")
    assert [job.name for job in new.jobs()] == ["lid"]
    new.close()
    assert main(command) == 2  # it holds jobs already
    assert main([*command[:3], "--to-store", str(tmp_path / "old")]) == 2


def test_an_archive_that_is_not_there_is_not_moved(tmp_path: Path, capsys):
    command = ["move", "--store", str(tmp_path / "mistyped"), "--to-store", str(tmp_path / "new")]
    assert main(command) == 2
    assert "There is no archive" in capsys.readouterr().err
    assert not (tmp_path / "mistyped").exists() and not (tmp_path / "new").exists()


def test_packs_go_out_of_and_into_the_archive_that_the_app_opens(
    new_database, tmp_path: Path, monkeypatch, capsys
):
    monkeypatch.setenv("MAPPER_DATABASE", new_database)
    monkeypatch.setenv("MAPPER_PHOTOS", "memory://packs")
    shared = JobStore(tmp_path / "bench", *shared_places())
    shared.create("lid")
    pack = tmp_path / "lid.zip"
    assert main(["pack", "lid", str(pack), "--store", str(tmp_path / "other bench")]) == 0
    assert main(["take-in", str(pack), "--store", str(tmp_path / "other bench")]) == 0
    assert len(shared.jobs(search="lid")) == 2
    shared.close()


def test_routes_that_end_where_somebody_stopped_are_never_taken_as_built(tmp_path: Path):
    store = JobStore(tmp_path)
    job = store.job(open_demo(store))
    now = datetime.now().astimezone()
    with pytest.raises(RecordsError, match="Z08-T of that job is not traced to its end"):
        as_built_of_job(job, "", now)
    missing = {**job.settings.to_mapping(), "not_there": ["Z08-T"]}
    job = store.edit(job.id, "not there", {"settings": missing})
    built = as_built_of_job(job, "", now)
    assert built.confirmed and len(built.laid_map.leads) == 23
    key, lead = next((k, v) for k, v in job.to_mapping().items() if k.startswith("lead/"))
    cut = {**lead, "stretches": lead["stretches"][:1], "finished": False}
    with pytest.raises(RecordsError, match="not traced to its end"):
        as_built_of_job(store.edit(job.id, "cut", {key: cut}), "", now)
    store.close()


def test_the_next_job_waits_for_leads_that_were_not_there_and_is_no_less_careful(tmp_path: Path):
    store = JobStore(tmp_path)
    job = store.job(open_demo(store))
    bold = {**job.settings.to_mapping(), "not_there": ["Z08-T"], "unseen_error_mm": 0.5}
    laid = AsBuilt(job.route_map(provisional=False)).to_mapping()  # nobody confirmed it
    job = store.edit(job.id, "bold", {"settings": bold, "as-built": laid})
    new = store.job(store.import_job(next_job_entries(job, "next")))
    assert new.settings.not_there == ()
    assert new.settings.unseen_error_mm == 4.0
    assert [lead.id for lead in new.missing_leads()] == ["Z08-T"]
    store.close()
