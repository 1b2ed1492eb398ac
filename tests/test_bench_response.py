"""Which sensor answers which heater: assignment, margins, faults with known truth, honesty."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from mapper.bench import BenchError
from mapper.bench.response import CLEAR_RATIO, Response, judge_log, judge_rises
from mapper.bench.response_log import ResponseLog, zone_key
from tests.benchmarks.response import score
from tests.plate_thermal import Truth, make_log, random_truth


def names(count: int) -> list[str]:
    return [f"Z{i + 1:02d}" for i in range(count)]


def kinds(result: Response) -> list[tuple[str, tuple[str, ...]]]:
    return [(one.kind, one.heaters) for one in result.findings]


# Largest sums of published small examples: Project Euler 345 (max 3315); "greedy gives 11"
# (10 9 / 9 1, max 18) is arithmetic anybody can do.
@pytest.mark.parametrize(
    ("matrix", "best"),
    [
        (
            [
                [7, 53, 183, 439, 863],
                [497, 383, 563, 79, 973],
                [287, 63, 343, 169, 583],
                [627, 343, 773, 959, 943],
                [767, 473, 103, 699, 303],
            ],
            3315,
        ),
        ([[10, 9], [9, 1]], 18),
        ([[31.2, 4.1, 2.0, 0.6], [3.8, 0.9, 28.7, 3.1], [1.2, 26.4, 4.4, 2.2],
          [0.5, 2.6, 3.3, 29.9]], 116.2),
    ],
)  # fmt: skip
def test_likely_pairs_have_the_largest_sum(matrix, best):
    n = len(matrix)
    result = judge_rises(names(n), names(n), np.array(matrix, float))
    total = sum(matrix[h][s] for h, s in enumerate(result.likely))
    assert total == pytest.approx(best)


def test_swapped_pair_of_the_worked_matrix_is_named_with_its_margins():
    rises = [[31.2, 4.1, 2.0, 0.6], [3.8, 0.9, 28.7, 3.1], [1.2, 26.4, 4.4, 2.2],
             [0.5, 2.6, 3.3, 29.9]]  # fmt: skip
    result = judge_rises(names(4), names(4), np.array(rises))
    assert result.match.tolist() == [0, 2, 1, 3]
    # best / second of each row, by division
    assert result.row_margin == pytest.approx([7.61, 7.55, 6.00, 9.06], abs=0.01)
    assert kinds(result) == [("swapped", ("Z02", "Z03"))]
    assert result.moved() == {"Z02": "Z03", "Z03": "Z02"}
    assert result.right == ("Z01", "Z04")


@given(st.integers(1, 7), st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_assignment_equals_brute_force(n, seed):
    rises = np.random.default_rng(seed).uniform(-30, 30, (n, n)).round(1)
    result = judge_rises(names(n), names(n), rises)
    found = np.abs(rises)[np.arange(n), result.likely].sum()
    best = max(np.abs(rises)[np.arange(n), list(p)].sum() for p in permutations(range(n)))
    assert found == pytest.approx(best)
    assert best == pytest.approx(
        np.abs(rises)[linear_sum_assignment(np.abs(rises), maximize=True)].sum()
    )


@given(st.integers(2, 12), st.integers(0, 2**32 - 1))
@settings(max_examples=80, deadline=None)
def test_permuted_truth_is_found_when_the_margin_is_clear(n, seed):
    rng = np.random.default_rng(seed)
    truth = rng.permutation(n)
    rises = rng.uniform(0, 12, (n, n))
    rises[np.arange(n), truth] = rng.uniform(25, 40, n) * rng.choice([-1, 1], n)
    result = judge_rises(names(n), names(n), rises, 0.5)
    assert result.match.tolist() == truth.tolist()
    assert set(result.reversed_sensors()) == {
        f"Z{s + 1:02d}" for h, s in enumerate(truth) if rises[h, s] < 0
    }


@given(st.integers(2, 8), st.integers(0, 2**32 - 1), st.booleans())
@settings(max_examples=120, deadline=None)
def test_nothing_is_claimed_without_a_margin(n, seed, noisy):
    rng = np.random.default_rng(seed)
    rises = rng.uniform(-40, 40, (n, n))
    sigma = 3.0 if noisy else 0.5
    result = judge_rises(names(n), names(n), rises, sigma)
    size = np.abs(rises)
    for h, s in enumerate(result.match):
        if s < 0:
            continue
        second = max(np.delete(size[h], s).max(), np.delete(size[:, s], h).max())
        assert size[h, s] >= CLEAR_RATIO * second
        assert size[h, s] - second >= 5 * np.sqrt(2) * sigma - 1e-9
    claimed = {f"Z{h + 1:02d}" for h, s in enumerate(result.match) if s >= 0}
    told = {name for one in result.findings for name in one.heaters}
    assert claimed | told == set(names(n)), "a heater that nobody says anything about"


@given(st.integers(2, 30), st.floats(0.01, 5), st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_noise_alone_is_never_claimed(n, noise_c, seed):
    rises = np.random.default_rng(seed).normal(0, noise_c, (n, n))
    result = judge_rises(names(n), names(n), rises, noise_c)
    assert (result.match == -1).all()
    assert not {kind for kind, _ in kinds(result)} & {"swapped", "ring", "reversed", "dead heater"}


def test_two_zones_close_together_are_tested_again():
    rises = np.array([[20.0, 17.0, 1.0], [16.0, 19.0, 1.0], [1.0, 1.0, 22.0]])
    result = judge_rises(names(3), names(3), rises)
    assert result.match.tolist() == [-1, -1, 2]
    assert result.test_again == ("Z01", "Z02")


def test_a_cell_that_was_not_read_is_not_taken_for_nothing():
    rises = np.array([[20.0, np.nan], [1.0, 20.0]])
    assert judge_rises(names(2), names(2), rises).match.tolist() == [-1, -1]


def test_dead_heater_open_sensor_and_silent_heater():
    rises = np.full((4, 4), 3.0) + np.diag([24.0, 25.0, 26.0, 27.0])
    rises[1] = 0.0
    dead = judge_rises(names(4), names(4), rises, 0.05)
    assert kinds(dead) == [("dead heater", ("Z02",))]
    rises[:, 3] = np.nan
    opened = judge_rises(names(4), names(4), rises, 0.05)
    assert ("open sensor", ()) in kinds(opened)
    assert ("no sensor", ("Z04",)) in kinds(opened)
    # The open sensor might sit in the silent heater: dead is not claimed.
    assert ("silent", ("Z02",)) in kinds(opened)


def test_corrections_leave_every_sensor_with_one_zone():
    rises = np.ones((4, 4)) + np.roll(np.eye(4), 1, axis=1) * 30
    ring = judge_rises(names(4), names(4), rises)
    assert kinds(ring) == [("ring", tuple(names(4)))]
    assert sorted(ring.moved()) == sorted(ring.moved().values()) == names(4)
    rises[3] = 1.0  # one of the ring does not answer: nothing closes, so nothing is moved
    assert judge_rises(names(4), names(4), rises).moved() == {}


def test_outcome_survives_the_record():
    rises = np.array([[20.0, np.nan], [1.0, -20.0]])
    result = judge_rises(names(2), names(2), rises)
    again = Response.from_dict(result.to_dict())
    assert kinds(again) == kinds(result)
    with pytest.raises(BenchError):
        Response.from_dict({**result.to_dict(), "rise_c": [[1.0]]})


@pytest.mark.parametrize("name", ["Z7", "z07", "Zone 7", "7", "Z07-T", "Z07 temp", "TC7", "T_07"])
def test_ways_of_writing_one_zone(name):
    assert zone_key(name) == "7"


def test_names_that_are_no_numbers_stay_as_they_are():
    assert zone_key("Manifold A") == "manifold a" != zone_key("Manifold B")


@pytest.mark.parametrize("plate", range(6))
def test_every_fault_of_a_simulated_plate_is_named_and_no_other(plate):
    rng = np.random.default_rng([7, plate])
    zones = (8, 10, 12, 14, 16, 24)[plate]
    truth = random_truth(zones, rng)
    log = make_log(zones, truth, rng, noise_c=0.3, missing=0.03)
    found = score(truth, judge_log(log))
    assert found["named"] == found["faults"]
    assert found["false"] == found["wrong pairs"] == 0


@pytest.mark.parametrize("noise_c", [20.0, 80.0])
def test_in_heavy_noise_nothing_false_is_claimed(noise_c):
    rng = np.random.default_rng(3)
    truth = random_truth(10, rng)
    found = score(truth, judge_log(make_log(10, truth, rng, noise_c=noise_c)))
    assert found["false"] == found["wrong pairs"] == 0


def test_heaters_that_were_on_together_are_not_told_apart():
    rng = np.random.default_rng(2)
    log = make_log(8, Truth(np.arange(8)), rng)
    on = log.on.copy()
    on[:, 1] = on[:, 0]
    result = judge_log(ResponseLog(log.time_s, log.sensors, log.temps_c, log.heaters, on))
    assert {"Z01", "Z02"} <= set(result.test_again)
    assert result.match[0] == result.match[1] == -1


def test_a_log_in_which_nothing_was_on_is_refused():
    log = make_log(8, Truth(np.arange(8)), np.random.default_rng(2))
    with pytest.raises(BenchError, match="No heater was on"):
        judge_log(ResponseLog(log.time_s, log.sensors, log.temps_c, log.heaters, 0 * log.on))
