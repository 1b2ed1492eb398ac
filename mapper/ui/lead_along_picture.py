"""A strip of a lead with hairlines beside the lead, and bars above it where others meet it."""

from __future__ import annotations

import cv2
import numpy as np

from mapper.fit.strip import STEP_MM, Strip
from mapper.routes import Lead
from mapper.ui.along_places import Along, Part

__all__ = ["with_places"]

LANE_PX = 24
FONT, FONT_SIZE = cv2.FONT_HERSHEY_SIMPLEX, 0.55
INK, BAR, LINE = (27, 33, 21), (214, 196, 178), (178, 114, 0)  # BGR
LEAST_BAR_PX = 14


def with_places(strip: Strip, lead: Lead, along: Along, part: Part) -> np.ndarray:
    """The strip (BGR) with a bar for every open place of the part, in lanes above it."""
    picture = strip.pixels_bgr.copy()
    _hairlines(picture, strip, lead, part)
    bars = []
    for number in part.numbers:
        place = along.places[number - 1]
        low, high = along.spans_mm[number - 1]
        left = (max(low, part.low_mm) - part.low_mm) * strip.px_per_mm
        right = (min(high, part.high_mm) - part.low_mm) * strip.px_per_mm
        bars.append((left, max(right, left + LEAST_BAR_PX), f"{number} {along.other(place)}"))
    lanes: list[float] = []
    placed = []
    for left, right, words in sorted(bars):
        text = cv2.getTextSize(words, FONT, FONT_SIZE, 1)[0][0] + 8
        start = max(0.0, min(left, picture.shape[1] - text))
        end = max(right, start + text)
        lane = next((n for n, taken in enumerate(lanes) if taken + 6 <= start), len(lanes))
        lanes[lane : lane + 1] = [end]
        placed.append((left, right, start, words, lane))
    above = np.full((LANE_PX * len(lanes) + 4, picture.shape[1], 3), 255, np.uint8)
    for left, right, start, words, lane in placed:
        top = LANE_PX * lane + 2
        cv2.rectangle(above, (int(left), top), (int(right), top + LANE_PX - 5), BAR, -1)
        at = (int(start) + 4, top + LANE_PX - 10)
        cv2.putText(above, words, at, FONT, FONT_SIZE, INK, 1, cv2.LINE_AA)
        for x in (left, right):  # where it begins and ends in the picture below
            cv2.line(picture, (int(x), 0), (int(x), 9), (255, 255, 255), 3)
            cv2.line(picture, (int(x), 0), (int(x), 9), INK, 1)
    return np.vstack([above, picture])


def _hairlines(picture: np.ndarray, strip: Strip, lead: Lead, part: Part) -> None:
    """Two lines beside the lead, so that it is told from its neighbours and stays in sight."""
    s = np.arange(part.low_mm, part.high_mm, STEP_MM)
    path = strip.px_from_plate(lead.point_at_mm(s))
    along = np.gradient(path, axis=0)
    along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    across = np.column_stack([-along[:, 1], along[:, 0]])
    across *= ((lead.diameter_mm or 2.0) / 2 + 0.7) * strip.px_per_mm
    for line in (path + across, path - across):
        points = [np.round(line * 16).astype(np.int32)]
        cv2.polylines(picture, points, False, (255, 255, 255), 3, cv2.LINE_AA, shift=4)
        cv2.polylines(picture, points, False, LINE, 1, cv2.LINE_AA, shift=4)
