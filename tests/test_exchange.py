"""Open forms: what goes out comes back the same, and other readers see the same geometry."""

from __future__ import annotations

import io
import math
import xml.etree.ElementTree as ET
import zipfile
from functools import cache

import ezdxf
import networkx as nx
import numpy as np
import openpyxl
import pytest
from ezdxf import recover
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.errors import MapperError
from mapper.exchange import (
    from_csv_zip,
    from_dxf,
    from_graphml,
    from_svg,
    from_xlsx,
    to_csv_zip,
    to_dxf,
    to_graphml,
    to_svg,
    to_xlsx,
)
from mapper.exchange.text import unwrapped, wrapped
from mapper.plate import Plate
from mapper.routes import read_route_map, route_map_from_mapping, route_map_to_mapping
from tests.conftest import REPO

FORMS = {
    "graphml": (to_graphml, from_graphml),
    "dxf": (to_dxf, from_dxf),
    "svg": (to_svg, from_svg),
    "csv": (to_csv_zip, from_csv_zip),
    "xlsx": (to_xlsx, from_xlsx),
}
GOLDEN = REPO / "tests" / "golden"

names = st.text(st.characters(exclude_categories=("Cs", "Cc", "Cf", "Zl", "Zp")), min_size=1,
                max_size=12).filter(lambda text: text.strip() == text)  # fmt: skip
numbers = st.floats(-4000, 4000, allow_nan=False).map(lambda value: value + 0.0)
sizes = st.floats(0.5, 90)
inside = st.floats(25, 320)
extras = st.dictionaries(
    st.sampled_from(["maker's note", "colour", "n"]),
    st.one_of(st.text(st.characters(exclude_categories=("Cs",)), max_size=9), st.integers()),
    max_size=2,
)


@st.composite
def route_maps(draw):
    ids = draw(st.lists(names, min_size=4, max_size=7, unique=True))
    wires = []
    for one in ids[2:]:
        points = draw(
            st.lists(st.tuples(numbers, numbers), min_size=2, max_size=5, unique=True).map(list)
        )
        wire = {
            "id": one,
            "kind": draw(st.sampled_from(["heater", "thermocouple", "other"])),
            "drop": ids[0],
            "exit": ids[1],
            "points": [list(point) for point in points],
            **draw(extras),
        }
        if draw(st.booleans()):
            wire["diameter"] = draw(sizes)
        if draw(st.booleans()):
            wire["seen"] = [draw(st.booleans()) for _ in points[1:]]
        wires.append(wire)
    document = {
        "format": "plate-route-map",
        "version": 1,
        "units": "mm",
        "plate": {
            "name": draw(st.text(st.characters(exclude_categories=("Cs",)), max_size=9)),
            "outline": [[0, 0], [496, 0], [496.25, 346.1], [0, 346]],
            "drops": [{"id": ids[0], "x": draw(inside), "y": draw(inside), "bore_diameter": 42}],
            "holes": [{"id": "P1", "x": 30, "y": 30, "diameter": draw(sizes), **draw(extras)}],
            "channels": [
                {"id": "C1", "points": [[60, 60], [248.3, 60]], "width": draw(sizes), "depth": 15}
            ],
            "exits": [{"id": ids[1], "x": 496, "y": 0}],
            "markers": [{"id": 7, "x": 10, "y": 12.5, "side": 20, "angle": 90}],
            **draw(extras),
        },
        "wires": wires,
        "crossings": [
            {"a": ids[2], "b": ids[3], "x": draw(numbers), "y": draw(numbers),
             "top": draw(st.sampled_from(["a", "b", None])), **draw(extras)}
        ],
        "tracing_error": draw(st.sampled_from([0.5, 0.8])),
        **draw(extras),
    }  # fmt: skip
    return route_map_from_mapping(document)


@pytest.fixture(scope="module")
def sample():
    return read_route_map(GOLDEN / "route-map.json")


@pytest.mark.parametrize("form", FORMS)
@settings(max_examples=10, deadline=None)
@given(route_map=route_maps())
def test_a_map_comes_back_from_every_form_as_it_went_out(form, route_map):
    write, read = FORMS[form]
    back, sent = (route_map_to_mapping(one) for one in (read(write(route_map)), route_map))
    # a workbook's writer keeps 16 digits, one less than a float may need
    if form == "xlsx":
        back, sent = rounded(back), rounded(sent)
    assert back == sent


@cache
def written(form):
    return FORMS[form][0](read_route_map(GOLDEN / "route-map.json"))


def rounded(value):
    """The document with every number to a millionth of a millimetre."""
    if isinstance(value, dict):
        return {key: rounded(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [rounded(inner) for inner in value]
    return round(value, 6) if isinstance(value, float) else value


@given(st.text(st.characters(exclude_categories=("Cs",))))
def test_any_text_passes_through_the_safe_writing(text):
    assert unwrapped(wrapped(text)) == text


@pytest.mark.parametrize("form", FORMS)
@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_a_damaged_file_is_refused_in_words_or_read_as_a_sound_map(form, data):
    broken = bytearray(written(form))
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(broken) - 1))
        broken[at : at + data.draw(st.integers(0, 40))] = data.draw(st.binary(max_size=6))
    try:
        FORMS[form][1](bytes(broken))
    except MapperError as fault:
        assert str(fault).strip()


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("data", [b"", b"\x00" * 50, b"hello", b"PK\x03\x04", b"<a/>"])
def test_another_kind_of_file_is_refused_in_words(form, data):
    with pytest.raises(MapperError):
        FORMS[form][1](data)


