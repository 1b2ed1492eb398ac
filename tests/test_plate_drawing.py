"""Plates from DXF drawings, written here with ezdxf and read back through our own reader."""

from __future__ import annotations

import io
import math

import ezdxf
import numpy as np
import pytest
import shapely
from ezdxf import bbox
from hypothesis import example, given, settings
from hypothesis import strategies as st

from mapper.errors import MapperError
from mapper.plate import Numbering, Plate, PlateError, plate_features, read_drawing

BORES = [(x, y) for y in (98, 248) for x in (94, 192, 290, 388)]
PINS = [(34, 34), (462, 34), (462, 312), (34, 312)]
CORNERS = [(0, 0), (496, 0), (496, 346), (0, 346)]


def new_drawing(units: int = 4):
    """An empty drawing; $INSUNITS 4 is mm, 1 is inch, 0 is no unit (DXF reference, HEADER)."""
    document = ezdxf.new("R2010")
    document.header["$INSUNITS"] = units
    return document


def as_bytes(document) -> bytes:
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue().encode()


def add_plate(document, scale: float = 1.0, at=(100.0, 50.0), outline: str = "polyline", gap=0.0):
    """Draw the plate away from the origin, nozzle pockets as a block with two circles."""
    space = document.modelspace()
    points = [((x + at[0]) * scale, (y + at[1]) * scale) for x, y in CORNERS]
    if outline == "polyline":
        space.add_lwpolyline(points, close=True)
    else:
        for i, start in enumerate(points):
            end = points[(i + 1) % 4]
            shift = gap if i == 2 else 0.0
            space.add_line(start, (end[0] + shift, end[1]), dxfattribs={"layer": "RIM"})
    pocket = document.blocks.new("POCKET")
    pocket.add_circle((0, 0), 24 * scale)
    pocket.add_circle((0, 0), 16 * scale)
    for x, y in BORES:
        space.add_blockref("POCKET", ((x + at[0]) * scale, (y + at[1]) * scale))
    for x, y in PINS:
        space.add_circle(((x + at[0]) * scale, (y + at[1]) * scale), 15 * scale)
    return document


def test_a_drawing_becomes_a_plate_with_its_origin_in_the_lower_left_corner():
    plate = Plate.from_dxf(as_bytes(add_plate(new_drawing())))
    assert set(plate.outline_mm) == set(CORNERS)
    assert [(d.x_mm, d.y_mm) for d in plate.drops] == BORES[4:] + BORES[:4]  # upper left first
    assert {d.bore_diameter_mm for d in plate.drops} == {48}
    assert sorted((h.x_mm, h.y_mm) for h in plate.holes) == sorted(PINS)
    assert [d.id for d in plate.drops][::7] == ["D01", "D08"]


def test_an_inch_drawing_is_the_same_plate():
    inch = as_bytes(add_plate(new_drawing(units=1), scale=1 / 25.4))
    proposal = read_drawing(inch)
    assert any("inches" in note for note in proposal.notes)
    assert proposal.plate() == Plate.from_dxf(as_bytes(add_plate(new_drawing())))


def test_a_drawing_without_a_unit_is_taken_as_mm_and_says_so():
    proposal = read_drawing(as_bytes(add_plate(new_drawing(units=0))))
    assert any("millimetres are assumed" in note for note in proposal.notes)
    assert (proposal.plate().width_mm, proposal.plate().height_mm) == (496, 346)
    small = as_bytes(add_plate(new_drawing(units=0), scale=1 / 25.4))
    assert any("may be drawn in inches" in note for note in read_drawing(small).notes)
    assert read_drawing(small, units="inch").plate().width_mm == 496


def test_an_outline_of_single_lines_with_a_channel_against_it_keeps_its_four_corners():
    document = add_plate(new_drawing(), outline="lines")
    document.modelspace().add_line((186, 223), (596, 223))  # ends on the right edge
    plate = Plate.from_dxf(as_bytes(document))
    assert set(plate.outline_mm) == set(CORNERS)


