"""The parts table, connector pins, limits and loop resistance say what the sources say."""

from __future__ import annotations

import io
import math

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.bench import (
    LIMITS,
    BenchError,
    Heater,
    HeaterReading,
    Limits,
    SensorPart,
    SensorReading,
    Zone,
    area_mm2,
    awg_diameter_mm,
    check_pins,
    judge_heater,
    judge_sensor,
    lead_costs,
    loop_ohm,
    part_of,
)
from mapper.bench.conductors import loop_ohm_per_m
from mapper.bench.limits import CLASSES, class_values
from mapper.bench.part_table import guess_columns, read_grid, take_rows
from mapper.bench.parts import number_words, typed_number, typed_value, with_ratings
from mapper.bench.pins import colour_hints, read_spare
from mapper.bench.thermocouples import shown_crossed_twice_c

ZONES = ("Z01", "Z02", "Z03")


# --- conductors -------------------------------------------------------------------------


# ASTM B258: d = 0.127 mm * 92^((36 - n) / 39).
@pytest.mark.parametrize(
    ("gauge", "d_mm", "area"),
    [(14, 1.6277, 2.0809), (20, 0.8118, 0.5176), (24, 0.5106, 0.2047), (36, 0.1270, 0.0127)],
)
def test_gauge_gives_the_diameter_of_the_standard(gauge, d_mm, area):
    assert awg_diameter_mm(gauge) == pytest.approx(d_mm, abs=0.0005)
    assert area_mm2(f"{gauge} AWG") == pytest.approx(area, abs=0.0002)


# A public nominal table, ohm per double foot; resistivities of ASTM MNL 12 agree within 10 %.
@pytest.mark.parametrize(
    ("gauge", "table"),
    [
        (20, {"J": 0.367, "K": 0.589, "T": 0.304, "E": 0.709, "N": 0.783}),
        (24, {"J": 0.928, "K": 1.490, "T": 0.768, "E": 1.795, "N": 1.980}),
        (30, {"J": 3.731, "K": 5.990, "T": 3.088, "E": 7.214, "N": 7.960}),
    ],
)
def test_loop_resistance_of_the_nominal_table(gauge, table):
    for kind, per_double_foot in table.items():
        ohm = loop_ohm_per_m(kind, area_mm2(f"AWG {gauge}")) * 0.3048
        assert ohm == pytest.approx(per_double_foot, rel=0.10)


def test_five_metres_of_type_k_at_24_awg():  # computed from ASTM MNL 12 and ASTM B258
    assert loop_ohm("K", area_mm2("24AWG"), 5) == pytest.approx(24.4, abs=0.05)


@pytest.mark.parametrize(
    ("size", "area"),
    [("0.5 mm", 0.19635), ("0,22 mm²", 0.22), ("0.22mm2", 0.22), ("7x0.2 mm", 0.21991)],
)
def test_sizes_as_people_write_them(size, area):
    assert area_mm2(size) == pytest.approx(area, abs=1e-4)


@pytest.mark.parametrize("size", ["24", "thick", "", "0 mm", "99 AWG", "1000 mm", "mm"])
def test_sizes_that_say_nothing_are_refused(size):
    with pytest.raises(BenchError):
        area_mm2(size)


# --- thermocouple -----------------------------------------------------------------------


# Computed with the ITS-90 reference functions: tip 200, head 45, instrument 25 °C.
@pytest.mark.parametrize(("kind", "shows"), [("J", 162.3), ("K", 159.1)])
def test_extension_crossed_at_both_ends_reads_low_by_twice_the_head(kind, shows):
    assert shown_crossed_twice_c(kind, 200, 45, 25) == pytest.approx(shows, abs=0.1)
    assert shown_crossed_twice_c(kind, 200, 25, 25) == pytest.approx(200, abs=0.01)
    verdict = judge_sensor(kind, SensorReading(5, 200, shows, 25, head_c=45))
    assert verdict.word == "measure again" and "crossed at both ends" in verdict.reasons[0]


def test_crossed_extension_is_named_before_a_sensor_is_thrown_away():
    verdict = judge_sensor("J", SensorReading(5, 200, 162.3, 25))
    assert "head at 45 °C" in " ".join(verdict.reasons)


def test_crossed_extension_that_would_not_show_is_said():
    verdict = judge_sensor("K", SensorReading(5, 200, 200, 25, head_c=26))
    assert verdict.word == "reuse" and "head warmer" in verdict.reasons[0]


K5 = SensorPart("ungrounded", area_mm2("24 AWG"), 5.0)


