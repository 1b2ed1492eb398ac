"""A lead that goes far round between two places near each other is followed all the way."""

from __future__ import annotations

import cv2
import numpy as np

from mapper.trace import trace_between

WIDTH = 8


def test_a_lead_that_runs_far_outside_its_two_clicks_is_not_cut_short_along_another():
    image = np.full((420, 1500, 3), (150, 155, 160), np.uint8)
    x = np.concatenate([np.arange(60, 1300), np.full(160, 1300), np.arange(1300, 60, -1)])
    y = np.concatenate([np.full(1240, 60), np.arange(100, 260), np.full(1240, 300)])
    far = cv2.GaussianBlur(np.stack([x, y], 1).astype(float), (1, 0), sigmaX=1, sigmaY=40)
    across = np.array([(190.0, 10.0), (190.0, 410.0)])
    for line in (across, far):
        fixed = np.round(line * 16).astype(np.int32)
        cv2.polylines(image, [fixed], False, (60, 90, 200), WIDTH, cv2.LINE_AA, 4)
    image = cv2.GaussianBlur(image, (0, 0), 0.8)
    traced = trace_between(image, (110, 60), (110, 300)).points
    assert traced[:, 0].max() > 1200
