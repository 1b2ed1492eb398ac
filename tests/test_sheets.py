"""The printed pull sheet: true to scale, nothing lost, cautions on it."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.plate import Plate
from mapper.pulling import plan_pull
from mapper.routes import Judged, Lead, RouteMap
from mapper.sheets import PAPERS_MM, pull_sheet, pull_sheet_pdf, pull_sheet_svg, pull_sheets
from mapper.sheets.lettering import fit_middle, fit_text, text_width_mm, wrapped
from tests.rendered import faults_of

SVG = "{http://www.w3.org/2000/svg}"
MADE_AT = datetime(2026, 3, 7, 14, 5)


def two_leads(ids=("Z01-H", "Z02-H"), top: str | None = "a") -> RouteMap:
    """Two leads that cross once at (150, 100) on a 300 x 200 plate."""
    plate = Plate.from_mapping(
        {
            "name": "P",
            "outline": [[0, 0], [300, 0], [300, 200], [0, 200]],
            "drops": [
                {"id": "D01", "x": 60, "y": 50, "bore_diameter": 40},
                {"id": "D02", "x": 60, "y": 150, "bore_diameter": 40},
            ],
            "exits": [{"id": "X1", "x": 300, "y": 100}],
        }
    )
    leads = (
        Lead(ids[0], "heater", "D01", "X1", [[60, 50], [240, 150]]),
        Lead(ids[1], "thermocouple", "D02", "X1", [[60, 150], [240, 50]]),
    )
    return RouteMap(plate, leads, (Judged(ids[0], ids[1], 150, 100, top),))


def sheet_texts(route_map: RouteMap, **more) -> list[str]:
    plan = plan_pull(route_map).to_dict()
    root = ET.fromstring(pull_sheet_svg(route_map, plan, "Job", MADE_AT, **more))
    return [element.text for element in root.iter(f"{SVG}text")]


def test_svg_is_a4_with_one_user_unit_to_the_millimetre():
    # ISO 216: A4 is 210 x 297 mm; W3C SVG: width in mm over the viewBox gives the unit.
    route_map = two_leads()
    root = ET.fromstring(pull_sheet_svg(route_map, plan_pull(route_map).to_dict(), "J", MADE_AT))
    assert (root.get("width"), root.get("height")) == ("297mm", "210mm")
    assert root.get("viewBox") == "0 0 297 210"


def test_pdf_is_one_a4_page():
    route_map = two_leads()
    pdf = pull_sheet_pdf(route_map, plan_pull(route_map).to_dict(), "J", MADE_AT)
    boxes = re.findall(rb"/MediaBox \[ ?([\d. ]+)\]", pdf)
    assert len(boxes) == 1
    # ISO 216 A4 landscape in points of 1/72 inch
    assert [float(v) for v in boxes[0].split()] == pytest.approx([0, 0, 841.89, 595.28], abs=0.01)


def test_plan_is_drawn_to_scale():
    # The scale bar and the outline must tell the same scale.
    scene = pull_sheet(two_leads(), plan_pull(two_leads()).to_dict(), "J", MADE_AT)
    outline = next(i for i in scene.items if getattr(i, "closed", False) and i.fill == "#EDEFF1")
    scale = (outline.points_mm[1][0] - outline.points_mm[0][0]) / 300
    label = next(t for t in scene.items if re.fullmatch(r"\d+ mm", getattr(t, "text", "")))
    bar = next(
        i
        for i in scene.items
        if len(getattr(i, "points_mm", ())) == 2 and i.width_mm == 0.8 and i.colour == "#000000"
    )
    length_mm = bar.points_mm[1][0] - bar.points_mm[0][0]
    assert length_mm / scale == pytest.approx(float(label.text.split()[0]))


def test_sheet_lists_steps_in_order_with_date_and_cautions():
    texts = sheet_texts(two_leads())
    steps = [t for t in texts if t and re.match(r"\d+\. ", t)]
    assert steps == ["1. Pull Z01-H out whole", "2. Pull Z02-H out whole"]
    assert "Made 2026-03-07 14:05, page 1 of 1" in texts
    joined = " ".join(t for t in texts if t)
    for word in ("lock out and prove dead", "extraction", "Local codes and licensed practice"):
        assert word in joined


def test_sheet_with_an_open_crossing_offers_no_pull_and_says_where_to_look():
    joined = " ".join(t for t in sheet_texts(two_leads(top=None)) if t)
    assert "Nothing may be pulled yet." in joined
    assert "(150, 100)" in joined
    assert "Pull Z" not in joined


def test_sheet_without_a_pull_tells_what_may_be_lifted():
    route_map = two_leads(top=None)
    plan = plan_pull(route_map).to_dict() | {"lifts": ["Peel Z01-H to just past Z02-H"]}
    root = ET.fromstring(pull_sheet_svg(route_map, plan, "Job", MADE_AT))
    joined = " ".join(one.text for one in root.iter(f"{SVG}text") if one.text)
    assert "Nothing may be pulled yet. To see more, lift from the exit" in joined
    assert "Peel Z01-H to just past Z02-H" in joined


def test_lead_that_is_out_is_not_drawn_and_marked_out():
    route_map = two_leads()
    plan = plan_pull(route_map, done=["Z01-H"]).to_dict()
    root = ET.fromstring(pull_sheet_svg(route_map, plan, "J", MADE_AT, out=["Z01-H"]))
    texts = [element.text for element in root.iter(f"{SVG}text")]
    assert "Out already: Z01-H" in texts and "Z02-H: 1" in texts
    assert not any(text.startswith("Z01-H:") for text in texts)


def test_lead_nobody_traced_is_marked_so():
    assert "Z02-H: not traced" in sheet_texts(two_leads(), guessed=["Z02-H"])


def test_a_list_too_long_for_the_page_says_so_and_goes_on_on_others():
    plan = {
        "status": "complete",
        "steps": [{"action": "pull", "wire": f"Z{n:04}-H"} for n in range(900)],
        "look_at": [],
        "locked": [],
    }
    pages = pull_sheets(two_leads(), plan, "J", MADE_AT)
    texts = [[getattr(item, "text", "") for item in page.items] for page in pages]
    assert any("more lines on the next pages" in text for text in texts[0])
    steps = [text for page in texts for text in page if text.endswith("out whole")]
    assert steps == [f"{n + 1}. Pull Z{n:04}-H out whole" for n in range(900)]
    for number, page in enumerate(texts, start=1):
        assert f"Made 2026-03-07 14:05, page {number} of {len(pages)}" in page
        assert any("prove dead" in text for text in page)


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter"])
@pytest.mark.parametrize("top", ["a", None])
def test_no_text_is_small_cut_by_the_paper_or_on_other_text(paper, top):
    names = ("Strefa 01 górna, lewa, długi przewód H", "Strefa 02 górna, lewa, długi przewód T")
    route_map = two_leads(names, top)
    plan = plan_pull(route_map).to_dict()
    pages = pull_sheets(route_map, plan, "t " * 90, MADE_AT, paper=paper)
    assert faults_of(pages) == []
    wide, high = PAPERS_MM[paper]
    assert (pages[0].width_mm, pages[0].height_mm) == (high, wide)


NASTY_IDS = st.text(
    st.characters(blacklist_categories=("Cs", "Cc")), min_size=1, max_size=64
).filter(str.strip)


@settings(max_examples=40, deadline=None)
@given(NASTY_IDS, NASTY_IDS, st.text(max_size=300))
def test_any_id_and_title_prints(first: str, second: str, title: str):
    if first == second:
        return
    route_map = two_leads((first, second))
    plan = plan_pull(route_map).to_dict()
    root = ET.fromstring(pull_sheet_svg(route_map, plan, title, MADE_AT))
    assert root.tag == f"{SVG}svg"
    assert pull_sheet_pdf(route_map, plan, title, MADE_AT).startswith(b"%PDF")


@given(st.text(st.characters(categories=("L", "N", "P", "Zs")), max_size=120))
@settings(max_examples=100, deadline=None)
def test_no_line_is_wider_than_its_column(text: str):
    for line in wrapped(text, 40, 3.0):
        assert text_width_mm(line, 3.0) <= 40
    assert text_width_mm(fit_text(text, 40, 3.0), 3.0) <= 40
    assert text_width_mm(fit_middle(text, 40, 3.0), 3.0) <= 40
