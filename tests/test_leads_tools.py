"""Cutting a lead, giving its line to another name, and looking through what is in doubt."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mapper.errors import MapperError
from mapper.records import Job, Stretch, TracedLead
from mapper.ui import leads_tools as tools
from mapper.ui.leads_sight import Sight
from mapper.ui.leads_tracing import joints, stretch_id
from tests.test_leads_tracing import PLATE, sight

__all__ = ["sight"]  # the fixture


def lead_of(*parts: Stretch, id: str = "Z01-H") -> TracedLead:
    return TracedLead(id=id, kind="heater", drop="D01", exit="X1", stretches=parts, finished=True)


def seen(points_mm: list[tuple[float, float]], confidence: float = 0.9) -> Stretch:
    return Stretch(tuple(points_mm), True, "photo", None, 5.0, confidence)


DOWN = seen([(60, 138), (60, 60)])
ALONG = seen([(60, 60), (180, 60), (300, 60)])


def test_a_cut_keeps_what_comes_before_it_and_opens_the_lead(sight: Sight) -> None:
    lead = lead_of(DOWN, ALONG)
    at_px = tuple(sight.photo_from_mm(np.array([[240.0, 62.0]]), 5.0)[0])
    short = tools.cut(lead, sight, stretch_id(lead, 1), at_px)
    assert not short.finished
    assert short.exit is None
    assert short.stretches[0] == DOWN
    assert joints(short)[-1].mm == pytest.approx((240, 60), abs=1.0)


def test_a_cut_keeps_pixels_and_depth_in_step_with_millimetres(sight: Sight) -> None:
    points_mm = ((60.0, 60.0), (180.0, 60.0), (300.0, 60.0))
    depths = (2.0, 4.0, 6.0)
    points_px = sight.photo_from_mm(np.array(points_mm), np.array(depths))
    whole = Stretch(points_mm, True, sight.sha256, tuple(map(tuple, points_px)), depths, 0.9)
    lead = lead_of(whole)
    middle = tuple((points_px[1] + points_px[2]) / 2)
    (part,) = tools.cut(lead, sight, stretch_id(lead, 0), middle).stretches
    assert len(part.points_mm) == len(part.points_px) == len(part.depth_mm) == 3
    assert part.points_px[-1] == pytest.approx(middle)
    assert part.depth_mm[-1] == pytest.approx(5.0)


def test_a_cut_needs_a_place(sight: Sight) -> None:
    with pytest.raises(MapperError, match="Point at the lead"):
        tools.cut(lead_of(DOWN), sight, None, None)


def job_of(*leads: TracedLead, **more: dict) -> Job:
    entries = {"plate": PLATE.to_mapping()} | {f"lead/{one.id}": one.to_mapping() for one in leads}
    return Job.from_mapping(entries | {f"{key[:-1]}/{key[-1]}": one for key, one in more.items()})


def after(job: Job, changes: dict) -> Job:
    entries = {**job.to_mapping(), **changes}
    return Job.from_mapping({key: one for key, one in entries.items() if one is not None})


def test_a_line_is_given_to_a_lead_without_one() -> None:
    lead = lead_of(DOWN)
    changes = tools.given_to(job_of(lead), lead, "Z02-T", "thermocouple", "D02")
    assert changes["lead/Z01-H"] is None
    new = TracedLead.from_mapping(changes["lead/Z02-T"])
    assert (new.id, new.kind, new.drop) == ("Z02-T", "thermocouple", "D02")
    assert new.stretches == (DOWN,)


def test_lines_of_two_leads_are_swapped_and_swapped_back() -> None:
    lead, other = lead_of(DOWN), lead_of(ALONG, id="Z01-T")
    other = replace(other, kind="thermocouple")
    job = job_of(lead, other)
    once = after(job, tools.given_to(job, lead, "Z01-T", "thermocouple", "D01"))
    first, second = once.leads
    assert (first.id, first.kind, first.stretches) == ("Z01-H", "heater", (ALONG,))
    assert (second.id, second.kind, second.stretches) == ("Z01-T", "thermocouple", (DOWN,))
    twice = after(once, tools.given_to(once, first, "Z01-T", "thermocouple", "D01"))
    assert twice.leads == job.leads


def test_what_somebody_saw_lie_on_top_still_lies_there_under_its_new_name() -> None:
    """A judgement left with the old name could free a lead that lies under another one."""
    over = {"a": "Z01-H", "b": "Z09-T", "x": 60.0, "y": 100.0, "top": "a"}
    both = {"a": "Z01-T", "b": "Z01-H", "x": 60.0, "y": 90.0, "top": "b"}
    lead, other = lead_of(DOWN), lead_of(ALONG, id="Z01-T")
    job = job_of(lead, other, judged1=over, judged2=both)
    swapped = after(job, tools.given_to(job, lead, "Z01-T", "thermocouple", "D01"))
    assert [(one.a, one.b, one.top) for one in swapped.judged] == [
        ("Z01-T", "Z09-T", "a"),
        ("Z01-H", "Z01-T", "b"),
    ]
    alone = job_of(lead, judged1=over)
    given = after(alone, tools.given_to(alone, lead, "Z01-T", "thermocouple", "D01"))
    assert [(one.a, one.b, one.top) for one in given.judged] == [("Z01-T", "Z09-T", "a")]


def test_a_line_of_a_lead_that_the_log_names_is_not_given_away() -> None:
    out = {"action": "pull", "wire": "Z01-T", "at": "2026-01-01T10:00:00"}
    lead = lead_of(DOWN)
    with pytest.raises(MapperError, match="log names Z01-T"):
        tools.given_to(job_of(lead, done1=out), lead, "Z01-T", "thermocouple", "D01")


def test_doubtful_stretches_are_found_until_somebody_confirms_them() -> None:
    unsure = replace(ALONG, confidence=0.4)
    unseen = replace(ALONG, confidence=0.0, seen=False)
    lead = lead_of(DOWN, unsure, unseen)
    assert tools.doubts([lead]) == [(lead, 1)]
    sure = tools.confirm(lead, None)
    assert tools.doubts([sure]) == []
    assert sure.seen == lead.seen
    with pytest.raises(MapperError, match="no doubtful stretch"):
        tools.confirm(sure, None)


def piece(*parts: Stretch, id: str = "Z01-H", finished: bool = False) -> TracedLead:
    return replace(lead_of(*parts, id=id), exit=None, finished=finished)


@pytest.mark.parametrize("drawn_backwards", [False, True])
def test_a_joined_piece_goes_on_from_the_end_whichever_way_it_was_drawn(
    drawn_backwards: bool,
) -> None:
    points = [(100.0, 60.0), (180.0, 60.0), (300.0, 60.0)]
    rest = seen(points[::-1] if drawn_backwards else points)
    new = tools.joined(piece(DOWN), piece(rest, id="loose"), PLATE)
    assert new.points_mm.tolist() == [[60, 138], [60, 60], [100, 60], [180, 60], [300, 60]]
    assert new.seen == (True, False, True, True)  # nobody saw what lies between the two
    assert (new.id, new.exit, new.finished) == ("Z01-H", "X1", True)


def test_pieces_whose_ends_meet_are_joined_without_a_run_between() -> None:
    new = tools.joined(piece(DOWN), piece(ALONG, id="loose"), PLATE)
    assert new.stretches == (DOWN, ALONG)
    short = tools.joined(piece(DOWN), piece(seen([(60, 60), (90, 60)]), id="loose"), PLATE)
    assert (short.exit, short.finished) == (None, False)  # it ends in the middle of a channel


@pytest.mark.parametrize("own, of_other", [(2.0, 3.0), (3.0, 2.0), (None, 3.0), (3.0, None)])
def test_a_joined_lead_is_as_thick_as_its_thicker_piece(own, of_other) -> None:
    lead = replace(piece(DOWN), diameter_mm=own, diameter_from=own and "entered")
    other = replace(piece(ALONG, id="loose"), diameter_mm=of_other, diameter_from=None)
    new = tools.joined(lead, other, PLATE)
    assert (new.diameter_mm, new.diameter_from) == (3.0, "entered" if own == 3.0 else None)


def test_a_finished_lead_a_lead_without_line_and_itself_are_not_joined() -> None:
    for lead, other, words in (
        (lead_of(DOWN), piece(ALONG, id="loose"), "traced to its exit"),
        (piece(DOWN), TracedLead("loose", "other", "D02"), "no line to join"),
        (piece(DOWN), piece(DOWN), "itself"),
    ):
        with pytest.raises(MapperError, match=words):
            tools.joined(lead, other, PLATE)


def test_judgements_of_the_joined_piece_are_asked_again_and_a_logged_lead_is_refused() -> None:
    lead, other = piece(DOWN), piece(ALONG, id="loose")
    judged = {"a": "Z09-H", "b": "loose", "x": 180, "y": 60, "top": "a"}
    entries = {
        "plate": PLATE.to_mapping(),
        "lead/Z01-H": lead.to_mapping(),
        "lead/loose": other.to_mapping(),
        "judged/1": judged,
        "judged/2": {**judged, "b": "Z08-H"},
    }
    changes = tools.join_changes(Job.from_mapping(entries), lead, other)
    assert set(changes) == {"lead/Z01-H", "lead/loose", "judged/1"}
    assert changes["lead/loose"] is None
    assert changes["judged/1"] is None
    out = {"action": "pull", "wire": "loose", "at": "2026-01-01T10:00:00"}
    with pytest.raises(MapperError, match="log names loose"):
        tools.join_changes(Job.from_mapping({**entries, "done/1": out}), lead, other)
