"""Warm-up watch: the fit, its range, limits, resins, and what is read and typed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.bench import BenchError
from mapper.bench.resins import INSULATION, RESINS, UNKNOWN_RESIN, air_advice
from mapper.bench.warmup import WarmUp, fit_rise, read_warm_up, warnings_for
from mapper.ui.warmup_page import _resin_of, typed_points


def rise(tau_s, end_c, span_s, count=40, noise_c=0.0, seed=0, start_c=23.0):
    """Points of T(t) = end - (end - start) exp(-t / tau): Newton's law of cooling turned round
    (Incropera & DeWitt, lumped capacitance)."""
    at = np.linspace(0, span_s, count)
    temp = end_c - (end_c - start_c) * np.exp(-at / tau_s)
    temp += np.random.default_rng(seed).normal(0, noise_c, count)
    return list(zip(at.tolist(), temp.tolist(), strict=True))


# After one time constant 63.2 % of the way is gone, after three 95.0 % (1 - e^-1, 1 - e^-3).
def test_time_constant_and_end_are_found():
    found = fit_rise(rise(600, 220, 1250, 120), 200)
    assert found.tau_s == pytest.approx(600, rel=0.03)
    assert found.end_c == pytest.approx(220, abs=2)
    # t = tau ln((end - start) / (end - target))
    assert found.target_s == pytest.approx(600 * math.log(197 / 20), rel=0.04)
    low, high = found.target_range_s
    assert low <= 600 * math.log(197 / 20) <= high


def test_wild_values_do_not_move_the_fit():
    points = rise(600, 220, 900, noise_c=0.2)
    points[10] = (points[10][0], 400.0)
    points[20] = (points[20][0], 0.0)
    assert fit_rise(points, 200).end_c == pytest.approx(220, abs=4)


def test_too_early_to_tell_says_so():
    for points in (
        [],
        rise(600, 220, 900)[:3],
        rise(600, 220, 20),
        rise(600, 220, 60, noise_c=0.3),
    ):
        found = fit_rise(points, 200)
        assert not found.known and found.target_s is None


def test_a_target_over_the_end_gets_no_time():
    # One mass that levels off at 150: only a plate that creeps on could still take it to 200.
    found = fit_rise(rise(600, 150, 900, noise_c=0.2), 200)
    assert found.target_s is None and math.isinf(found.target_range_s[1])
    assert "perhaps never" in found.text
    # With the end plainly in sight it is said outright.
    assert "will not be reached" in fit_rise(rise(600, 150, 6000, 200), 2000).text


def nozzle_on_plate(rng):
    """(seconds, °C) of a small mass on a large one under constant power: not the fitted model.
    Masses in J/K, conductances in W/K, invented, by plain Euler steps of 2 s."""
    small, large = rng.uniform(80, 200), rng.uniform(1500, 6000)
    seat, loss, power = rng.uniform(0.4, 0.8), rng.uniform(0.5, 2), rng.uniform(80, 180)
    near = far = 23.0
    temps = []
    for _ in range(1600):
        temps.append(near)
        flow = seat * (near - far)
        near += 2 * (power - flow) / small
        far += 2 * (flow - loss * (far - 23)) / large
    return 2.0 * np.arange(1600), np.array(temps)


def test_a_plate_that_warms_behind_never_makes_a_told_time_wrong():
    rng = np.random.default_rng(5)
    told = 0
    for _ in range(40):
        at_s, temp_c = nozzle_on_plate(rng)
        target_c = 23 + rng.uniform(0.7, 0.95) * (temp_c[-1] - 23)
        when = int(np.argmax(temp_c >= target_c))
        rows = np.arange(0, max(int(when * rng.uniform(0.3, 0.9)), 60), 10)
        if rows[-1] >= when:
            continue
        shown = temp_c[rows] + rng.normal(0, 0.3, len(rows))
        found = fit_rise(list(zip(at_s[rows].tolist(), shown.tolist(), strict=True)), target_c)
        if found.target_range_s is not None and found.target_range_s[0] != found.target_s:
            told += 1
            low, high = found.target_range_s
            assert low * 0.97 <= at_s[when] <= high * 1.03
    assert told > 15


def test_a_target_that_is_reached_is_told():
    found = fit_rise(rise(600, 220, 3000), 200)
    assert "is reached" in found.text


def test_the_range_holds_the_truth_about_as_often_as_it_says():
    rng = np.random.default_rng(1)
    hits = told = 0
    for seed in range(60):
        tau_s, end_c = rng.uniform(200, 1500), rng.uniform(150, 350)
        points = rise(tau_s, end_c, tau_s * rng.uniform(0.3, 2), int(rng.integers(8, 60)),
                      float(rng.choice([0.1, 0.5, 1.0])), seed)  # fmt: skip
        target_c = 23 + 0.9 * (end_c - 23)
        if points[-1][1] >= target_c:
            continue
        found = fit_rise(points, target_c)
        if found.target_range_s is not None:
            told += 1
            low, high = found.target_range_s
            hits += low <= tau_s * math.log(10) <= high
    assert told > 30
    assert hits / told > 0.88  # 95 % is meant


@given(
    st.lists(st.tuples(st.floats(0, 1e5), st.floats(-60, 900)), max_size=30),
    st.floats(30, 600),
)
@settings(max_examples=60, deadline=None)
def test_any_readings_give_one_sentence(points, target_c):
    found = fit_rise(sorted(points), target_c)
    assert found.text and "nan" not in found.text
    assert not (found.known and found.target_range_s is None)
    if found.target_s is not None and found.target_range_s is not None:
        low, high = found.target_range_s
        assert low - 1e-6 <= found.target_s <= high + 1e-6


def test_limits_are_warned_of_before_they_are_passed():
    points = rise(600, 220, 500)
    found = fit_rise(points, 200)
    assert "Mind" in warnings_for(points, found, 180, "the resin")[0]
    assert warnings_for(points, found, 400, "the glass braid") == ()
    assert warnings_for(points, found, 100, "the sleeve")[0].startswith("STOP")
    # While nobody can tell where it levels off, a limit ahead is minded.
    early = rise(600, 300, 60)
    assert warnings_for(early, fit_rise(early, 200), 250, "the insulation")


def test_acetal_and_pvc_stand_out_and_unknown_is_taken_for_both():
    cautious = {name for name, one in RESINS.items() if one.caution}
    assert cautious == {"POM (acetal)", "PVC"}
    for one in (RESINS["POM (acetal)"], RESINS["PVC"], UNKNOWN_RESIN):
        assert "must never meet hot" in one.caution
    assert UNKNOWN_RESIN.stop_c <= min(one.stop_c for one in RESINS.values())
    # Their own ceilings lie under most insulations (decomposition, not the lead, is the limit).
    assert RESINS["POM (acetal)"].stop_c < INSULATION["PTFE"].rating_c
    assert RESINS["PVC"].stop_c < INSULATION["FEP"].rating_c


# Rating less melting point: PA66 265 (Callister, app. E) against PTFE 250 (NFPA 70, type TFE) and
# PVC sleeves leave no room; PP 175 against glass fibre braid leaves plenty.
def test_no_room_between_resin_and_insulation_is_told():
    assert any("no safe room" in one for one in air_advice(200, RESINS["PA66"], 250))
    assert any("no safe room" in one for one in air_advice(60, RESINS["PP"], 70))
    assert air_advice(250, RESINS["PP"], 480) == ()


def test_air_over_the_rating_and_over_the_resin_is_told():
    said = " ".join(air_advice(300, RESINS["POM (acetal)"], 250))
    assert "over the 250 °C" in said and "formaldehyde" in said


@pytest.mark.parametrize(
    ("words", "name"),
    [("PA66 GF30", "PA66"), ("pom", "POM (acetal)"), ("Acetal copolymer", "POM (acetal)"),
     ("PVC-U", "PVC"), ("pc/abs", "ABS"), ("", "unknown"), ("blend 7", "unknown")],
)  # fmt: skip
def test_resin_from_the_words_of_the_job(words, name):
    assert _resin_of(words).name == name


def test_typed_lines_with_commas_and_semicolons():
    assert typed_points("0 23\n2;41,5\n\n4\t58.0") == ((0, 23), (120, 41.5), (240, 58))
    with pytest.raises(BenchError, match="Line 2"):
        typed_points("0 23\nwarm")
    with pytest.raises(BenchError):
        typed_points("\n")


def test_a_log_of_a_warm_up_is_read():
    text = "time [min];D07 [°C];D08\n0;23,0;22\n1;30,5;\n2;;23\n3;44,0;24\n"
    assert read_warm_up(text) == ((0, 23), (60, 30.5), (180, 44))
    assert read_warm_up(text, "d08") == ((0, 22), (120, 23), (180, 24))
    with pytest.raises(BenchError, match="no column"):
        read_warm_up(text, "D09")


def test_a_log_of_a_warm_up_is_in_a_unit_of_temperature():
    text = "time,power [W],D07 [K],D08 [deg F]\n0,400,293.15,68\n10,400,303.15,86\n"
    for column in (None, "D07", "D08"):
        points = np.array(read_warm_up(text, column))
        assert points == pytest.approx(np.array([(0, 20), (10, 30)]))
    with pytest.raises(BenchError, match="W, which is no temperature"):
        read_warm_up(text, "power")
    with pytest.raises(BenchError, match="no column with temperatures"):
        read_warm_up("time,D07 [ohm]\n0,52\n10,53\n")


@given(st.recursive(st.none() | st.floats() | st.text(max_size=5),
                    lambda one: st.lists(one, max_size=3), max_leaves=6))  # fmt: skip
def test_a_damaged_entry_is_refused_and_a_whole_one_comes_back(points):
    whole = WarmUp("D07", ((0.0, 23.0), (60.0, 41.0)), 180.0, "PP", None, 250.0, {"by": "x"})
    assert WarmUp.from_dict(whole.to_dict()) == whole
    try:
        WarmUp.from_dict({"points": points})
    except BenchError as error:
        assert "damaged" in str(error)
