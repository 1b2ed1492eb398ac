"""The pull order with crops: what a step waits for, how its lead lies, its place on a photo."""

from __future__ import annotations

import io
import re
from datetime import datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from mapper.plate import Plate
from mapper.pulling import Step, check_order, plan_pull
from mapper.routes import Judged, Lead, RouteMap
from mapper.sheets import (
    Line,
    QuestionCard,
    StepCard,
    StepPlace,
    Text,
    place_photo,
    pull_cards,
    pull_cards_pdf,
    pull_way,
    stage_rank,
    step_place,
    waits_of,
)
from mapper.sheets.scene import Picture
from mapper.sheets.step_places import marks_of
from tests.rendered import faults_of

MADE_AT = datetime(2026, 3, 7, 14, 5)


def crossed(tops: list[str | None], count: int = 3) -> RouteMap:
    """Parallel leads down a 300 x 200 plate, all crossed by one more, "across"; `tops` say who
    lies on top where it crosses each: "a" is the lead whose id comes first."""
    plate = Plate.from_mapping(
        {
            "name": "P",
            "outline": [[0, 0], [300, 0], [300, 200], [0, 200]],
            "drops": [{"id": "D1", "x": 40, "y": 180, "bore_diameter": 20}],
            "channels": [{"id": "C1", "points": [[10, 100], [290, 100]], "width": 12, "depth": 10}],
            "exits": [{"id": "X1", "x": 300, "y": 100}],
        }
    )
    downs = [
        Lead(f"Z{n}", "heater", "D1", "X1", [[60 + 60 * n, 180], [60 + 60 * n, 10]])
        for n in range(count)
    ]
    across = Lead("across", "thermocouple", "D1", "X1", [[10, 100], [290, 100]])
    judged = tuple(Judged(f"Z{n}", "across", 60 + 60 * n, 100, top) for n, top in enumerate(tops))
    return RouteMap(plate, (*downs, across), judged)


def cards(route_map: RouteMap, photo=None, ids=None) -> list[StepCard]:
    steps = plan_pull(route_map).steps
    present = set(route_map.leads_by_id)
    waits = waits_of(route_map, steps)
    found = []
    for number, step in enumerate(steps, start=1):
        place = step_place(route_map, step, present)
        how = "heater of D1, free end at X1"
        card = StepCard(
            number, step, step.action.capitalize(), how, place, frozenset(present),
            waits[number - 1], (), photo,
        )  # fmt: skip
        found.append(card)
        if step.action == "pull":
            present.discard(step.wire)
    return found


def words(scenes) -> str:
    return " ".join(item.text for page in scenes for item in page.items if isinstance(item, Text))


class FlatFit:
    """A photo taken straight from above, 4 px per mm, of the whole 300 x 200 plate."""

    def photo_from_plate(self, xy_mm, depth_mm=0.0):
        xy_mm = np.asarray(xy_mm, float)
        return np.column_stack([4 * xy_mm[:, 0], 800 - 4 * xy_mm[:, 1]])


def photo_pixels() -> np.ndarray:
    """Grey, and black within 5 mm of (180, 100)."""
    pixels = np.full((800, 1200, 3), 160, np.uint8)
    pixels[380:421, 700:741] = 0
    return pixels


def test_a_step_waits_for_the_steps_that_free_it_and_for_no_other():
    # across lies under Z0 and Z2 and over Z1: by the rule Z0 and Z2 come first, Z1 after it
    steps = [Step("pull", name) for name in ("Z2", "Z0", "across", "Z1")]
    route_map = crossed(["a", "b", "a"])
    assert not check_order(route_map, steps)
    assert waits_of(route_map, steps) == [(), (), (1, 2), (3,)]
    said = words(pull_cards(route_map, cards(route_map), [], "J", MADE_AT))
    assert re.search(r"Waits for step \d \(Pull Z0\); \d \(Pull Z2\)", said)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from(["a", "b", None]), min_size=5, max_size=5))
def test_a_step_breaks_no_rule_once_what_it_waits_for_is_done(tops):
    route_map = crossed(tops, 5)
    steps = plan_pull(route_map).steps
    waits = waits_of(route_map, steps)
    for number, step in enumerate(steps, start=1):
        first, todo = set(), [number]
        while todo:
            more = set(waits[todo.pop() - 1]) - first
            first |= more
            todo += more
        order = [steps[one - 1] for one in sorted(first)] + [step]
        assert check_order(route_map, order) == []


def test_marks_tell_over_freed_and_what_still_lies_on_top():
    route_map = crossed(["a", "b", None])
    every = set(route_map.leads_by_id)
    marks = marks_of(route_map, Step("pull", "across"), every, {"Z0"})
    assert {one.other: one.word for one in marks} == {"Z0": "freed", "Z1": "over", "Z2": "open"}
    # a peel to just past Z1 leaves what lies nearer the drop as it is
    peel = Step("peel", "across", (120.0, 100.0))
    marks = marks_of(route_map, peel, every, {"Z0", "Z2"})
    assert {one.other: one.word for one in marks} == {"Z0": "under", "Z1": "over", "Z2": "freed"}
    # what nobody lifted is never called freed, whatever the plan says
    assert "freed" not in {one.word for one in marks_of(route_map, peel, every)}
    assert not marks_of(route_map, Step("pull", "across"), {"across"})


