"""The plate object of a route-map file: read, refused with the place of the fault, written."""

from __future__ import annotations

import copy
import json
import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.errors import MapperError
from mapper.plate import Channel, Drop, Plate, PlateError, check_plate

# the example of the file form (docs/route-map.schema.json describes the same keys)
EXAMPLE = {
    "name": "demo",
    "outline": [[0, 0], [496, 0], [496, 346], [0, 346]],
    "drops": [
        {"id": "D01", "x": 60, "y": 60, "bore_diameter": 42},
        {"id": "D02", "x": 248, "y": 60, "bore_diameter": 42},
    ],
    "holes": [{"id": "P1", "x": 30, "y": 30, "diameter": 30}],
    "channels": [{"id": "C1", "points": [[60, 60], [248, 60]], "width": 14, "depth": 15}],
    "exits": [{"id": "X1", "x": 496, "y": 173}],
}


def changed(path: list, value: object) -> dict:
    """The example with one value replaced."""
    mapping = copy.deepcopy(EXAMPLE)
    place = mapping
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    return mapping


def without(path: list) -> dict:
    """The example with one key taken out."""
    mapping = copy.deepcopy(EXAMPLE)
    place = mapping
    for key in path[:-1]:
        place = place[key]
    del place[path[-1]]
    return mapping


def test_a_plate_survives_the_way_through_json():
    plate = Plate.from_mapping(EXAMPLE)
    assert Plate.from_mapping(json.loads(json.dumps(plate.to_mapping()))) == plate
    assert plate.to_mapping() == EXAMPLE


def test_sizes_come_from_the_outline():
    plate = Plate.from_mapping(EXAMPLE)
    assert (plate.width_mm, plate.height_mm) == (496, 346)
    assert plate.outline_array.shape == (4, 2)


def test_unknown_keys_are_kept_in_every_record_and_written_back():
    mapping = copy.deepcopy(EXAMPLE)
    mapping["steel"] = {"hardness": [30, 32]}
    for kind in ("drops", "holes", "channels", "exits"):
        mapping[kind][0]["remark"] = f"one of the {kind}"
    assert Plate.from_mapping(mapping).to_mapping() == mapping


def test_a_repeated_last_outline_point_is_the_same_outline():
    closed = changed(["outline"], [*EXAMPLE["outline"], EXAMPLE["outline"][0]])
    assert Plate.from_mapping(closed) == Plate.from_mapping(EXAMPLE)


