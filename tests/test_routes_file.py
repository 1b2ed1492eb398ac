"""The route-map file: round trips, refusals with the key path, the schema, and fuzz."""

import copy
import json
import os
import re
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.errors import MapperError
from mapper.routes import (
    Lead,
    RouteMapError,
    read_route_map,
    route_map_from_mapping,
    route_map_to_mapping,
    write_route_map,
)
from mapper.routes import file as route_file

DOCS = Path(__file__).resolve().parents[1] / "docs"
SCHEMA = jsonschema.Draft202012Validator(
    json.loads((DOCS / "route-map.schema.json").read_text(encoding="utf-8"))
)


def example() -> dict:
    text = (DOCS / "route-map.md").read_text(encoding="utf-8")
    return json.loads(re.search(r"```json\n(.*?)```", text, re.S)[1])


def read(document) -> object:
    return read_route_map(json.dumps(document).encode())


# Maps made by hypothesis ------------------------------------------------------------------------
lengths = st.floats(-10_000, 10_000)
sizes = st.floats(1e-3, 10_000)
ids = st.text(
    st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]), min_size=1, max_size=64
).filter(lambda text: text.strip())
extras = st.dictionaries(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=8).map("x-{}".format),
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | ids,
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(ids, inner, max_size=3),
        max_leaves=6,
    ).filter(lambda value: "Infinity" not in json.dumps(value)),
    max_size=2,
)


@st.composite
def documents(draw):
    point = st.tuples(lengths, lengths).map(list)
    drops = draw(st.lists(ids, min_size=1, max_size=3, unique=True))
    exits = draw(st.lists(ids, min_size=1, max_size=2, unique=True))
    x, y = draw(st.floats(1, 9000)), draw(st.floats(1, 9000))
    inside = st.tuples(st.floats(0, x), st.floats(0, y))
    document = {
        "format": "plate-route-map",
        "version": 1,
        "units": "mm",
        "plate": {
            "name": draw(ids),
            "outline": [[0.0, 0.0], [x, 0.0], [x, y], [0.0, y]],
            "drops": [
                {
                    "id": name,
                    **dict(zip("xy", draw(inside), strict=True)),
                    "bore_diameter": draw(sizes),
                    **draw(extras),
                }
                for name in drops
            ],
            "holes": [],
            "channels": [],
            "exits": [
                {"id": name, "x": draw(lengths), "y": draw(lengths), **draw(extras)}
                for name in exits
            ],
            **draw(extras),
        },
        "wires": [],
        "crossings": [],
        **draw(extras),
    }
    for name in draw(st.lists(ids, max_size=4, unique=True)):
        points = draw(st.lists(point, min_size=2, max_size=5).filter(lambda p: p[0] != p[-1]))
        wire = {
            "id": name,
            "kind": draw(st.sampled_from(["heater", "thermocouple", "other"])),
            "drop": draw(st.sampled_from(drops)),
            "exit": draw(st.sampled_from(exits)),
            "points": points,
            **draw(extras),
        }
        if draw(st.booleans()):
            wire["diameter"] = draw(sizes)
        if draw(st.booleans()):
            count = len(points) - 1
            wire["seen"] = draw(st.lists(st.booleans(), min_size=count, max_size=count))
        document["wires"].append(wire)
    names = [wire["id"] for wire in document["wires"]]
    if names:
        for _ in range(draw(st.integers(0, 3))):
            document["crossings"].append(
                {
                    "a": draw(st.sampled_from(names)),
                    "b": draw(st.sampled_from(names)),
                    "x": draw(lengths),
                    "y": draw(lengths),
                    "top": draw(st.sampled_from(["a", "b", None])),
                    **draw(extras),
                }
            )
    if draw(st.booleans()):
        document["tracing_error"] = draw(st.floats(0, 5).filter(lambda v: v != 0.5))
    if draw(st.booleans()):
        document["unseen_error"] = draw(st.floats(0.1, 5))
    return document


@settings(deadline=None, max_examples=30)
@given(documents())
def test_a_map_comes_back_as_it_was_with_its_unknown_keys(tmp_path_factory, document):
    route_map = read(document)
    assert route_map_to_mapping(route_map) == document
    path = tmp_path_factory.mktemp("maps") / "map.json"
    write_route_map(route_map, path)
    again = read_route_map(path)
    assert again == route_map
    for one, other in zip(again.leads, route_map.leads, strict=True):
        assert one.points_mm.tolist() == other.points_mm.tolist()
    assert json.loads(path.read_text(encoding="utf-8")) == document
    SCHEMA.validate(document)


def test_the_documented_example_is_read_and_valid():
    SCHEMA.check_schema(SCHEMA.schema)
    document = example()
    SCHEMA.validate(document)
    route_map = read(document)
    (crossing,) = [c for c in route_map.crossings if c.kind == "crossing"]
    assert (crossing.a, crossing.b, crossing.top) == ("Z01-H", "Z02-T", "a")


