"""Who clicks twice has seen a lead: a line is looked for even where each click looks unlikely."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

import mapper.trace.snap as snap
from mapper.trace import trace_between


@pytest.fixture
def picture() -> tuple[np.ndarray, np.ndarray]:
    image = np.full((300, 500, 3), (150, 155, 160), np.uint8)
    x = np.arange(20, 480)
    line = np.stack([x, 150 + 90 * np.sin(x / 80)], 1)
    fixed = np.round(line * 16).astype(np.int32)
    cv2.polylines(image, [fixed], False, (60, 90, 200), 8, cv2.LINE_AA, 4)
    return cv2.GaussianBlur(image, (0, 0), 0.8), line


def test_a_line_between_unlikely_clicks_follows_the_lead_and_is_marked_to_be_looked_at(
    picture, monkeypatch
):
    image, line = picture
    weigh = snap.weigh

    def unsure(*args):
        shares, *mended = weigh(*args)
        return 0.02 * shares, *mended

    monkeypatch.setattr(snap, "weigh", unsure)
    traced = trace_between(image, line[30], line[-30])
    far = np.hypot(*(traced.points[:, None] - line[None]).transpose(2, 0, 1)).min(1)
    assert far.max() < 4
    assert traced.confidence.max() < 0.5  # the page lists it to be looked at again


def test_a_single_look_still_finds_nothing_where_a_lead_is_unlikely(picture, monkeypatch):
    image, line = picture

    def unsure(bands, *_):
        return np.full(len(bands), 0.03 / len(bands)), np.zeros(len(bands)), np.zeros(len(bands))

    monkeypatch.setattr(snap, "weigh", unsure)
    assert snap.snap_to_wire(image, line[100], 6.0) is None
