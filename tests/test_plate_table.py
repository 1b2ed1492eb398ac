"""Plates from tables: what spreadsheets write, and faults named by row and column."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from mapper.errors import MapperError
from mapper.plate import Drop, Exit, Hole, Plate, PlateError

OUTLINE = ((0.0, 0.0), (496.0, 0.0), (496.0, 346.0), (0.0, 346.0))
TABLE = "id,x,y,bore_diameter,kind\nD01,60.5,60,42,\nP1,30,30,30,hole\nX1,496,173,,exit\n"


def test_a_table_of_drops_holes_and_exits_becomes_a_plate():
    plate = Plate.from_csv(TABLE, outline_mm=OUTLINE, name="demo")
    assert plate == Plate(
        name="demo",
        outline_mm=OUTLINE,
        drops=(Drop("D01", 60.5, 60.0, 42.0),),
        holes=(Hole("P1", 30.0, 30.0, 30.0),),
        exits=(Exit("X1", 496.0, 173.0),),
    )


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_the_ways_a_spreadsheet_saves_do_not_matter(separator, line_end, encoding):
    text = TABLE.replace(",", separator).replace("\n", line_end)
    plate = Plate.from_csv(text.encode(encoding), outline_mm=OUTLINE)
    assert plate == Plate.from_csv(TABLE, outline_mm=OUTLINE)


def test_decimal_commas_are_read():
    text = 'sep=;\nDrop;X [mm];Y (mm);Bore-diameter\n1;60,5;60;42,25\n"2";"160,5";60;42\n'
    plate = Plate.from_csv(text, outline_mm=OUTLINE)
    assert plate.drops == (Drop("1", 60.5, 60, 42.25), Drop("2", 160.5, 60, 42))
    quoted = 'id,x,y,dia\nD01,"60,5",60,"42,25"\n'
    assert Plate.from_csv(quoted, outline_mm=OUTLINE).drops[0] == Drop("D01", 60.5, 60, 42.25)


def test_the_same_numbers_as_pandas_reads(tmp_path):
    # peer: pandas.read_csv, with the separator and the decimal sign told to it
    pandas = pytest.importorskip("pandas")
    path = tmp_path / "drops.csv"
    path.write_text("id;x;y;d\nA1;12,345;6,5;40\nA2;112,75;6,25;40,5\n", encoding="utf-8")
    frame = pandas.read_csv(path, sep=";", decimal=",")
    plate = Plate.from_csv(path, outline_mm=OUTLINE)
    assert [d.x_mm for d in plate.drops] == frame["x"].tolist()
    assert [d.bore_diameter_mm for d in plate.drops] == frame["d"].tolist()


def test_corner_rows_are_the_outline():
    corners = "corner,,0,0,\ncorner,,100,0,\ncorner,,100,80,\ncorner,,0,80,\n"
    text = f"kind,id,x,y,dia\n{corners},D1,50,40,30\n"
    plate = Plate.from_csv(text)
    assert plate.outline_mm == ((0, 0), (100, 0), (100, 80), (0, 80))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("id,x,y,dia\nD01,60,60,42\n\nD02,sixty,60,42\n", "Row 4, column 'x': 'sixty' is not"),
        ("id,x,y,dia\nD01,60,60,42\nD02,60,,42\n", "Row 3, column 'y': a number in mm is missing"),
        ("id,x,y,dia\nD01,60,60,0\n", "Row 2, column 'dia': must be greater than zero"),
        ("id,x,y,dia\nD01,60,60,nan\n", "Row 2, column 'dia': 'nan' is not a number"),
        ("id,x,y,dia\nD01,60,60,1e300\n", "Row 2, column 'dia': is 1e.300 mm, beyond the limit"),
        ("id,x,y\nD01,60,60\n", "Row 2, column 'bore_diameter': a number in mm is missing"),
        ("id,x,y,dia\n,60,60,42\n", "Row 2, column 'id': is empty"),
        ("id,x,y,dia\nD01,60,60,42\nD01,99,60,42\n", "Row 3, column 'id': 'D01' is already"),
        ("id,x,y,dia,type\nD01,60,60,42,screw\n", "Row 2, column 'type': 'screw' must be one of"),
        ("id,x (in),y,dia\nD01,6,6,4\n", "Row 1, column 'x .in.': the unit 'in'"),
        ("id,x_cm,y,dia\nD01,6,6,4\n", "Row 1, column 'x_cm': the unit 'cm'"),
        ("id,y,dia\nD01,6,4\n", "Row 1 is the header and has no column 'x'"),
        ("\n60,60,42\n", "Row 2 is the header and has no column 'id'"),
        ("id,x,y,dia\nD01,12,5,60,42\n", "Row 2 has more cells than the header in row 1"),
        ('id,x,y,dia\nD01,"1,234",60,42\n', "Row 2, column 'x': '1,234' may be thousands"),
        ("id;x;y;dia\nD01;1.234,5;60;42\n", "Row 2, column 'x': '1.234,5' cannot be read for sure"),
        ("id;x;y;dia\nD01;1.5;60,5;42\n", "Row 2, column 'x': '1.5' cannot be read for sure"),
        ("id,x,y,dia\n", "a plate with no drops"),
        (b"", "The table is empty"),
        (b"\n \n", "The table is empty"),
        (b"PK\x03\x04 and so on", "is a spreadsheet file"),
        (b"\xff\xfeA", "not readable text"),
        ("id,x,y,dia\nD01,600,60,42\n", r"plate.drops\[0\] 'D01' at \(600, 60\) mm lies outside"),
    ],
)
def test_a_fault_is_named_by_row_and_column(text, words):
    with pytest.raises(PlateError, match=words):
        Plate.from_csv(text, outline_mm=OUTLINE)


def test_without_an_outline_the_table_is_refused():
    with pytest.raises(PlateError, match="outline is not known"):
        Plate.from_csv(TABLE)


def test_a_missing_table_is_said_so(tmp_path):
    with pytest.raises(PlateError, match="cannot be read"):
        Plate.from_csv(tmp_path / "none.csv", outline_mm=OUTLINE)
    with pytest.raises(PlateError, match="cannot be read"):
        Plate.from_csv(tmp_path, outline_mm=OUTLINE)


@settings(max_examples=150, deadline=None)
@given(data=st.binary(max_size=200))
@example(b"id,x,y,d\n\x00,1,1,1\n")
def test_any_bytes_give_a_plate_or_a_plain_error(data):
    try:
        Plate.from_csv(data, outline_mm=OUTLINE)
    except MapperError as error:
        assert "\n" not in str(error)


@settings(max_examples=150, deadline=None)
@given(
    at=st.integers(0, len(TABLE) - 1),
    length=st.integers(0, 6),
    put=st.text(alphabet=',;"\n\r\t.-+eE0189Dx\x00é', max_size=6),
)
def test_a_damaged_table_gives_a_plate_or_a_plain_error(at, length, put):
    try:
        plate = Plate.from_csv(
            (TABLE[:at] + put + TABLE[at + length :]).encode(), outline_mm=OUTLINE
        )
    except MapperError as error:
        assert "\n" not in str(error)
    else:
        assert plate.drops
