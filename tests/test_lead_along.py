"""One look along a lead answers its places: what is seen without a break has nothing on it."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from mapper.fit.strip import strip_of_run
from mapper.records import Job, Stretch, TracedLead, judgement_changes
from mapper.routes import Crossing
from mapper.ui.along_places import along_of, changes_of, leads_asked, leads_in_turn
from mapper.ui.asked import hidden_changes, meeting_key, said_hidden, told_along
from mapper.ui.findings import Findings
from tests.test_leads_tracing import DEPTH_MM, ROUTE_MM, fitted, photo
from tests.test_log_records import NO_CHANNELS, ticked, with_changes
from tests.test_records_job import job_of, lead


def side_by_side() -> Job:
    """Three leads along one channel, 2 mm from each other, and one that crosses them all."""
    names = ("Z00-H", "Z01-H", "Z03-H")
    leads = [
        lead(name, (60 + x, 90), (60 + x, 48 + x), (300, 48 + x), drop="D01")
        for name, x in zip(names, (0, 2, 4), strict=True)
    ]
    across = lead("Z09-H", (120, 100), (200, 100), (200, 20), (300, 20), exit="X2", drop="D02")
    settings = {"leads_per_drop": ["H"], "not_there": ["Z01-H", "Z02-H"]}
    return job_of(*leads, across, plate=NO_CHANNELS, settings=settings)


def looked_along(job: Job, name: str, but: tuple[str, ...] = ()) -> Job:
    """The job after somebody saw that nothing but some other leads lies on this one."""
    along = along_of(Findings(job), name)
    places = [(one, None) for one in along.places if along.other(one) not in but]
    return with_changes(job, changes_of(job, along, places, "KL"))


def pulls(job: Job) -> set[str]:
    return {step.wire for step in Findings(job).offered.steps if step.action == "pull"}


def between(job: Job, *pair: str) -> list[Crossing]:
    return [one for one in Findings(job).meetings if {one.a, one.b} == set(pair)]


def test_a_lead_that_nothing_lies_on_is_offered_and_no_other() -> None:
    job = side_by_side()
    assert pulls(job) == set()
    after = looked_along(job, "Z09-H")
    assert along_of(Findings(after), "Z09-H").open == ()
    assert pulls(after) == {"Z09-H"}


def test_a_place_that_was_marked_stays_open_and_holds_the_lead() -> None:
    after = looked_along(side_by_side(), "Z09-H", but=("Z01-H",))
    assert pulls(after) == set()
    assert all(one.top is None for one in between(after, "Z01-H", "Z09-H"))
    assert all(one.top is not None for one in between(after, "Z00-H", "Z09-H"))


def test_a_lead_that_was_not_seen_at_a_place_can_not_be_said_to_be_free_there() -> None:
    job = side_by_side()
    entry = job.value("lead/Z09-H")
    for stretch in entry["stretches"]:
        stretch["seen"] = False
    job = with_changes(job, {"lead/Z09-H": entry})
    along = along_of(Findings(job), "Z09-H")
    assert along.places == () and along.unseen
    assert "Z09-H" not in leads_in_turn(Findings(job))
    # The others can be: whoever is seen without a break lies on top of what was not seen.
    assert any(
        one in Findings(job).open_meetings for one in along_of(Findings(job), "Z00-H").places
    )


def test_leads_side_by_side_hold_each_other_until_both_were_looked_at_and_then_lie_apart() -> None:
    job = side_by_side()
    one = looked_along(job, "Z00-H")
    assert {meeting.top for meeting in between(one, "Z00-H", "Z01-H")} == {"a"}
    both = looked_along(one, "Z01-H")
    assert {meeting.top for meeting in between(both, "Z00-H", "Z01-H")} == {"apart"}


def test_a_true_crossing_is_never_made_apart_and_is_not_asked_a_second_time() -> None:
    after = looked_along(side_by_side(), "Z09-H")
    crossings = [one for one in Findings(after).meetings if one.kind == "crossing"]
    assert crossings and all(one.top in ("a", "b") for one in crossings)
    assert not set(crossings) & set(along_of(Findings(after), "Z00-H").places)


def test_what_somebody_judged_at_the_place_itself_is_not_asked_again() -> None:
    job = side_by_side()
    place = between(job, "Z00-H", "Z01-H")[0]
    job = with_changes(job, judgement_changes(job, place, "a", by="KL"))
    assert told_along(Findings(job)) == {}
    assert between(job, "Z00-H", "Z01-H")[0] not in along_of(Findings(job), "Z01-H").places


def test_a_flat_crossing_takes_in_the_lead_far_to_both_sides() -> None:
    steep, flat = (
        job_of(
            lead("Z00-H", (60, 60), (300, 60), drop="D01"),
            lead("Z03-H", (180 - 100, 60 + rise), (180 + 100, 60 - rise), drop="D01", exit="X2"),
            plate=NO_CHANNELS,
        )
        for rise in (100, 20)
    )
    long_mm = []
    for job in (steep, flat):
        along = along_of(Findings(job), "Z00-H")
        assert [one.kind for one in along.places] == ["crossing"]
        (low, high), (at, _) = along.spans_mm[0], along.places[0].a_span_mm
        assert low < at < high
        long_mm.append(high - low)
    # 1.1 times the limit over the sine of the angle, to both sides
    assert long_mm == pytest.approx([2 * 1.1 * 2.9 / np.sin(np.arctan(r)) for r in (1, 0.2)])


def test_a_lead_not_seen_beside_a_flat_crossing_is_not_said_to_be_free_there() -> None:
    job = job_of(
        lead("Z00-H", (60, 60), (300, 60), drop="D01"),
        TracedLead(
            "Z03-H",
            "heater",
            "D01",
            "X2",
            (Stretch(((80, 80), (188, 58.4))), Stretch(((188, 58.4), (280, 40)), seen=False)),
            diameter_mm=2.4,
            finished=True,
        ),
        plate=NO_CHANNELS,
    )
    along = along_of(Findings(job), "Z03-H")
    assert not any(one.kind == "crossing" for one in along.places)
    assert any(one.kind == "crossing" for one in along.unseen)


def test_the_leads_that_may_lie_free_on_top_come_first() -> None:
    job = side_by_side()
    fewest = leads_in_turn(Findings(job))[0]
    counts = {
        name: len(along_of(Findings(job), name).open) for name in leads_in_turn(Findings(job))
    }
    assert counts[fewest] == min(counts.values())
    # What lies under another lead waits for its turn until that one is out.
    after = looked_along(job, "Z09-H")
    crossing = next(one for one in Findings(after).meetings if one.kind == "crossing")
    under = crossing.a if crossing.b == "Z09-H" else crossing.b
    turn = leads_in_turn(Findings(after))
    free = [name for name in turn if not between(after, name, "Z09-H")]
    assert not free or turn.index(under) > max(turn.index(name) for name in free)


@pytest.fixture(scope="module")
def strip():
    fit = fitted()
    return strip_of_run(photo(fit), fit, ROUTE_MM, (60.0, 160.0), DEPTH_MM, 8.0, 8.0)


def test_a_run_is_laid_straight_with_the_lead_in_its_middle(strip) -> None:
    assert strip.shown == 1.0
    assert strip.pixels_bgr.shape == (128, 800, 3)
    red = strip.pixels_bgr[:, :, 2].astype(int) - strip.pixels_bgr[:, :, 0]
    rows = np.argmax(cv2.blur(red.astype(np.float32), (9, 5)), axis=0)
    assert np.abs(np.median(rows) - 64) < 6
    assert np.percentile(np.abs(rows - 64), 90) < 14


def test_places_of_the_plate_are_found_on_the_strip(strip) -> None:
    steps = np.hypot(*np.diff(ROUTE_MM, axis=0).T)
    arc = np.concatenate([[0.0], np.cumsum(steps)])
    s = np.array([70.0, 110.0, 150.0])
    places = np.column_stack([np.interp(s, arc, ROUTE_MM[:, k]) for k in (0, 1)])
    x, y = strip.px_from_plate(places).T
    assert np.abs(x - (s - 60.0) * 8.0).max() < 12
    assert np.abs(y - 64).max() < 14


def test_a_photo_that_ends_before_the_run_does_is_told() -> None:
    fit = fitted()
    far = np.array([[0.0, 60.0], [900.0, 60.0]])
    assert strip_of_run(photo(fit), fit, far, (0.0, 800.0), 0.0, 8.0, 2.0).shown < 0.9


def said_to_lie_under_something(job: Job, name: str, somewhere: bool = True) -> Job:
    findings = Findings(job)
    places = [(one, None) for one in along_of(findings, name).places if one.top is None]
    return with_changes(job, hidden_changes(findings, name, places, "KL", somewhere=somewhere))


def test_what_lies_under_something_is_not_asked_again_and_nothing_is_offered_for_it() -> None:
    job = side_by_side()
    before = Findings(job).asked.now.leads
    after = Findings(said_to_lie_under_something(job, "Z00-H"))
    assert "Z00-H" in before
    assert all(one.top is None for one in after.meetings)
    assert pulls(after.job) == set()
    assert "Z00-H" not in leads_asked(after)
    all_said = job
    for name in ("Z00-H", "Z01-H", "Z03-H", "Z09-H"):
        all_said = said_to_lie_under_something(all_said, name)
    last = Findings(all_said)
    assert last.asked.to_lift and leads_asked(last)  # nobody has said where
    for name in ("Z00-H", "Z01-H", "Z03-H", "Z09-H"):
        all_said = said_to_lie_under_something(all_said, name, somewhere=False)
    assert Findings(all_said).asked.now.leads == ()
    assert Findings(all_said).asked_now == ()


def test_every_press_leaves_less_to_ask_until_nothing_is_asked() -> None:
    rng = np.random.default_rng(5)
    for _ in range(6):
        job, presses = side_by_side(), 0
        while asked := leads_asked(Findings(job)):
            findings = Findings(job)
            along = along_of(findings, asked[0])
            somewhere = not findings.asked.to_lift
            said = said_hidden(findings, exact=not somewhere)
            new = [one for one in along.open if (meeting_key(one), asked[0]) not in said]
            marked = [one for one in new if rng.random() < 0.6] or new[:1]
            hidden = [(one, None) for one in marked]
            job = with_changes(
                job, hidden_changes(findings, asked[0], hidden, "KL", somewhere=somewhere)
            )
            presses += 1
            assert presses <= 4 * len(findings.meetings)  # two leads, said in two ways
        assert all(one.top is None for one in Findings(job).meetings) and pulls(job) == set()


def test_what_was_said_lapses_with_a_lead_that_is_moved_and_with_a_new_photo() -> None:
    job = looked_along(side_by_side(), "Z09-H")
    for name in ("Z00-H", "Z01-H", "Z03-H"):
        job = said_to_lie_under_something(job, name)
    assert Findings(job).asked.now.leads == ()  # what is offered comes first
    moved = ticked(job, "pull", "Z09-H")
    assert set(Findings(moved).asked.now.leads) == {"Z00-H", "Z01-H", "Z03-H"}
    assert not Findings(moved).asked.to_lift
    seen = with_changes(job, {f"fit/{'a' * 64}": {"fit": fitted().to_dict(), "clicks": []}})
    assert set(Findings(seen).asked.now.leads) == {"Z00-H", "Z01-H", "Z03-H"}


def test_an_answer_takes_the_place_of_what_was_said_before() -> None:
    job = said_to_lie_under_something(side_by_side(), "Z00-H")
    place = between(job, "Z00-H", "Z01-H")[0]
    judged = with_changes(job, judgement_changes(job, place, "a", by="KL"))
    assert between(judged, "Z00-H", "Z01-H")[0].top == "a"
    both = said_to_lie_under_something(job, "Z01-H")
    key = meeting_key(between(both, "Z00-H", "Z01-H")[0])
    hidden = said_hidden(Findings(both), exact=False)
    assert {(key, "Z00-H"), (key, "Z01-H")} <= hidden
    assert said_hidden(Findings(both), exact=True) == frozenset()


@pytest.mark.parametrize(
    "extra", ["x", {}, {"here": "Z00-H", "log": "1"}, {"photos": [1], "log": 0}]
)
def test_what_a_file_says_there_may_be_anything(extra) -> None:
    job = said_to_lie_under_something(side_by_side(), "Z00-H", somewhere=False)
    entries = {f"judged/{one.id}": one.to_mapping() for one in job.judged}
    for entry in entries.values():
        entry["extra"]["hidden"] = extra
    assert said_hidden(Findings(with_changes(job, entries))) == frozenset()


def with_nothing_free(job: Job) -> Job:
    """Something was said to lie on every lead, nobody said where."""
    for one in job.leads:
        job = said_to_lie_under_something(job, one.id)
    return job


def test_where_no_lead_lies_free_it_is_asked_from_the_exits_how_far_each_may_be_lifted() -> None:
    findings = Findings(with_nothing_free(side_by_side()))
    assert findings.lifts == ()  # nobody has looked
    along = along_of(findings, leads_asked(findings)[0])
    assert along.to_lift
    ends = [high for _, high in along.spans_mm]
    assert ends == sorted(ends, reverse=True)
    assert along.parts[0].high_mm == findings.traced.leads_by_id[along.lead].length_mm
    first_part = along.parts[0]
    assert 1 in first_part.numbers


def test_only_what_lies_between_the_exit_and_the_first_mark_is_answered() -> None:
    along = along_of(Findings(with_nothing_free(side_by_side())), "Z09-H")
    assert along.to_lift and len(along.places) >= 3
    assert along.free_of([1]) == []
    for mark in range(2, len(along.places) + 1):
        end_mm = along.spans_mm[mark - 1][1]
        free = along.free_of([mark])
        assert all(along.spans_mm[n - 1][0] >= end_mm for n in free)
        assert mark not in free
    assert along.free_of([]) == list(range(1, len(along.places) + 1))


def test_where_something_runs_on_a_lead_nobody_says_what_else_lies_on_it() -> None:
    along = along_of(Findings(side_by_side()), "Z00-H")
    assert not along.to_lift
    run = next(n for n, one in enumerate(along.places, start=1) if one.kind == "shared run")
    low, high = along.spans_mm[run - 1]
    free = along.free_of([run])
    for number, (start, end) in enumerate(along.spans_mm, start=1):
        assert (number in free) == (end <= low or start >= high)
    assert len(free) < len(along.places) - 1  # the other lead of the bundle runs there too


def test_a_run_that_goes_on_under_a_lead_that_crosses_is_answered_all_the_same() -> None:
    along = along_of(Findings(side_by_side()), "Z00-H")
    crossing = next(
        n
        for n, one in enumerate(along.places, start=1)
        if one.kind == "crossing" and along.other(one) == "Z09-H"
    )
    start, end = along.spans_mm[crossing - 1]
    runs = [n for n, one in enumerate(along.places, start=1) if one.kind == "shared run"]
    on_both_sides = [
        n for n in runs if along.spans_mm[n - 1][0] < start and along.spans_mm[n - 1][1] > end
    ]
    assert on_both_sides and set(on_both_sides) <= set(along.free_of([crossing]))
    beside = replace(along.places[crossing - 1], kind="touching")
    places = (*along.places[: crossing - 1], beside, *along.places[crossing:])
    assert not set(on_both_sides) & set(replace(along, places=places).free_of([crossing]))


def test_a_lead_free_as_far_as_a_mark_is_lifted_so_far_and_uncovers_what_lies_under_it() -> None:
    rows = {"Z00-H": 30, "Z01-H": 60, "Z03-H": 90}
    ends = [{"id": name, "x": 60, "y": y, "bore_diameter": 8} for name, y in rows.items()]
    plate = NO_CHANNELS | {
        "drops": ends
        + [
            {"id": f"Z0{k}-H", "x": x, "y": 130, "bore_diameter": 8}
            for k, x in ((8, 100), (9, 200))
        ],
        "exits": [{"id": f"X{y}", "x": 300, "y": y} for y in (30, 60, 90)]
        + [{"id": f"X{x}", "x": x, "y": 0} for x in (100, 200)],
    }
    rungs = [lead(n, (60, y), (300, y), drop=n, exit=f"X{y}") for n, y in rows.items()]
    across = [
        lead(f"Z0{k}-H", (x, 130), (x, 0), exit=f"X{x}", drop=f"Z0{k}-H")
        for k, x in ((8, 100), (9, 200))
    ]
    settings = {"leads_per_drop": [], "not_there": []}
    job = with_nothing_free(job_of(*rungs, *across, plate=plate, settings=settings))
    findings = Findings(job)
    along = along_of(findings, "Z09-H")
    assert [along.other(one) for one in along.places] == ["Z00-H", "Z01-H", "Z03-H"]
    last = len(along.places)  # nearest the drop
    free = [(along.places[n - 1], None) for n in along.free_of([last])]
    job = with_changes(
        job,
        changes_of(job, along, free, "KL")
        | hidden_changes(findings, "Z09-H", [(along.places[last - 1], None)], "KL"),
    )
    after = Findings(job)
    assert after.offered.steps == ()
    (lift,) = after.lifts
    assert lift.step.action == "peel" and lift.step.wire == "Z09-H"
    assert lift.step in after.legal_now
    assert lift.shows == ("Z00-H", "Z01-H") and lift.step.past == (200.0, 60.0)
    done = Findings(ticked(job, "peel", "Z09-H", lift.step.past))
    assert done.lifts == () and done.contradictions == ()
    assert set(lift.shows) <= set(done.asked.now.leads)  # they are asked about again


def test_a_run_that_lies_under_a_lead_beside_it_is_looked_at_again_from_the_other_lead() -> None:
    job = looked_along(side_by_side(), "Z00-H", but=("Z09-H",))
    (place, *_) = between(job, "Z00-H", "Z01-H")
    assert place.top == "a"
    others = [one for one in Findings(job).meetings if one.top is None]
    for one in others:  # only the run holds Z01-H
        upper = "a" if one.a == "Z01-H" else "b"
        if "Z01-H" in (one.a, one.b):
            job = with_changes(job, judgement_changes(job, one, upper, by="KL"))
    for name in ("Z00-H", "Z03-H", "Z09-H"):
        job = said_to_lie_under_something(job, name, somewhere=False)
    assert "Z01-H" in Findings(job).asked.now.leads
    hidden = said_to_lie_under_something_at(job, "Z01-H", place)
    assert between(hidden, "Z00-H", "Z01-H")[0].top == "a"  # the judgement stays
    assert (meeting_key(place), "Z01-H") in said_hidden(Findings(hidden))
    assert "Z01-H" not in Findings(hidden).asked.now.leads


def said_to_lie_under_something_at(job: Job, name: str, place: Crossing) -> Job:
    return with_changes(job, hidden_changes(Findings(job), name, [(place, None)], "KL"))


def test_who_can_not_tell_where_a_lead_meets_itself_is_asked_how_far_the_others_may_be_lifted():
    job = side_by_side()
    loop = lead("Z00-H", (60, 90), (60, 60), (90, 60), (90, 80), (40, 80), (40, 48), (300, 48))
    loop = TracedLead(loop.id, loop.kind, "D01", "X1", loop.stretches, 2.4, finished=True)
    others = [one for one in job.leads if one.id != "Z00-H"]
    settings = {"leads_per_drop": ["H"], "not_there": ["Z01-H", "Z02-H"]}
    job = with_nothing_free(job_of(loop, *others, plate=NO_CHANNELS, settings=settings))
    findings = Findings(job)
    own = [one for one in findings.open_meetings if one.a == one.b]
    assert own and set(own) <= set(findings.asked_now)
    assert findings.asked.to_lift and leads_asked(findings)
