"""The printed route map: true to its scale, no tag on another, told apart without colour."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from mapper.errors import MapperError
from mapper.plate import Plate
from mapper.routes import Lead, RouteMap
from mapper.sheets import Circle, Line, Text, route_sheet, route_sheet_pdf
from mapper.sheets.lettering import text_width_mm

MADE_AT = datetime(2026, 3, 1, 14, 30)


def drawn(wide: float, high: float, drops: int = 8, each: int = 2) -> RouteMap:
    """An invented plate: leads run down from two rows of drops into one exit."""
    spots = [
        (
            f"D{k:02d}",
            wide * (0.1 + 0.8 * (k // 2) / max(drops // 2 - 1, 1)),
            high * (0.5 + 0.3 * (k % 2)),
        )
        for k in range(drops)
    ]
    plate = Plate.from_mapping(
        {
            "name": "P",
            "outline": [[0, 0], [wide, 0], [wide, high], [0, high]],
            "drops": [{"id": n, "x": x, "y": y, "bore_diameter": 20} for n, x, y in spots],
            "exits": [{"id": "X1", "x": wide / 2, "y": 0}],
        }
    )
    kinds = ("heater", "thermocouple", "other")
    leads = tuple(
        Lead(f"{n}-{j}", kinds[j], n, "X1", [[x + 4 * j, y], [x + 4 * j, high / 5], [wide / 2, 0]])
        for n, x, y in spots
        for j in range(each)
    )
    return RouteMap(plate, leads)


def texts(scene) -> list[str]:
    return [item.text for item in scene.items if isinstance(item, Text)]


# Worked by hand from ISO 216 and Letter: the plate's size over n must leave the margins.
@pytest.mark.parametrize(
    ("wide", "high", "paper", "told"),
    [
        (150, 100, "A4", "Scale 1:1 on A4"),
        (400, 300, "A3", "Scale 1:2 on A3"),
        (500, 396, "A4", "Scale 1:2.5 on A4"),
        (900, 600, "Letter", "Scale 1:5 on Letter"),
        (900, 1800, "A4", "Scale 1:10 on A4"),
    ],
)
def test_the_largest_scale_that_fits_is_taken_told_and_kept(wide, high, paper, told):
    scene = route_sheet(drawn(wide, high), "invented", MADE_AT, paper)
    assert told in texts(scene)
    n = float(told.split()[1].split(":")[1])
    outline = next(item for item in scene.items if isinstance(item, Line) and item.closed)
    assert np.ptp(outline.points_mm, axis=0) == pytest.approx([wide / n, high / n])
    assert np.min(outline.points_mm) > 5
    assert np.all(np.max(outline.points_mm, axis=0) < [scene.width_mm - 5, scene.height_mm - 5])
    assert f"{50 * n:g} mm of plate" in texts(scene)
    words = " ".join(texts(scene))
    assert "prove dead" in words and "not that one may be pulled" in words


@pytest.mark.parametrize(("drops", "each"), [(8, 2), (40, 2)])
def test_no_tag_lies_on_another_and_each_lead_has_one_or_is_named(drops, each):
    route_map = drawn(600, 400, drops, each)
    scene = route_sheet(route_map, "invented", MADE_AT)
    ids = set(route_map.leads_by_id)
    tagged = [item for item in scene.items if isinstance(item, Text) and item.text in ids]
    named = next((text for text in texts(scene) if text.startswith("No room")), "")
    assert len(tagged) == len({item.text for item in tagged})
    for name in ids - {item.text for item in tagged}:
        assert name in named or named.endswith("…")
    shown = [i for i in scene.items if isinstance(i, Text) and i.anchor == "middle"]
    tags = [(i, text_width_mm(i.text, i.size_mm, i.bold) / 2) for i in shown if i.text in ids]
    rest = [(i, text_width_mm(i.text, i.size_mm, i.bold) / 2) for i in shown]
    for one, half in tags:
        assert one.size_mm >= 2.8
        for other, other_half in rest:
            if other is not one:
                apart_x = abs(one.x_mm - other.x_mm) - half - other_half
                assert apart_x > 0 or abs(one.y_mm - other.y_mm) > 0.7 * one.size_mm
    # no tag hides an open crossing
    rings = [i for i in scene.items if isinstance(i, Circle) and i.radius_mm == 1.2]
    assert len(rings) == 1 + sum(one.top is None for one in route_map.crossings)
    for ring in rings[:-1]:
        for one, half in tags:
            off = abs(ring.x_mm - one.x_mm) > half or abs(ring.y_mm - one.y_mm) > 1.4
            assert off


def test_kinds_and_doubt_are_told_by_dashes_not_by_colour():
    route_map = drawn(300, 200, 2, 3)
    scene = route_sheet(route_map, "invented", MADE_AT, guessed=["D01-0"])
    paths = [i for i in scene.items if isinstance(i, Line) and len(i.points_mm) == 3]
    assert len({line.dash_mm for line in paths}) == 4
    for item in scene.items:
        for colour in (item.colour, getattr(item, "fill", None)):
            assert colour is None or colour[1:3] == colour[3:5] == colour[5:7]  # a grey


def test_no_text_leaves_the_paper_even_with_a_long_title():
    for paper in ("A4", "A3", "Letter"):
        for size in ((200, 600), (600, 200)):
            scene = route_sheet(drawn(*size), "t " * 200, MADE_AT, paper)
            for item in scene.items:
                if isinstance(item, Text):
                    wide = text_width_mm(item.text, item.size_mm, item.bold)
                    left = item.x_mm - {"start": 0, "middle": wide / 2, "end": wide}[item.anchor]
                    assert left >= 5 and left + wide <= scene.width_mm - 5
                    assert 5 <= item.y_mm <= scene.height_mm - 5


def test_the_sheet_is_a_pdf_and_a_plate_too_large_for_the_paper_is_refused():
    assert route_sheet_pdf(drawn(300, 200), "invented", MADE_AT).startswith(b"%PDF")
    with pytest.raises(MapperError, match="larger paper"):
        route_sheet(drawn(4000, 3000), "invented", MADE_AT)
    with pytest.raises(MapperError, match="A4, A3 or Letter"):
        route_sheet(drawn(300, 200), "invented", MADE_AT, "A0")