def test_the_place_of_a_pull_is_where_it_meets_what_is_left_nearest_the_free_end():
    route_map = crossed(["a", "b", "b"])
    place = step_place(route_map, Step("pull", "across"), {"Z0", "Z1", "Z2"})
    assert (place.x_mm, place.y_mm) == pytest.approx((180, 100))
    place = step_place(route_map, Step("pull", "across"), {"Z0"})
    assert (place.x_mm, place.y_mm) == pytest.approx((60, 100))
    place = step_place(route_map, Step("pull", "across"), set())
    assert place.x_mm > 200
    peel = step_place(route_map, Step("peel", "across", (120.0, 100.0)), set())
    assert (peel.x_mm, peel.y_mm) == (120, 100)


def test_the_arrow_points_to_the_free_end():
    points = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]])
    assert pull_way(points, points[-1]).tolist() == [0, 1]
    assert pull_way(points, np.array([2.0, 0.0])).tolist() == [1, 0]


def test_later_stages_count_as_newer_and_the_rebuilt_plate_as_oldest():
    stages = ["rebuilt", "before", "during 2", "during 10", "cleared"]
    assert sorted(stages, key=stage_rank) == stages


def test_the_crop_lies_under_the_lines_true_to_place():
    # the black square of the photo has to show in the picture where the sheet draws (180, 100)
    place = StepPlace(180.0, 100.0, 20.0)
    photo = place_photo(photo_pixels(), FlatFit(), place, 0.0, "p.jpg, cleared")
    picture = np.array(Image.open(io.BytesIO(photo.jpeg)).convert("L"))
    high, wide = picture.shape
    rows, columns = np.nonzero(picture < 60)
    assert np.mean(rows) == pytest.approx(high / 2, abs=1.5)
    assert np.mean(columns) == pytest.approx(wide / 2, abs=1.5)
    assert np.ptp(rows) / high * 40 == pytest.approx(10, abs=0.6)  # 10 of 40 mm
    route_map = crossed(["a", "b", "b"])
    question = QuestionCard(1, "Z2", "across", place, 2, True, photo)
    (page,) = pull_cards(route_map, [], [question], "J", MADE_AT)
    (drawn,) = [item for item in page.items if isinstance(item, Picture)]
    assert drawn.width_mm / drawn.height_mm == pytest.approx(wide / high, rel=0.01)
    # Z2 runs down through the middle of the picture, one line on either side of it
    lines = [i for i in page.items if isinstance(i, Line) and i.width_mm == 0.45]
    xs = sorted(line.points_mm[0][0] for line in lines if not line.dash_mm)
    middle = drawn.x_mm + drawn.width_mm / 2
    assert xs[0] < middle < xs[1] and xs[1] - middle == pytest.approx(middle - xs[0], abs=0.01)


def test_without_a_photo_the_card_says_so_and_keeps_the_drawing():
    route_map = crossed(["a", "b", "b"])
    said = words(pull_cards(route_map, cards(route_map), [], "J", MADE_AT))
    assert "No fitted photo shows this place" in said
    assert place_photo(photo_pixels(), FlatFit(), StepPlace(900, 100, 20), 0.0, "p") is None


def test_questions_come_before_steps_and_an_open_crossing_offers_no_pull_past_it():
    route_map = crossed([None, None, None])
    assert cards(route_map) == []
    question = QuestionCard(1, "Z0", "across", StepPlace(60, 100, 20), 2)
    said = words(pull_cards(route_map, [], [question], "J", MADE_AT))
    assert "Nothing may be pulled yet." in said and "A on top" in said
    assert "side by side" not in said  # two leads that truly cross
    route_map = crossed(["a", "b", None])
    steps = [StepCard(1, Step("pull", "Z0"), "Pull", "h", StepPlace(60, 100, 20), frozenset())]
    said = words(pull_cards(route_map, steps, [question], "J", MADE_AT))
    assert said.index("Open question 1") < said.index("1. Pull")
    assert "Never pull harder" in said and "Local codes and licensed practice" in said


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter"])
def test_cards_fit_the_paper_with_long_names_and_five_go_on_a_page(paper):
    plate = crossed([]).plate
    names = [f"Zone {n} lower left cavity, second row, {'x' * 9}"[:40] for n in range(12)]
    leads = [
        Lead(name, "heater", "D1", "X1", [[20 + 20 * n, 190], [20 + 20 * n, 10]])
        for n, name in enumerate(names)
    ]
    route_map = RouteMap(plate, tuple(leads))
    pages = pull_cards(route_map, cards(route_map), [], "t " * 90, MADE_AT, paper)
    assert len(pages) == 3
    assert faults_of(pages) == []
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of 3" in words([page])


def test_48_leads_with_noisy_crops_stay_under_10_mb_and_are_jpeg():
    noise = np.random.default_rng(1).integers(90, 170, (200, 300, 3), dtype=np.uint8)
    pixels = np.kron(noise, np.ones((4, 4, 1), np.uint8))
    photo = place_photo(pixels, FlatFit(), StepPlace(150, 100, 30), 0.0, "p.jpg, cleared")
    plate = crossed([]).plate
    leads = tuple(
        Lead(f"Z{n:02d}", "heater", "D1", "X1", [[20 + 5 * n, 190], [20 + 5 * n, 10]])
        for n in range(48)
    )
    route_map = RouteMap(plate, leads)
    made = cards(route_map, photo)
    pdf = pull_cards_pdf(route_map, made, [], "J", MADE_AT)
    assert len(made) == 48
    # one picture that all cards share is kept once in the file, so each is counted by itself
    assert len(pdf) + 47 * 1.25 * len(photo.jpeg) < 10e6
    assert b"/DCTDecode" in pdf