@pytest.mark.parametrize(
    ("mapping", "place"),
    [
        (changed(["drops", 1, "x"], "60"), "plate.drops[1].x"),
        (changed(["drops", 1, "x"], True), "plate.drops[1].x"),
        (changed(["drops", 1, "y"], None), "plate.drops[1].y"),
        (changed(["drops", 1, "y"], math.nan), "plate.drops[1].y"),
        (changed(["drops", 1, "y"], math.inf), "plate.drops[1].y"),
        (changed(["drops", 0, "y"], 10**400), "plate.drops[0].y"),
        (changed(["drops", 0, "x"], 10_001), "plate.drops[0].x"),
        (changed(["drops", 0, "bore_diameter"], 0), "plate.drops[0].bore_diameter"),
        (changed(["drops", 0, "bore_diameter"], -42), "plate.drops[0].bore_diameter"),
        (changed(["holes", 0, "diameter"], 0), "plate.holes[0].diameter"),
        (changed(["channels", 0, "width"], -1), "plate.channels[0].width"),
        (changed(["channels", 0, "depth"], False), "plate.channels[0].depth"),
        (changed(["channels", 0, "points"], [[60, 60]]), "plate.channels[0].points"),
        (changed(["channels", 0, "points"], [[6, 6], [6, 6]]), "plate.channels[0].points"),
        (changed(["channels", 0, "points", 1], [1, 2, 3]), "plate.channels[0].points[1]"),
        (changed(["channels", 0, "points", 1, 0], "a"), "plate.channels[0].points[1][0]"),
        (changed(["exits", 0, "x"], [1]), "plate.exits[0].x"),
        (changed(["drops", 0, "id"], 7), "plate.drops[0].id"),
        (changed(["drops", 0, "id"], ""), "plate.drops[0].id"),
        (changed(["drops", 0, "id"], "  "), "plate.drops[0].id"),
        (changed(["drops", 0, "id"], "D" * 65), "plate.drops[0].id"),
        (changed(["drops", 0, "id"], "D\n1"), "plate.drops[0].id"),
        (changed(["drops", 0, "id"], "D\ud8001"), "plate.drops[0].id"),
        (changed(["drops", 1, "id"], "D01"), "plate.drops[1].id"),
        (changed(["drops", 1], ["D02", 1, 2]), "plate.drops[1]"),
        (changed(["drops"], {"D01": {}}), "plate.drops"),
        (changed(["drops"], []), "plate.drops"),
        (without(["drops"]), "plate.drops"),
        (without(["drops", 0, "x"]), "plate.drops[0].x"),
        (without(["outline"]), "plate.outline"),
        (changed(["outline"], "square"), "plate.outline"),
        (changed(["outline"], [[0, 0], [1, 1]]), "plate.outline"),
        (changed(["outline"], [[0, 0], [9, 9], [0, 0], [9, 9]]), "plate.outline"),
        (changed(["outline"], [[0, 0], [100, 0], [200, 0]]), "plate.outline"),
        (changed(["outline"], [[0, 0], [496, 346], [496, 0], [0, 346]]), "plate.outline"),
        (changed(["outline", 2, 1], "346"), "plate.outline[2][1]"),
        (changed(["name"], 5), "plate.name"),
        (changed(["tool"], {"hours": [1.0, math.nan]}), "plate.tool.hours[1]"),
        (changed(["drops", 0, "x"], 500), "plate.drops[0]"),
        (changed(["holes", 0, "x"], -15.1), "plate.holes[0]"),
        ([], "plate"),
        (None, "plate"),
    ],
)
def test_a_fault_is_named_by_its_place_in_one_sentence(mapping, place):
    with pytest.raises(PlateError) as caught:
        Plate.from_mapping(mapping)
    message = str(caught.value)
    assert message.startswith(place + " "), message
    assert message.endswith(".") and "\n" not in message


def test_a_plate_with_no_drops_is_said_in_so_many_words():
    with pytest.raises(PlateError, match="a plate with no drops"):
        Plate.from_mapping(changed(["drops"], []))


def test_a_hole_may_be_a_notch_in_the_edge():
    assert Plate.from_mapping(changed(["holes", 0, "x"], -14)).holes[0].x_mm == -14


def test_an_edited_plate_is_checked_like_a_read_one():
    plate = Plate.from_mapping(EXAMPLE)
    same = replace(plate, channels=(*plate.channels, Channel("C2", ((0, 9), (9, 9)), 10, 10)))
    assert check_plate(same) is same
    with pytest.raises(PlateError, match=r"^plate\.drops\[2\]\.id 'D01' is already used"):
        check_plate(replace(plate, drops=(*plate.drops, Drop("D01", 1, 1, 5))))


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["id", "x", "y", "points", "width", "z"]), inner)
    ),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None)
@given(
    key=st.sampled_from(list(EXAMPLE)),
    inner=st.sampled_from(["id", "x", "y", "bore_diameter", "points", "width", "depth"]),
    value=JSON,
    deep=st.booleans(),
)
def test_any_json_in_any_place_gives_a_plate_or_a_plain_error(key, inner, value, deep):
    mapping = copy.deepcopy(EXAMPLE)
    if deep and isinstance(mapping[key], list) and isinstance(mapping[key][0], dict):
        mapping[key][0][inner] = value
    else:
        mapping[key] = value
    try:
        plate = Plate.from_mapping(mapping)
    except MapperError as error:
        assert str(error).startswith("plate")
    else:
        written = json.dumps(plate.to_mapping(), allow_nan=False)
        assert Plate.from_mapping(json.loads(written)) == plate
