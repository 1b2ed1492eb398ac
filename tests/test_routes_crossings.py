"""Meetings of leads: true crossings, exact overlaps and company, against shapely and by hand."""

import itertools
import json
import math
from collections import Counter

import numpy as np
import pytest
import shapely
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from mapper.routes import Crossing, Lead, find_crossings
from mapper.routes.segments import Segments, near_pairs

LIMIT = 3.0  # of two leads of 2.5 mm, with the usual tracing error of 0.5 mm


def lead(name, points, diameter=None, drop=None, exit=None, seen=None):
    return Lead(name, "other", drop or f"D-{name}", exit or f"X-{name}", points, diameter, seen)


def kinds(found) -> list[str]:
    return [one.kind for one in found]


def pair(a, b, diameter=None):
    return find_crossings([lead("a", a, diameter), lead("b", b, diameter)])


ACROSS = [(0, 0), (10, 0), (20, 0)]


# Ideal lines, worked by hand. -----------------------------------------------------------------
@pytest.mark.parametrize(
    ("other", "expected"),
    [
        ([(5, -5), (5, 5)], ["crossing"]),
        ([(10, -5), (10, 5)], ["crossing"]),  # through a corner of the first
        ([(5, -5), (5, 0), (5, 5)], ["crossing"]),  # a corner of the second on the first
        ([(8, -5), (10, 0), (12, 5)], ["crossing"]),  # corner on corner
        ([(8, 5), (10, 0), (12, 5)], ["touching"]),  # bounces off at a corner
        ([(3, 5), (5, 0), (7, 5)], ["touching"]),
        ([(5, 5), (5, 0), (5, 5)], ["touching"]),  # folds back on the other
        ([(3, 5), (5, 0), (5, 0), (7, -5)], ["crossing"]),  # a point given twice
        ([(5, 0), (5, 5)], ["crossing"]),  # begins exactly on the other: can't tell
        ([(5, 5), (5, 0)], ["crossing"]),  # ends exactly on the other
        ([(3, 5), (5, 0), (15, 0), (17, 5)], ["shared run"]),  # comes and leaves on one side
        ([(3, 5), (5, 0), (15, 0), (17, -5)], ["crossing"]),  # changes sides along the overlap
        ([(17, -5), (15, 0), (5, 0), (3, 5)], ["crossing"]),  # the same, the other way
        ([(17, 5), (15, 0), (5, 0), (3, 5)], ["shared run"]),
        ([(5, 0), (15, 0)], ["shared run"]),
        ([(-5, 0), (25, 0)], ["shared run"]),
        ([(3, 5), (5, 0), (15, 0)], ["shared run"]),  # ends inside the overlap
        ([(5, 0.001), (15, 0.001)], []),
        ([(5, -5), (5, 5), (7, 5), (7, -5)], ["crossing", "crossing"]),
        ([(21, -5), (21, 5)], []),
        ([(5, 5), (5, 0), (5, -5), (5, 0), (5, 5)], ["crossing", "crossing"]),  # there and back
    ],
)
def test_two_ideal_lines(other, expected):
    for one, two in ((ACROSS, other), (ACROSS[::-1], other), (other, ACROSS)):
        assert [c.kind for c in pair(one, two) if c.a != c.b] == expected


def test_spans_and_place_of_a_crossing_and_an_overlap():
    (one,) = pair(ACROSS, [(5, -5), (5, 5)])
    assert one == Crossing("a", "b", 5.0, 0.0, "crossing", (5, 5), (5, 5), math.pi / 2)
    (one,) = pair(ACROSS, [(3, 5), (3, 0), (15, 0), (15, 5)])
    assert one == Crossing("a", "b", 9.0, 0.0, "shared run", (3, 15), (5, 17), 0.0)
    (one,) = pair(ACROSS, [(15, 5), (15, 0), (3, 0), (3, 5)])
    assert (one.a_span_mm, one.b_span_mm) == ((3, 15), (5, 17))