def test_the_graph_opens_in_networkx_with_every_meeting(sample):
    graph = nx.read_graphml(io.BytesIO(to_graphml(sample)), force_multigraph=True)
    assert set(graph) == {lead.id for lead in sample.leads}
    found = [edge for *_, edge in graph.edges(data=True) if not edge["listed"]]
    assert len(found) == len(sample.crossings)
    assert sorted(edge["x"] for edge in found) == sorted(one.x_mm for one in sample.crossings)


def test_the_drawing_opens_in_ezdxf_with_the_same_geometry_to_a_thousandth(sample):
    drawing, auditor = recover.read(io.BytesIO(to_dxf(sample)))
    assert not auditor.errors
    assert drawing.units == ezdxf.units.MM
    leads = drawing.modelspace().query('LWPOLYLINE[layer=="LEADS_HEATER"]')
    heaters = [lead for lead in sample.leads if lead.kind == "heater"]
    assert len(leads) == len(heaters)
    for entity, lead in zip(leads, heaters, strict=True):
        assert np.allclose(entity.get_points("xy"), lead.points_mm, rtol=0, atol=0.001)


def test_the_exported_drawing_also_serves_as_drawing_of_the_plate(sample):
    plate = Plate.from_dxf(to_dxf(sample))
    assert math.isclose(plate.width_mm, sample.plate.width_mm, abs_tol=0.001)
    assert {(round(d.x_mm, 3), round(d.y_mm, 3)) for d in sample.plate.drops} <= {
        (round(c.x_mm, 3), round(c.y_mm, 3)) for c in (*plate.drops, *plate.holes)
    }


def test_a_lead_moved_in_a_drawing_program_is_read_where_it_now_lies(sample):
    drawing, _ = recover.read(io.BytesIO(to_dxf(sample)))
    entity = drawing.modelspace().query('LWPOLYLINE[layer=="LEADS_HEATER"]')[0]
    points = [(x + 3, y) for x, y in entity.get_points("xy")]
    entity.set_points(points, format="xy")
    text = io.StringIO()
    drawing.write(text)
    moved = from_dxf(text.getvalue().encode())
    first = next(lead for lead in moved.leads if lead.kind == "heater")
    assert np.allclose(first.points_mm, points)


def test_an_svg_turned_as_a_whole_is_refused_since_its_numbers_no_longer_hold(sample):
    turned = to_svg(sample).replace(b'transform="scale(1,-1)"', b'transform="rotate(90)"')
    with pytest.raises(MapperError, match="moved or turned"):
        from_svg(turned)


@pytest.mark.parametrize("form", ["graphml", "svg"])
def test_xml_that_declares_entities_is_refused_before_it_is_parsed(form, sample):
    hostile = b'<!DOCTYPE a [<!ENTITY b "c">]>' + FORMS[form][0](sample)
    with pytest.raises(MapperError, match="document type"):
        FORMS[form][1](hostile)


def test_a_table_edited_in_a_semicolon_spreadsheet_still_opens(sample):
    packed = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(to_csv_zip(sample))) as old,
        zipfile.ZipFile(packed, "w") as new,
    ):
        for name in old.namelist():
            text = old.read(name).decode()
            new.writestr(name, text.replace(",", ";") if name == "outline.csv" else text)
    read = from_csv_zip(packed.getvalue())
    assert read.plate.outline_mm == sample.plate.outline_mm


def test_no_cell_of_a_workbook_is_a_formula(sample):
    wire = {"id": "=1+1", "kind": "other", "drop": "D01", "exit": "X1", "points": [[0, 0], [1, 1]]}
    document = route_map_to_mapping(sample)
    document = {**document, "wires": [wire], "crossings": []}
    book = openpyxl.load_workbook(io.BytesIO(to_xlsx(route_map_from_mapping(document))))
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)


def test_svg_and_dxf_are_as_they_were(sample):
    """Golden files: made here, read by eye once; a change in them must be meant."""
    assert to_svg(sample).decode() == (GOLDEN / "route-map.svg").read_text(encoding="utf-8")
    old, _ = recover.read(io.BytesIO((GOLDEN / "route-map.dxf").read_bytes()))
    new, _ = recover.read(io.BytesIO(to_dxf(sample)))
    for before, after in zip(old.modelspace(), new.modelspace(), strict=True):
        assert before.dxftype() == after.dxftype()
        assert before.dxf.layer == after.dxf.layer
        assert before.get_xdata("PLATE_ROUTE_MAP") == after.get_xdata("PLATE_ROUTE_MAP")
        if before.dxftype() == "LWPOLYLINE":
            assert before.get_points() == after.get_points()


def test_the_svg_draws_in_millimetres_with_y_up(sample):
    root = ET.fromstring(to_svg(sample))
    width = float(root.get("width").removesuffix("mm"))
    assert width == float(root.get("viewBox").split()[2])
    lead = sample.leads[0]
    drawn = next(one for one in root.iter() if one.get("data-id") == lead.id)
    assert drawn.get("points").split()[0] == ",".join(repr(float(v)) for v in lead.points_mm[0])