def test_ends_that_nearly_meet_are_joined():
    document = add_plate(new_drawing(), outline="lines", gap=0.05)
    assert Plate.from_dxf(as_bytes(document)).width_mm == pytest.approx(496, abs=0.05)


def test_an_outline_with_a_gap_names_the_line_and_the_gap():
    document = add_plate(new_drawing(), outline="lines", gap=1.25)
    with pytest.raises(PlateError, match=r"open at .* LINE #\w+ on layer 'RIM', 1\.25 mm"):
        read_drawing(as_bytes(document))


def test_an_outline_that_crosses_itself_is_named():
    document = new_drawing()
    bow_tie = [(0, 0), (100, 80), (100, 0), (0, 80)]
    document.modelspace().add_lwpolyline(bow_tie, close=True, dxfattribs={"layer": "RIM"})
    with pytest.raises(PlateError, match=r"LWPOLYLINE #\w+ on layer 'RIM' crosses itself"):
        read_drawing(as_bytes(document))


def test_rounded_corners_are_flattened_within_a_fiftieth_of_a_millimetre():
    # a bulge is the tangent of a quarter of the arc's angle (DXF reference, LWPOLYLINE)
    radius, bulge = 30.0, math.tan(math.radians(90) / 4)
    points = [(30, 0, 0), (170, 0, bulge), (200, 30, 0), (200, 70, bulge), (170, 100, 0),
              (30, 100, bulge), (0, 70, 0), (0, 30, bulge)]  # fmt: skip
    document = new_drawing()
    document.modelspace().add_lwpolyline(points, format="xyb", close=True)
    document.modelspace().add_circle((100, 50), 20)
    proposal = read_drawing(as_bytes(document))
    true_area = 200 * 100 - (4 - math.pi) * radius**2
    assert shapely.Polygon(proposal.outline_mm).area == pytest.approx(true_area, abs=0.02 * 190)
    assert shapely.Polygon(proposal.outline_mm).area <= true_area + 0.01
    # chords of an arc are no corners to look for in a photo
    assert [f.kind for f in plate_features(proposal.plate())] == ["drop"]
    box = bbox.extents(document.modelspace())  # the peer's own measure
    assert np.ptp(np.array(proposal.outline_mm), axis=0) == pytest.approx(
        [box.size.x, box.size.y], abs=0.02
    )


def test_an_outline_of_lines_and_arcs_is_joined():
    document = new_drawing()
    space = document.modelspace()
    for start, end in [((20, 0), (180, 0)), ((200, 20), (200, 100)), ((200, 100), (0, 100)),
                       ((0, 100), (0, 20))]:  # fmt: skip
        space.add_line(start, end)
    space.add_arc((180, 20), 20, 270, 360)
    space.add_arc((20, 20), 20, 180, 270)
    space.add_circle((100, 50), 20)
    outline = shapely.Polygon(read_drawing(as_bytes(document)).outline_mm)
    assert outline.area == pytest.approx(200 * 100 - 2 * (1 - math.pi / 4) * 400, abs=2)


def test_circles_drawn_as_polylines_or_two_arcs_count_as_circles():
    document = new_drawing()
    space = document.modelspace()
    space.add_lwpolyline([(0, 0), (300, 0), (300, 200), (0, 200)], close=True)
    space.add_lwpolyline([(120, 100, 1), (80, 100, 1)], format="xyb", close=True)
    space.add_arc((200, 100), 20, 0, 180)
    space.add_arc((200, 100), 20, 180, 360)
    plate = Plate.from_dxf(as_bytes(document))
    found = [(d.x_mm, d.y_mm, d.bore_diameter_mm) for d in plate.drops]
    assert np.allclose(found, [(100, 100, 40), (200, 100, 40)], atol=0.01)


def test_mirrored_circles_stand_where_they_are_seen():
    # an entity with the extrusion (0, 0, -1) has its x axis turned round (DXF reference, OCS)
    document = new_drawing()
    space = document.modelspace()
    space.add_lwpolyline([(0, 0), (300, 0), (300, 200), (0, 200)], close=True)
    space.add_circle((-80, 100), 20, dxfattribs={"extrusion": (0, 0, -1)})
    drop = Plate.from_dxf(as_bytes(document)).drops[0]
    assert (drop.x_mm, drop.y_mm) == (80, 100)