def test_leads_of_one_drop_and_one_exit_do_not_meet_at_its_point_as_ideal_lines():
    a = lead("a", [(0, 0), (10, 5), (20, 0)], drop="D1", exit="X1")
    b = lead("b", [(0, 0), (10, -5), (20, 0)], drop="D1", exit="X1")
    assert find_crossings([a, b]) == []
    stranger = lead("c", [(0, 0), (-5, 5)], drop="D2", exit="X2")
    assert kinds(find_crossings([a, stranger])) == ["crossing"]


def test_either_lead_without_a_diameter_makes_the_pair_ideal():
    a, b = lead("a", [(0, 0), (20, 0)], 2.5), lead("b", [(0, 1), (20, 1)])
    assert find_crossings([a, b]) == []
    assert kinds(find_crossings([a, lead("c", [(0, 1), (20, 1)], 2.5)])) == ["shared run"]


def test_a_lead_crosses_itself():
    loop = [(0, 0), (10, 0), (10, 5), (5, 5), (5, -5)]
    for diameter in (None, 2.5):
        (one,) = [c for c in find_crossings([lead("a", loop, diameter)]) if c.kind == "crossing"]
        assert (one.a, one.b, one.x_mm, one.y_mm) == ("a", "a", 5.0, 0.0)
        assert (one.a_span_mm, one.b_span_mm) == ((5, 5), (25, 25))


def test_a_small_true_loop_is_never_taken_for_a_bend():
    loop = [(0, 0), (1, 0), (1, 0.5), (0.5, 0.5), (0.5, -1)]  # far smaller than a half turn
    assert kinds(find_crossings([lead("a", loop, 2.5)])) == ["crossing"]


def test_bends_and_corners_of_a_lead_are_no_meeting():
    t = np.linspace(0, np.pi / 2, 60)
    bend = np.stack([8 * np.cos(t), 8 * np.sin(t)], axis=1)
    assert find_crossings([lead("a", bend, 2.5)]) == []
    assert find_crossings([lead("a", [(0, 0), (50, 0), (50, 50)], 2.5)]) == []
    assert find_crossings([lead("a", [(0, 0), (50, 0), (50, 50)])]) == []


def test_a_lead_that_returns_beside_itself_shares_a_run_with_itself():
    (one,) = find_crossings([lead("a", [(0, 0), (100, 0), (100, 2), (0, 2)], 2.5)])
    assert (one.a, one.b, one.kind) == ("a", "a", "shared run")
    assert one.a_span_mm[1] < one.b_span_mm[0] + 1e-9
    assert one.a_span_mm[0] == 0 and one.b_span_mm[1] == 202
    (fold,) = find_crossings([lead("a", [(0, 0), (100, 0), (30, 0)])])
    assert (fold.kind, fold.a_span_mm, fold.b_span_mm) == ("shared run", (30, 100), (100, 170))


def test_input_that_is_no_set_of_leads_is_refused():
    with pytest.raises(ValueError, match="same id"):
        find_crossings([lead("a", ACROSS), lead("a", ACROSS)])
    with pytest.raises(ValueError, match="finite"):
        find_crossings([], tracing_error_mm=float("nan"))
    with pytest.raises(ValueError, match="beyond"):
        find_crossings([lead("a", [(0, 0), (1e10, 0)])])
    assert find_crossings([]) == []


# Leads with diameters, worked by hand. ----------------------------------------------------------
@pytest.mark.parametrize("degrees", [8, 10, 20, 45, 70, 90])
@pytest.mark.parametrize("pieces", [1, 40])
def test_one_straight_x_is_exactly_one_meeting(degrees, pieces):
    turn = np.array([np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))])
    along = np.linspace(-100, 100, pieces + 1)
    (one,) = pair(
        np.stack([along, 0 * along], axis=1), along[:, None] * turn + [0.3, 0], diameter=2.5
    )
    assert one.kind == "crossing"
    assert one.a_span_mm[0] == one.a_span_mm[1] == pytest.approx(100.3)
    assert one.angle_rad == pytest.approx(np.deg2rad(degrees))


def test_flat_x_keeps_asking_for_the_stretch_along_it():
    turn = np.array([np.cos(0.02), np.sin(0.02)])
    along = np.array([-300.0, 300.0])
    found = pair(np.stack([along, 0 * along], axis=1), along[:, None] * turn, diameter=2.5)
    assert kinds(found) == ["shared run", "crossing", "shared run"]


