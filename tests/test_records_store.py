"""The archive keeps every acknowledged edit, whoever else works on the job."""

from __future__ import annotations

import random
import sqlite3
import string
import threading
from pathlib import Path

import pytest
from sqlalchemy import event

from mapper.records import (
    TICK_DEPENDS_ON,
    EditConflict,
    JobStore,
    RecordsError,
    default_store_folder,
    schema,
)
from mapper.records.migrations import HEAD

PLATE = {
    "name": "invented",
    "outline": [[0, 0], [200, 0], [200, 100], [0, 100]],
    "drops": [{"id": "D07", "x": 50, "y": 50, "bore_diameter": 20}],
    "exits": [{"id": "X1", "x": 200, "y": 50}],
}


def tick(wire: str) -> dict:
    return {"action": "pull", "wire": wire, "past": None, "at": None, "by": ""}


@pytest.fixture(params=["SQLite", "PostgreSQL"])
def store(request, tmp_path: Path):
    """An empty archive in a file, and one on a real server: the same tests for both."""
    database = None
    if request.param == "PostgreSQL":
        database = request.getfixturevalue("new_database")
    opened = JobStore(tmp_path / "store", database)
    yield opened
    opened.close()


def reopened(store: JobStore) -> JobStore:
    """The same archive, opened by another program."""
    return JobStore(store.folder, store.database_url)


@pytest.fixture
def file_store(tmp_path: Path):
    opened = JobStore(tmp_path / "store")
    yield opened
    opened.close()


@pytest.fixture
def job_id(store: JobStore) -> str:
    return store.create("Lid tool", {"resin": "PP"})


def test_a_new_job_is_listed_with_what_is_known_of_it(store: JobStore, job_id: str):
    (summary,) = store.jobs()
    assert (summary.id, summary.name) == (job_id, "Lid tool")
    assert (summary.revision, summary.photos, summary.leads) == (0, 0, 0)
    assert store.job(job_id).about == {"name": "Lid tool", "resin": "PP"}


def test_the_job_changed_last_comes_first(store: JobStore, job_id: str):
    store.create("Second")
    store.edit(job_id, "enter the plate", {"plate": PLATE})
    assert [one.name for one in store.jobs()] == ["Lid tool", "Second"]


def test_an_edit_is_there_after_the_store_was_opened_again(store: JobStore, job_id: str):
    store.edit(job_id, "enter the plate", {"plate": PLATE})
    store.close()
    again = reopened(store)
    job = again.job(job_id)
    again.close()
    assert job.plate.drops[0].id == "D07"
    assert (job.revision, job.undo_label) == (1, "enter the plate")


def test_undo_and_redo_go_over_the_whole_job(store: JobStore, job_id: str):
    store.edit(job_id, "enter the plate", {"plate": PLATE})
    store.edit(job_id, "name it", {"about": {"name": "Cap tool"}})
    assert store.undo(job_id).name == "Lid tool"
    job = store.undo(job_id)
    assert (job.plate, job.undo_label, job.redo_label) == (None, None, "enter the plate")
    assert store.undo(job_id) is None
    assert store.redo(job_id).plate is not None
    job = store.redo(job_id)
    assert (job.name, job.redo_label) == ("Cap tool", None)
    assert store.redo(job_id) is None


def test_an_edit_after_undo_ends_redo_but_the_record_keeps_what_was_undone(
    store: JobStore, job_id: str
):
    store.edit(job_id, "first", {"done/0001": tick("A")})
    store.edit(job_id, "second", {"done/0002": tick("B")})
    store.undo(job_id)
    store.undo(job_id)
    store.edit(job_id, "third", {"done/0001": tick("C")}, by="MK")
    assert store.redo(job_id) is None
    history = store.history(job_id)
    assert [(one.label, one.state) for one in history] == [
        ("first", "dropped"),
        ("second", "dropped"),
        ("third", "live"),
    ]
    assert (history[2].by, history[2].keys) == ("MK", ("done/0001",))


def test_the_same_operation_delivered_twice_is_applied_once(store: JobStore, job_id: str):
    store.edit(job_id, "tick A", {"done/0001": tick("A")}, uid="click 1")
    store.edit(job_id, "tick B", {"done/0001": tick("B")}, uid="click 2")
    job = store.edit(job_id, "tick A", {"done/0001": tick("A")}, uid="click 1")
    assert (job.done[0].wire, job.revision) == ("B", 2)


