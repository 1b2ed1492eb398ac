"""The view of a job: leads as traced, leads that must be there, and what nobody knows."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.errors import MapperError
from mapper.pulling import plan_pull
from mapper.records import (
    Job,
    PhotoEntry,
    RecordsError,
    Settings,
    Stretch,
    TracedLead,
    fit_changes,
    judgement_changes,
    lead_changes,
    refit_stretches,
    tick_changes,
)
from tests.full_job import true_fit
from tests.truth import true_leads, true_plate, truth_of

SHA, OTHER_SHA = "a" * 64, "b" * 64

# One row of three drops above a trunk that runs to the exit on the right.
PLATE = {
    "name": "invented",
    "outline": [[0, 0], [300, 0], [300, 150], [0, 150]],
    "drops": [{"id": f"D0{i}", "x": 60 * i, "y": 100, "bore_diameter": 20} for i in (1, 2, 3)],
    "channels": [
        *(
            {"id": f"C{i}", "points": [[60 * i, 100], [60 * i, 50]], "width": 10, "depth": 12}
            for i in (1, 2, 3)
        ),
        {"id": "T", "points": [[40, 50], [300, 50]], "width": 14, "depth": 15},
    ],
    "exits": [{"id": "X1", "x": 300, "y": 50}],
}
NO_CHANNELS = {key: value for key, value in PLATE.items() if key != "channels"}


def lead(id: str, *points, drop: str | None = None, **more) -> TracedLead:
    kind = {"H": "heater", "T": "thermocouple"}.get(id[-1], "other")
    given = {"exit": "X1", "diameter_mm": 2.4, "finished": True, **more}
    drop = drop or "D" + id[1:3]
    return TracedLead(id, kind, drop, stretches=(Stretch(points),) if points else (), **given)


def whole(id: str, dy: float = 0.0, **more) -> TracedLead:
    """A lead that follows its channels, `dy` mm off the middle of the trunk."""
    x = 60 * int(id[1:3])
    return lead(id, (x, 100), (x, 50 + dy), (300, 50 + dy), **more)


def job_of(*leads: TracedLead, plate=PLATE, **entries) -> Job:
    return Job.from_mapping(
        {
            "plate": plate,
            **{key.replace("__", "/"): value for key, value in entries.items()},
            **{key: value for one in leads for key, value in lead_changes(one).items()},
        }
    )


def judged_apart(job: Job) -> Job:
    """The job with every meeting judged: apart, or the first on top where they cross."""
    for meeting in job.route_map(provisional=False).crossings:
        top = "a" if meeting.kind == "crossing" else "apart"
        changes = judgement_changes(job, meeting, top)
        values = {**job.to_mapping(), **changes}
        job = Job.from_mapping({k: v for k, v in values.items() if v is not None})
    return job


def offered(job: Job) -> set[str]:
    """Leads that the plan would have somebody touch."""
    return {step.wire for step in plan_pull(job.route_map()).steps}


# --- the document ---------------------------------------------------------------------


def test_an_empty_job_asks_for_its_plate():
    job = Job.from_mapping({})
    assert (job.name, job.plate, job.photos, job.leads, job.done) == ("", None, (), (), ())
    assert job.missing_leads() == ()
    assert "enter" in job.warnings()[0]
    with pytest.raises(RecordsError, match="no plate yet"):
        job.route_map()


def test_photos_come_in_the_order_of_the_job():
    stages = ["cleared", "during 10", "during 2", "before", "rebuilt", "during 2"]
    names = [f"{i}.jpg" for i in range(6)]
    times = [None, None, "2026-03-02T10:00:00", None, None, "2026-03-02T09:00:00"]
    job = Job.from_mapping(
        {
            f"photo/{i}{'0' * 63}": {"name": name, "stage": stage, "taken_at": at}
            for i, (name, stage, at) in enumerate(zip(names, stages, times, strict=True))
        }
    )
    assert [photo.name[0] for photo in job.photos] == ["3", "5", "2", "1", "0", "4"]


def test_leads_are_listed_as_people_count():
    job = job_of(lead("Z10-H", drop="D01"), lead("Z2-T", drop="D01"), lead("Z2-H", drop="D01"))
    assert [one.id for one in job.leads] == ["Z2-H", "Z2-T", "Z10-H"]


def test_ticks_stay_in_order_beyond_four_digits():
    entries = {f"done/{i}": {"action": "pull", "wire": str(i)} for i in ("10000", "9999", "0001")}
    job = Job.from_mapping(entries)
    assert [step.wire for step in job.done] == ["0001", "9999", "10000"]
    assert list(tick_changes(job, "pull", "Z")) == ["done/10001"]


def test_records_read_from_a_job_write_the_same_entries_again():
    photo = {
        "name": "1.jpg",
        "stage": "during 2",
        "taken_at": "2026-03-02T10:00:00",
        "focal35_mm": 26.0,
        "width_px": 4000,
        "height_px": 3000,
    }
    assert PhotoEntry.from_mapping(SHA, photo).to_mapping() == photo
    judged = {"a": "A", "b": "B", "x": 1.0, "y": 2.0, "top": "apart", "by": "MK", "photo": SHA}
    judged |= {"at": "2026-03-02T10:00:00+00:00", "extra": {"confidence": 0.7}}
    step = {"action": "peel", "wire": "A", "past": [1.0, 2.0], "at": None, "by": "", "reason": "r"}
    job = Job.from_mapping({"judged/1": judged, "done/0001": step})
    assert job.judged[0].to_mapping() == judged
    assert job.judged[0].to_judged().extra == {"confidence": 0.7}
    assert job.done[0].to_mapping() == step
    assert Settings.from_mapping(Settings().to_mapping()) == Settings()


# --- leads as traced ------------------------------------------------------------------


def test_a_route_is_its_stretches_without_doubled_points():
    traced = replace(
        lead("Z01-H"),
        stretches=(
            Stretch(((0, 0), (10, 0))),
            Stretch(((10, 0), (10, 0), (20, 0)), seen=False),
            Stretch(()),
            Stretch(((20, 0),)),
            Stretch(((20, 0), (20, 10))),
        ),
    )
    assert traced.points_mm.tolist() == [[0, 0], [10, 0], [20, 0], [20, 10]]
    assert traced.seen == (True, False, True)
    assert traced.length_mm == 30


@pytest.mark.parametrize(
    ("first", "second", "joint"),
    [(True, True, True), (True, False, False), (False, True, False)],
)
def test_a_gap_between_stretches_is_seen_only_when_both_are(first, second, joint):
    stretches = (Stretch(((0, 0), (1, 0)), first), Stretch(((2, 0), (3, 0)), second))
    assert replace(lead("Z01-H"), stretches=stretches).seen == (first, joint, second)


@pytest.mark.parametrize("points", [(), ((5.0, 5.0),), ((5.0, 5.0), (5.0, 5.0))])
def test_a_lead_without_two_points_has_no_route_yet(points):
    traced = lead("Z01-H", *points)
    assert traced.to_lead() is None
    assert "Z01-H" in {one.id for one in job_of(traced).missing_leads()}
    assert job_of(traced).route_map(provisional=False).leads == ()


class Shifted:
    """A fit that stands in for a real one: 10 px per mm, and depth shifts x by itself."""

    def __init__(self, shift_mm: float) -> None:
        self.shift_mm = shift_mm

    def plate_from_photo(self, xy_px, depth_mm=0):
        xy_mm = np.asarray(xy_px, dtype=float) / 10.0
        return xy_mm + np.stack(
            [self.shift_mm + np.broadcast_to(depth_mm, len(xy_mm)), 0 * xy_mm[:, 1]], 1
        )

    def to_dict(self):
        return {"shift_mm": self.shift_mm}


ON_PHOTO = Stretch(((0, 0), (10, 0)), photo=SHA, points_px=((0, 0), (100, 0)), depth_mm=0.0)
BURIED = Stretch(((10, 0), (15, 0), (20, 0)), seen=False)
ON_OTHER = Stretch(((20, 0), (30, 0)), photo=OTHER_SHA, points_px=((200, 0), (300, 0)))


def test_a_new_fit_moves_the_stretches_on_its_photo_and_buried_ends_follow():
    traced = replace(lead("Z01-H"), stretches=(ON_PHOTO, BURIED, ON_OTHER))
    (moved,) = refit_stretches([traced], SHA, Shifted(2.0))
    assert [one.points_mm for one in moved.stretches] == [
        ((2, 0), (12, 0)),
        ((12, 0), (15, 0), (20, 0)),
        ((20, 0), (30, 0)),
    ]
    (moved,) = refit_stretches([traced], OTHER_SHA, Shifted(-1.0))
    assert [one.points_mm[0] for one in moved.stretches] == [(0, 0), (10, 0), (19, 0)]
    assert moved.points_mm.tolist() == [[0, 0], [10, 0], [15, 0], [19, 0], [29, 0]]


def test_a_stretch_keeps_the_depth_it_was_traced_with():
    traced = replace(lead("Z01-H"), stretches=(replace(ON_PHOTO, depth_mm=(1.0, 3.0)),))
    (moved,) = refit_stretches([traced], SHA, Shifted(0.0))
    assert moved.stretches[0].points_mm == ((1, 0), (13, 0))


def test_stretches_on_two_photos_that_part_are_joined_by_a_short_piece():
    traced = replace(
        lead("Z01-H"), stretches=(ON_PHOTO, replace(ON_OTHER, points_mm=((10, 0), (30, 0))))
    )
    (moved,) = refit_stretches([traced], SHA, Shifted(0.0))
    assert len(moved.points_mm) == 3
    (moved,) = refit_stretches([traced], SHA, Shifted(-3.0))
    assert moved.points_mm.tolist() == [[-3, 0], [7, 0], [10, 0], [30, 0]]
    assert moved.seen == (True, True, True)


def test_a_fit_and_the_leads_on_its_photo_change_in_one_edit():
    here = replace(lead("Z01-H"), stretches=(ON_PHOTO,))
    job = job_of(here, whole("Z02-H"))
    changes = fit_changes(job, SHA, Shifted(5.0), clicks=[[1, 2, "corner 1"]])
    assert set(changes) == {f"fit/{SHA}", "lead/Z01-H"}
    assert changes[f"fit/{SHA}"] == {"fit": {"shift_mm": 5.0}, "clicks": [[1, 2, "corner 1"]]}
    assert changes["lead/Z01-H"]["stretches"][0]["points_mm"] == [[5, 0], [15, 0]]


def test_a_real_fit_comes_back_from_the_job_and_moves_what_was_traced_with_it(shared_plates):
    photo = truth_of(shared_plates / "plate3")["photos"][0]
    assert not np.any(photo["dist"])  # so that the rays below are straight
    fit = true_fit(photo)
    pixels = ((700.0, 600.0), (900.0, 800.0))
    stretch = Stretch(((0, 0), (1, 1)), photo=SHA, points_px=pixels, depth_mm=(5.0, 9.0))
    job = job_of(replace(lead("Z01-H"), stretches=(stretch,)))
    job = Job.from_mapping({**job.to_mapping(), **fit_changes(job, SHA, fit)})
    (traced,) = job.leads
    # The truth of the rendered photo: X = camera centre + s * ray meets z = -depth.
    lens, turn, shift = (np.array(photo[name], float) for name in ("K", "R", "t"))
    for (x_px, y_px), depth, at in zip(pixels, (5.0, 9.0), traced.points_mm, strict=True):
        ray = turn.T @ np.linalg.solve(lens, [x_px, y_px, 1.0])
        centre = -turn.T @ shift.ravel()
        s = (-depth - centre[2]) / ray[2]
        assert at == pytest.approx((centre + s * ray)[:2], abs=1e-6)
    assert job.fits[SHA].verdict == "good"
    assert job.fits[SHA].to_dict() == fit.to_dict()


def test_clicks_are_kept_before_they_are_enough_for_a_fit():
    job = job_of(whole("Z01-H"))
    changes = fit_changes(job, SHA, None, clicks=[[1, 2, "corner 1"]])
    job = Job.from_mapping({**job.to_mapping(), **changes})
    assert (dict(job.fits), job.clicks(SHA)) == ({}, [[1, 2, "corner 1"]])


numbers = st.floats(-1e6, 1e6)
points = st.lists(st.tuples(numbers, numbers), max_size=5).map(tuple)
stretches = points.flatmap(
    lambda mm: st.builds(
        Stretch,
        st.just(mm),
        st.booleans(),
        st.none() | st.just(SHA),
        st.none() | st.just(mm),
        st.none() | numbers | st.lists(numbers, min_size=len(mm), max_size=len(mm)).map(tuple),
        st.floats(0, 1),
    )
)
names = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=64)
traced_leads = st.builds(
    TracedLead,
    names,
    st.sampled_from(["heater", "thermocouple", "other"]),
    names,
    st.none() | names,
    st.lists(stretches, max_size=4).map(tuple),
    st.none() | st.floats(0.1, 20),
    st.none() | names,
    st.booleans(),
)


@given(traced_leads)
@settings(max_examples=40, deadline=None)
def test_a_traced_lead_comes_back_from_its_entry(traced: TracedLead):
    (again,) = Job.from_mapping(lead_changes(traced)).leads
    assert again == traced


@given(traced_leads)
@settings(max_examples=40, deadline=None)
def test_a_route_has_one_seen_entry_per_segment_and_no_doubled_point(traced: TracedLead):
    steps = np.diff(traced.points_mm, axis=0)
    assert len(traced.seen) == len(steps)
    assert (np.abs(steps) > 0).any(axis=1).all()


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.just(10**400)
    | st.floats(allow_nan=False)
    | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=8,
)
FORMS = {
    "about": {"name": "Lid tool", "extra": {}},
    "lead/A": {**lead("A", (0, 0), (1, 1), drop="D01").to_mapping(), "extra": {}, "colour": "red"},
    f"photo/{SHA}": {"name": "1.jpg", "stage": "before", "taken_at": None, "width_px": 3},
    "judged/1": {"a": "A", "b": "B", "x": 1.0, "y": 2.0, "top": "a", "at": None, "extra": {}},
    "done/0001": {"action": "pull", "wire": "A", "past": None, "at": None},
    "settings": Settings().to_mapping(),
    "plate": PLATE,
}


@given(st.sampled_from(sorted(FORMS)), st.data())
@settings(max_examples=200, deadline=None)
def test_a_damaged_entry_is_refused_in_a_sentence_or_can_be_read(key: str, data):
    value = dict(FORMS[key])
    field = data.draw(st.sampled_from(sorted(value)))
    if data.draw(st.booleans()):
        del value[field]
    else:
        value[field] = data.draw(json_values)
    if key == "lead/A" and value.get("stretches") and data.draw(st.booleans()):
        stretch = dict(FORMS[key]["stretches"][0])
        stretch[data.draw(st.sampled_from(sorted(stretch)))] = data.draw(json_values)
        value["stretches"] = [stretch]
    try:
        job = Job.from_mapping({key: value})
    except MapperError as error:
        assert "\n" not in str(error)
        return
    read = (job.about, job.leads, job.photos, job.judged, job.done, job.settings, job.plate)
    assert len(read) == 7


# --- leads that must be there -----------------------------------------------------------


@pytest.mark.parametrize(
    ("drops", "zones"),
    [
        (["D07", "D12"], ["Z07", "Z12"]),
        (["1", "2"], ["Z1", "Z2"]),
        (["left", "right"], ["Zleft", "Zright"]),
        (["A1", "B1"], ["ZA1", "ZB1"]),
        (["A" * 64, "B"], ["Z01", "Z02"]),
        (["D1", "left"], ["ZD1", "Zleft"]),
    ],
)
def test_zones_are_numbered_as_their_drops(drops, zones):
    plate = {**NO_CHANNELS}
    plate["drops"] = [
        {"id": id, "x": 50 + 50 * i, "y": 50, "bore_diameter": 20} for i, id in enumerate(drops)
    ]
    expected = job_of(plate=plate).expected_leads()
    assert [one.id for one in expected] == [f"{zone}-{s}" for zone in zones for s in "HT"]
    assert [one.kind for one in expected[:2]] == ["heater", "thermocouple"]
    assert all(len(one.id) <= 64 for one in expected)


def test_leads_are_expected_as_the_job_says():
    settings_ = {"leads_per_drop": ["H"], "not_there": ["Z02-H"]}
    job = job_of(settings=settings_)
    assert [one.id for one in job.expected_leads()] == ["Z01-H", "Z03-H"]


def test_a_lead_with_another_name_counts_for_its_drop_and_kind():
    job = job_of(whole("Z01-H"), replace(whole("Z02-T"), id="tc two", kind="thermocouple"))
    missing = [one.id for one in job.missing_leads()]
    assert missing == ["Z01-T", "Z02-H", "Z03-H", "Z03-T"]


def test_two_leads_do_not_count_for_one_expected_lead_each_twice():
    names = ("one", "two")
    job = job_of(*(replace(whole("Z01-H"), id=name, kind="heater") for name in names))
    assert "Z01-T" in [one.id for one in job.missing_leads()]


# --- what nobody traced ----------------------------------------------------------------

ALL = [f"Z0{i}-{s}" for i in (1, 2, 3) for s in "HT"]


def all_but(*missing: str) -> list[TracedLead]:
    return [whole(id, dy=i * 0.5) for i, id in enumerate(ALL) if id not in missing]


def test_a_job_with_all_leads_traced_and_judged_can_be_planned():
    job = judged_apart(job_of(*all_but()))
    assert job.provisional_ids() == frozenset()
    assert job.warnings() == ()
    assert plan_pull(job.route_map()).status == "complete"


def test_a_missing_lead_lies_unseen_along_its_channels():
    job = job_of(*all_but("Z02-T"))
    assert job.provisional_ids() == {"Z02-T"}
    guess = job.route_map().leads_by_id["Z02-T"]
    assert guess.points_mm.tolist() == [[120, 100], [120, 50], [300, 50]]
    assert (guess.kind, guess.drop, guess.exit) == ("thermocouple", "D02", "X1")
    assert guess.seen == (False, False)
    # The thickest of its kind in the job, and what 4 mm lack to the 14 mm of the channel, on
    # both sides.
    assert guess.diameter_mm == 2.4 + 2 * (14 - 4)
    assert job.route_map().unseen_error_mm == 4
    assert "Z02-T" not in job.route_map(provisional=False).leads_by_id


def test_whatever_lies_in_the_channel_of_a_missing_lead_meets_it():
    at_the_wall = whole("Z01-H", dy=6.9)  # the trunk is 14 mm wide
    beyond = lead("Z03-H", (180, 100), (180, 70), (290, 70))  # 20 mm from the middle of the trunk
    job = job_of(at_the_wall, beyond, settings={"not_there": [i for i in ALL if i != "Z02-T"]})
    pairs = {(one.a, one.b) for one in job.route_map().crossings if one.a != one.b}
    assert pairs == {("Z01-H", "Z02-T")}


def test_leads_traced_from_end_to_end_meet_as_if_nothing_were_missing():
    buried = replace(
        whole("Z01-H"),
        stretches=tuple(replace(one, seen=False) for one in whole("Z01-H", 6.0).stretches),
    )
    cut = lead("Z03-T", (180, 100), (180, 60), finished=False)
    rest = [one for one in all_but("Z02-T", "Z03-T") if one.id != "Z01-H"]
    job = judged_apart(job_of(*rest, buried, cut))
    both = [job.route_map(provisional).crossings for provisional in (True, False)]
    known, plain = (
        [one for one in found if not {one.a, one.b} & job.provisional_ids()] for found in both
    )
    assert len(known) == len(plain) > 4
    for one, other in zip(known, plain, strict=True):
        assert (one.a, one.b, one.kind, one.top) == (other.a, other.b, other.kind, other.top)
        assert (one.x_mm, one.y_mm) == pytest.approx((other.x_mm, other.y_mm), abs=1e-6)
        assert one.top is not None


def test_nothing_in_the_channel_of_a_missing_lead_is_offered():
    job = judged_apart(job_of(*all_but("Z02-T")))
    assert offered(job) == set()
    assert plan_pull(job.route_map()).status == "needs-a-look"
    # The test can fail: without the provisional lead there is a plan.
    assert plan_pull(job.route_map(provisional=False)).status == "complete"


def test_a_judgement_does_not_settle_where_a_missing_lead_lies():
    complete = judged_apart(job_of(*all_but()))
    entries = {key: value for key, value in complete.to_mapping().items() if key != "lead/Z02-T"}
    job = Job.from_mapping(entries)
    assert any("Z02-T" in (one.a, one.b) for one in job.judged)
    assert offered(job) == set()


def test_the_rest_of_an_unfinished_lead_is_unknown_and_its_judgements_there_do_not_count():
    complete = judged_apart(job_of(*all_but()))
    cut = lead("Z02-T", (120, 100), (120, 51.5), (150, 51.5), finished=False)
    job = Job.from_mapping({**complete.to_mapping(), **lead_changes(cut)})
    guess = job.route_map().leads_by_id["Z02-T"]
    assert guess.points_mm[:3].tolist() == cut.points_mm.tolist()
    assert guess.points_mm[-1].tolist() == [300, 50]
    assert guess.seen[:2] == (True, True) and not any(guess.seen[2:])
    ((start, end),) = job.untraced_runs_mm()["Z02-T"]
    assert (start, end) == pytest.approx((cut.length_mm, guess.length_mm))
    assert offered(job) == set()


def test_a_judgement_on_the_traced_part_of_an_unfinished_lead_still_counts():
    # Z03-H crosses the branch of D02 above the trunk; Z02-T is traced down to the trunk.
    over = lead("Z03-H", (180, 100), (100, 80), (100, 120))
    cut = lead("Z02-T", (120, 100), (120, 70), finished=False)
    settings_ = {"leads_per_drop": []}
    job = judged_apart(job_of(over, cut, settings=settings_))
    (crossing,) = [one for one in job.route_map().crossings if one.kind == "crossing"]
    assert (crossing.a, crossing.b, crossing.top) == ("Z02-T", "Z03-H", "a")


def test_a_lead_that_begins_far_from_its_drop_is_unknown_up_to_there():
    job = job_of(lead("Z01-H", (200, 50), (300, 50)), settings={"leads_per_drop": []})
    guess = job.route_map().leads_by_id["Z01-H"]
    assert guess.points_mm.tolist() == [[60, 100], [60, 50], [200, 50], [300, 50]]
    assert guess.seen == (False, False, True)
    assert job.untraced_runs_mm() == {"Z01-H": ((0.0, 190.0),)}
    assert "trace it from the drop" in job.warnings()[0]


def test_a_missing_lead_may_leave_by_any_exit():
    plate = {**PLATE, "exits": [*PLATE["exits"], {"id": "X2", "x": 40, "y": 50}]}
    job = job_of(*all_but("Z02-T"), plate=plate)
    guesses = [one for one in job.route_map().leads if one.id in job.provisional_ids()]
    assert {one.exit for one in guesses} == {"X1", "X2"}
    assert {one.points_mm[-1].tolist()[0] for one in guesses} == {300, 40}
    assert all(one.drop == "D02" for one in guesses)


def test_where_channels_form_a_ring_a_missing_lead_may_be_in_any_of_them():
    ring = {"id": "R", "points": [[60, 50], [60, 20], [180, 20], [180, 50]], "width": 8, "depth": 9}
    plate = {**PLATE, "channels": [*PLATE["channels"], ring]}
    round_about = lead("Z01-H", (60, 100), (60, 20), (180, 20), (180, 50), (300, 50))
    others = [one for one in all_but("Z02-T") if one.id != "Z01-H"]
    job = judged_apart(job_of(round_about, *others, plate=plate))
    map_ = job.route_map()
    guesses = [one for one in map_.leads if one.id in job.provisional_ids()]
    assert any(20 in one.points_mm[:, 1] for one in guesses)
    assert len({one.id for one in map_.leads}) == len(map_.leads)


def test_without_channels_nothing_can_be_called_free():
    job = judged_apart(job_of(*all_but("Z03-T"), plate=NO_CHANNELS))
    assert offered(job) == set()
    assert job.warnings() == (
        "Z03-T is not traced to the end and the plate has no channels: nothing can be called free.",
    )
    assert plan_pull(job.route_map(provisional=False)).status == "complete"


@pytest.mark.parametrize("more", [{"finished": False}, {"drop": "D99", "finished": False}])
def test_an_unfinished_lead_without_a_channel_holds_everything_back(more):
    begun = lead("Z03-T", (180, 100), (180, 90), **more)
    job = judged_apart(job_of(*all_but("Z03-T"), begun, plate=NO_CHANNELS))
    assert offered(job) == set()


def test_leads_of_which_nothing_is_known_hold_each_other_back():
    job = job_of(plate=NO_CHANNELS)
    assert len(job.route_map().leads) == 6
    assert offered(job) == set()
    assert "Z01-H, Z01-T and 4 more are not traced" in job.warnings()[0]


def test_a_lead_that_somebody_added_without_a_route_counts_as_missing():
    added = lead("bundle", drop="D02", finished=False)
    entries = {"settings": {"leads_per_drop": []}}
    job = judged_apart(job_of(*all_but(), added, **entries))
    assert job.provisional_ids() == {"bundle"}
    assert offered(job) == set()
    lost = judged_apart(job_of(*all_but(), replace(added, drop="D99"), **entries))
    assert offered(lost) == set()


def test_an_empty_lead_of_an_expected_name_is_missing_once():
    job = job_of(*all_but("Z02-T"), lead("Z02-T", finished=False))
    assert job.provisional_ids() == {"Z02-T"}
    assert [one.id for one in job.missing_leads()] == ["Z02-T"]


def test_a_thin_line_does_not_slip_past_an_unseen_run():
    thin = [replace(one, diameter_mm=None) for one in all_but("Z02-T")]
    job = judged_apart(job_of(*thin))
    assert offered(job) == set()


def test_leads_of_unknown_thickness_that_lie_along_each_other_are_asked_about():
    thin = [replace(one, diameter_mm=None) for one in all_but()]
    seen_only = job_of(*thin).route_map()
    assert all(lead.seen is None or all(lead.seen) for lead in seen_only.leads)
    assert {lead.diameter_mm for lead in seen_only.leads} <= {2.5, 3.0}
    apart_mm = 2.0  # nearer than two such leads are thick
    one = replace(thin[0], id="Z01-H", kind="heater")
    stretch = one.stretches[0]
    beside = tuple((x, y + apart_mm) for x, y in stretch.points_mm)
    other = replace(one, id="Z02-H", stretches=(replace(stretch, points_mm=beside),))
    assert job_of(one, other).route_map(provisional=False).crossings


def test_leads_that_hang_on_nothing_are_named():
    job = job_of(whole("Z01-H", drop="D<9>", exit="X<9>"), whole("Z02-H", exit=None))
    assert any("Z01-H starts at drop D<9>" in one for one in job.warnings())
    assert any("exit X<9>, which the plate does not have" in one for one in job.warnings())
    short = job_of(lead("Z01-H", (60, 100), (60, 50)))
    assert any("ends 240 mm from its exit" in one for one in short.warnings())


def test_provisional_leads_never_take_the_id_of_another():
    taken = whole("Z01-H or here")
    plate = {**PLATE, "exits": [*PLATE["exits"], {"id": "X2", "x": 40, "y": 50}]}
    job = job_of(taken, replace(taken, id="x" * 64, finished=False, exit=None), plate=plate)
    ids = [one.id for one in job.route_map().leads]
    assert len(set(ids)) == len(ids)
    assert all(len(id) <= 64 for id in ids)


# --- judgements ------------------------------------------------------------------------


def crossing_job() -> Job:
    over = lead("Z01-H", (60, 100), (60, 50), (300, 50))
    under = lead("Z02-H", (120, 100), (120, 20), (300, 20), exit=None)
    return job_of(over, under)


def test_a_judgement_is_kept_with_who_saw_it_where():
    job = crossing_job()
    (meeting,) = [one for one in job.route_map(False).crossings if one.kind == "crossing"]
    changes = judgement_changes(job, meeting, "b", by="MK", photo=SHA, confidence=0.9)
    job = Job.from_mapping({**job.to_mapping(), **changes})
    (kept,) = job.judged
    assert (kept.a, kept.b, kept.top, kept.by, kept.photo) == ("Z01-H", "Z02-H", "b", "MK", SHA)
    assert kept.at is not None
    assert [one.top for one in job.route_map(False).crossings if one.kind == "crossing"] == ["b"]


def test_a_later_judgement_takes_the_place_of_an_earlier_one_and_none_opens_it():
    job = crossing_job()
    for top in ("a", "b", None):
        (meeting,) = [one for one in job.route_map(False).crossings if one.kind == "crossing"]
        values = {**job.to_mapping(), **judgement_changes(job, meeting, top)}
        job = Job.from_mapping({key: value for key, value in values.items() if value is not None})
        (now,) = [one for one in job.route_map(False).crossings if one.kind == "crossing"]
        assert now.top == top
        assert len(job.judged) == (top is not None)


def test_leads_that_cross_cannot_be_said_to_lie_apart():
    job = crossing_job()
    (meeting,) = [one for one in job.route_map(False).crossings if one.kind == "crossing"]
    with pytest.raises(RecordsError, match="truly cross"):
        judgement_changes(job, meeting, "apart")


# --- against the truth of rendered plates ------------------------------------------------


def true_job(truth: dict, without: set[str]) -> Job:
    """Everything traced and judged as it truly is, but for some leads."""
    plate = true_plate(truth)
    leads = [
        TracedLead(
            one.id,
            one.kind,
            one.drop,
            one.exit,
            (Stretch(tuple(map(tuple, one.points_mm[::4].tolist()))),),
            one.diameter_mm,
            finished=True,
        )
        for one in true_leads(truth)
        if one.id not in without
    ]
    job = job_of(*leads, plate=plate.to_mapping())
    judged = {}
    for i, meeting in enumerate(job.route_map(False).crossings):
        top = (
            "a" if _height(truth, meeting.a, meeting) > _height(truth, meeting.b, meeting) else "b"
        )
        judged[f"judged/{i}"] = {
            "a": meeting.a,
            "b": meeting.b,
            "x": meeting.x_mm,
            "y": meeting.y_mm,
            "top": top if meeting.kind == "crossing" else "apart",
        }
    return Job.from_mapping({**job.to_mapping(), **judged})


def _height(truth: dict, id: str, at) -> float:
    (wire,) = [one for one in truth["wires"] if "Z" + one["id"][1:].replace("_", "-") == id]
    return min(wire["points"], key=lambda p: math.dist(p[:2], (at.x_mm, at.y_mm)))[2]


def bold_steps(truth: dict, plan, without: set[str]) -> list[str]:
    """Leads that a step would touch although an untraced lead truly lies over them."""
    under = set()
    for one in truth["crossings"]:
        names = {key: "Z" + one[key][1:].replace("_", "-") for key in ("a", "b")}
        upper = "a" if one["z_a"] > one["z_b"] else "b"
        if names[upper] in without:
            under.add(names["b" if upper == "a" else "a"])
    return sorted({step.wire for step in plan.steps if step.action == "pull"} & under - without)


@pytest.mark.parametrize("name", ["plate1", "plate2", "plate3"])
def test_no_lead_under_an_untraced_one_is_ever_offered(shared_plates, name: str):
    truth = truth_of(shared_plates / name)
    ids = sorted(one.id for one in true_leads(truth))
    rng = np.random.default_rng(3)
    bold_without = 0
    for count in (1, 2, 5):
        without = set(rng.choice(ids, count, replace=False).tolist())
        job = true_job(truth, without)
        assert {one.id for one in job.missing_leads()} == without
        assert bold_steps(truth, plan_pull(job.route_map()), without) == []
        bold_without += len(bold_steps(truth, plan_pull(job.route_map(False)), without))
    # Each lead must not be held back by chance: without provisional leads some are offered.
    assert bold_without > 0


def test_a_trunk_without_untraced_leads_goes_on_while_another_waits(shared_plates):
    truth = truth_of(shared_plates / "plate2")  # two trunks, each with its exit
    job = true_job(truth, {"Z01-H"})
    exits = {one.id: one.exit for one in job.leads}
    assert {exits[id] for id in offered(job) if id in exits} == {"X2"}


def test_a_lead_traced_on_a_doubtful_fit_is_not_trusted_until_somebody_confirms_the_fit(
    sample_images,
):
    entries = json.loads((sample_images / "job.json").read_text(encoding="utf-8"))
    cleared = next(
        k for k in entries if k.startswith("photo/") and entries[k]["stage"] == "cleared"
    )
    fit = entries[f"fit/{cleared[6:]}"]
    fit["fit"]["verdict"], fit["fit"]["reasons"] = "doubtful", ["a half turn fits as well"]
    job = Job.from_mapping(entries)
    assert {lead.id for lead in job.leads} <= job.provisional_ids()
    assert not plan_pull(job.route_map()).steps
    assert any("doubtful" in sentence for sentence in job.warnings())
    fit["confirmed"] = {"by": "somebody", "at": "2026-03-01T08:00:00+00:00"}
    confirmed = Job.from_mapping(entries)
    assert confirmed.provisional_ids() == {"Z08-T"}
    assert plan_pull(confirmed.route_map()).steps