def test_distance_decides_between_apart_touching_and_run():
    straight = [(0, 0), (100, 0)]
    assert pair(straight, [(0, 3.01), (100, 3.01)], 2.5) == []
    (run,) = pair(straight, [(0, 2.99), (100, 2.99)], 2.5)
    assert (run.kind, run.a_span_mm, run.b_span_mm) == ("shared run", (0, 100), (0, 100))
    assert (run.x_mm, run.y_mm) == (50, pytest.approx(1.495))
    (touch,) = pair(straight, [(40, 30), (50, 2.5), (60, 30)], 2.5)
    assert touch.kind == "touching"
    assert touch.x_mm == pytest.approx(50)


def test_a_pair_that_crosses_inside_its_run_gives_both():
    a = [(0, 0), (200, 0)]
    b = [(0, 2), (95, 2), (105, -2), (200, -2)]
    assert kinds(pair(a, b, 2.5)) == ["shared run", "crossing", "shared run"]
    twice = [(0, 2), (60, 2), (64, -2), (120, -2), (124, 2), (200, 2)]
    assert Counter(kinds(pair(a, twice, 2.5))) == {"crossing": 2, "shared run": 3}


def test_spurious_crossings_of_jitter_keep_the_parity_of_the_sides():
    rng = np.random.default_rng(5)
    x = np.linspace(0, 200, 201)
    for swap in (False, True):
        lane = np.where(x < 100, 0.3, -0.3 if swap else 0.3)
        lane[:3], lane[-3:] = 20, -20 if swap else 20
        jitter = np.where(np.abs(lane) < 1, rng.normal(0, 0.4, len(x)), 0)
        found = pair([(0, 0), (200, 0)], np.stack([x, lane + jitter], axis=1), 2.5)
        crossings = [one for one in found if one.kind == "crossing"]
        assert len(crossings) % 2 == swap
        assert crossings


def test_identical_routes_are_one_shared_run_over_the_whole_length():
    points = np.cumsum(np.random.default_rng(1).normal(0.5, 1, (60, 2)), axis=0)
    for diameter in (None, 0.2):
        found = pair(points, points, diameter)
        runs = [one for one in found if (one.a, one.b, one.kind) == ("a", "b", "shared run")]
        if diameter is None:
            length = lead("a", points).length_mm
            assert any(
                one.a_span_mm == pytest.approx((0, length))
                and one.b_span_mm == pytest.approx((0, length))
                for one in runs
            )
        assert runs


def test_leads_side_by_side_through_the_exit_share_a_run_to_their_ends():
    a = lead("a", [(0, 0), (50, 50), (100, 50)], 2.5, exit="X1")
    b = lead("b", [(0, 100), (50, 52), (100, 52)], 2.5, exit="X1")
    (one,) = find_crossings([a, b])
    assert one.kind == "shared run"
    assert one.a_span_mm[1] == a.length_mm and one.b_span_mm[1] == b.length_mm


def test_both_leads_of_a_drop_touch_where_they_begin():
    a = lead("a", [(0, 0), (50, 50)], 2.5, drop="D1")
    b = lead("b", [(0, 0), (50, -50)], 2.5, drop="D1")
    (one,) = find_crossings([a, b])
    assert (one.kind, one.a_span_mm[0], one.b_span_mm[0]) == ("touching", 0, 0)


def test_a_stretch_nobody_has_seen_may_lie_further_off():
    a = lead("a", [(0, 0), (100, 0)], 2.5)
    b = lead("b", [(0, 5), (50, 5), (100, 5)], 2.5, seen=[True, False])
    assert find_crossings([a, b]) == []
    assert find_crossings([a, b], unseen_error_mm=1.9) == []
    (one,) = find_crossings([a, b], unseen_error_mm=2.1)
    assert one.kind == "shared run"
    assert one.b_span_mm == pytest.approx((50, 100), abs=1e-9)


# Against shapely, whatever the routes. ------------------------------------------------------------
grid_points = st.tuples(st.integers(0, 6), st.integers(0, 6))
free_points = st.tuples(st.floats(0, 100), st.floats(0, 100)).map(
    lambda p: tuple(0.0 if abs(v) < 1e-6 else v for v in p)
)


