"""The parts of the pages that decide something, without a page around them."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from streamlit.testing.v1 import AppTest

from mapper.errors import MapperError
from mapper.fit import Camera, PhotoFit
from mapper.plate import Feature, Plate, PlateError
from mapper.pulling import Violation, check_order
from mapper.records import Job, JobStore, PhotoEntry, Stretch, TracedLead
from mapper.ui import jobs_page, looks, server
from mapper.ui.canvas import Operation
from mapper.ui.crops import crop_of_place, draw_lead
from mapper.ui.drawing import plate_svg
from mapper.ui.findings import Findings
from mapper.ui.fit_clicks import click_errors, clicks_after
from mapper.ui.photos_page import BY_HAND, intake_changes, stage_choices
from mapper.ui.plan_picture import lead_states
from mapper.ui.plate_drawn import channel_added, exit_added, snapped
from mapper.ui.plate_tables import (
    in_words,
    plate_with_rows,
    points_of,
    rows_of,
    words_of_points,
)
from mapper.ui.sheet_page import file_stem


def plate() -> Plate:
    return Plate.from_mapping(
        {
            "name": "small",
            "outline": [[0, 0], [300, 0], [300, 200], [0, 200]],
            "drops": [
                {"id": "D01", "x": 60, "y": 100, "bore_diameter": 40},
                {"id": "D02", "x": 160, "y": 100, "bore_diameter": 40},
            ],
            "holes": [{"id": "P1", "x": 20, "y": 20, "diameter": 20}],
            "channels": [{"id": "C1", "points": [[60, 100], [300, 100]], "width": 14, "depth": 15}],
            "exits": [{"id": "X1", "x": 300, "y": 100}],
        }
    )


class StraightDown:
    """A photo taken from straight above: 4 px per mm, plate corner (0, 0) at (100, 900) px."""

    def photo_from_plate(self, xy_mm, depth_mm=0.0):
        xy = np.asarray(xy_mm, float).reshape(-1, 2)
        return np.column_stack([100 + 4 * xy[:, 0], 900 - 4 * xy[:, 1]])

    def plate_from_photo(self, xy_px, depth_mm=0.0):
        xy = np.asarray(xy_px, float).reshape(-1, 2)
        return np.column_stack([(xy[:, 0] - 100) / 4, (900 - xy[:, 1]) / 4])


# --- tables of the plate -----------------------------------------------------------------


@pytest.mark.parametrize("kind", ["drops", "holes", "channels", "exits"])
def test_a_table_read_back_gives_the_same_plate(kind: str):
    assert plate_with_rows(plate(), kind, rows_of(plate(), kind)) == plate()


@given(
    st.lists(
        st.tuples(*2 * [st.floats(-1e4, 1e4).map(lambda v: round(v, 3))]), min_size=1, max_size=6
    )
)
@settings(max_examples=60, deadline=None)
def test_points_as_text_read_back(points):
    assert np.allclose(points_of(words_of_points(points), "here"), points, atol=1e-6)


@pytest.mark.parametrize("text", ["60 60; 248", "a b; 1 2", "1 2 3", "1,2,3", "nan 2", "1e400 2"])
def test_points_that_are_none_name_their_place(text: str):
    with pytest.raises(PlateError, match="Channels, row 3: point"):
        points_of(text, "Channels, row 3")


@given(st.text(max_size=60))
@settings(max_examples=150, deadline=None)
def test_any_text_is_points_or_one_sentence(text: str):
    try:
        points = points_of(text, "row 1")
    except PlateError as error:
        assert "row 1" in str(error)
    else:
        assert all(len(point) == 2 for point in points)


def test_empty_rows_are_left_aside_and_half_filled_ones_named():
    rows = rows_of(plate(), "exits")
    empty = dict.fromkeys(rows[0])
    assert plate_with_rows(plate(), "exits", [*rows, empty]) == plate()
    with pytest.raises(PlateError, match="Exits, row 2: fill in x mm"):
        plate_with_rows(plate(), "exits", [*rows, {**empty, "exit": "X2"}])


def test_a_wrong_number_names_table_and_row():
    rows = rows_of(plate(), "drops")
    rows[1]["bore mm"] = -4.0
    with pytest.raises(PlateError, match="Drops, row 2, bore diameter"):
        plate_with_rows(plate(), "drops", rows)


def test_key_paths_are_said_as_rows():
    said = in_words("plate.channels[2].points[0][1] must be a number")
    assert said == "Channels, row 3, points: must be a number"


# --- drawing on the plate ------------------------------------------------------------------


def test_a_click_near_a_drop_means_the_drop():
    assert snapped(plate(), 63.0, 97.0) == (60.0, 100.0)
    assert snapped(plate(), 90.0, 50.123456) == (90.0, 50.12)


def test_a_new_channel_takes_the_next_free_name():
    assert channel_added(plate(), [(160, 100), (160, 0)], 12, 10).channels[-1].id == "C2"


def test_a_new_exit_lies_on_the_edge_of_the_plate():
    place = exit_added(plate(), 150.0, 6.0).exits[-1]
    assert (place.id, place.x_mm, place.y_mm) == ("X2", 150.0, 0.0)


def test_the_drawing_is_sound_svg_whatever_the_ids_are():
    mapping = plate().to_mapping()
    mapping["drops"][0]["id"] = "<script>&\"'"
    mapping["exits"][0]["id"] = "</svg>"
    svg = plate_svg(Plate.from_mapping(mapping))
    texts = [node.text for node in ElementTree.fromstring(svg).iter() if node.tag.endswith("text")]
    assert "<script>&\"'" in texts and "</svg>" in texts


# --- photos ---------------------------------------------------------------------------------


def entry(name: str, hour: int, stage: str = "before") -> PhotoEntry:
    return PhotoEntry(name[0] * 64, name, stage, datetime(2026, 3, 1, hour))


def test_new_photos_get_a_stage_from_their_time():
    job = Job.from_mapping({})
    changes = intake_changes(job, [entry("b.jpg", 12), entry("a.jpg", 8), entry("c.jpg", 18)])
    stages = {key[6:7]: value["stage"] for key, value in changes.items()}
    assert stages == {"a": "before", "b": "during 1", "c": "cleared"}


def test_a_stage_set_by_hand_is_not_guessed_away():
    by_hand = {**entry("a.jpg", 8, "cleared").to_mapping(), BY_HAND: True}
    job = Job.from_mapping({f"photo/{'a' * 64}": by_hand})
    assert f"photo/{'a' * 64}" not in intake_changes(job, [entry("b.jpg", 12)])


def test_one_more_round_than_there_is_can_be_chosen():
    assert stage_choices([entry("a.jpg", 8, "during 2")]) == [
        "before",
        "during 1",
        "during 2",
        "during 3",
        "cleared",
        "rebuilt",
    ]


# --- fit by hand ----------------------------------------------------------------------------

FEATURES = (Feature("corner 1", "corner", 0, 0), Feature("D01", "drop", 60, 100, 40))


def test_clicks_are_set_moved_and_removed():
    clicks = clicks_after([], Operation("u-1", "point", 10.0, 20.0), "corner 1")
    assert clicks == [{"id": "u-1", "x": 10.0, "y": 20.0, "feature": "corner 1"}]
    moved = clicks_after(clicks, Operation("u-2", "move", 11.0, 21.0, id="u-1"), None)
    assert (moved[0]["x"], moved[0]["feature"]) == (11.0, "corner 1")
    assert clicks[0]["x"] == 10.0
    assert clicks_after(moved, Operation("u-3", "remove", id="u-1"), None) == []
    assert clicks_after(moved, Operation("u-4", "remove", id="other"), None) is None


def test_error_of_a_click_is_in_mm_on_the_plate():
    # 4 px per mm: 8 px right of the corner is 2 mm (worked by hand).
    clicks = [
        {"x": 108.0, "y": 900.0, "feature": "corner 1"},
        {"x": 340.0, "y": 496.0, "feature": None},
    ]
    first, second = click_errors(StraightDown(), FEATURES, clicks)
    assert (first.feature.id, first.labelled) == ("corner 1", True)
    assert first.error_mm == pytest.approx(2.0)
    assert (second.feature.id, second.labelled) == ("D01", False)
    assert second.error_mm == pytest.approx(1.0)


def test_a_named_click_far_away_shows_its_whole_error():
    clicks = [{"x": 340.0, "y": 500.0, "feature": "corner 1"}]
    (error,) = click_errors(StraightDown(), FEATURES, clicks)
    assert error.error_mm == pytest.approx(np.hypot(60, 100))


# --- crops ----------------------------------------------------------------------------------


def picture() -> np.ndarray:
    """A black photo with a white square of 2 mm around the plate's place (100, 50)."""
    pixels = np.zeros((1000, 1400, 3), np.uint8)
    x, y = StraightDown().photo_from_plate([[100.0, 50.0]])[0]
    pixels[int(y) - 4 : int(y) + 5, int(x) - 4 : int(x) + 5] = 255
    return pixels