# Refusals -----------------------------------------------------------------------------------------
def changed(path: str, value) -> dict:
    document = example()
    *steps, last = re.findall(r"\w+", path)
    at = document
    for step in steps:
        at = at[int(step) if step.isdigit() else step]
    if value is KeyError:
        del at[last]
    else:
        at[int(last) if last.isdigit() else last] = value
    return document


FAULTS_OF_FORM = [
    *[
        (path, bad)
        for path in (
            "wires[1].points[2][0]",
            "wires[0].diameter",
            "crossings[0].x",
            "plate.drops[0].y",
            "plate.outline[2][1]",
            "plate.channels[0].width",
        )
        for bad in (True, "1", None, [1], {}, 10_001)
    ],
    *[
        (path, KeyError)
        for path in (
            "format",
            "version",
            "units",
            "plate",
            "wires",
            "plate.outline",
            "plate.drops[0].bore_diameter",
            "wires[0].id",
            "wires[0].kind",
            "wires[0].drop",
            "wires[0].exit",
            "wires[0].points",
            "crossings[0].a",
            "crossings[0].b",
            "crossings[0].x",
            "crossings[0].top",
        )
    ],
    ("format", "other"),
    ("version", 2),
    ("version", 0),
    ("version", "1"),
    ("version", True),
    ("units", "inch"),
    ("wires", {}),
    ("wires[0]", 3),
    ("wires[0].kind", "sensor"),
    ("wires[0].kind", []),
    ("wires[0].id", ""),
    ("wires[0].id", "  "),
    ("wires[0].id", "x" * 65),
    ("wires[0].id", "a\nb"),
    ("wires[0].id", "a\x7f"),
    ("wires[0].id", 7),
    ("wires[0].diameter", 0),
    ("wires[0].diameter", -1),
    ("wires[0].points", [[1, 2]]),
    ("wires[0].points", []),
    ("wires[0].points", "no"),
    ("wires[0].points[0]", [1, 2, 3]),
    ("wires[0].points[0]", 5),
    ("wires[0].seen", None),
    ("wires[0].seen[0]", 1),
    ("crossings", None),
    ("crossings[0]", []),
    ("crossings[0].top", "over"),
    ("crossings[0].top", False),
    ("crossings[0].top", {}),
    ("tracing_error", -0.1),
    ("unseen_error", "0"),
]


@pytest.mark.parametrize(("path", "value"), FAULTS_OF_FORM)
def test_a_fault_of_form_is_refused_with_its_path_by_reader_and_schema(path, value):
    document = changed(path, value)
    with pytest.raises(RouteMapError, match="^" + re.escape(path)):
        route_map_from_mapping(document)
    assert not SCHEMA.is_valid(document)


@pytest.mark.parametrize(
    ("path", "value", "named"),
    [
        ("wires[1].drop", "D99", "wires[1].drop"),
        ("wires[1].exit", "X99", "wires[1].exit"),
        ("crossings[0].a", "Z99-H", "crossings[0].a"),
        ("crossings[0].b", "Z99-H", "crossings[0].b"),
        ("wires[1].id", "Z01-H", "wires[1].id"),
        ("plate.drops[1].id", "D01", "plate.drops[1].id"),
        ("wires[1].seen", [True], "wires[1].seen"),
        ("wires[0].points", [[1, 1], [1, 1]], "wires[0].points"),
        ("crossings[0].top", "apart", "crossings[0].top"),
        ("wires[1].points[2][0]", float("nan"), "wires[1].points[2][0]"),
        ("wires[1].points[2][0]", float("inf"), "wires[1].points[2][0]"),
        ("wires[1].note", {"deep": [1, float("-inf")]}, "wires[1].note.deep[1]"),
        ("plate.note", float("nan"), "plate.note"),
        ("wires[1].note", "\ud800", "wires[1].note"),
    ],
)
def test_what_no_schema_can_say_is_refused_with_its_path(path, value, named):
    with pytest.raises(RouteMapError, match="^" + re.escape(named)):
        route_map_from_mapping(changed(path, value))


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999", "-1e999"])
def test_numbers_that_are_not_finite_are_named_in_the_text(number):
    text = json.dumps(example()).replace("120.5", number)
    with pytest.raises(RouteMapError, match=r"^crossings\[0\]\.x must be a finite number"):
        read_route_map(text.encode())


def test_a_newer_version_says_so():
    with pytest.raises(RouteMapError, match="newer program"):
        read({"format": "plate-route-map", "version": 2, "anything": "else"})