def test_an_edit_delivered_again_after_its_undo_stays_undone(store: JobStore, job_id: str):
    store.edit(job_id, "tick A", {"done/0001": tick("A")}, uid="click 1")
    store.undo(job_id, uid="undo 1")
    assert store.edit(job_id, "tick A", {"done/0001": tick("A")}, uid="click 1").done == ()
    assert store.redo(job_id, uid="redo 1").done[0].wire == "A"
    assert store.undo(job_id, uid="undo 1").done[0].wire == "A"
    assert store.redo(job_id, uid="redo 1").done[0].wire == "A"


def test_an_edit_that_changed_nothing_is_known_when_it_comes_again(store: JobStore, job_id: str):
    store.edit(job_id, "tick A", {"done/0001": tick("A")})
    same = store.edit(job_id, "tick A", {"done/0001": tick("A")}, uid="click 1")
    assert same.revision == 1
    store.edit(job_id, "take it back", {"done/0001": None})
    assert store.edit(job_id, "tick A", {"done/0001": tick("A")}, uid="click 1").done == ()
    assert [one.label for one in store.history(job_id)] == ["tick A", "take it back"]


def test_a_change_made_on_an_old_view_is_refused_and_handed_back(store: JobStore, job_id: str):
    seen = store.job(job_id)
    store.edit(job_id, "tick A", {"done/0001": tick("A")}, expected=seen)
    changes = {"done/0001": tick("B"), "about": {"name": "Cap tool"}}
    with pytest.raises(EditConflict, match="teardown log") as refused:
        store.edit(job_id, "tick B", changes, expected=seen)
    assert refused.value.keys == ("done/0001",)
    assert (refused.value.label, refused.value.changes) == ("tick B", changes)
    job = store.job(job_id)
    assert (job.done[0].wire, job.name, job.revision) == ("A", "Lid tool", 1)


def test_two_windows_may_change_different_things_from_the_same_view(store: JobStore, job_id: str):
    seen = store.job(job_id)
    store.edit(job_id, "enter the plate", {"plate": PLATE}, expected=seen)
    job = store.edit(job_id, "name it", {"about": {"name": "Cap tool"}}, expected=seen)
    assert (job.name, job.plate.name) == ("Cap tool", "invented")


@pytest.mark.parametrize(
    ("depends_on", "keys"),
    [
        (("judged",), ("judged/1",)),
        (TICK_DEPENDS_ON, ("judged/1",)),
        (("about", "judged/1"), ("judged/1",)),
        (("plate", "judge", "judged/2", "done"), ()),
        ((), ()),
    ],
)
def test_an_edit_is_refused_when_what_it_was_made_from_has_changed(
    store: JobStore, job_id: str, depends_on, keys
):
    seen = store.job(job_id)
    judged = {"a": "A", "b": "B", "x": 1.0, "y": 2.0, "top": "a"}
    store.edit(job_id, "judge", {"judged/1": judged})
    changes = {"done/0001": tick("A")}
    if keys:
        with pytest.raises(EditConflict, match="a judgement") as refused:
            store.edit(job_id, "tick", changes, expected=seen, depends_on=depends_on)
        assert refused.value.keys == keys
        assert store.job(job_id).done == ()
    else:
        job = store.edit(job_id, "tick", changes, expected=seen, depends_on=depends_on)
        assert [step.wire for step in job.done] == ["A"]


def test_undo_takes_back_only_the_edit_that_the_view_names(store: JobStore, job_id: str):
    seen = store.edit(job_id, "tick A", {"done/0001": tick("A")})
    store.edit(job_id, "tick B", {"done/0002": tick("B")})
    with pytest.raises(EditConflict, match="teardown log"):
        store.undo(job_id, expected=seen)
    now = store.job(job_id)
    assert [step.wire for step in now.done] == ["A", "B"]
    now = store.undo(job_id, expected=now)
    assert [step.wire for step in now.done] == ["A"]
    store.undo(job_id, expected=now)
    store.redo(job_id)
    with pytest.raises(EditConflict, match="changed the job"):
        store.redo(job_id, expected=now)


