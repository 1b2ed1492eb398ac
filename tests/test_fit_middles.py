"""A lead's height is read from where it shows beside its drawn line, never from a neighbour."""

from __future__ import annotations

import numpy as np
import pytest

from mapper.fit import LeadsInPhoto, height_shift, seen_middles
from tests.test_fit_height import PLACE, photo_from

ASSUMED_MM = 8.0
WIDE_MM = 2.5
FITS = [photo_from(-40, 80), photo_from(240, 80)]


def route(angle_deg: float, beside_mm: float = 0.0) -> np.ndarray:
    """A straight route through PLACE (or beside it), 40 mm long."""
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    across = np.array([-along[1], along[0]])
    return PLACE + np.linspace(-20, 20, 401)[:, None] * along + beside_mm * across


def camera_sees(fit, *leads):
    """Snaps to the nearest of the leads (route, depth) as the photo shows them."""
    shown = np.concatenate([fit.photo_from_plate(line, depth) for line, depth in leads])

    def snap(xy, reach_px):
        away = np.hypot(*(shown - xy).T)
        k = int(np.argmin(away))
        return (tuple(shown[k]), 3.0 * WIDE_MM) if away[k] <= reach_px else None

    return snap


def measured(depth_a: float, depth_b: float, neighbour: tuple | None = None):
    a, b = route(60), route(120)
    others = [] if neighbour is None else [neighbour]
    views = []
    for fit in FITS:
        snap = camera_sees(fit, (a, depth_a), (b, depth_b), *others)
        rest = [line for line, _ in others]
        found = [
            seen_middles(fit, snap, own, PLACE, ASSUMED_MM, WIDE_MM, [other, *rest])
            for own, other in ((a, b), (b, a))
        ]
        if any(one is None for one in found):
            return None
        views.append(LeadsInPhoto(fit, *found))
    return height_shift(views, PLACE, ASSUMED_MM)


@pytest.mark.parametrize(("a", "b", "top"), [(6.0, 8.5, "a"), (8.5, 6.0, "b"), (7.0, 9.5, "a")])
def test_the_higher_lead_is_found_from_lines_drawn_at_one_depth(a, b, top):
    found = measured(a, b)
    assert found.higher_mm == pytest.approx(b - a, abs=0.2)
    assert found.top == top


def test_leads_of_one_height_give_no_vote():
    assert measured(8.0, 8.0).top is None


def test_a_neighbour_within_reach_means_nothing_is_read():
    assert measured(6.0, 8.5, (route(60, 3.0), 8.0)) is None


def test_a_lead_that_is_covered_on_one_side_is_not_read():
    snap = camera_sees(FITS[0], (route(60)[:200], 8.0))
    assert seen_middles(FITS[0], snap, route(60), PLACE, ASSUMED_MM, WIDE_MM, []) is None


def test_something_much_wider_is_not_taken_for_the_lead():
    fit, line = FITS[0], route(60)
    shown = camera_sees(fit, (line, 8.0))

    def wide(xy, reach_px):
        hit = shown(xy, reach_px)
        return None if hit is None else (hit[0], 4 * hit[1])

    assert seen_middles(fit, wide, line, PLACE, ASSUMED_MM, WIDE_MM, []) is None
