"""The teardown log as a job keeps it."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from mapper.pulling import plan_pull, safe_now
from mapper.records import Job, RecordsError, judgement_changes, tick_changes
from tests.test_records_job import job_of, lead

NO_CHANNELS = {
    "name": "invented",
    "outline": [[0, 0], [300, 0], [300, 150], [0, 150]],
    "drops": [{"id": f"D0{i}", "x": 60 * i, "y": 100, "bore_diameter": 20} for i in (1, 2)],
    "exits": [{"id": f"X{i}", "x": 300, "y": y} for i, y in ((1, 50), (2, 20))],
}


def crossed_job() -> Job:
    """Two heater leads that cross once, at (90, 67.5); the first lies on top."""
    job = job_of(
        lead("Z01-H", (60, 100), (60, 70), (300, 50)),
        lead("Z02-H", (120, 100), (90, 100), (90, 50), (300, 20), exit="X2"),
        plate=NO_CHANNELS,
        settings={"leads_per_drop": ["H"]},
    )
    (meeting,) = job.route_map().crossings
    return with_changes(
        job, judgement_changes(job, meeting, "a", at=datetime(2026, 3, 1, tzinfo=UTC))
    )


def with_changes(job: Job, changes) -> Job:
    values = {**job.to_mapping(), **changes}
    return Job.from_mapping({key: value for key, value in values.items() if value is not None})


def ticked(job: Job, *args, **more) -> Job:
    return with_changes(job, tick_changes(job, *args, **more))


def free(job: Job) -> tuple[str, ...]:
    return safe_now(job.teardown.route_map, job.teardown.done).pull


def test_the_plan_follows_the_log_of_the_job():
    job = crossed_job()
    assert free(job) == ("Z01-H",)
    job = ticked(job, "pull", "Z01-H")
    assert (free(job), job.teardown.out) == (("Z02-H",), {"Z01-H"})
    job = ticked(job, "put back", "Z01-H")
    assert (free(job), job.teardown.out) == (("Z01-H",), frozenset())


def test_looking_after_a_lead_was_put_back_settles_how_it_lies():
    job = ticked(crossed_job(), "pull", "Z01-H")
    job = ticked(ticked(job, "pull", "Z02-H"), "put back", "Z01-H")
    job = ticked(job, "put back", "Z02-H")
    assert free(job) == ()
    (meeting,) = job.route_map().crossings
    looked = with_changes(job, judgement_changes(job, meeting, "b"))
    assert free(looked) == ("Z02-H",)


def test_a_broken_lead_goes_on_as_two_pieces():
    job = ticked(crossed_job(), "broke", "Z01-H", (120, 65), by="MK", reason="brittle")
    assert job.done[0].to_mapping()["action"] == "broke"
    assert free(job) == ("Z01-H (drop side)", "Z01-H (exit side)")
    job = ticked(job, "pull", "Z01-H (drop side)")
    assert free(job) == ("Z01-H (exit side)", "Z02-H")
    assert plan_pull(job.teardown.route_map, job.teardown.done).status == "complete"


def test_a_log_that_no_longer_fits_is_told_and_the_plan_goes_on():
    job = ticked(ticked(crossed_job(), "peel", "Z02-H", (90.0, 67.5)), "pull", "Z09-H")
    moved = with_changes(
        job, {"lead/Z01-H": lead("Z01-H", (60, 100), (60, 80), (300, 50)).to_mapping()}
    )
    assert len(moved.teardown.findings) == 2
    assert len(moved.done) == 2
    assert plan_pull(moved.teardown.route_map, moved.teardown.done).status == "needs-a-look"


@pytest.mark.parametrize("action", ["peel", "broke"])
def test_an_event_needs_its_place(action):
    with pytest.raises(RecordsError, match="where"):
        tick_changes(crossed_job(), action, "Z01-H")


def test_an_event_of_no_known_kind_is_refused():
    with pytest.raises(RecordsError, match="put back"):
        tick_changes(crossed_job(), "lost", "Z01-H")


def test_a_peel_keeps_where_it_ended():
    job = ticked(crossed_job(), "peel", "Z01-H", (90.0, 67.5))
    x, y = job.done[0].reached
    assert abs(x - 90) < 5 and abs(y - 67.5) < 1
    assert free(job) == ("Z01-H", "Z02-H")
    assert Job.from_mapping(job.to_mapping()).done == job.done
