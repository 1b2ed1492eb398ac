"""What is left to trace, to see and to judge is said in plain words."""

from __future__ import annotations

from mapper.ui.findings import Findings
from tests.test_channel_answer import side_by_side
from tests.test_log_records import with_changes


def test_untraced_unseen_and_unjudged_are_named():
    job = side_by_side()
    more = with_changes(job, {"settings": {"leads_per_drop": ["H", "T"]}})
    assert any(
        one.startswith("Not begun") and job.plate.drops[0].id[1:] + "-T" in one
        for one in Findings(more).left
    )
    left = Findings(job).left
    assert not any(one.startswith("Not begun") for one in left)
    assert any(one.startswith("Nobody has judged") for one in left)
    assert not any(one.startswith("Not seen") for one in left)
    entry = job.value("lead/Z01-H")
    entry["stretches"][0]["seen"] = False
    left = Findings(with_changes(job, {"lead/Z01-H": entry})).left
    assert any(one.startswith("Not seen all the way (1, ") and "Z01-H" in one for one in left)


def test_a_lead_that_stops_short_is_named_until_it_is_finished():
    job = side_by_side()
    entry = {**job.value("lead/Z02-H"), "finished": False}
    short = with_changes(job, {"lead/Z02-H": entry})
    assert any("exit" in one and "Z02-H" in one for one in Findings(short).left)
    assert not any("exit" in one for one in Findings(job).left)


def test_nothing_is_left_when_all_is_judged():
    job = side_by_side()
    found = Findings(job)
    judged = [
        {
            "a": m.a,
            "b": m.b,
            "x": m.x_mm,
            "y": m.y_mm,
            "top": "a" if m.kind == "crossing" else "apart",
        }
        for m in found.meetings
    ]
    changes = {f"judged/{n:032x}": one for n, one in enumerate(judged)}
    done = with_changes(job, changes)
    assert Findings(done).left == ()