def test_the_place_is_in_the_middle_of_its_crop():
    crop = crop_of_place(picture(), StraightDown(), 100, 50, 0.0, half_mm=10, size_px=(300, 200))
    assert crop.pixels_bgr.shape == (200, 300, 3)
    rows, columns = np.nonzero(crop.pixels_bgr[:, :, 0] > 128)
    assert abs(rows.mean() - 99.5) < 1 and abs(columns.mean() - 149.5) < 1
    assert np.allclose(crop.px_from_plate([[100, 50]]), [[149.5, 99.5]])
    assert crop.shown == 1.0


def test_up_on_the_plate_is_up_in_the_crop():
    crop = crop_of_place(picture(), StraightDown(), 100, 45, 0.0, half_mm=10, size_px=(300, 200))
    rows, _ = np.nonzero(crop.pixels_bgr[:, :, 0] > 128)
    assert rows.mean() == pytest.approx(49.5, abs=1)  # 5 mm up at 10 px per mm


def test_a_photo_that_does_not_show_the_place_gives_no_crop():
    assert crop_of_place(picture(), StraightDown(), -100, 50, 0.0) is None


def test_lines_beside_a_lead_leave_the_lead_itself_in_sight():
    crop = crop_of_place(picture(), StraightDown(), 100, 50, 0.0, half_mm=10, size_px=(300, 200))
    drawn = draw_lead(crop, np.array([[80.0, 50.0], [120.0, 50.0]]), "#0072b2", "A", beside_mm=3.0)
    middle = slice(140, 160)
    assert np.array_equal(drawn.pixels_bgr[95:105, middle], crop.pixels_bgr[95:105, middle])
    assert not np.array_equal(drawn.pixels_bgr, crop.pixels_bgr)