def routes(points, least=2, most=8):
    return st.lists(points, min_size=least, max_size=most).filter(lambda r: len(set(r)) > 1)


def places(geometry) -> list[shapely.Geometry]:
    return [] if geometry.is_empty else list(shapely.get_parts(geometry))


@settings(deadline=None)
@given(routes(free_points), routes(free_points))
def test_free_routes_cross_where_shapely_says(a, b):
    one, other = shapely.LineString(a), shapely.LineString(b)
    assume(shapely.distance(shapely.MultiPoint(a), other) > 1e-3)
    assume(shapely.distance(shapely.MultiPoint(b), one) > 1e-3)
    found = [c for c in pair(a, b) if c.a != c.b]
    assert set(kinds(found)) <= {"crossing"}
    expected = places(one.intersection(other))
    assert len(found) >= len(expected)  # shapely gives a place once, however often passed
    for point in expected:
        assert min(math.hypot(c.x_mm - point.x, c.y_mm - point.y) for c in found) < 1e-6
    for c in found:
        point = shapely.Point(c.x_mm, c.y_mm)
        assert one.distance(point) < 1e-6 and other.distance(point) < 1e-6
        for line, span in ((one, c.a_span_mm), (other, c.b_span_mm)):
            assert span[0] == span[1]
            assert line.interpolate(span[0]).distance(point) < 1e-6


@settings(deadline=None)
@given(routes(grid_points), routes(grid_points))
def test_on_a_grid_nothing_that_routes_share_is_missed(a, b):
    """Corners on lines, corners on corners, overlaps, folds: each shared place is in a meeting."""
    found = [c for c in pair(a, b) if c.a != c.b]
    shared = shapely.LineString(a).intersection(shapely.LineString(b))
    lines = {"a": lead("a", a), "b": lead("b", b)}
    for part in places(shared):
        for at in (0.0, 0.37, 1.0):
            place = part if part.geom_type == "Point" else part.interpolate(at, normalized=True)
            assert any(
                _stretch(lines["a"], c.a_span_mm).distance(place) < 1e-6
                and _stretch(lines["b"], c.b_span_mm).distance(place) < 1e-6
                for c in found
            )
    assert bool(found) == (not shared.is_empty)


def _stretch(one, span):
    inside = one.points_mm[(one.arc_mm > span[0]) & (one.arc_mm < span[1])]
    ends = one.point_at_mm(np.array(span))
    return shapely.LineString(np.concatenate([ends[:1], inside, ends[1:]]))


@settings(max_examples=40, deadline=None)
@given(routes(grid_points), routes(grid_points), st.integers(0, 7))
def test_kinds_on_a_grid_do_not_depend_on_order_direction_or_turn(a, b, turn):
    def moved(points):
        array = np.array(points, dtype=float)
        if turn & 4:
            array = array * [1, -1]
        for _ in range(turn & 3):
            array = array[:, ::-1] * [1, -1]
        return array + [3, -11]

    before = Counter((c.kind, c.a != c.b) for c in pair(a, b))
    for one, other in itertools.product((a, a[::-1]), (b, b[::-1])):
        assert Counter((c.kind, c.a != c.b) for c in pair(moved(one), moved(other))) == before
        assert Counter((c.kind, c.a != c.b) for c in pair(other, one)) == before


@settings(max_examples=60, deadline=None)
@given(routes(grid_points, most=5), routes(grid_points, most=5))
@example([(0, 0), (2, 2), (1, 0)], [(0, 1), (2, 2), (2, 0)])
def test_a_bounce_can_be_moved_apart_and_a_crossing_cannot(a, b):
    """Shift one route by a hair every way: where sides change, it still crosses each time."""
    assume(shapely.LineString(a).is_simple and shapely.LineString(b).is_simple)
    found = [c for c in pair(a, b) if c.a != c.b]
    for c in found:
        ends = {0.0, lead("a", a).length_mm} & set(c.a_span_mm)
        ends |= {0.0, lead("b", b).length_mm} & set(c.b_span_mm)
        if ends:
            continue  # at an end the hair decides by itself
        near = shapely.Point(c.x_mm, c.y_mm).buffer((c.a_span_mm[1] - c.a_span_mm[0]) / 2 + 0.01)
        one = shapely.LineString(a)
        stays = []
        # many ways, since a bounce may be free in a narrow wedge only
        for angle in np.linspace(0.05, 0.05 + 2 * np.pi, 128, endpoint=False):
            dx, dy = np.cos(angle), np.sin(angle)
            hair = shapely.transform(one, lambda p, d=(dx, dy): p + 1e-4 * np.array(d))
            crossings = hair.intersection(shapely.LineString(b)).intersection(near)
            stays.append(len(places(crossings)))
        if c.a_span_mm[0] == c.a_span_mm[1] and c.kind == "crossing":
            assert all(stays)
        if c.a_span_mm[0] == c.a_span_mm[1] and c.kind == "touching":
            assert not all(stays)


