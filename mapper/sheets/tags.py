"""Tags on a drawing: each where it hides least line, none on another or on what must stay seen."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from mapper.plate import Plate
from mapper.sheets.lettering import fit_middle, text_width_mm
from mapper.sheets.scene import Circle, Item, Line, Text

__all__ = ["TAG_MM", "Taken", "box_round", "label", "place_names", "place_tags"]

INK = "#000000"
TAG_MM = 2.9  # 8.2 point, read at arm's length
MOST_WIDE_MM = 40.0
DOT_MM = 0.55
CELL_MM = 0.5
CROWD_MM = 1.5
ON_LINE_MM = 4.0  # a tag on its own line costs as much as one so far off it
FAR_MM = (1.0, 3.5, 7.0, 12.0, 18.0)


class Taken:
    """What is on the paper already: boxes of text, how much line lies in each cell, and spots
    (N, 2) that have to stay in sight within `reach_mm`."""

    def __init__(
        self,
        page_mm: np.ndarray,
        paths: Mapping[str, np.ndarray],
        spots: np.ndarray,
        reach_mm: float,
    ) -> None:
        self.boxes = np.empty((0, 4))
        self.dots = np.empty((0, 2))
        self.reach_mm = reach_mm
        self.shape = tuple(int(n) for n in np.ceil(page_mm / CELL_MM) + 1)
        total = np.zeros(self.shape)
        for path in paths.values():
            np.add.at(total, self._cells(spread(path)), CELL_MM)
        self.lines = _sums(total)
        seen = np.zeros(self.shape)
        np.add.at(seen, self._cells(np.reshape(spots, (-1, 2))), 1.0)
        self.spots = _sums(seen)

    def _cells(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        cells = np.clip((points / CELL_MM).astype(int), 0, np.array(self.shape) - 1)
        return cells[:, 0], cells[:, 1]

    def _within(self, sums: np.ndarray, boxes: np.ndarray) -> np.ndarray:
        left, low = self._cells(boxes[:, :2])
        right, top = self._cells(boxes[:, 2:])
        right, top = right + 1, top + 1
        return sums[right, top] - sums[left, top] - sums[right, low] + sums[left, low]

    def add(self, box: np.ndarray) -> None:
        self.boxes = np.vstack((self.boxes, box))

    def free(self, boxes: np.ndarray) -> np.ndarray:
        """Which boxes (N, 4: left, low, right, top) meet none that is there: (N,) bool."""
        a, b = boxes[:, None], self.boxes[None]
        apart = (
            (a[..., 0] >= b[..., 2])
            | (a[..., 2] <= b[..., 0])
            | (a[..., 1] >= b[..., 3])
            | (a[..., 3] <= b[..., 1])
        )
        return apart.all(axis=1)

    def clear(self, boxes: np.ndarray) -> np.ndarray:
        """Which boxes hide no spot and no dot: (N,) bool."""
        wide = np.array([-1, -1, 1, 1])
        hides = self._within(self.spots, boxes + wide * self.reach_mm) > 0
        grown = boxes + wide * DOT_MM
        on = (grown[:, None, :2] < self.dots) & (grown[:, None, 2:] > self.dots)
        return ~hides & ~on.all(axis=2).any(axis=1)

    def line_mm(self, boxes: np.ndarray) -> np.ndarray:
        """Length of line under each box, in mm: (N,)."""
        return self._within(self.lines, boxes)


def _sums(cells: np.ndarray) -> np.ndarray:
    """Summed-area table."""
    return np.pad(cells.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))


def spread(path: np.ndarray) -> np.ndarray:
    """Points along a path (N, 2), a cell apart."""
    steps = np.hypot(*np.diff(path, axis=0).T)
    along = np.concatenate(([0.0], np.cumsum(steps)))
    where = np.linspace(0.0, along[-1], max(2, math.ceil(along[-1] / CELL_MM)))
    return np.column_stack([np.interp(where, along, path[:, k]) for k in (0, 1)])


def box_round(x: float, y: float, wide: float, high: float) -> np.ndarray:
    """Left, low, right, top of a box by its middle."""
    return np.array([x - wide / 2, y - high / 2, x + wide / 2, y + high / 2])


def label(box: np.ndarray, text: str, size: float, bold: bool, framed: bool) -> list[Item]:
    """White box with text in its middle."""
    left, low, right, top = (float(v) for v in box)
    corners = ((left, low), (right, low), (right, top), (left, top))
    return [
        Line(corners, 0.12, INK if framed else None, "#FFFFFF", closed=True),
        Text((left + right) / 2, (low + top) / 2 - 0.35 * size, text, size, bold, anchor="middle"),
    ]


def place_names(plate: Plate, scale: float, on_paper, taken: Taken) -> list[Item]:
    """Ids of drops in their bores and of exits at the edge; `on_paper` maps plate mm (N, 2) to
    paper mm, `scale` is n of 1:n."""
    items: list[Item] = []
    for drop in plate.drops:
        ((x, y),) = on_paper([(drop.x_mm, drop.y_mm)])
        room = max(drop.bore_diameter_mm / scale - 1.0, 4.5)
        size = min(3.6, room / max(text_width_mm(drop.id, 1.0, bold=True), 0.1))
        size = max(size, TAG_MM)
        text = fit_middle(drop.id, max(room, 24.0), size, bold=True)
        wide = text_width_mm(text, size, bold=True)
        box = box_round(x, y, wide + 0.4, 1.1 * size)
        items += label(box, text, size, bold=True, framed=False)
        taken.add(box)
    for exit_ in plate.exits:
        ((x, y),) = on_paper([(exit_.x_mm, exit_.y_mm)])
        text = fit_middle(exit_.id, 30.0, 3.2, bold=True)
        wide, high = text_width_mm(text, 3.2, bold=True) + 0.6, 3.6
        offsets = np.array([(1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1)])
        centres = (x, y) + offsets * (wide / 2 + 1.6, high / 2 + 1.6)
        boxes = np.array([box_round(*centre, wide, high) for centre in centres])
        free = np.flatnonzero(taken.free(boxes))
        if len(free) == 0:
            free = np.arange(len(boxes))
        box = boxes[free[np.argmin(taken.line_mm(boxes[free]))]]
        items += label(box, text, 3.2, bold=True, framed=False)
        taken.add(box)
    return items


def place_tags(
    texts: Mapping[str, str], paths: Mapping[str, np.ndarray], taken: Taken, bold: bool = False
) -> tuple[list[Item], list[str]]:
    """A tag for each lead of `texts` (id -> words), where it hides least line, and the ids that
    found no place. `paths` (N, 2) are on paper, in mm.

    No tag covers a spot of `taken` or the dot that another tag points to.
    """
    turns = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    ring = np.column_stack((np.cos(turns), np.sin(turns)))
    lines: list[Item] = []
    labels: list[Item] = []
    missing: list[str] = []
    for wire, words in texts.items():
        text = fit_middle(words, MOST_WIDE_MM, TAG_MM, bold)
        wide, high = text_width_mm(text, TAG_MM, bold) + 1.2, TAG_MM + 0.8
        path = spread(paths[wire])
        # not at the very ends, where leads come together
        anchors = path[np.unique(np.linspace(0.1, 0.9, 25) * (len(path) - 1)).astype(int)]
        shifts = np.vstack(
            [np.zeros((1, 2))] + [ring * (wide / 2 + far, high / 2 + far) for far in FAR_MM]
        )
        centres = (anchors[:, None] + shifts[None]).reshape(-1, 2)
        feet = np.repeat(anchors, len(shifts), axis=0)
        half = np.array([wide, high]) / 2
        boxes = np.hstack((centres - half, centres + half))
        free = taken.free(boxes) & taken.clear(boxes)
        if not free.any():
            missing.append(wire)
            continue
        far = np.hypot(*(centres - feet).T)
        on_it = far == 0
        # its own line under a tag that sits on it does no harm
        hidden = taken.line_mm(boxes) - np.where(on_it, wide, 0.0)
        # where other leads lie close by, nobody sees which one is meant
        near = taken.line_mm(np.hstack((feet - CROWD_MM, feet + CROWD_MM))) - 2 * CROWD_MM
        cost = (
            2.0 * np.maximum(hidden, 0.0)
            + 0.7 * np.maximum(near, 0.0)
            + np.where(on_it, ON_LINE_MM, far)
        )
        best = int(np.argmin(np.where(free, cost, np.inf)))
        box, foot = boxes[best], feet[best]
        taken.add(box)
        labels += label(box, text, TAG_MM, bold, framed=True)
        if not on_it[best]:
            edge = np.clip(foot, box[:2], box[2:])
            ends = tuple((float(x), float(y)) for x, y in (foot, edge))
            lines.append(Line(ends, 0.15, INK))
            lines.append(Circle(*ends[0], DOT_MM, 0.1, INK, INK))
            taken.dots = np.vstack((taken.dots, foot))
    return [*lines, *labels], missing