def test_a_view_does_not_change_when_the_job_does(store: JobStore, job_id: str):
    seen = store.job(job_id)
    seen.about["name"] = "changed in place"
    seen.to_mapping()["about"]["name"] = "changed in place"
    store.edit(job_id, "name it", {"about": {"name": "Cap tool"}})
    assert (seen.name, seen.revision) == ("Lid tool", 0)
    with pytest.raises(TypeError):
        seen.texts["about"] = "{}"


def test_revision_grows_with_edit_undo_and_redo(store: JobStore, job_id: str):
    revisions = [store.revision(job_id)]
    store.edit(job_id, "enter the plate", {"plate": PLATE})
    revisions.append(store.revision(job_id))
    store.undo(job_id)
    revisions.append(store.revision(job_id))
    store.redo(job_id)
    revisions.append(store.revision(job_id))
    assert revisions == [0, 1, 2, 3]


def test_a_deleted_job_comes_back_whole(store: JobStore, job_id: str):
    store.edit(job_id, "enter the plate", {"plate": PLATE})
    store.delete(job_id)
    assert store.jobs() == []
    assert [one.id for one in store.jobs(deleted=True)] == [job_id]
    with pytest.raises(RecordsError, match="restore"):
        store.edit(job_id, "name it", {"about": {"name": "x"}})
    store.restore(job_id)
    assert store.undo(job_id).plate is None
    assert store.redo(job_id).plate.name == "invented"


def test_a_copy_goes_its_own_way(store: JobStore, job_id: str):
    store.edit(job_id, "enter the plate", {"plate": PLATE})
    copy = store.import_job(store.job(job_id).to_mapping(), name="Copy")
    store.edit(copy, "remove the plate", {"plate": None})
    assert store.job(copy).name == "Copy"
    assert store.job(job_id).plate is not None
    assert store.history(job_id)[-1].label == "enter the plate"


def test_an_unknown_job_is_said_to_be_unknown(store: JobStore):
    for act in (store.job, store.revision, store.history, store.undo, store.delete):
        with pytest.raises(RecordsError, match="no job <b>"):
            act("<b>")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("plate", {"name": "no outline"}),
        ("colour", {}),
        ("lead/", {}),
        ("lead/A", {"id": "B", "kind": "heater", "drop": "D07"}),
        ("lead/A", {"id": "A", "kind": "rope", "drop": "D07"}),
        ("lead/A\n", {"id": "A\n", "kind": "heater", "drop": "D07"}),
        ("lead/" + "A" * 300, {"id": "A" * 300, "kind": "heater", "drop": "D07"}),
        ("photo/../../etc", {"name": "x", "stage": "before"}),
        ("photo/" + "a" * 64, {"name": "x"}),
        ("judged/1", {"a": "A", "b": "B", "x": 1, "y": 2, "top": "c"}),
        ("done/0001", {"action": "cut", "wire": "A"}),
        ("done/one", {"action": "pull", "wire": "A"}),
        ("settings", {"unseen_error_mm": -1}),
        ("about", "a job"),
    ],
)
def test_a_value_that_could_not_be_read_back_is_refused(store: JobStore, job_id, key, value):
    from mapper.errors import MapperError

    with pytest.raises(MapperError) as refused:
        store.edit(job_id, "bad", {key: value, "done/0009": tick("A")})
    assert len(str(refused.value)) < 300 and "\n" not in str(refused.value)
    assert store.revision(job_id) == 0
    assert store.job(job_id).done == ()


def test_a_number_that_is_not_finite_is_a_mistake_of_the_program(store: JobStore, job_id: str):
    with pytest.raises(ValueError, match="JSON compliant"):
        store.edit(job_id, "bad", {"about": {"name": "x", "weight": float("nan")}})


HARD_IDS = [
    "Z07-H",
    "Z\"07'-H",
    "<script>alert(1)</script>",
    "a/b//c",
    "%_\\",
    "Größe Ω 鋼 \N{WRENCH}",
    "\N{WRENCH}" * 64,
    "x'); DROP TABLE job; --",
]


@pytest.mark.parametrize("id", HARD_IDS)
def test_hard_ids_come_back_as_they_were(store: JobStore, job_id: str, id: str):
    lead = {"id": id, "kind": "heater", "drop": id, "stretches": []}
    store.edit(job_id, id, {f"lead/{id}": lead})
    job = store.undo(job_id) and store.redo(job_id)
    assert [(one.id, one.drop) for one in job.leads] == [(id, id)]
    assert (job.undo_label, store.jobs()[0].leads) == (id, 1)