@pytest.mark.parametrize(
    ("ohm", "word", "says"),
    [
        (24.4, "reuse", "fits"),
        (2.0, "measure again", "0.4 m from"),
        (20.0, "measure again", "below"),
        (40.0, "measure again", "broken strand"),
        (math.inf, "replace", "broken"),
    ],
)
def test_loop_resistance_is_held_against_length_and_gauge(ohm, word, says):
    verdict = judge_sensor("K", SensorReading(ohm, 100, 100, 25), part=K5)
    assert verdict.word == word and says in " ".join(verdict.reasons)


@pytest.mark.parametrize(
    ("junction", "mohm", "word"),
    [
        ("ungrounded", 100, "reuse"),
        ("ungrounded", 0.2, "dry out"),
        ("grounded", 0.0, "reuse"),
        ("grounded", math.inf, "measure again"),
        (None, 0.0, "measure again"),
        (None, 100, "reuse"),
    ],
)
def test_insulation_to_the_sheath_depends_on_the_junction(junction, mohm, word):
    got = SensorReading(24.4, 100, 100, 25, sheath_mohm=mohm)
    assert judge_sensor("K", got, part=SensorPart(junction)).word == word


def test_worse_of_two_baths_counts():
    assert judge_sensor("K", SensorReading(5, 100, 100, 25, 200, 200)).word == "reuse"
    assert judge_sensor("K", SensorReading(5, 100, 100, 25, 200, 120)).word == "replace"


# --- insulation test of heaters ---------------------------------------------------------


@pytest.mark.parametrize(
    ("mohm", "volts", "part_c", "word"),
    [
        (0.4, 500, 20, "dry out"),
        (0.4, 500, 180, "measure again"),
        (200, 250, 20, "measure again"),
        (200, 500, 180, "reuse"),
        (0.4, 250, 20, "dry out"),
    ],
)
def test_insulation_goes_with_test_voltage_and_temperature(mohm, volts, part_c, word):
    got = HeaterReading(230.4, mohm, 0.0, volts, part_c)
    assert judge_heater(Heater(240, 250), got).word == word


# --- limits -----------------------------------------------------------------------------


# IEC 60584-1:2013 and ASTM E230, read in a secondary copy: J, K at 230 and 400 °C.
@pytest.mark.parametrize(
    ("name", "at_230", "at_400"),
    [
        ("IEC 60584-1 class 1", 1.5, 1.6),
        ("IEC 60584-1 class 2", 2.5, 3.0),
        ("ASTM E230 standard", 2.2, 3.0),
        ("ASTM E230 special", 1.1, 1.6),
    ],
)
def test_class_limits_of_the_standards(name, at_230, at_400):
    limits = Limits.from_mapping(class_values(name))
    for kind in "JK":
        assert limits.class_error_c(kind, 230) == pytest.approx(at_230)
        assert limits.class_error_c(kind, 400) == pytest.approx(at_400)
    assert limits.class_name() == name
    assert limits.source("K_least_c").startswith(name)


def test_classes_turn_over_where_the_standard_says():  # IEC: 375 °C class 1, 333.3 °C class 2
    for name, at_c in (("IEC 60584-1 class 1", 375.0), ("IEC 60584-1 class 2", 1000 / 3)):
        least, share = CLASSES[name]["K"]
        assert share * at_c == pytest.approx(least)


def test_every_limit_shows_a_source_and_lies_in_its_bounds():
    limits = Limits()
    for one in LIMITS:
        assert one.source and one.low <= one.value <= one.high
        assert limits.source(one.key) == one.source
    changed = Limits.from_mapping({"insulation_mohm": 5})
    assert changed.source("insulation_mohm") == "set for this job; source's value 1 MΩ"
    assert judge_heater(Heater(240, 250), HeaterReading(230.4, 2.0), changed).word == "dry out"


@pytest.mark.parametrize(
    "bad",
    [{"power_plus": -1}, {"power_plus": "a"}, {"J_least_c": math.nan}, {"insulation_mohm": 50}],
)
def test_impossible_limits_are_refused(bad):
    with pytest.raises(BenchError):
        Limits.from_mapping(bad)


# --- numbers and tables -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1,5", 1.5), ("1.5", 1.5), ("1.234,50", 1234.5), ("1,234.50", 1234.5), ("12", 12),
        ("1 234,5", 1234.5), ("1.234.567", 1234567), ("0,125", 0.125), ("1234,567", 1234.567),
    ],
)  # fmt: skip
def test_numbers_with_points_and_commas(text, value):
    assert typed_number(text, "x") == value


@pytest.mark.parametrize("text", ["1,234", "1.234", "1,2.3,4", "1,23,456", "abc", "--1", "1e", "."])
def test_doubtful_numbers_are_refused(text):
    with pytest.raises(BenchError):
        typed_number(text, "x")


@given(st.floats(0.01, 99999), st.sampled_from([",", "."]), st.integers(1, 2))
def test_a_number_written_with_either_sign_is_read_back(value, sign, figures):
    text = f"{value:.{figures}f}"
    assert typed_number(text.replace(".", sign), "x") == float(text)