# --- plan -----------------------------------------------------------------------------------


def traced(name: str, kind: str, drop: str, points, finished: bool = True) -> dict:
    lead = TracedLead(name, kind, drop, "X1", (Stretch(tuple(points)),), 2.5, finished=finished)
    return lead.to_mapping()


def half_traced_job() -> Job:
    """Z01-H lies over Z02-H and is traced to half its way only; all else is not there."""
    return Job.from_mapping(
        {
            "plate": plate().to_mapping(),
            "settings": {"leads_per_drop": ["H"]},
            "lead/Z01-H": traced("Z01-H", "heater", "D01", [(60, 98), (200, 104)], False),
            "lead/Z02-H": traced("Z02-H", "heater", "D02", [(160, 106), (180, 98), (300, 98)]),
        }
    )


def test_no_step_is_offered_on_a_lead_that_is_not_traced_to_its_end():
    findings = Findings(half_traced_job())
    assert "Z01-H" in findings.job.provisional_ids()
    assert all(step.wire != "Z01-H" for step in findings.offered.steps)
    assert findings.offered.status != "complete"
    assert lead_states(findings)["Z01-H"] == "untraced"


def test_what_is_offered_holds_on_its_own():
    findings = Findings(half_traced_job())
    assert check_order(findings.planned_on, findings.offered.steps, findings.done) == []
    assert findings.legal_now <= set(findings.offered.steps)


def test_findings_of_an_empty_job_lead_to_the_plate():
    findings = Findings(Job.from_mapping({}))
    assert findings.plan is None and findings.meetings == ()
    assert findings.next_thing.page == "plate"


def test_next_thing_is_the_missing_lead():
    values = half_traced_job().to_mapping()
    del values["lead/Z02-H"]
    assert Findings(Job.from_mapping(values)).next_thing.text.startswith("trace Z02-H")


