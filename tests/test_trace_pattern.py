"""A lead of two colours is one lead: the second colour is told from what lies over or beside it."""

from __future__ import annotations

import cv2
import numpy as np

from mapper.trace.evidence import to_lab
from mapper.trace.pattern import second_colour

WIDTH = 5
RED, WHITE, GREEN, GROUND = (40, 40, 200), (235, 235, 235), (60, 160, 60), (120, 125, 130)


def _picture(ringed: bool, crossed: bool) -> tuple[np.ndarray, np.ndarray]:
    image = np.full((120, 400, 3), GROUND, np.uint8)
    x = np.arange(20, 380)
    line = np.stack([x, 60 + 15 * np.sin(x / 60)], 1)
    fixed = np.round(line * 16).astype(np.int32)
    cv2.polylines(image, [fixed], False, RED, WIDTH, cv2.LINE_AA, 4)
    for start in range(30, 330, 40) if ringed else ():
        cv2.polylines(image, [fixed[start : start + 14]], False, WHITE, WIDTH, cv2.LINE_AA, 4)
    for at in range(50, 360, 40) if crossed else ():
        cv2.line(image, (at, 10), (at + 20, 110), GREEN, 14, cv2.LINE_AA)
    return cv2.GaussianBlur(image, (0, 0), 0.8), line


def _second(image: np.ndarray, line: np.ndarray) -> np.ndarray | None:
    lab = to_lab(image)
    red = to_lab(np.array([[RED]], np.uint8))[0]
    return second_colour(lab, line, float(WIDTH), red)


def test_the_rings_of_a_ringed_lead_are_its_second_colour():
    found = _second(*_picture(ringed=True, crossed=False))
    white = to_lab(np.array([[WHITE]], np.uint8))[0, 0]
    assert found is not None and np.abs(found - white).max() < 15


def test_a_lead_of_one_colour_has_no_second():
    assert _second(*_picture(ringed=False, crossed=False)) is None


def test_leads_that_cross_over_it_do_not_lend_it_their_colour():
    assert _second(*_picture(ringed=False, crossed=True)) is None


def test_a_line_that_runs_off_the_lead_again_and_again_does_not_take_the_ground_for_it():
    image, line = _picture(ringed=False, crossed=False)
    astray = line + np.stack([0 * line[:, 0], 9 * np.sign(np.sin(line[:, 0] / 6))], 1)
    assert _second(image, astray) is None