@given(st.floats(0, 1e7), st.integers(0, 6))
def test_a_number_that_the_table_shows_is_read_back(value, figures):
    kept = round(value, figures)
    assert typed_number(number_words(kept), "x") == pytest.approx(kept, rel=1e-11)


@pytest.mark.parametrize(
    ("key", "cell", "value"),
    [
        ("watts", "0,25 kW", 250), ("heater_days", "2 weeks", 14),
        ("heater_price", "95,50 €", 95.5), ("sensor", "Type K", "K"), ("sensor", "j", "J"),
        ("junction", "yes", "grounded"),
        ("junction", "Ungrounded junction", "ungrounded"), ("sensor_length_m", "1500 mm", 1.5),
        ("volts", "", None), ("volts", math.nan, None), ("elements", "2", 2),
    ],
)  # fmt: skip
def test_cells_as_people_write_them(key, cell, value):
    assert typed_value(key, cell, "Row 2") == value


CSV = (
    "Zone;Voltage;Power (kW);TC type;Heater AWG;Heater price [EUR];Lead time heater (weeks);price\n"
    "1;230;0,25;J;24;95,50;3;5\n"
    "Zone 2;240;250 W;type K;20;1.234,50;2 days;\n"
    "3;abc;1;Q;;1,234;;\n"
    "M1;230;1;;;;;\n"
)


def test_table_with_decimal_commas_is_read_and_its_faults_named():
    grid = read_grid(CSV.encode())
    columns = guess_columns(grid.header)
    assert [column.key for column in columns] == [
        "zone", "volts", "watts", "sensor", "heater_wire", "heater_price", "heater_days", None,
    ]  # fmt: skip
    assert "heater or of the thermocouple" in columns[-1].why
    taken = take_rows(grid, columns, ZONES)
    assert taken.values["Z01"] == {
        "volts": 230, "watts": 250, "sensor": "J", "heater_wire": "24 AWG", "heater_price": 95.5,
        "heater_days": 21,
    }  # fmt: skip
    assert taken.values["Z02"]["heater_price"] == 1234.5
    assert taken.values["Z02"]["heater_days"] == 2
    assert taken.values["Z03"] == {"watts": 1000}
    assert dict(taken.unknown) == {"M1": {"volts": 230, "watts": 1000}}
    assert len(taken.problems) == 3 and all("Row 4" in one for one in taken.problems)


def test_zone_that_stands_twice_is_taken_once():
    grid = read_grid(b"zone,volts\n1,230\nZ01,240\n")
    taken = take_rows(grid, guess_columns(grid.header), ZONES)
    assert taken.values["Z01"] == {"volts": 230}
    assert "stands in row 2 already" in taken.problems[0]


def test_what_this_tool_writes_in_its_headings_it_reads_again():
    from mapper.bench import FIELDS
    from mapper.bench.pins import PIN_WORDS

    titles = ["Zone", *(one.words for one in FIELDS), *PIN_WORDS.values()]
    keys = [column.key for column in guess_columns(titles)]
    assert keys == ["zone", *(one.key for one in FIELDS), *PIN_WORDS]


def xlsx(rows) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_spreadsheet_and_text_say_the_same():
    rows = [["Zone", "Volts", "Watts"], ["Z01", 230, 250.5], ["Z02", "240", "0,3 kW"]]
    book = read_grid(xlsx(rows))
    text = read_grid(b"Zone;Volts;Watts\nZ01;230;250,5\nZ02;240;0,3 kW\n")
    columns = guess_columns(book.header)
    assert take_rows(book, columns, ZONES).values == take_rows(text, columns, ZONES).values


@pytest.mark.parametrize(
    "data",
    [b"", b"\n\n", b"zone\n1\n", b"zone,volts\n", b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"a,b\0"],
)
def test_files_that_are_no_table_get_a_sentence(data):
    with pytest.raises(BenchError):
        read_grid(data)


GOOD = xlsx([["Zone", "Volts"], ["Z01", 230]])


@settings(max_examples=80, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=300),
        st.text(max_size=300).map(lambda text: text.encode("utf-8", "surrogatepass")),
        st.text("zonevolts,;\t\"'.0123\n€Z-", max_size=200).map(
            lambda text: ("zone;volts\n" + text).encode()
        ),
        st.tuples(st.integers(0, len(GOOD) - 1), st.binary(min_size=1, max_size=6)).map(
            lambda cut: GOOD[: cut[0]] + cut[1] + GOOD[cut[0] + len(cut[1]) :]
        ),
    )
)  # fmt: skip
def test_any_file_is_a_table_or_a_sentence(data):
    try:
        grid = read_grid(data)
        taken = take_rows(grid, guess_columns(grid.header), ZONES)
    except BenchError:
        return
    for zone, got in taken.values.items():
        Zone.from_mapping(zone, got)


