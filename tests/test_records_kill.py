"""A killed writer loses nothing that it had shown as saved."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from mapper.records import JobStore
from tests.benchmarks import kill


@pytest.mark.skipif(sys.platform == "win32", reason="needs fork and SIGKILL")
def test_no_acknowledged_edit_is_lost_when_the_writer_is_killed(tmp_path: Path):
    tally = kill.run(times=15, seed=7, folder=tmp_path)
    assert tally.faults == []
    assert tally.kills == 15
    assert tally.acknowledged > 0


def test_the_check_after_a_kill_sees_a_lost_edit(tmp_path: Path):
    store = JobStore(tmp_path)
    job_id = store.create("kill")
    store.close()
    said = [
        {"job": job_id, "revision": 0},
        {"key": "lead/Z01", "digest": "0" * 16, "revision": 1},
    ]
    tally = kill.Tally()
    kill.check(tmp_path, said, tally)
    assert len(tally.faults) == 2
