"""A lead is led round its nozzle where it goes round, and not where only the nozzle is round."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from mapper.trace import trace_between
from tests.test_trace import BEIGE, RED, bench, farthest, lay

CENTRE, HEAD, POCKET = (200, 150), 52, 115  # px
STEEL, DARK, GREY = (215, 215, 215), (38, 36, 35), (110, 115, 120)


def pocket(ring: tuple[int, int, int]) -> np.ndarray:
    """A nozzle with bright head in its dark pocket; the ring round the head has that colour."""
    image = bench()
    cv2.circle(image, CENTRE, POCKET, DARK, -1, cv2.LINE_AA)
    cv2.circle(image, CENTRE, HEAD, STEEL, -1, cv2.LINE_AA)
    cv2.circle(image, CENTRE, HEAD + 2, ring, 6, cv2.LINE_AA)
    return image


def round_it(radius, angle_deg) -> np.ndarray:
    """Places (N, 2) round the nozzle."""
    angle = np.radians(angle_deg)
    return CENTRE + np.stack([radius * np.cos(angle), radius * np.sin(angle)], -1)


def long(line: np.ndarray) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


@pytest.mark.parametrize("last_deg", [80, 90, 100])
def test_a_lead_that_ends_at_its_nozzle_is_not_led_round_it(last_deg):
    image = pocket(BEIGE)
    comes = np.linspace((390, 70), round_it(56, 50) + (30, -25), 20)
    truth = lay(image, np.concatenate([comes, round_it(56, np.linspace(50, last_deg))]), BEIGE, 7)
    trace = trace_between(image, truth[2], truth[-2])
    assert farthest(trace.points, truth) < 3.5
    assert long(trace.points) < 1.05 * long(truth)


@pytest.mark.parametrize(
    "colour, ring, out_px, width_px",
    [
        (BEIGE, BEIGE, 66, 7),  # the ring looks like the lead
        *((BEIGE, GREY, 72, width) for width in (5, 7, 9)),
        *((RED, ring, 72, width) for ring in (BEIGE, GREY) for width in (5, 7, 9)),
    ],
)
def test_a_lead_that_goes_once_round_its_nozzle_is_led_round_it(colour, ring, out_px, width_px):
    image = pocket(ring)
    turn = round_it(np.linspace(62, out_px, 200), np.linspace(-20, 380, 200))
    comes = np.linspace((262, -10), turn[0] - (0, 12), 12)
    goes = turn[-1] + np.linspace(0, 1, 20)[1:, None] * (-10, 110)
    truth = lay(image, np.concatenate([comes, turn, goes]), colour, width_px)
    trace = trace_between(image, truth[2], truth[-3])
    assert farthest(truth[2:-2], trace.points) < 0.5 * width_px + 1
    assert abs(long(trace.points) / long(truth[2:-2]) - 1) < 0.06
