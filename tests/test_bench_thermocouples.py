"""Temperatures by ITS-90; what reversed legs and wrong inputs show."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mapper.bench import TYPES, BenchError, Limits, SensorReading, emf_mv, judge_sensor, temp_c
from mapper.bench.thermocouples import (
    shown_on_input_c,
    shown_reversed_c,
    temp_from_terminals_c,
)


# NIST Monograph 175 / IEC 60584-1, ITS-90 reference functions, mV; tables are rounded to 0.001.
@pytest.mark.parametrize(
    ("at_c", "j", "k", "n", "t", "e"),
    [
        (-20, -0.9947, -0.7775, -0.5180, -0.7568, -1.1516),
        (0, 0, 0, 0, 0, 0),
        (25, 1.2773, 1.0002, 0.6586, 0.9920, 1.4951),
        (100, 5.2689, 4.0962, 2.7741, 4.2785, 6.3189),
        (230, 12.4446, 9.3427, 6.9157, 10.9075, 15.6637),
        (400, 21.8481, 16.3971, 12.9737, 20.8720, 28.9460),
    ],
)
def test_millivolts_of_the_tables(at_c, j, k, n, t, e):
    for kind, mv in zip("JKNTE", (j, k, n, t, e), strict=True):
        assert emf_mv(kind, at_c) == pytest.approx(mv, abs=0.001)


# Same functions turned round (1 microvolt is about 0.02 °C).
@pytest.mark.parametrize(
    ("kind", "mv", "at_c"),
    [
        ("J", 5.269, 100.0015),
        ("J", 12.900, 238.1994),
        ("J", 16.327, 299.9963),
        ("K", 4.096, 99.9944),
        ("K", 12.209, 300.0105),
        ("K", 16.397, 399.9966),
    ],
)
def test_temperature_of_millivolts(kind, mv, at_c):
    assert temp_c(kind, mv) == pytest.approx(at_c, abs=0.02)


# Millivolts are added, never degrees: E(T, Tref) = E(T, 0) - E(Tref, 0).
@pytest.mark.parametrize(
    ("kind", "mv", "terminals_c", "at_c"),
    [
        ("J", 11.2708, 23, 230),
        ("J", 12.2779, 25, 250),
        ("K", 8.4234, 23, 230),
        ("K", 9.1531, 25, 250),
    ],
)
def test_cold_junction_is_added_in_millivolts(kind, mv, terminals_c, at_c):
    assert temp_from_terminals_c(kind, mv, terminals_c) == pytest.approx(at_c, abs=0.02)
    assert abs(temp_c(kind, mv) + terminals_c - at_c) > 0.1  # adding degrees is wrong


# Computed from the reference functions by two libraries; terminals at 25 °C.
@pytest.mark.parametrize(
    ("kind", "tip_c", "shown_c"),
    [("J", 50, -0.61), ("J", 75, -27.6), ("J", 100, -56.1), ("K", 50, -0.57), ("K", 200, -218.2)],
)
def test_reversed_sensor_falls_when_heated(kind, tip_c, shown_c):
    assert shown_reversed_c(kind, tip_c, 25) == pytest.approx(shown_c, abs=0.06)


@pytest.mark.parametrize(
    ("sensor", "input_kind", "tip_c", "shown_c"),
    [
        ("J", "K", 100, 121.8),
        ("J", "K", 250, 325.7),
        ("K", "J", 200, 157.3),
        ("K", "N", 250, 313.2),
    ],
)
def test_wrong_input_shows_another_temperature(sensor, input_kind, tip_c, shown_c):
    assert shown_on_input_c(sensor, input_kind, tip_c, 25) == pytest.approx(shown_c, abs=0.06)


# IEC 60584-1 class 2, read in a secondary copy.
def test_class_2_limits():
    assert Limits().class_error_c("J", 230) == 2.5
    assert Limits().class_error_c("K", 400) == pytest.approx(3.0)
    assert Limits().class_error_c("T", 100) == 1.0


@given(st.sampled_from(TYPES), st.floats(-20, 390))
def test_temperature_and_millivolts_turn_round(kind, at_c):
    assert temp_c(kind, emf_mv(kind, at_c)) == pytest.approx(at_c, abs=1e-3)


@given(st.sampled_from(TYPES), st.floats(60, 150), st.floats(15, 35))
def test_reversed_sensor_is_never_called_good(kind, tip_c, terminals_c):
    try:
        shown_c = shown_reversed_c(kind, tip_c, terminals_c)
    except BenchError:
        return  # out of the table: an instrument shows a fault flag
    verdict = judge_sensor(kind, SensorReading(5.0, tip_c, shown_c, terminals_c))
    assert verdict.word == "measure again"


def test_reversed_sensor_is_named_and_not_thrown_away():
    verdict = judge_sensor("J", SensorReading(5.0, 100, -56.1, 25))
    assert verdict.word == "measure again"
    assert "legs exchanged" in verdict.reasons[0]


def test_wrong_input_is_named():
    verdict = judge_sensor("J", SensorReading(5.0, 100, 121.8, 25))
    assert "input set to K" in verdict.reasons[0]


def test_reading_at_the_temperature_of_the_terminals_proves_nothing():
    assert judge_sensor("K", SensorReading(5.0, 26, 26, 25)).word == "measure again"


@pytest.mark.parametrize(
    ("got", "word"),
    [
        (SensorReading(math.inf), "replace"),
        (SensorReading(5.0), "measure again"),
        (SensorReading(5.0, 100, 101), "reuse"),
        (SensorReading(5.0, 100, 60), "replace"),
        (SensorReading(), "not measured"),
    ],
)
def test_verdicts_of_sensors(got, word):
    assert judge_sensor("K", got).word == word


def test_unknown_type_is_refused():
    with pytest.raises(BenchError, match="use J, K, N, T or E"):
        judge_sensor("Q", SensorReading(5.0))
