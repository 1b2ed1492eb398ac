"""Plates from a grid form, and the order in which drops are numbered."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.plate import Numbering, Plate, PlateError
from mapper.plate.numbering import numbered_ids, numbering_order

GRID = {
    "rows": 2,
    "columns": 3,
    "pitch_x_mm": 100.0,
    "pitch_y_mm": 80.0,
    "offset_mm": (60.0, 50.0),
    "bore_diameter_mm": 42.0,
    "width_mm": 320.0,
    "height_mm": 180.0,
}


def places(plate: Plate) -> list[tuple[str, float, float]]:
    return [(drop.id, drop.x_mm, drop.y_mm) for drop in plate.drops]


def test_the_offset_is_the_centre_of_the_lower_left_bore():
    plate = Plate.grid(**GRID, numbering=Numbering(start="lower left"))
    assert places(plate) == [
        ("D01", 60, 50),
        ("D02", 160, 50),
        ("D03", 260, 50),
        ("D04", 60, 130),
        ("D05", 160, 130),
        ("D06", 260, 130),
    ]
    assert plate.outline_mm == ((0, 0), (320, 0), (320, 180), (0, 180))


# typed by hand from a sketch of 2 rows (y 50, 130) and 3 columns (x 60, 160, 260)
@pytest.mark.parametrize(
    ("numbering", "order"),
    [
        (
            Numbering("upper left"),
            [(60, 130), (160, 130), (260, 130), (60, 50), (160, 50), (260, 50)],
        ),
        (
            Numbering("lower right"),
            [(260, 50), (160, 50), (60, 50), (260, 130), (160, 130), (60, 130)],
        ),
        (
            Numbering("upper right", along="columns"),
            [(260, 130), (260, 50), (160, 130), (160, 50), (60, 130), (60, 50)],
        ),
        (
            Numbering("lower left", serpentine=True),
            [(60, 50), (160, 50), (260, 50), (260, 130), (160, 130), (60, 130)],
        ),
        (
            Numbering("lower left", along="columns", serpentine=True),
            [(60, 50), (60, 130), (160, 130), (160, 50), (260, 50), (260, 130)],
        ),
    ],
)
def test_counting_starts_in_the_corner_and_runs_the_way_that_was_asked(numbering, order):
    assert [place[1:] for place in places(Plate.grid(**GRID, numbering=numbering))] == order


def test_ids_count_up_the_last_number_with_its_places():
    assert numbered_ids(3, "D08") == ["D08", "D09", "D10"]
    assert numbered_ids(2, "M2-N7b") == ["M2-N7b", "M2-N8b"]
    assert numbered_ids(2, "99") == ["99", "100"]


def test_staggered_bores_stay_in_one_row():
    centres = np.array([[0, 0], [50, 4], [100, -3], [0, 60], [50, 57]])
    order = numbering_order(centres, Numbering("lower left"), line_gap_mm=10)
    assert order.tolist() == [0, 1, 2, 3, 4]


@settings(max_examples=60, deadline=None)
@given(
    rows=st.integers(1, 6),
    columns=st.integers(1, 6),
    start=st.sampled_from(["lower left", "lower right", "upper left", "upper right"]),
    along=st.sampled_from(["rows", "columns"]),
    serpentine=st.booleans(),
    seed=st.integers(0, 1000),
)
def test_the_order_does_not_depend_on_how_the_bores_were_listed(
    rows, columns, start, along, serpentine, seed
):
    x, y = np.meshgrid(70.0 * np.arange(columns), 55.0 * np.arange(rows))
    centres = np.column_stack([x.ravel(), y.ravel()])
    shuffled = np.random.default_rng(seed).permutation(centres)
    numbering = Numbering(start, along, serpentine)
    one = centres[numbering_order(centres, numbering)]
    assert np.array_equal(one, shuffled[numbering_order(shuffled, numbering)])
    first = [
        c.min() if side in start else c.max()
        for c, side in zip(centres.T, ("left", "lower"), strict=True)
    ]
    assert one[0].tolist() == first
    if serpentine:  # a serpentine never jumps: each step is one pitch
        steps = np.hypot(*np.diff(one, axis=0).T)
        assert all(math.isclose(step, 70) or math.isclose(step, 55) for step in steps)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"rows": 0}, "number of rows must be at least 1"),
        ({"rows": 2.0}, "number of rows must be a whole number"),
        ({"columns": True}, "number of columns must be a whole number"),
        ({"rows": 40, "columns": 40}, "more than the limit of 1000"),
        ({"pitch_x_mm": 0}, "pitch in x must be greater than zero"),
        ({"pitch_x_mm": 41}, "smaller than the bore"),
        ({"pitch_y_mm": math.nan}, "pitch in y must be a finite number"),
        ({"bore_diameter_mm": -1}, "bore diameter must be greater than zero"),
        ({"offset_mm": (10, 50)}, "do not fit on a plate"),
        ({"width_mm": 250}, "do not fit on a plate"),
        ({"height_mm": "180"}, "height must be a number"),
        ({"offset_mm": (None, 5)}, "x of the first bore must be a number"),
    ],
)
def test_a_grid_that_cannot_be_is_refused_with_the_value_to_change(change, words):
    with pytest.raises(PlateError, match=words):
        Plate.grid(**(GRID | change))


def test_the_pitch_of_a_single_row_does_not_matter():
    assert len(Plate.grid(**(GRID | {"rows": 1, "pitch_y_mm": 0})).drops) == 3


@pytest.mark.parametrize(
    "fault", [{"start": "middle"}, {"along": "diagonals"}, {"first_id": "D"}, {"first_id": ""}]
)
def test_a_numbering_that_cannot_count_is_refused(fault):
    with pytest.raises(PlateError):
        Numbering(**fault)
