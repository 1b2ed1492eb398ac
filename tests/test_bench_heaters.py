"""A heater is held against the documented volts and watts of its zone."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mapper.bench import (
    BenchError,
    Heater,
    HeaterReading,
    Limits,
    expected_ohm,
    judge_heater,
    power_at,
    reading,
)

DRY = 200.0


# R = V^2 / P with power +5 % / -10 % (reference: Joule's law; the band is common practice).
@pytest.mark.parametrize(
    ("volts", "watts", "nominal", "low", "high"),
    [
        (240, 150, 384.00, 365.71, 426.67),
        (240, 250, 230.40, 219.43, 256.00),
        (240, 500, 115.20, 109.71, 128.00),
        (240, 1000, 57.60, 54.86, 64.00),
        (230, 250, 211.60, 201.52, 235.11),
        (24, 60, 9.60, 9.14, 10.67),
    ],
)
def test_expected_resistance_follows_from_volts_and_watts(volts, watts, nominal, low, high):
    assert expected_ohm(Heater(volts, watts)) == pytest.approx((nominal, low, high), abs=0.01)


# P = V^2 / R at constant R: half the voltage a quarter of the power.
@pytest.mark.parametrize(
    ("volts", "watts"), [(120, 62.5), (208, 187.78), (230, 229.60), (480, 1000.0)]
)
def test_power_on_another_voltage(volts, watts):
    assert power_at(Heater(240, 250), volts) == pytest.approx(watts, abs=0.01)


def test_half_dead_pair_is_not_taken_for_a_sound_smaller_heater():
    pair = Heater(240, 500, elements=2)
    assert judge_heater(pair, HeaterReading(115.2, DRY)).word == "reuse"
    half = judge_heater(pair, HeaterReading(230.4, DRY))
    assert half.word == "replace"
    assert "1 of them open" in half.reasons[0]
    assert judge_heater(Heater(240, 250), HeaterReading(230.4, DRY)).word == "reuse"


def test_meter_leads_are_taken_off_before_judging_a_low_voltage_heater():
    small = Heater(24, 60)
    assert judge_heater(small, HeaterReading(11.0, DRY)).word == "measure again"
    assert judge_heater(small, HeaterReading(11.0, DRY, meter_leads_ohm=0.5)).word == "reuse"
    assert judge_heater(small, HeaterReading(0.3, DRY, meter_leads_ohm=0.5)).word == "measure again"


@pytest.mark.parametrize(
    ("ohm", "mohm", "word"),
    [
        (math.inf, DRY, "replace"),
        (math.inf, None, "replace"),
        (1.0, DRY, "replace"),
        (230.0, 0.4, "dry out"),
        (230.0, 1.0, "reuse"),
        (230.0, None, "measure again"),
        (None, DRY, "measure again"),
        (300.0, DRY, "measure again"),
        (None, None, "not measured"),
    ],
)
def test_verdict_follows_the_worst_finding(ohm, mohm, word):
    assert judge_heater(Heater(240, 250), HeaterReading(ohm, mohm)).word == word


def test_without_data_no_heater_is_called_good():
    assert judge_heater(None, HeaterReading(230.0, DRY)).word == "measure again"


@given(
    st.floats(12, 480),
    st.floats(10, 5000),
    st.integers(1, 4),
    st.one_of(st.none(), st.floats(0, 1e5), st.just(math.inf)),
    st.one_of(st.none(), st.floats(0, 1e4), st.just(math.inf)),
)
def test_reuse_needs_both_readings_inside_their_limits(volts, watts, elements, ohm, mohm):
    heater, limits = Heater(volts, watts, elements), Limits()
    verdict = judge_heater(heater, HeaterReading(ohm, mohm), limits)
    _, low, high = expected_ohm(heater, limits)
    good = ohm is not None and low <= ohm <= high and mohm is not None and mohm >= 1.0
    assert (verdict.word == "reuse") == good


def test_no_verdict_says_that_anything_is_safe():
    words = [
        " ".join(judge_heater(Heater(240, 250, 2), HeaterReading(ohm, mohm)).reasons)
        for ohm in (None, 0.0, 115.0, 230.0, 460.0, math.inf)
        for mohm in (None, 0.1, 5.0, math.inf)
    ]
    assert not any("safe" in text.casefold() for text in words)


@pytest.mark.parametrize(
    ("typed", "value"),
    [("230,4", 230.4), (" OL ", math.inf), ("open", math.inf), ("", None), (None, None), (7, 7.0)],
)
def test_readings_as_people_type_them(typed, value):
    assert reading(typed, "resistance") == value


@pytest.mark.parametrize("typed", ["abc", "-3", "1e", "nane", "12 34", True])
def test_nonsense_is_refused_with_a_sentence(typed):
    with pytest.raises(BenchError, match="type a number"):
        reading(typed, "Z03 resistance")


@pytest.mark.parametrize("bad", [{"volts": "a"}, {"volts": -1}, {"watts": True}, {"elements": 0}])
def test_impossible_data_of_a_heater_is_refused(bad):
    with pytest.raises(BenchError):
        Heater.from_mapping({"volts": 240, "watts": 250, **bad})


@given(st.floats(0, 1e6) | st.just(math.inf) | st.none(), st.floats(0, 100))
def test_reading_survives_being_kept(ohm, leads):
    got = HeaterReading(ohm, ohm, leads)
    assert HeaterReading.from_mapping(got.to_mapping()) == got
