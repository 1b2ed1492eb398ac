"""Which judgement belongs to which meeting: in doubt, none."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.plate import Drop, Exit, Plate
from mapper.routes import Judged, Lead, RouteMap, with_judgement

PLATE = Plate(
    "", ((0, 0), (300, 0), (300, 300), (0, 300)), (Drop("D", 9, 9, 9),), exits=(Exit("X", 0, 0),)
)


def lead(name, points, diameter=None):
    return Lead(name, "other", "D", "X", points, diameter)


def plate_map(a, b, *judged, diameter=None):
    leads = lead("a", a, diameter), lead("b", b, diameter)
    return RouteMap(PLATE, leads, tuple(Judged(*one) for one in judged))


def tops(route_map):
    return [c.top for c in route_map.crossings]


X = [(0, 0), (20, 0)], [(10, -10), (10, 10)]


@pytest.mark.parametrize(
    ("judged", "top"),
    [
        ([], None),
        ([("a", "b", 10, 0, "a")], "a"),
        ([("b", "a", 10, 0, "a")], "b"),
        ([("b", "a", 10, 0, "b")], "a"),
        ([("a", "b", 10.99, 0, "a")], "a"),
        ([("a", "b", 11.01, 0, "a")], None),
        ([("a", "b", 10.2, 0, "a"), ("a", "b", 9.9, 0, "b")], "b"),  # the nearest one
        ([("a", "b", 10.2, 0, "a"), ("a", "b", 9.9, 0, None)], None),
        ([("a", "b", 10.5, 0, "a"), ("a", "b", 9.5, 0, "b")], None),  # equally near, differ
        ([("a", "b", 10.5, 0, "a"), ("b", "a", 9.5, 0, "b")], "a"),  # equally near, agree
        ([("a", "b", 10, 0, "apart")], None),  # never at a true crossing
        ([("a", "b", 10, 0, "apart"), ("a", "b", 10.1, 0, "a")], None),
        ([("a", "a", 10, 0, "a")], None),
        ([("a", "c", 10, 0, "a")], None),
    ],
)
def test_a_crossing_takes_the_nearest_judgement_of_its_pair(judged, top):
    assert tops(plate_map(*X, *judged)) == [top]


def test_a_shared_run_takes_a_judgement_anywhere_along_it():
    a, b = [(0, 0), (100, 0)], [(0, 2), (100, 2)]
    for place in ((50, 1), (3, 0.5), (97, 2.8), (20, 2)):
        assert tops(plate_map(a, b, ("b", "a", *place, "apart"), diameter=2.5)) == ["apart"]
    assert tops(plate_map(a, b, ("a", "b", 50, 3.2, "a"), diameter=2.5)) == [None]
    assert tops(plate_map(a, b, ("a", "b", 102, 1, "a"), diameter=2.5)) == [None]


def test_a_judgement_of_a_crossing_never_leaks_to_the_runs_beside_it():
    a, b = [(0, 0), (200, 0)], [(0, 2), (95, 2), (105, -2), (200, -2)]
    crossing_only = plate_map(a, b, ("a", "b", 100, 0, "a"), diameter=2.5)
    assert tops(crossing_only) == [None, "a", None]
    run, crossing, other = crossing_only.crossings
    both = with_judgement(with_judgement(crossing_only, run, "apart"), other, "b")
    assert tops(both) == ["apart", "a", "b"]


def test_the_two_passes_of_one_lead():
    loop = lead("a", [(0, 0), (10, 0), (10, 5), (5, 5), (5, -5)])
    route_map = RouteMap(PLATE, (loop,), (Judged("a", "a", 5, 0, "b"),))
    assert tops(route_map) == ["b"]


def test_judging_and_taking_it_back():
    route_map = plate_map(*X, ("a", "b", 10.3, 0, "a"), ("a", "b", 50, 50, "a"))
    (crossing,) = route_map.crossings
    changed = with_judgement(route_map, crossing, "b")
    assert tops(changed) == ["b"]
    assert len(changed.judged) == 2  # the far one is not ours to drop
    assert tops(with_judgement(changed, changed.crossings[0], None)) == [None]
    assert tops(route_map) == ["a"]
    with pytest.raises(ValueError, match="apart"):
        with_judgement(route_map, crossing, "apart")


walks = st.integers(0, 2**32 - 1)


@settings(deadline=None, max_examples=40)
@given(walks, st.data())
def test_judging_one_meeting_changes_no_meeting_further_off(seed, data):
    rng = np.random.default_rng(seed)
    leads = tuple(
        lead(f"L{n}", np.cumsum(rng.normal(0, 6, (20, 2)), axis=0), 2.0) for n in range(4)
    )
    route_map = RouteMap(PLATE, leads)
    if not route_map.crossings:
        return
    chosen = data.draw(st.integers(0, len(route_map.crossings) - 1))
    meeting = route_map.crossings[chosen]
    top = data.draw(st.sampled_from(["a", "b"]))
    changed = with_judgement(route_map, meeting, top)
    for n, (before, after) in enumerate(zip(route_map.crossings, changed.crossings, strict=True)):
        if n == chosen:
            # Another meeting of the pair may share the place; then it stays open.
            assert after.top in (top, None)
        elif {before.a, before.b} != {meeting.a, meeting.b}:
            assert after == before
        elif before.kind == "crossing":
            far = np.hypot(before.x_mm - meeting.x_mm, before.y_mm - meeting.y_mm) > 1 + 1e-6
            assert not far or after == before


def test_a_lead_is_a_value():
    one, other = lead("a", [(0, 0), (3, 4), (3, 4), (3, 10)], 2.5), lead("a", [(0, 0), (3, 4)])
    assert one == lead("a", [(0, 0), (3, 4), (3, 4), (3, 10)], 2.5) != other
    assert len({one, lead("a", [(0, 0), (3, 4), (3, 4), (3, 10)], 2.5), other}) == 2
    assert one.length_mm == 11
    assert one.arc_mm.tolist() == [0, 5, 5, 11]
    assert one.point_at_mm(2.5).tolist() == [1.5, 2]
    assert one.point_at_mm(np.array([-1, 99])).tolist() == [[0, 0], [3, 10]]
    with pytest.raises(ValueError, match="read-only"):
        one.points_mm[0] = 5


@pytest.mark.parametrize(
    ("points", "diameter", "seen"),
    [
        ([(0, 0)], None, None),
        ([(0, 0, 0), (1, 1, 1)], None, None),
        ([(0, float("nan")), (1, 1)], None, None),
        ([(0, 0), (1, 1)], float("inf"), None),
        ([(0, 0), (1, 1)], 0.0, None),
        ([(0, 0), (1, 1)], None, [True, True]),
    ],
)
def test_what_is_no_lead_is_refused(points, diameter, seen):
    with pytest.raises(ValueError):
        Lead("a", "other", "D", "X", points, diameter, seen)


def test_one_judgement_never_serves_two_crossings_however_close():
    # the pair crosses at x = 10 and again 0.8 mm further on; somebody has seen the first place
    a, b = [(0, 0), (20, 0)], [(10, -10), (10, 5), (10.8, 5), (10.8, -10)]
    assert tops(plate_map(a, b, ("a", "b", 10, 0, "a"))) == ["a", None]
    assert tops(plate_map(a, b, ("a", "b", 10.7, 0, "a"))) == [None, "a"]