def test_each_finding_about_an_order_is_one_sentence():
    reasons = [
        "lies under",
        "nobody has looked",
        "unknown lead",
        "unknown place",
        "already out",
        "already past",
    ]
    sentences = [Violation(1, "Z1", "Z2", 1.0, 2.0, r).sentence() for r in reasons]
    assert len(set(sentences)) == len(reasons)
    assert all(s.startswith("Step 1: Z1") and s.endswith(".") for s in sentences)


# --- what is said ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["../../etc/passwd", "con|<>:?*", "", "   ", "Ü/ö\\ä\0"])
def test_file_names_made_from_a_job_hold_no_path(name: str):
    stem = file_stem(name)
    assert stem and not set(stem) & set('/\\<>:"|?*\0.')


def test_markdown_signs_in_names_do_nothing():
    assert looks.plain_markdown("*a* [b](c)") == "\\*a\\* \\[b\\]\\(c\\)"


def test_cautions_name_what_can_hurt_and_defer_to_the_codes():
    text = " ".join(looks.CAUTIONS).lower()
    for word in ("lock out", "prove dead", "burns", "extraction", "local codes", "licensed"):
        assert word in text
    assert "safe" not in text


def test_a_failing_page_says_one_sentence_and_logs_the_rest(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path))

    def fail() -> None:
        raise ZeroDivisionError("inner secret")

    monkeypatch.setattr(jobs_page, "show", fail)
    test = AppTest.from_file(str(server.MAIN_SCRIPT), default_timeout=60).run()
    assert not test.exception
    bodies = " ".join(one.proto.body for one in test.get("html"))
    assert "Something went wrong" in bodies
    assert "inner secret" not in bodies and "Traceback" not in bodies
    assert "inner secret" in (tmp_path / looks.LOG_NAME).read_text(encoding="utf-8")


def test_an_error_the_user_can_mend_is_shown_as_its_sentence(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path))

    def fail() -> None:
        raise MapperError("Close the other window <b>.")

    monkeypatch.setattr(jobs_page, "show", fail)
    test = AppTest.from_file(str(server.MAIN_SCRIPT), default_timeout=60).run()
    bodies = " ".join(one.proto.body for one in test.get("html"))
    assert "Close the other window &lt;b&gt;." in bodies


def test_an_edit_that_meets_another_window_is_said_and_not_forced(tmp_path: Path, monkeypatch):
    from mapper.ui.session import Context

    said: list[str] = []
    monkeypatch.setattr(looks, "say", lambda text, kind="": said.append(text))
    monkeypatch.setattr(Context, "person", "AB")
    store = JobStore(tmp_path)
    job_id = store.create("Two windows")
    ctx = Context(store, store.job(job_id))
    store.edit(job_id, "Other window", {"plate": plate().to_mapping()})
    assert not ctx.edit(
        "Mine", {"plate": Plate.grid(1, 1, 1, 1, (50, 50), 20, 99, 99).to_mapping()}
    )
    assert len(said) == 1 and "Another window" in said[0]
    assert ctx.job.plate == store.job(job_id).plate == plate()


def test_same_operation_delivered_twice_is_applied_once(tmp_path: Path, monkeypatch):
    from mapper.ui.session import Context

    monkeypatch.setattr(Context, "person", "")
    store = JobStore(tmp_path)
    ctx = Context(store, store.job(store.create("Twice")))
    assert ctx.edit("Enter the plate", {"plate": plate().to_mapping()}, uid="tab-1")
    assert ctx.edit("Enter the plate", {"plate": plate().to_mapping()}, uid="tab-1")
    assert len(store.history(ctx.job_id)) == 1
    assert ctx.undo() and ctx.job.plate is None and not ctx.undo()


def test_fits_of_the_truth_survive_the_store():
    camera = Camera(
        2000.0, (1199.5, 899.5), np.diag([1.0, -1.0, -1.0]), np.array([-150, 100, 700.0])
    )
    fit = PhotoFit(camera, 2400, 1800, np.eye(8) * 1e-8, "good", (), "truth", np.zeros(1), ("D01",))
    again = PhotoFit.from_dict(json.loads(json.dumps(fit.to_dict())))
    places = [[10.0, 20.0], [200.0, 150.0]]
    assert np.allclose(again.photo_from_plate(places, 12.0), fit.photo_from_plate(places, 12.0))