def test_an_entry_may_be_large_and_a_job_may_have_many(store: JobStore):
    done = {f"done/{i:04d}": tick(f"lead {i}") for i in range(1, 2001)}
    job_id = store.import_job({"about": {"name": "n" * 1_000_000}, **done})
    job = store.edit(job_id, "clear", dict.fromkeys(done))
    assert (len(job.name), job.done) == (1_000_000, ())
    assert len(store.undo(job_id).done) == 2000


def test_two_threads_that_write_at_once_lose_nothing(store: JobStore, job_id: str):
    failures: list[BaseException] = []

    def write(name: str) -> None:
        try:
            for i in range(25):
                store.edit(job_id, f"{name} {i}", {f"lead/{name}{i}": _lead(f"{name}{i}")})
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=write, args=(name,)) for name in "AB"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    job = store.job(job_id)
    assert {one.id for one in job.leads} == {f"{name}{i}" for name in "AB" for i in range(25)}
    assert job.revision == 50
    assert [one.seq for one in store.history(job_id)] == list(range(1, 51))


def _lead(id: str) -> dict:
    return {"id": id, "kind": "other", "drop": "D07", "stretches": []}


def test_threads_that_count_with_a_view_never_overwrite_each_other(store: JobStore, job_id: str):
    refused = []

    def count() -> None:
        for _ in range(10):
            while True:
                seen = store.job(job_id)
                note = int(seen.about.get("note", "0")) + 1
                try:
                    store.edit(
                        job_id, "count", {"about": {"name": "x", "note": str(note)}}, expected=seen
                    )
                    break
                except EditConflict as conflict:
                    refused.append(conflict)

    threads = [threading.Thread(target=count) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert store.job(job_id).about["note"] == "30"
    assert store.revision(job_id) == 30


def test_many_threads_may_open_a_new_archive_at_once(tmp_path: Path):
    stores: list[JobStore] = []
    failures: list[BaseException] = []

    def open_it() -> None:
        try:
            stores.append(JobStore(tmp_path))
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=open_it) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    job_id = stores[0].create("one archive")
    assert all(store.job(job_id).name == "one archive" for store in stores)
    for store in stores:
        store.close()


# --- files that are not as they should be ---------------------------------------------


def test_the_archive_says_what_it_is(file_store: JobStore):
    with sqlite3.connect(file_store.folder / "jobs.sqlite") as raw:
        assert raw.execute("PRAGMA application_id").fetchone() == (0x70774D31,)
        assert raw.execute("PRAGMA user_version").fetchone() == (schema.VERSION,)
        assert raw.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert raw.execute("SELECT version_num FROM alembic_version").fetchall() == [(HEAD,)]


def test_connections_write_through_to_the_disk(file_store: JobStore):
    with file_store.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar_one() == 2  # FULL
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar_one() == 1


def test_a_newer_archive_is_refused_and_left_alone(file_store: JobStore):
    file_store.close()
    path = file_store.folder / "jobs.sqlite"
    with sqlite3.connect(path) as raw:
        raw.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    with pytest.raises(RecordsError, match="newer version.*update"):
        JobStore(file_store.folder)
    with sqlite3.connect(path) as raw:
        assert raw.execute("PRAGMA user_version").fetchone() == (schema.VERSION + 1,)


def test_somebody_elses_database_is_refused_and_left_alone(tmp_path: Path):
    path = tmp_path / "jobs.sqlite"
    with sqlite3.connect(path) as raw:
        raw.execute("CREATE TABLE song (title TEXT)")
    before = path.read_bytes()
    with pytest.raises(RecordsError, match="not an archive of this tool"):
        JobStore(tmp_path)
    assert path.read_bytes() == before


def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path: Path):
    path = tmp_path / "jobs.sqlite"
    path.write_bytes(b"\xff\xd8\xff\xe0 this is a photo " * 200)
    before = path.read_bytes()
    with pytest.raises(RecordsError, match="not an archive of this tool"):
        JobStore(tmp_path)
    assert path.read_bytes() == before


