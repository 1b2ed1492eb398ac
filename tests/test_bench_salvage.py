"""Salvage: what is counted, ordered and compared, worked by hand beside each check."""

from __future__ import annotations

import csv
import io
from datetime import datetime

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mapper.bench import BenchError, Zone
from mapper.bench.salvage import (
    Costs,
    OrderLine,
    PartVerdict,
    compare_costs,
    counts,
    longest_days,
    order_lines,
    part_verdicts,
    total_price,
)
from mapper.sheets import order_list_csv, order_list_xlsx, salvage_sheet, salvage_sheet_pdf
from mapper.sheets.scene import Text

PARTS = {
    "volts": 240, "watts": 250, "sensor": "J", "heater_price": 90.0, "heater_days": 10,
    "sensor_price": 40.0, "sensor_days": 21,
}  # fmt: skip
GOOD = {**PARTS, "ohm": 230.4, "insulation_mohm": 200, "loop_ohm": 5, "known_c": 100,
        "shown_c": 100}  # fmt: skip
ZONES = (
    Zone("Z01", GOOD),
    Zone("Z02", {**GOOD, "ohm": "open"}),
    Zone("Z03", {**GOOD, "ohm": "open", "loop_ohm": "open"}),
    Zone("Z04", {**GOOD, "insulation_mohm": 0.4}),
)
COSTS = Costs(
    hours=20, rate=50, consumables=400, consumables_share=25, inhouse_days=4,
    quote=2000, freight=100, outside_days=15, day_cost=100,
)  # fmt: skip


def test_verdicts_are_counted_and_a_broken_lead_takes_its_part_along():
    parts = part_verdicts(ZONES)
    assert counts(parts) == {
        "heater": {"reuse": 1, "dry out": 1, "replace": 2},
        "sensor": {"reuse": 3, "replace": 1},
    }
    lost = counts(part_verdicts(ZONES, broken={"Z01-T"}))
    assert lost["sensor"] == {"reuse": 2, "replace": 2}


def test_a_part_that_is_not_there_is_not_counted():
    parts = part_verdicts((Zone("M1", {"ohm": "open"}),), not_there={"M1-T", "M1-H"})
    assert [(one.part, one.word) for one in parts] == [("heater", "replace")]


def test_alike_parts_are_one_line_with_price_and_longest_lead_time():
    lines = order_lines(part_verdicts(ZONES))
    assert [(line.part, line.quantity, line.zones, line.total) for line in lines] == [
        ("heater", 2, ("Z02", "Z03"), 180.0),
        ("sensor", 1, ("Z03",), 40.0),
    ]
    assert total_price(lines) == 220.0 and longest_days(lines) == 21
    assert total_price(order_lines(part_verdicts(ZONES), also_open=True)) == 310.0


def test_a_missing_price_is_never_counted_as_nothing():
    zones = (Zone("Z01", {**GOOD, "ohm": "open"}), Zone("Z02", {"ohm": "open"}))
    lines = order_lines(part_verdicts(zones))
    assert total_price(lines) is None and longest_days(lines) is None
    found = compare_costs(part_verdicts(zones), COSTS)
    assert found.inhouse is None and any("Prices" in one for one in found.missing)


def test_both_ways_worked_by_hand():
    # In-house: 20 x 50 + 400 x 25 % = 1100. Parts: 220 at least, 310 when Z04 is lost too.
    # Down for the longer of 4 days and the lead time of 21: 21 x 100 = 2100 at both ends.
    # Sent out: 2000 + 100 + 15 x 100 = 3600. All parts are worth 4 x (90 + 40) = 520.
    found = compare_costs(part_verdicts(ZONES), COSTS)
    assert found.inhouse == pytest.approx((3420, 3510))
    assert found.outside == pytest.approx((3600, 3600))
    assert found.savings == pytest.approx((90, 180))
    assert found.inhouse_down_days == (21, 21) and found.outside_down_days == 15
    assert found.reuse_share == pytest.approx((1 - 310 / 520, 1 - 220 / 520))
    # 1100 + (1 - r) 520 + 2100 = 3600  ->  r = 1 - 400 / 520
    assert found.break_even == pytest.approx(1 - 400 / 520)
    assert found.missing == ()