@settings(max_examples=60, deadline=None)
@given(routes(free_points, most=6), routes(free_points, most=6), st.floats(0.2, 8))
def test_company_is_where_shapely_measures_it(a, b, diameter):
    """Every place in company is in a span, or in company all the way to a crossing."""
    limit = diameter + 0.5
    one, other = lead("a", a, diameter), lead("b", b, diameter)
    found = [c for c in find_crossings([one, other]) if c.a != c.b]
    for this, that, span_of in (
        (one, other, lambda c: c.a_span_mm),
        (other, one, lambda c: c.b_span_mm),
    ):
        s = np.linspace(0, this.length_mm, 400)
        line = shapely.LineString(that.points_mm)
        gap = shapely.distance(shapely.points(this.point_at_mm(s)), line)
        inside = gap < limit - 1e-6
        covered = np.zeros(len(s), dtype=bool)
        for c in found:
            low, high = span_of(c)
            if c.kind != "crossing":
                covered |= (s >= low - 1e-6) & (s <= high + 1e-6)
                # The ends of a span lie at the limit, or at an end of the lead.
                for end in (low, high):
                    distance = line.distance(shapely.Point(this.point_at_mm(end)))
                    assert distance < limit + 1e-6
        for start, stop in _blocks(inside):
            step = this.length_mm / 399
            crosses = any(
                c.kind == "crossing"
                and s[start] - step - 1e-9 <= span_of(c)[0] <= s[stop - 1] + step + 1e-9
                for c in found
            )
            assert covered[start:stop].all() or crosses
    if not any(c.kind == "crossing" for c in found):
        company = shapely.LineString(a).distance(shapely.LineString(b)) <= limit
        assert bool(found) == company


def _blocks(mask):
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return zip(edges[::2], edges[1::2], strict=True)


@settings(max_examples=60, deadline=None)
@given(routes(free_points, most=10), st.floats(0.2, 8))
def test_a_lead_meets_itself_where_two_of_its_places_come_close(points, diameter):
    """Sampled: company of places more than a half turn apart is always found, and no other."""
    one = lead("a", points, diameter)
    found = find_crossings([one])
    limit, turn = diameter + 0.5, math.pi * (diameter + 0.5)
    s = np.linspace(0, one.length_mm, 150)
    xy = one.point_at_mm(s)
    gap = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    close = (gap < limit - 1e-6) & (s[None] - s[:, None] > turn + 1e-6)
    if close.any():
        assert found
    loose = (gap < limit + 2 * one.length_mm / 149) & (
        s[None] - s[:, None] > turn - 2 * one.length_mm / 149
    )
    for c in found:
        if c.kind != "crossing":
            assert loose.any()
            assert c.a_span_mm[0] <= c.b_span_mm[0] + 1e-9
    for c in find_crossings([lead("a", points)]):
        if c.kind == "crossing":
            assert any(
                d.kind == "crossing" and math.hypot(c.x_mm - d.x_mm, c.y_mm - d.y_mm) < 1e-9
                for d in found
            )


