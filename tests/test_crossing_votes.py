"""What the witnesses of a crossing say is put in plain words; a contradiction proposes nothing."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from mapper.fit import HeightShift
from mapper.routes import Crossing
from mapper.trace import Vote, count_votes
from mapper.ui import looks
from mapper.ui.crossing_desk import Answered, Desk, in_turn, take_back
from mapper.ui.crossing_height import vote_of_height
from mapper.ui.crossing_votes import disagreement, proposal_words
from mapper.ui.findings import meeting_key
from mapper.ui.look_first import place_mark

OPEN = Crossing("Z03-H", "Z07-T", 120.0, 60.0, "crossing", (10, 10), (20, 20), 1.2)


def test_agreeing_photos_are_proposed_and_the_person_is_told_to_look():
    words = proposal_words(OPEN, count_votes([Vote("a", 0.97, source="one.jpg")] * 2))
    assert "Z03-H on top" in words and "2 of 2 say so" in words and "Look yourself" in words


def test_a_height_against_the_judge_is_no_proposal_and_both_are_named():
    height = vote_of_height(HeightShift(-2.1, 0.4, 2))
    ballot = count_votes([Vote("a", 0.99, source="one.jpg"), height])
    assert ballot.top is None
    words = proposal_words(OPEN, ballot)
    assert "proposes nothing" in words
    assert "one.jpg" in words and "seen from 2 sides" in words and "2.1 ± 0.4 mm" in words


def test_a_height_that_its_sigma_does_not_settle_abstains():
    assert vote_of_height(None).top is None
    assert vote_of_height(HeightShift(0.9, 0.6, 2)).top is None
    assert vote_of_height(HeightShift(2.0, 0.3, 2)).confidence <= 0.95


def test_a_photo_against_the_person_is_said_and_the_answer_stays():
    ballot = count_votes([Vote("b", 0.95, source="one.jpg"), Vote(None, 0.5, source="two.jpg")])
    said = disagreement(replace(OPEN, top="a"), ballot, "AB")
    assert "AB said Z03-H on top" in said and "one.jpg" in said and "Z07-T on top" in said
    assert "kept" in said and "two.jpg" not in said
    assert disagreement(replace(OPEN, top="b"), ballot, "AB") == ""
    assert disagreement(OPEN, ballot, "AB") == ""


def test_a_place_is_guarded_whatever_its_leads_are_called():
    marks = {place_mark(name) for name in ("A|B", 'A"-->|B', "</style>|B", "A|\ud800")}
    assert len(marks) == 4
    assert all(re.fullmatch('data-place="[0-9a-f]+"', mark) for mark in marks)


def test_places_passed_over_come_last_in_the_order_of_passing():
    meetings = [replace(OPEN, x_mm=x) for x in (1.0, 2.0, 3.0)]
    keys = [meeting_key(one) for one in meetings]
    turn = in_turn(meetings, [keys[1], keys[0]])
    assert [one.x_mm for one in turn] == [3.0, 2.0, 1.0]


class _Job:
    def __init__(self, undo_label: str | None) -> None:
        self.undo_label = undo_label


class _Context:
    def __init__(self, undo_label: str | None) -> None:
        self.job, self.undone = _Job(undo_label), 0

    def undo(self) -> bool:
        self.undone += 1
        return True


@pytest.mark.parametrize(("last", "undone"), [("A / B: A on top", 1), ("Trace Z01-H", 0)])
def test_taking_back_never_undoes_somebody_elses_edit(monkeypatch, last, undone):
    monkeypatch.setattr(looks, "say", lambda *words: None)
    ctx, desk = _Context(last), Desk("job", answered=[Answered("key", "A / B: A on top")])
    assert take_back(ctx, desk) == ("key" if undone else None)
    assert ctx.undone == undone
    assert desk.answered == []


def test_taking_back_a_place_passed_over_changes_nothing_in_the_job():
    ctx, desk = _Context("Trace Z01-H"), Desk("job", passed=["key"])
    desk.answered.append(Answered("key", None))
    assert take_back(ctx, desk) == "key"
    assert ctx.undone == 0 and desk.passed == []
