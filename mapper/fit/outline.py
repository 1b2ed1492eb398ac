"""Trial poses from the plate's straight sides, for plates without holes that can be seen.

Long straight lines are found and joined; every four of them that cross as a quadrilateral are
tried as the sides of the plate, all four ways round. With the focal length roughly known a
rectangle of known size leaves no freedom: the map must come out as a rotation, which throws
nearly all wrong quadrilaterals out before the edges of the drawing are asked.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import cv2
import numpy as np

from mapper.fit.camera import Camera
from mapper.fit.dlt import homography_dlt
from mapper.fit.errors import FitFailed
from mapper.fit.hypotheses import Trial

__all__ = ["long_lines", "outline_trials", "side_quads"]

LINES_PX = 800  # long side of the image in which lines are looked for
MOST_LINES = 14
LEAST_LENGTH = 0.06  # of the image diagonal, for one segment
LEAST_SIDE = 0.2  # of the image's long side
LEAST_KNOWN_SIDE = 0.14  # where the size of the plate is known, which throws wrong ones out
RIGHT_ANGLE_SLACK = 0.12  # cosine between the sides' directions
LENGTH_SLACK = 0.12  # log ratio of the sides' scales


def long_lines(grey: np.ndarray) -> np.ndarray:
    """Lines (N, 3) as a x + b y + c = 0 with unit normal, the longest first; image pixels."""
    factor = min(1.0, LINES_PX / max(grey.shape))
    size = (round(grey.shape[1] * factor), round(grey.shape[0] * factor))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA) if factor < 1 else grey
    small = cv2.GaussianBlur(small, (0, 0), 1.2)
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(small)[0]
    if found is None:
        return np.zeros((0, 3))
    segments = ((found.reshape(-1, 4) + 0.5) / factor - 0.5).astype(float)
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    keep = length > LEAST_LENGTH * np.hypot(*grey.shape) / 2
    segments, length = segments[keep], length[keep]
    order = np.argsort(-length, kind="stable")[:200]
    segments, length = segments[order], length[order]
    free = np.ones(len(segments), bool)
    joined = []
    for i in range(len(segments)):
        if not free[i]:
            continue
        line = _line_of(segments[i : i + 1], length[i : i + 1])
        members = free & _on_line(segments, line, 4.0)
        line = _line_of(segments[members], length[members])
        members = free & _on_line(segments, line, 3.0)
        members[i] = True
        free &= ~members
        joined.append((length[members].sum(), _line_of(segments[members], length[members])))
    joined.sort(key=lambda pair: -pair[0])
    return np.array([line for _, line in joined]).reshape(-1, 3)


def _line_of(segments: np.ndarray, length: np.ndarray) -> np.ndarray:
    ends = np.concatenate((segments[:, :2], segments[:, 2:]))
    weight = np.concatenate((length, length))
    middle = np.average(ends, axis=0, weights=weight)
    spread = (ends - middle).T @ ((ends - middle) * weight[:, None])
    normal = np.linalg.eigh(spread)[1][:, 0]
    return np.append(normal, -normal @ middle)


def _on_line(segments: np.ndarray, line: np.ndarray, reach_px: float) -> np.ndarray:
    first = np.abs(segments[:, :2] @ line[:2] + line[2])
    second = np.abs(segments[:, 2:] @ line[:2] + line[2])
    return np.maximum(first, second) < reach_px


def outline_trials(
    grey: np.ndarray,
    scale: float,
    outline_mm: np.ndarray,
    focal_px: float,
    centre_px: tuple[float, float],
    most: int = 60,
) -> list[Trial]:
    """Poses under which four long lines are the plate's sides, the squarest first.

    `grey` is the working image, `scale` times the photo; `outline_mm` (K, 2). The outline
    counts by its smallest rectangle, so that rounded corners don't matter.
    """
    lines = long_lines(grey)[:MOST_LINES]
    if len(lines) < 4:
        return []
    rectangle = _rectangle(np.asarray(outline_mm, dtype=float))
    height, width = grey.shape
    scored = []
    for quad in side_quads(lines, width, height, LEAST_KNOWN_SIDE):
        quad = (quad + 0.5) / scale - 0.5
        for turn in range(4):
            rated = _rated(rectangle, np.roll(quad, turn, axis=0), focal_px, centre_px)
            if rated is not None:
                scored.append(rated)
    scored.sort(key=lambda pair: pair[0])
    return [Trial(camera, -cost, 0, "outline") for cost, camera in scored[:most]]


def side_quads(
    lines: np.ndarray, width: int, height: int, least_side: float = LEAST_SIDE
) -> Iterator[np.ndarray]:
    """Quadrilaterals (4, 2) px that four of the `lines` (N, 3) form in an image of that size.

    Corners run anticlockwise as seen. Opposite sides differ by less than 30 degrees, and all are
    longer than `least_side` of the image's long side.
    """
    angle = np.arctan2(lines[:, 1], lines[:, 0]) % np.pi
    pairs = []
    for i, j in itertools.combinations(range(len(lines)), 2):
        turn = abs(angle[i] - angle[j])
        turn = min(turn, np.pi - turn)
        if turn < np.radians(30):
            pairs.append((i, j))
    for (a, b), (c, d) in itertools.combinations(pairs, 2):
        if len({a, b, c, d}) < 4:
            continue
        quad = _quad(lines, a, b, c, d)
        if quad is not None and _usable(quad, width, height, least_side):
            yield quad


def _rectangle(outline: np.ndarray) -> np.ndarray:
    """Corners (4, 2) of the smallest rectangle round the outline, anticlockwise."""
    box = cv2.boxPoints(cv2.minAreaRect(outline.astype(np.float32))).astype(float)
    return box if _area(box) > 0 else box[::-1]


def _area(polygon: np.ndarray) -> float:
    x, y = polygon.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2


def _quad(lines: np.ndarray, a: int, b: int, c: int, d: int) -> np.ndarray | None:
    """Corners (4, 2) of the sides a, c, b, d in order, anticlockwise as seen (y down)."""
    out = []
    for p, q in ((a, c), (c, b), (b, d), (d, a)):
        cross = np.cross(lines[p], lines[q])
        if abs(cross[2]) < 0.25:  # sides meet at less than 15 degrees
            return None
        out.append(cross[:2] / cross[2])
    quad = np.array(out)
    return quad if _area(quad) < 0 else quad[::-1]


def _usable(quad: np.ndarray, width: int, height: int, least_side: float) -> bool:
    side = np.hypot(*(quad - np.roll(quad, 1, axis=0)).T)
    if side.min() < least_side * max(width, height):
        return False
    slack = 0.5 * max(width, height)
    if (quad < -slack).any() or (quad > np.array([width, height]) + slack).any():
        return False
    return bool(cv2.isContourConvex(quad.astype(np.float32).reshape(-1, 1, 2)))


def _rated(rectangle, quad, focal_px, centre_px) -> tuple[float, Camera] | None:
    """How far the map is from a rotation, and its pose; None when too far."""
    try:
        homography = homography_dlt(rectangle, quad)
        camera = Camera.from_homography(homography, focal_px, centre_px)
    except FitFailed:
        return None
    columns = np.linalg.inv(camera.matrix) @ homography
    first, second = columns[:, 0], columns[:, 1]
    n1, n2 = np.linalg.norm(first), np.linalg.norm(second)
    skew, stretch = abs(first @ second) / (n1 * n2), abs(np.log(n1 / n2))
    if skew > RIGHT_ANGLE_SLACK or stretch > LENGTH_SLACK:
        return None
    return skew + stretch, camera