@settings(max_examples=40, deadline=None)
@given(routes(free_points, most=6), routes(free_points, most=6), st.integers(2, 9))
def test_more_points_on_the_same_lines_change_no_crossing(a, b, many):
    def finer(points):
        one = lead("a", points)
        s = np.union1d(one.arc_mm, np.linspace(0, one.length_mm, many))
        return one.point_at_mm(s)

    def crossings(found):
        return sorted((c.x_mm, c.y_mm) for c in found if c.kind == "crossing" and c.a != c.b)

    one, other = shapely.LineString(a), shapely.LineString(b)
    assume(shapely.distance(shapely.MultiPoint(a), other) > 1e-3)
    assume(shapely.distance(shapely.MultiPoint(b), one) > 1e-3)
    before, after = crossings(pair(a, b)), crossings(pair(finer(a), finer(b)))
    assert np.allclose(before, after, atol=1e-6)


def test_the_order_of_the_leads_does_not_matter():
    rng = np.random.default_rng(3)
    leads = [
        lead(f"L{n:02d}", np.cumsum(rng.normal(0, 4, (30, 2)), axis=0), 2.0) for n in range(12)
    ]
    expected = find_crossings(leads)
    assert expected
    rng.shuffle(leads)
    assert find_crossings(leads) == expected


def test_ten_metres_and_tiny_numbers_are_all_right():
    assert kinds(pair([(0, 0), (10_000, 10_000)], [(0, 10_000), (10_000, 0)])) == ["crossing"]
    assert kinds(pair([(0, 5e-324), (10, 0)], [(5, -1), (5, 1)])) == ["crossing"]


# The truth of rendered plates. ------------------------------------------------------------------
@pytest.mark.parametrize(("plate", "count"), [("plate1", 40), ("plate2", 54), ("plate3", 72)])
@pytest.mark.parametrize("with_diameter", [False, True])
def test_all_crossings_of_the_truth_plates_are_found(shared_plates, plate, count, with_diameter):
    truth = json.loads((shared_plates / plate / "truth.json").read_text())
    assert len(truth["crossings"]) == count
    leads = [
        lead(w["id"], np.array(w["points"])[:, :2], w["diameter"] if with_diameter else None)
        for w in truth["wires"]
    ]
    found = Counter()
    places: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for c in find_crossings(leads):
        found[c.kind] += 1
        if c.kind == "crossing":
            places.setdefault((c.a, c.b), []).append((c.x_mm, c.y_mm))
    print(plate, dict(found))
    assert found["crossing"] == count
    for c in truth["crossings"]:
        near = places[tuple(sorted((c["a"], c["b"])))]
        best = min(near, key=lambda p: math.hypot(p[0] - c["x"], p[1] - c["y"]))
        assert math.hypot(best[0] - c["x"], best[1] - c["y"]) < 0.3
        near.remove(best)  # one found crossing answers for one of the list


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([None, 0.5, 6.0]), st.floats(0.01, 1e4))
def test_the_search_for_near_pairs_loses_none(seed, diameter, size):
    """Against all pairs of segments, measured by shapely."""
    rng = np.random.default_rng(seed)
    leads = [
        lead(f"L{n}", np.cumsum(rng.normal(0, size, (int(rng.integers(2, 40)), 2)), axis=0), d)
        for n, d in enumerate((diameter, diameter, 0.5))
    ]
    seg = Segments.of(leads, 0.5, 0.0)
    lines = shapely.linestrings(
        np.stack([np.stack([seg.x0, seg.x1], 1), np.stack([seg.y0, seg.y1], 1)], 2)
    )
    i, j = np.triu_indices(len(lines), 1)
    ideal = np.array([one.diameter_mm is None for one in leads])[seg.lead]
    limit = np.where(ideal[i] | ideal[j], 0.0, seg.reach[i] + seg.reach[j])
    near = shapely.distance(lines[i], lines[j]) <= limit * (1 - 1e-9)
    # On one lead only what folds back, crosses or lies more than a half turn on counts.
    apart = seg.s0[j] + seg.length[j] - seg.s0[i]
    one_lead = seg.lead[i] == seg.lead[j]
    near &= ~one_lead | ((j > i + 1) & (apart > math.pi * limit + 1e-9))
    pairs = near_pairs(seg)
    found = set(zip(pairs.i.tolist(), pairs.j.tolist(), strict=True))
    assert len(found) == len(pairs.i)
    assert set(zip(i[near].tolist(), j[near].tolist(), strict=True)) <= found