def test_a_key_twice_is_refused_with_its_path():
    text = json.dumps(example()).replace('"kind": "heater"', '"kind": "heater", "kind": "other"')
    with pytest.raises(RouteMapError, match=r"^wires\[0\]\.kind comes twice"):
        read_route_map(text.encode())


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b"1" * 5000,
        b"\xff\xfe{}",
        b"[" * 200_000,
        b'{"a":' * 200_000,
        json.dumps(example()).encode()[:-40],
        b'{"format": ' + b"[" * 70 + b"]" * 70 + b"}",
    ],
)
def test_what_is_no_route_map_is_refused(data):
    with pytest.raises(RouteMapError):
        read_route_map(data)


def test_a_file_too_big_or_not_there_is_refused(tmp_path, monkeypatch):
    with pytest.raises(RouteMapError, match="can't be read"):
        read_route_map(tmp_path / "none.json")
    with pytest.raises(RouteMapError, match="can't be read"):
        read_route_map(str(tmp_path))
    with pytest.raises(RouteMapError, match="can't be read"):
        read_route_map("a\0b")
    monkeypatch.setattr(route_file, "MAX_BYTES", 100)
    (tmp_path / "big.json").write_bytes(b" " * 101)
    with pytest.raises(RouteMapError, match="MB"):
        read_route_map(tmp_path / "big.json")


def test_apart_holds_for_a_run_and_not_for_a_crossing():
    document = example()
    document["wires"][1]["points"] = [[60, 62], [248, 62]]
    document["wires"][1]["seen"] = [True]
    document["crossings"] = [{"a": "Z02-T", "b": "Z01-H", "x": 154, "y": 61, "top": "apart"}]
    (run,) = read(document).crossings
    assert (run.kind, run.top) == ("shared run", "apart")
    document["wires"][1]["points"] = [[60, 62], [153, 62], [155, 58], [248, 58]]
    document["wires"][1]["seen"] = [True] * 3
    with pytest.raises(RouteMapError, match=r"^crossings\[0\]\.top .* truly cross"):
        read(document)


def test_a_map_that_could_not_be_read_is_not_written(tmp_path):
    route_map = read(example())
    path = tmp_path / "map.json"
    write_route_map(route_map, path)
    before = path.read_bytes()
    stray = Lead("Z03-H", "heater", "D99", "X1", np.array([[0, 0], [1, 1]]))
    bad = type(route_map)(route_map.plate, (*route_map.leads, stray))
    with pytest.raises(RouteMapError, match=r"^wires\[2\]\.drop"):
        write_route_map(bad, path)
    assert path.read_bytes() == before
    odd = type(route_map)(route_map.plate, route_map.leads, extra={"note": {1, 2}})
    with pytest.raises(RouteMapError, match="note"):
        write_route_map(odd, path)


def test_a_failed_write_leaves_the_old_file_and_nothing_beside_it(tmp_path, monkeypatch):
    route_map = read(example())
    path = tmp_path / "map.json"
    path.write_text("old")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RouteMapError, match="No space left"):
        write_route_map(route_map, path)
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["map.json"]


def test_unknown_keys_never_stand_in_for_known_ones():
    route_map = read(example())
    odd = type(route_map)(
        route_map.plate, route_map.leads, extra={"wires": [], "tracing_error": 9, "mine": 1}
    )
    mapping = route_map_to_mapping(odd)
    assert len(mapping["wires"]) == 2 and "tracing_error" not in mapping and mapping["mine"] == 1


# Fuzz ---------------------------------------------------------------------------------------------
values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=5)
    | st.sampled_from(["Z01-H", "D01", "X1", "apart", "plate-route-map", "mm"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=8,
)


def spots(value, path=()):
    yield path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from spots(inner, (*path, key))
    elif isinstance(value, list):
        for n, inner in enumerate(value):
            yield from spots(inner, (*path, n))


SPOTS = list(spots(example()))[1:]


@settings(deadline=None, max_examples=120)
@given(st.lists(st.tuples(st.sampled_from(SPOTS), values), min_size=1, max_size=3))
def test_whatever_stands_in_a_file_the_reader_takes_it_or_refuses_it(changes):
    document = copy.deepcopy(example())
    for path, value in changes:
        at = document
        try:
            for step in path[:-1]:
                at = at[step]
            at[path[-1]] = value
        except (KeyError, IndexError, TypeError):
            continue
    try:
        route_map = route_map_from_mapping(document)
    except MapperError as fault:
        assert str(fault).endswith(".")
        return
    assert route_map_from_mapping(route_map_to_mapping(route_map)) == route_map
    SCHEMA.validate(document)


@settings(deadline=None, max_examples=120)
@given(st.data())
def test_damaged_bytes_are_taken_or_refused(data):
    raw = bytearray(json.dumps(example()).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(raw) - 1))
        if data.draw(st.booleans()):
            raw[at] = data.draw(st.integers(0, 255))
        else:
            del raw[at : at + data.draw(st.integers(1, 30))]
    try:
        read_route_map(bytes(raw))
    except RouteMapError as fault:
        assert "\n" not in str(fault)