def test_hidden_layers_are_left_out():
    document = add_plate(new_drawing())
    document.layers.add("NOTES").off()
    document.modelspace().add_circle((300, 200), 60, dxfattribs={"layer": "NOTES"})
    proposal = read_drawing(as_bytes(document))
    assert 120 not in [group.diameter_mm for group in proposal.circle_groups]
    assert any("off or frozen" in note for note in proposal.notes)


def test_blocks_in_rows_and_within_blocks_are_taken_apart():
    document = new_drawing()
    space = document.modelspace()
    space.add_lwpolyline([(0, 0), (400, 0), (400, 200), (0, 200)], close=True)
    document.blocks.new("BORE").add_circle((0, 0), 20)
    document.blocks.new("PAIR").add_blockref("BORE", (0, 60))
    document.blocks.get("PAIR").add_blockref("BORE", (0, 0))
    space.add_blockref(
        "PAIR", (60, 60), dxfattribs={"column_count": 4, "column_spacing": 90, "row_count": 1}
    )
    plate = Plate.from_dxf(as_bytes(document))
    assert [(d.x_mm, d.y_mm) for d in plate.drops] == [
        (x, y) for y in (120, 60) for x in (60, 150, 240, 330)
    ]


def test_groups_are_offered_by_diameter_and_a_person_says_what_they_are():
    proposal = read_drawing(as_bytes(add_plate(new_drawing())))
    assert [(g.diameter_mm, len(g.centres_mm)) for g in proposal.circle_groups] == [
        (48, 8), (32, 8), (30, 4),
    ]  # fmt: skip
    assert proposal.guess_roles() == ("bore", "ignore", "hole")
    swapped = proposal.plate(("hole", "ignore", "bore"), Numbering(first_id="N1"), "other")
    assert [d.id for d in swapped.drops] == ["N1", "N2", "N3", "N4"]
    assert (len(swapped.holes), swapped.name) == (8, "other")
    with pytest.raises(PlateError, match="No circles are marked as nozzle bores"):
        proposal.plate(("hole", "hole", "hole"))
    with pytest.raises(PlateError, match="3 groups of circles"):
        proposal.plate(("bore",))


def test_few_drops_are_told_from_guide_pins_in_the_corners():
    document = new_drawing()
    space = document.modelspace()
    space.add_lwpolyline(CORNERS, close=True)
    for x, y in PINS:
        space.add_circle((x, y), 21)
    for x in (170, 326):
        space.add_circle((x, 173), 20)
    assert {d.bore_diameter_mm for d in Plate.from_dxf(as_bytes(document)).drops} == {40}


def test_the_frame_of_a_drawing_can_be_put_aside_for_the_plate_within():
    document = add_plate(new_drawing())
    document.modelspace().add_lwpolyline([(0, 0), (800, 0), (800, 500), (0, 500)], close=True)
    proposal = read_drawing(as_bytes(document))
    assert len(proposal.contours_mm) == 2
    assert any("2 closed contours" in note for note in proposal.notes)
    assert set(proposal.with_outline(1).outline_mm) == set(CORNERS)
    assert (
        proposal.with_outline(1).plate().drops
        == Plate.from_dxf(as_bytes(add_plate(new_drawing()))).drops
    )
    with pytest.raises(PlateError, match="no contour 3"):
        proposal.with_outline(2)