def test_quote_without_parts_buys_the_same_parts():
    costs = Costs(hours=20, rate=50, quote=2000, quote_has_parts=False)
    found = compare_costs(part_verdicts(ZONES), costs)
    assert found.inhouse == pytest.approx((1220, 1310))
    assert found.outside == pytest.approx((2220, 2310))
    assert found.break_even is None


money = st.floats(0, 1e5)


@given(st.lists(st.tuples(st.sampled_from(["reuse", "replace", "dry out"]), st.floats(1, 500)),
                min_size=1, max_size=30), money, money)  # fmt: skip
def test_break_even_rate_makes_both_ways_cost_the_same(found, work, quote):
    parts = tuple(
        PartVerdict(f"Z{n}", "heater", word, price, 5.0) for n, (word, price) in enumerate(found)
    )
    value = sum(one.price for one in parts)
    got = compare_costs(parts, Costs(hours=work, rate=1, quote=quote))
    inhouse_then = work + (1 - got.break_even) * value
    assert inhouse_then == pytest.approx(quote, abs=1e-6 * (1 + quote + work + value))
    low, high = got.inhouse
    assert work - 1e-6 <= low <= high <= work + value + 1e-6


@given(
    st.dictionaries(
        st.sampled_from(["hours", "rate", "quote", "day_cost", "consumables"]),
        st.floats(0, 9999),
    )
)
def test_what_is_not_entered_gives_no_sum(entered):
    got = compare_costs(part_verdicts(ZONES), Costs.from_mapping(entered))
    assert (got.inhouse is None) == (
        not {"hours", "rate"} <= set(entered) or "consumables" in entered
    )
    assert (got.outside is None) == ("quote" not in entered)
    assert not got.downtime_counted


@pytest.mark.parametrize("bad", [{"hours": -1}, {"rate": "a"}, {"quote_has_parts": 1}, []])
def test_damaged_costs_are_refused(bad):
    with pytest.raises(BenchError):
        Costs.from_mapping(bad)


def test_costs_survive_being_kept():
    assert Costs.from_mapping(COSTS.to_mapping()) == COSTS


NASTY = OrderLine("heater", '=HYPERLINK("x")\x07; "a"', ("+Z1", "Z2"), 90.5, None)


def test_order_list_as_csv_reads_back_and_holds_no_formula():
    text = order_list_csv((NASTY,)).decode("utf-8-sig")
    rows = list(csv.reader(io.StringIO(text), delimiter=";"))
    assert rows[1][:3] == ["Heater", "2", '\'=HYPERLINK("x")\N{REPLACEMENT CHARACTER}; "a"']
    assert rows[1][3].startswith("'+") and rows[1][4:] == ["90.5", "181", ""]
    assert rows[2] == ["All", "2", "", "", "", "181", ""]


def test_order_list_as_spreadsheet_reads_back_and_holds_no_formula():
    sheet = openpyxl.load_workbook(io.BytesIO(order_list_xlsx((NASTY,)))).active
    assert [cell.value for cell in sheet[2]][4:] == [90.5, 181, None]
    assert sheet["C2"].data_type == "s" and sheet["C2"].value.startswith("=HYPER")


def words_of(scenes) -> str:
    return "\n".join(item.text for one in scenes for item in one.items if isinstance(item, Text))


def test_sheet_prints_the_sums_and_the_cautions_on_every_page():
    many = tuple(Zone(f"Z{n:02d}", {**ZONES[2].data, "heater_part": f"H{n}"}) for n in range(60))
    parts = part_verdicts(many)
    scenes = salvage_sheet("Plate", parts, COSTS, compare_costs(parts, COSTS), datetime(2024, 1, 2))
    assert len(scenes) > 1
    for scene in scenes:
        text = words_of([scene])
        assert "licensed practice" in text and "lock" in text
        assert all(0 <= item.y_mm <= 297 for item in scene.items if isinstance(item, Text))
    assert "7 800.00" in words_of(scenes)  # 60 x (90 + 40)
    pdf = salvage_sheet_pdf(
        "Plate", parts, COSTS, compare_costs(parts, COSTS), datetime(2024, 1, 2)
    )
    assert pdf.startswith(b"%PDF")


def test_sheet_without_any_number_still_prints():
    parts = part_verdicts((Zone("Z01"),))
    scenes = salvage_sheet("P", parts, Costs(), compare_costs(parts, Costs()), datetime(2024, 1, 2))
    assert "not known" in words_of(scenes) and "safe" not in words_of(scenes)