def test_an_archive_that_was_cut_off_at_its_first_breath_is_begun_again(tmp_path: Path):
    (tmp_path / "jobs.sqlite").touch()
    store = JobStore(tmp_path)
    assert store.jobs() == []
    store.close()


def test_a_damaged_archive_is_said_to_be_damaged(file_store: JobStore):
    file_store.import_job({"about": {"name": "n" * 200_000}})
    file_store.close()
    path = file_store.folder / "jobs.sqlite"
    size = path.stat().st_size
    noise = random.Random(1).randbytes(size - 8192)
    with path.open("r+b") as file:
        file.seek(8192)
        file.write(noise)
    with pytest.raises(RecordsError, match="damaged"):
        JobStore(file_store.folder).jobs()


def test_a_folder_that_is_a_file_is_said_to_be_unusable(tmp_path: Path):
    (tmp_path / "store").write_text("a note")
    with pytest.raises(RecordsError, match="choose another folder"):
        JobStore(tmp_path / "store")


@pytest.mark.parametrize("name", ["a b?c=d#e%20", "Größe 'x' \N{WRENCH}"])
def test_the_folder_may_have_any_name(tmp_path: Path, name: str):
    store = JobStore(tmp_path / name)
    store.create("Lid tool")
    store.close()
    assert (tmp_path / name / "jobs.sqlite").is_file()
    again = JobStore(str(tmp_path / name))
    assert [job.name for job in again.jobs()] == ["Lid tool"]
    again.close()


def test_the_folder_can_be_chosen_by_the_environment(tmp_path: Path, monkeypatch):
    monkeypatch.setenv("MAPPER_STORE", str(tmp_path / "chosen"))
    assert default_store_folder() == tmp_path / "chosen"
    monkeypatch.delenv("MAPPER_STORE")
    assert "plate-wire-mapper" in str(default_store_folder())


def test_a_locked_archive_says_to_close_the_other_program(file_store: JobStore):
    job_id = file_store.create("Lid tool", {"resin": "PP"})
    _on_every_connection(file_store, "PRAGMA busy_timeout = 20")
    other = sqlite3.connect(file_store.folder / "jobs.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(RecordsError, match="Another program holds the archive.*close it"):
        file_store.edit(job_id, "name it", {"about": {"name": "x"}})
    assert file_store.job(job_id).name == "Lid tool"  # reading goes on
    other.execute("ROLLBACK")
    other.close()
    assert file_store.edit(job_id, "name it", {"about": {"name": "x"}}).name == "x"


def test_a_full_disk_is_said_and_what_was_saved_stays(file_store: JobStore):
    job_id = file_store.create("Lid tool", {"resin": "PP"})
    # SQLite answers a file at its page limit exactly as it does a full disk (SQLITE_FULL).
    _on_every_connection(file_store, "PRAGMA max_page_count = 1")
    filler = "".join(random.Random(2).choices(string.ascii_letters, k=500_000))
    with pytest.raises(RecordsError, match="disk with .* is full: free some space"):
        file_store.edit(job_id, "note", {"about": {"name": "x", "note": filler}})
    job = file_store.job(job_id)
    assert (job.name, job.revision) == ("Lid tool", 0)
    _on_every_connection(file_store, "PRAGMA max_page_count = 1000000")
    assert file_store.edit(job_id, "note", {"about": {"name": "y", "note": filler}}).name == "y"


def test_an_archive_that_may_not_be_written_says_so(file_store: JobStore):
    job_id = file_store.create("Lid tool", {"resin": "PP"})
    _on_every_connection(file_store, "PRAGMA query_only = ON")
    with pytest.raises(RecordsError, match="can't be written: allow writing"):
        file_store.edit(job_id, "name it", {"about": {"name": "x"}})


def _on_every_connection(store: JobStore, pragma: str) -> None:
    store._engine.dispose()
    event.listen(store._engine, "connect", lambda raw, _: raw.execute(pragma).fetchall())


def test_a_mistake_in_the_program_is_not_hidden_as_a_users_trouble(file_store: JobStore):
    from sqlalchemy.exc import OperationalError

    with file_store.writing() as connection:
        connection.exec_driver_sql("DROP TABLE change")
        connection.exec_driver_sql("DROP TABLE entry")
    with pytest.raises(OperationalError, match="no such table"):
        file_store.jobs()
