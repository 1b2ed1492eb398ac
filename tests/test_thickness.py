"""How thick a lead is: entered for its kind or for itself, from a file, or assumed; told apart."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from mapper.plate import Plate
from mapper.records import (
    Job,
    JobStore,
    RecordsError,
    Stretch,
    TracedLead,
    export_route_map,
    import_route_map,
    lead_changes,
    thickness_changes,
    wanted_leads,
)
from mapper.records.demo import open_demo
from mapper.records.thickness import USUAL_DIAMETER_MM, read_diameter_mm
from mapper.ui import server
from mapper.ui.leads_width import width_on_photos_mm
from tests.test_pages import page, sound

PLATE = Plate.from_mapping(
    {
        "name": "invented",
        "outline": [[0, 0], [300, 0], [300, 200], [0, 200]],
        "drops": [
            {"id": "D01", "x": 60, "y": 150, "bore_diameter": 42},
            {"id": "D02", "x": 180, "y": 150, "bore_diameter": 42},
        ],
        "channels": [
            {"id": "C1", "points": [[60, 150], [60, 60], [300, 60]], "width": 14, "depth": 15},
            {"id": "C2", "points": [[180, 150], [180, 60]], "width": 14, "depth": 15},
        ],
        "exits": [{"id": "X1", "x": 300, "y": 60}],
    }
)
SIDE_BY_SIDE_MM = 2.8


def lead(id: str, kind: str, drop: str, *points_mm, seen: bool = True) -> TracedLead:
    return TracedLead(id, kind, drop, "X1", (Stretch(points_mm, seen),), finished=True)


LEADS = (
    lead("Z01-H", "heater", "D01", (60, 150), (60, 60), (300, 60)),
    lead("Z02-H", "heater", "D02", (180, 150), (180, 60 + SIDE_BY_SIDE_MM), (296, 62.8)),
)


def job(*leads: TracedLead, suffixes: tuple[str, ...] = ("H",)) -> Job:
    entries = {"plate": PLATE.to_mapping(), "settings": {"leads_per_drop": list(suffixes)}}
    for one in leads or LEADS:
        entries |= lead_changes(one)
    return Job.from_mapping(entries)


def changed(old: Job, changes: dict) -> Job:
    values = {**old.to_mapping(), **changes}
    return Job.from_mapping({key: one for key, one in values.items() if one is not None})


def diameters_mm(one: Job, provisional: bool = False) -> dict[str, float | None]:
    return {lead.id: lead.diameter_mm for lead in one.route_map(provisional).leads}


# ---- what people type


@pytest.mark.parametrize("text", ["2.5", "2,5", " 2,5 mm", "2.50", "02,5mm", "ø 2.5"])
def test_a_diameter_is_read_with_a_comma_a_point_or_its_unit(text: str) -> None:
    assert read_diameter_mm(text) == 2.5


def test_an_empty_field_is_no_diameter() -> None:
    assert read_diameter_mm("  ") is None


@pytest.mark.parametrize("text", ["0", "-2.5", "20,1", "25", "0.2", "1e9", "nan", "inf", "thick"])
def test_what_no_lead_can_be_is_refused_in_words(text: str) -> None:
    with pytest.raises(RecordsError, match=r"no number|can't be right"):
        read_diameter_mm(text)


# ---- what counts


def test_all_leads_of_a_kind_count_as_entered_and_one_that_differs_as_its_own() -> None:
    tc = lead("Z01-T", "thermocouple", "D01", (60, 150), (60, 60), (300, 60))
    entered = changed(job(*LEADS, tc), thickness_changes(job(*LEADS, tc), {"heater": 2.5}))
    assert diameters_mm(entered) == {"Z01-H": 2.5, "Z02-H": 2.5, "Z01-T": 2.5}
    differs = changed(entered, thickness_changes(entered, {}, {"Z02-H": 4.0}))
    assert diameters_mm(differs) == {"Z01-H": 2.5, "Z02-H": 4.0, "Z01-T": 2.5}
    back = changed(differs, thickness_changes(differs, {"heater": None}, {"Z02-H": None}))
    assert back.to_mapping() == job(*LEADS, tc).to_mapping()


def test_thick_leads_side_by_side_are_asked_about_and_thin_ones_are_not() -> None:
    def asked(mm: float) -> list[str]:
        one = changed(job(), thickness_changes(job(), {"heater": mm}))
        return [meeting.kind for meeting in one.route_map().crossings]

    assert "shared run" in asked(SIDE_BY_SIDE_MM)
    assert "shared run" not in asked(1.0)


def test_a_run_nobody_saw_is_as_thick_as_entered_and_else_as_the_thickest_usual_lead() -> None:
    buried = job(
        LEADS[0], replace(LEADS[1], stretches=(replace(LEADS[1].stretches[0], seen=False),))
    )
    assert set(diameters_mm(buried).values()) == {USUAL_DIAMETER_MM["heater"]}
    entered = changed(buried, thickness_changes(buried, {"heater": 2.2}))
    assert set(diameters_mm(entered).values()) == {2.2}


def test_a_lead_that_nobody_traced_is_never_planned_thinner_than_its_kind_was_entered() -> None:
    def berth_mm(mm: float) -> float:
        start = job(lead("Z01-T", "thermocouple", "D01", (60, 150), (60, 60), (300, 60)))
        one = changed(start, thickness_changes(start, {"heater": mm}))
        return diameters_mm(one, provisional=True)["Z02-H"] - mm

    assert berth_mm(2.0) == pytest.approx(berth_mm(3.5)) != 0.0


def test_a_lead_begun_and_thicker_than_its_kind_stays_thicker_wherever_it_may_run() -> None:
    begun = replace(
        LEADS[1], finished=False, exit=None, stretches=(Stretch(((180, 150), (180, 120))),)
    )
    ring = [
        *PLATE.to_mapping()["channels"],
        {"id": "C3", "points": [[60, 150], [180, 150]], "width": 14, "depth": 15},
    ]
    one = changed(job(LEADS[0], begun), {"plate": {**PLATE.to_mapping(), "channels": ring}})
    thick = changed(one, thickness_changes(one, {"heater": 2.0}, {"Z02-H": 6.0}))
    thin = changed(one, thickness_changes(one, {"heater": 2.0}))
    extra = {
        name: mm - diameters_mm(thin, True)[name] for name, mm in diameters_mm(thick, True).items()
    }
    assert extra.pop("Z01-H") == 0.0
    assert len(extra) > 1
    assert set(extra.values()) == {4.0}


def test_the_rebuild_takes_the_thickness_of_the_kind_unless_another_was_typed_there() -> None:
    def planned(one: Job) -> float:
        return next(x.diameter_mm for x in wanted_leads(one) if x.id == "Z02-H")

    entered = changed(job(), thickness_changes(job(), {"heater": 3.2}))
    assert planned(entered) == 3.2
    typed = replace(entered.rebuild, diameters_mm={"heater": 2.8}).to_mapping()
    assert planned(changed(entered, {"rebuild": typed})) == 2.8
    # A wish kept there does not freeze the thickness of that day.
    wish = changed(
        entered, {"rebuild": replace(entered.rebuild, exits={"Z01-H": "X1"}).to_mapping()}
    )
    assert planned(changed(wish, thickness_changes(wish, {"heater": 3.6}))) == 3.6


# ---- in the file


def test_the_file_tells_what_was_entered_from_what_is_assumed() -> None:
    tc = lead("Z01-T", "thermocouple", "D01", (60, 150), (60, 60), (300, 60), seen=False)
    start = job(*LEADS, tc, suffixes=("H", "T"))
    one = changed(start, thickness_changes(start, {"heater": 2.5}, {"Z02-H": 4.0}))
    wires = {wire["id"]: wire for wire in json.loads(export_route_map(one))["wires"]}
    known = {name: wire["diameter_from"] for name, wire in wires.items()}
    assert known["Z01-H"] == "kind"
    assert known["Z02-H"] == "entered"
    assert known["Z01-T"] == known["Z02-T"] == "assumed"
    assert (wires["Z01-H"]["diameter"], wires["Z02-H"]["diameter"]) == (2.5, 4.0)


def test_a_job_taken_in_from_its_file_has_entered_what_was_entered_and_no_more() -> None:
    tc = lead("Z01-T", "thermocouple", "D01", (60, 150), (60, 60), (300, 60), seen=False)
    start = job(*LEADS, tc, suffixes=("H", "T"))
    one = changed(start, thickness_changes(start, {"heater": 2.5}, {"Z02-H": 4.0}))
    back = Job.from_mapping(import_route_map(export_route_map(one)))
    assert back.settings.diameters_mm == {"heater": 2.5}
    kept = {x.id: (x.diameter_mm, x.diameter_from) for x in back.leads}
    assert kept == {"Z01-H": (None, None), "Z02-H": (4.0, "entered"), "Z01-T": (None, None)}
    assert diameters_mm(back, True) == diameters_mm(one, True)


def test_a_thickness_that_came_with_a_file_is_not_called_entered() -> None:
    measured = job(replace(LEADS[0], diameter_mm=2.2), replace(LEADS[1], diameter_mm=2.4))
    wires = json.loads(export_route_map(measured))["wires"]
    assert not any("diameter_from" in wire for wire in wires)
    back = Job.from_mapping(import_route_map(export_route_map(measured)))
    assert {x.id: x.diameter_mm for x in back.leads} == {"Z01-H": 2.2, "Z02-H": 2.4}


# ---- what the photos say against it


def test_a_lead_looks_as_thick_as_the_middle_of_what_was_read_along_it() -> None:
    class Seen:
        reach_px, widths = 9.6, iter((8.0, 30.0, 10.0, 10.0, 3.0, 12.0))

        class fit:
            @staticmethod
            def photo_from_plate(xy_mm, depth_mm=0):
                return 4.0 * xy_mm

        def shows(self, px):
            return True

        def snap(self, px, reach_px):
            return px, next(self.widths)

    points = tuple((float(x), 50.0) for x in range(0, 60, 10))
    on_photo = Stretch(points, True, "photo", tuple((4 * x, 4 * y) for x, y in points), 5.0)
    one = replace(LEADS[0], stretches=(on_photo, replace(on_photo, seen=False)))
    # the place of 3 px shows too little to be counted
    assert width_on_photos_mm(one, lambda photo: Seen()) == pytest.approx(2.5)
    assert width_on_photos_mm(one, lambda photo: None) is None


# ---- on the page


@pytest.fixture
def demo(tmp_path: Path, monkeypatch) -> tuple[JobStore, str]:
    """The demo job without any thickness, in a store of its own."""
    monkeypatch.setattr(server, "_settings", server.UiSettings(tmp_path / "store"))
    store = JobStore(tmp_path / "store")
    job_id = open_demo(store)
    changes = {}
    for one in store.job(job_id).leads:
        changes |= lead_changes(replace(one, diameter_mm=None))
    store.edit(job_id, "Forget the thickness", changes)
    return store, job_id


def opened(job_id: str, **state):
    test = page("leads", job_id, **{"leads thickness": True, **state})
    sound(test)
    return test


def field(test, word: str):
    return next(one for one in test.text_input if word in one.label)


def keep(test):
    button = next(one for one in test.button if one.label == "Keep the thickness")
    test = button.click().run()
    sound(test)
    return test


def said(test) -> str:
    return " ".join(one.proto.body for one in test.get("html"))


def test_a_thickness_typed_with_a_comma_is_kept_for_its_kind_and_undo_takes_it_back(
    demo: tuple[JobStore, str],
) -> None:
    store, job_id = demo
    test = opened(job_id)
    assert "assumed: 3 mm" in said(test)
    field(test, "heater").set_value("2,5")
    test = keep(test)
    now = store.job(job_id)
    assert now.settings.diameters_mm == {"heater": 2.5}
    assert now.undo_label == "Thickness of heater leads"
    assert "entered: 2.5 mm" in said(test)
    assert "assumed: 2.5 mm" in said(test)  # thermocouples: nobody entered theirs
    store.undo(job_id)
    assert field(test.run(), "heater").value == ""


def test_a_number_that_can_not_be_keeps_nothing_and_leaves_what_was_typed(
    demo: tuple[JobStore, str],
) -> None:
    store, job_id = demo
    test = opened(job_id)
    before = store.job(job_id).revision
    field(test, "heater").set_value("2,5")
    field(test, "thermocouple").set_value("210")
    test = keep(test)
    assert "Nothing was kept" in said(test)
    assert "can't be right" in said(test).replace("&#x27;", "'")
    assert store.job(job_id).revision == before
    assert [field(test, kind).value for kind in ("heater", "thermocouple")] == ["2,5", "210"]


def test_what_another_window_entered_is_not_overwritten_unseen(
    demo: tuple[JobStore, str],
) -> None:
    store, job_id = demo
    kim, lou = opened(job_id), opened(job_id)
    field(kim, "heater").set_value("2,6")
    keep(kim)
    field(lou, "heater").set_value("2.1")
    lou = keep(lou)
    assert store.job(job_id).settings.diameters_mm == {"heater": 2.6}
    assert field(lou, "heater").value == "2.1"  # what Lou typed is still there to be seen
    assert "entered: 2.6 mm" in said(lou)