def test_earlier_job_gives_parts_and_no_readings():
    data = {"volts": 230, "ohm": 211.6, "heater_pin_1": "1", "sensor": "J", "heater_price": 90.0}
    assert part_of(data) == {"volts": 230, "sensor": "J", "heater_price": 90.0}


def test_empty_ratings_are_filled_by_material_and_typed_ones_stay():
    data = {"heater_insulation": "Fiberglass", "sensor_insulation": "PTFE", "sensor_rating_c": 205}
    assert with_ratings(data) == {**data, "heater_rating_c": 480}
    assert with_ratings({"heater_insulation": "own make"}) == {"heater_insulation": "own make"}


def test_broken_lead_costs_the_part_it_belongs_to():
    zones = [("Z01", {"heater_price": 95, "sensor_price": 40.5}), ("Z02", {"sensor_price": 40})]
    assert lead_costs(zones) == {"Z01-H": 95.0, "Z01-T": 40.5, "Z02-T": 40.0}


# --- pins -------------------------------------------------------------------------------


def wired(count: int) -> dict[str, dict]:
    """Zones whose heaters sit on plug X1 and whose thermocouples on X2, two pins each."""
    return {
        f"Z{n + 1:02d}": {
            "heater_pin_1": f"X1:{2 * n + 1}", "heater_pin_2": f"X1:{2 * n + 2}",
            "sensor_pin_plus": f"X2:{2 * n + 1}", "sensor_pin_minus": f"X2:{2 * n + 2}",
        }
        for n in range(count)
    }  # fmt: skip


def test_table_in_order_has_no_finding():
    assert check_pins(wired(8).items()) == ()
    assert check_pins([("Z01", {}), ("Z02", {})]) == ()


@given(st.integers(5, 24), st.data())
def test_pin_entered_twice_is_always_found(count, data):
    table = wired(count)
    a, b = data.draw(st.lists(st.sampled_from(list(table)), min_size=2, max_size=2, unique=True))
    table[a]["heater_pin_2"] = " x1:0" + table[b]["heater_pin_1"][3:]
    found = [one for one in check_pins(table.items()) if one.kind == "twice"]
    assert len(found) == 1 and set(found[0].zones) == {a, b}


@given(st.integers(5, 24), st.data())
def test_polarity_turned_round_is_always_found(count, data):
    table = wired(count)
    zone = data.draw(st.sampled_from(list(table)))
    pins = table[zone]
    pins["sensor_pin_plus"], pins["sensor_pin_minus"] = (
        pins["sensor_pin_minus"],
        pins["sensor_pin_plus"],
    )
    assert [(one.kind, one.zones) for one in check_pins(table.items())] == [("polarity", (zone,))]


def test_half_turned_round_names_none_of_them():
    table = wired(8)
    for zone in list(table)[:4]:
        pins = table[zone]
        pins["sensor_pin_plus"], pins["sensor_pin_minus"] = (
            pins["sensor_pin_minus"],
            pins["sensor_pin_plus"],
        )
    assert not [one for one in check_pins(table.items()) if one.kind == "polarity"]


def test_gaps_and_missing_pins_are_found_unless_spare():
    table = wired(5)
    table["Z03"] = {}
    del table["Z04"]["sensor_pin_minus"]
    kinds = [one.kind for one in check_pins(table.items())]
    assert kinds == ["missing", "missing", "gap", "gap"]
    spare = read_spare("X1:5-6, X2:5, X2:6; X2:8")
    kinds = [one.kind for one in check_pins(table.items(), spare)]
    assert kinds == ["missing", "missing"]
    assert [one.kind for one in check_pins(wired(5).items(), ("X1:3",))] == ["twice"]


# IEC 60584-3; ANSI MC96.1 / ASTM E230; DIN 43710 (withdrawn): secondary copies.
def test_colours_are_hints_and_red_and_white_turn_round():
    assert colour_hints("J", "black", "white") == (("IEC 60584-3", "J", False),)
    us = ("ANSI MC96.1 / ASTM E230", "J", False)
    assert us in colour_hints("J", "White", "red")
    assert ("JIS C1610-1981 (withdrawn)", "J", True) in colour_hints("J", "white", "red")
    assert colour_hints("K", "red", "green") == (("DIN 43710 (withdrawn)", "K", False),)


def test_exchanged_colours_are_named_as_a_hint_only():
    zone = {"sensor": "K", "plus_colour": "white", "minus_colour": "green", **wired(1)["Z01"]}
    (found,) = check_pins([("Z01", zone)])
    assert found.kind == "colour" and "Hint only" in found.sentence
