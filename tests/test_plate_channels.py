"""Ways along the channels, the features a fit holds on to, and how deep leads lie."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import networkx as nx
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.plate import (
    Channel,
    Drop,
    Exit,
    Hole,
    Plate,
    PlateError,
    channel_path_mm,
    plate_features,
)

SQUARE = ((0.0, 0.0), (300.0, 0.0), (300.0, 200.0), (0.0, 200.0))


def plate_with(channels, drops=((50.0, 50.0),), exits=((300.0, 100.0),), bore=40.0) -> Plate:
    return Plate(
        name="",
        outline_mm=SQUARE,
        drops=tuple(Drop(f"D{i}", x, y, bore) for i, (x, y) in enumerate(drops, 1)),
        channels=tuple(Channel(f"C{i}", tuple(p), w, 15.0) for i, (p, w) in enumerate(channels, 1)),
        exits=tuple(Exit(f"X{i}", x, y) for i, (x, y) in enumerate(exits, 1)),
    )


def test_the_way_follows_the_branch_and_then_the_trunk():
    plate = plate_with([([(50, 50), (50, 100)], 11), ([(40, 100), (300, 100)], 14)])
    way = channel_path_mm(plate, "D1", "X1")
    assert way.tolist() == [[50, 50], [50, 100], [300, 100]]
    assert np.array_equal(channel_path_mm(plate, "D1"), way)


def test_channels_that_end_within_half_the_width_of_another_are_joined():
    plate = plate_with([([(50, 50), (50, 93.5)], 11), ([(40, 100), (300, 100)], 14)])
    way = channel_path_mm(plate, "D1")
    assert way.tolist() == [[50, 50], [50, 100], [300, 100]]
    short = plate_with([([(50, 50), (50, 92)], 11), ([(40, 100), (300, 100)], 14)])
    assert channel_path_mm(short, "D1") is None


def test_channels_that_cross_are_joined_where_they_cross():
    plate = plate_with([([(50, 50), (150, 150)], 8), ([(100, 0), (100, 200)], 8)],
                       exits=((100.0, 0.0),))  # fmt: skip
    assert channel_path_mm(plate, "D1").tolist() == [[50, 50], [100, 100], [100, 0]]


def test_a_channel_may_start_at_the_edge_of_the_bore_and_another_go_on_from_there():
    plate = plate_with(
        [([(68, 50), (132, 50)], 10), ([(168, 50), (300, 50)], 10)],
        drops=((50.0, 50.0), (150.0, 50.0)),
        exits=((300.0, 50.0),),
    )
    assert channel_path_mm(plate, "D1").tolist() == [[50, 50], [300, 50]]


def test_without_a_way_there_is_none():
    assert channel_path_mm(plate_with([]), "D1") is None
    assert channel_path_mm(plate_with([([(50, 50), (50, 100)], 11)]), "D1") is None
    assert channel_path_mm(plate_with([([(150, 100), (300, 100)], 14)]), "D1") is None
    no_exit = plate_with([([(50, 50), (300, 50)], 11)], exits=())
    assert channel_path_mm(no_exit, "D1") is None


def test_the_nearer_exit_is_taken_when_none_is_named():
    plate = plate_with([([(0, 50), (300, 50)], 12)], exits=((300.0, 50.0), (0.0, 50.0)))
    assert channel_path_mm(plate, "D1")[-1].tolist() == [0, 50]
    assert channel_path_mm(plate, "D1", "X1")[-1].tolist() == [300, 50]


def test_an_unknown_drop_or_exit_is_named():
    plate = plate_with([([(50, 50), (300, 50)], 11)])
    with pytest.raises(PlateError, match="no drop 'D9'"):
        channel_path_mm(plate, "D9")
    with pytest.raises(PlateError, match="no exit 'X9'"):
        channel_path_mm(plate, "D1", "X9")


@settings(max_examples=40, deadline=None)
@given(
    columns=st.integers(2, 4),
    rows=st.integers(2, 4),
    missing=st.sets(st.integers(0, 23), max_size=8),
)
def test_the_way_is_as_short_as_dijkstra_finds_on_the_bare_lattice(columns, rows, missing):
    # peer: networkx on the same lattice, built without any geometry
    lattice = nx.grid_2d_graph(columns, rows)
    edges = [edge for i, edge in enumerate(sorted(lattice.edges)) if i not in missing]
    open_lattice = nx.Graph(edges)
    channels = [
        ([(20 + 60 * ax, 20 + 50 * ay), (20 + 60 * bx, 20 + 50 * by)], 10)
        for (ax, ay), (bx, by) in edges
    ]
    end = (20.0 + 60 * (columns - 1), 20.0 + 50 * (rows - 1))
    plate = plate_with(channels, drops=((20.0, 20.0),), exits=(end,), bore=12.0)
    for a, b in open_lattice.edges:
        open_lattice.edges[a, b]["mm"] = 60.0 if a[1] == b[1] else 50.0
    way = channel_path_mm(plate, "D1")
    try:
        shortest = nx.dijkstra_path_length(
            open_lattice, (0, 0), (columns - 1, rows - 1), weight="mm"
        )
    except (nx.NetworkXNoPath, nx.NodeNotFound):
        assert way is None
    else:
        assert math.isclose(np.hypot(*np.diff(way, axis=0).T).sum(), shortest)


def truth_plate(folder) -> tuple[Plate, dict]:
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    width, height = truth["plate"]["width"], truth["plate"]["height"]
    return Plate(
        name=truth["name"],
        outline_mm=((0, 0), (width, 0), (width, height), (0, height)),
        drops=tuple(Drop(d["name"], d["x"], d["y"], d["bore_diameter"]) for d in truth["drops"]),
        channels=tuple(
            Channel(f"C{i}", tuple(map(tuple, c["centerline"])), c["width"], c["depth"])
            for i, c in enumerate(truth["channels"])
        ),
        exits=tuple(Exit(f"X{i}", e["x"], e["y"]) for i, e in enumerate(truth["exits"])),
    ), truth


@pytest.mark.parametrize("number", [1, 2, 3])
def test_true_leads_run_along_the_way_that_is_guessed(shared_plates, number):
    plate, truth = truth_plate(shared_plates / f"plate{number}")
    # at a junction a lead swings out past the corner of the centre lines, by up to a width
    widest = max(channel.width_mm for channel in plate.channels)
    bores = shapely.union_all(
        [shapely.Point(d.x_mm, d.y_mm).buffer(d.bore_diameter_mm / 2) for d in plate.drops]
    )
    face = shapely.Polygon(plate.outline_mm).difference(bores)
    for wire in truth["wires"]:
        way = shapely.LineString(channel_path_mm(plate, wire["drop"]))
        lead = shapely.points(np.array(wire["points"])[:, :2])
        in_channels = lead[shapely.contains(face, lead)]
        assert shapely.distance(way, in_channels).max() <= widest


@pytest.mark.parametrize("number", [1, 2, 3])
def test_typical_depth_is_near_the_middle_of_what_true_leads_have(shared_plates, number):
    plate, truth = truth_plate(shared_plates / f"plate{number}")
    points = np.concatenate([np.array(wire["points"]) for wire in truth["wires"]])
    depth = plate.lead_depth_mm(points[:, :2])
    inside = depth > 0
    error = -points[inside, 2] - depth[inside]
    # leads lie in layers between 1 and 17 mm; no single value can do better than about 5 mm
    assert abs(np.median(error)) < 2
    assert np.percentile(np.abs(error), 90) < 6


def test_depth_is_that_of_the_channel_the_pocket_or_the_face():
    plate = plate_with([([(50, 50), (50, 150)], 10), ([(50, 150), (300, 150)], 20)])
    plate = replace(plate, channels=(plate.channels[0], replace(plate.channels[1], depth_mm=20)))
    depth = plate.lead_depth_mm([[50, 100], [54.9, 100], [55.2, 100], [50, 150], [200, 10]])
    assert depth.tolist() == pytest.approx([11.25, 11.25, 0, 15, 0])  # 0.75 of the depth
    assert 5 < plate.lead_depth_mm([[50, 50]])[0] < 18
    assert 5 < plate_with([]).lead_depth_mm([[50, 50]])[0] < 18
    assert plate.lead_depth_mm(np.empty((0, 2))).shape == (0,)


def test_features_are_corners_in_outline_order_then_drops_then_holes():
    plate = replace(plate_with([]), holes=(Hole("P1", 20, 20, 12),))
    assert [(f.id, f.kind, f.x_mm, f.y_mm, f.diameter_mm) for f in plate_features(plate)] == [
        ("corner 1", "corner", 0, 0, None),
        ("corner 2", "corner", 300, 0, None),
        ("corner 3", "corner", 300, 200, None),
        ("corner 4", "corner", 0, 200, None),
        ("D1", "drop", 50, 50, 40),
        ("P1", "hole", 20, 20, 12),
    ]


def test_features_have_ids_of_their_own_even_where_the_plate_repeats_one():
    plate = replace(plate_with([]), holes=(Hole("D1", 20, 20, 12), Hole("corner 1", 9, 9, 5)))
    ids = [feature.id for feature in plate_features(plate)]
    assert len(set(ids)) == len(ids)
    assert ids[-2:] == ["hole D1", "hole corner 1"]


def test_a_point_on_a_straight_edge_is_no_corner_and_a_chamfer_has_two():
    outline = ((0, 0), (150, 0), (300, 0), (300, 190), (290, 200), (0, 200))
    corners = [
        f for f in plate_features(replace(plate_with([]), outline_mm=outline)) if f.kind == "corner"
    ]
    assert [(c.x_mm, c.y_mm) for c in corners] == [
        (0, 0), (300, 0), (300, 190), (290, 200), (0, 200),
    ]  # fmt: skip