def test_a_binary_drawing_is_read_like_a_text_one(tmp_path):
    document = add_plate(new_drawing())
    path = tmp_path / "plate 7.dxf"
    document.saveas(path, fmt="bin")
    plate = Plate.from_dxf(path)
    assert plate.drops == Plate.from_dxf(as_bytes(document)).drops
    assert plate.name == "plate 7"


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty file"),
        (b"  \n", "empty file"),
        (b"hello", "no DXF drawing or is cut off"),
        (b"0\nSECTION\nEOF", "no DXF drawing or a damaged one|no lines and circles"),
        (b"%PDF-1.7 EOF", "not a DXF drawing"),
        (b"AC1032", "is a DWG drawing"),
    ],
)
def test_a_file_that_is_no_drawing_is_refused_with_what_to_do(data, words):
    with pytest.raises(PlateError, match=words):
        read_drawing(data)


def test_a_cut_off_drawing_is_refused():
    data = as_bytes(add_plate(new_drawing()))
    with pytest.raises(PlateError, match="cut off"):
        read_drawing(data[: len(data) // 2])


def test_a_drawing_with_nothing_to_see_is_refused(tmp_path):
    document = new_drawing()
    document.modelspace().add_text("plate")
    with pytest.raises(PlateError, match="no lines and circles .*1 texts, dimensions"):
        read_drawing(as_bytes(document))
    with pytest.raises(PlateError, match="cannot be read"):
        read_drawing(tmp_path / "none.dxf")
    with pytest.raises(PlateError, match="unit must be mm or inch"):
        read_drawing(as_bytes(add_plate(new_drawing())), units="furlong")


def test_an_entity_of_an_unknown_kind_without_a_layer_does_no_harm():
    data = as_bytes(add_plate(new_drawing()))
    head, tail = data.split(b"ENTITIES\n", 1)
    strange = b"  0\nWIDGET\n  5\nFFFF\n"
    assert Plate.from_dxf(head + b"ENTITIES\n" + strange + tail) == Plate.from_dxf(data)


def test_blocks_that_multiply_without_end_are_refused(monkeypatch):
    monkeypatch.setattr("mapper.plate.dxf.MAX_BLOCK_PARTS", 500)  # the true limit takes seconds
    document = new_drawing()
    document.blocks.new("B0").add_circle((0, 0), 1)
    for i in range(1, 8):
        block = document.blocks.new(f"B{i}")
        for k in range(10):
            block.add_blockref(f"B{i - 1}", (k, 0))
    insert = document.modelspace().add_blockref("B5", (0, 0))
    insert.dxf.column_count = 30_000
    with pytest.raises(PlateError, match="more than 200000 entities, or 500 in blocks"):
        read_drawing(as_bytes(document))


SMALL = None


def small_drawing() -> bytes:
    """A drawing with every kind of entity we read, once."""
    global SMALL
    if SMALL is None:
        document = ezdxf.new("R12")
        space = document.modelspace()
        space.add_polyline2d([(0, 0), (300, 0), (300, 200), (0, 200)], close=True)
        document.blocks.new("BORE").add_circle((0, 0), 20)
        space.add_blockref("BORE", (80, 100))
        space.add_circle((200, 100), 20)
        space.add_line((0, 100), (80, 100))
        space.add_arc((200, 100), 30, 0, 90)
        SMALL = as_bytes(document)
    return SMALL


@settings(max_examples=60, deadline=None)
@given(data=st.binary(max_size=300))
@example(b"0\nSECTION\n2\nENTITIES\n0\nCIRCLE\n0\nENDSEC\n0\nEOF\n")
def test_any_bytes_give_a_drawing_or_a_plain_error(data):
    for form in (data, b"0\nSECTION\n2\nENTITIES\n" + data + b"\n0\nENDSEC\n0\nEOF\n"):
        try:
            read_drawing(form)
        except MapperError as error:
            assert "\n" not in str(error)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_damaged_drawing_gives_a_plate_or_a_plain_error(data):
    lines = small_drawing().split(b"\n")
    start = lines.index(b"ENTITIES") - 40
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(start, len(lines) - 4))
        lines[at] = data.draw(
            st.sampled_from([b"", b"nan", b"1e999", b"-1", b"0", b"LINE", b"INSERT", b"10", b"x"])
        )
    try:
        Plate.from_dxf(b"\n".join(lines))
    except MapperError as error:
        assert "\n" not in str(error)
