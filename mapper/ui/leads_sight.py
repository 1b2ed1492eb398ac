"""*Sight*: one fitted photo with the plate, through which clicks become millimetres."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from mapper.errors import MapperError
from mapper.fit import PhotoFit
from mapper.fit.leads import plate_from_lead
from mapper.plate import Plate
from mapper.records import Stretch
from mapper.trace import Trace

__all__ = ["Pixel", "Sight"]

DEPTH_BLEND_MM = 8.0  # a lead changes its depth over about this length, not at once

Pixel = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Sight:
    """A fitted photo of the plate, and the tracer working on it.

    `trace(start_px, end_px)` and `snap(click_px, reach_px)` are `trace_between` and
    `snap_to_wire` of `mapper.trace` on this photo.
    """

    sha256: str
    fit: PhotoFit
    plate: Plate
    width_px: int
    height_px: int
    trace: Callable[[Pixel, Pixel], Trace]
    snap: Callable[[Pixel, float], tuple[Pixel, float] | None]

    @property
    def reach_px(self) -> float:
        """How far a click may be off the lead, as the tracer takes it."""
        return max(6.0, 0.004 * max(self.width_px, self.height_px))

    def plate_from_line(self, points_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Plate mm (N, 2) and depth mm (N,) of a lead's line (N, 2) in px; depth changes softly."""
        points_px = np.asarray(points_px, dtype=float).reshape(-1, 2)
        points_mm, depth_mm = plate_from_lead(self.fit, self.plate, points_px)
        if len(points_px) > 1:
            depth_mm = _softened(points_mm, depth_mm)
            points_mm = self.fit.plate_from_photo(points_px, depth_mm)
        if not np.isfinite(points_mm).all():
            raise MapperError("This place of the photo lies beside the plate; click on the plate.")
        return points_mm, depth_mm

    def photo_from_stretch(self, stretch: Stretch) -> np.ndarray:
        """Points (N, 2) px of a stretch on this photo, whatever photo it was traced on."""
        if stretch.photo == self.sha256 and stretch.points_px is not None:
            return np.array(stretch.points_px, dtype=float)
        return self.photo_from_mm(np.array(stretch.points_mm, dtype=float), stretch.depth_mm)

    def photo_from_mm(self, points_mm: np.ndarray, depth_mm: Any = None) -> np.ndarray:
        """Points (N, 2) px of a lead's points in mm; depth None: where leads lie there."""
        points_mm = np.asarray(points_mm, dtype=float).reshape(-1, 2)
        if depth_mm is None:
            depth_mm = self.plate.lead_depth_mm(points_mm)
        return self.fit.photo_from_plate(points_mm, np.asarray(depth_mm, dtype=float))

    def shows(self, point_px: Sequence[float]) -> bool:
        """Whether the pixel is inside the photo."""
        x, y = point_px
        return 0 <= x <= self.width_px - 1 and 0 <= y <= self.height_px - 1

    def rehearsal(self) -> tuple[Pixel, Pixel] | None:
        """Two places on the photo with a channel between them, to try the tracer on."""
        if not self.plate.channels:
            return None
        ends_mm = np.array(self.plate.channels[0].points_mm[:2], dtype=float)
        start, end = self.photo_from_mm(ends_mm + 0.25 * (ends_mm[::-1] - ends_mm))
        return (tuple(start), tuple(end)) if self.shows(start) and self.shows(end) else None

    def snapped(self, click_px: Pixel) -> Pixel:
        """The place on the lead nearest to a click; the click itself where there is none."""
        found = self.snap(click_px, self.reach_px)
        return click_px if found is None else (float(found[0][0]), float(found[0][1]))


def _softened(points_mm: np.ndarray, depth_mm: np.ndarray) -> np.ndarray:
    """Depth along a line without jumps: short runs beside the channels are filled, then blended."""
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points_mm, axis=0).T))])
    if not np.isfinite(s[-1]) or s[-1] <= 0:
        return depth_mm
    filled = depth_mm.astype(float).copy()
    inside = filled > 0
    if inside.any() and not inside.all():
        bounds = np.flatnonzero(np.diff(inside.astype(int))) + 1
        for run in np.split(np.arange(len(s)), bounds):
            at_end = run[0] == 0 or run[-1] == len(s) - 1
            if not inside[run[0]] and (at_end or s[run[-1]] - s[run[0]] < 2 * DEPTH_BLEND_MM):
                filled[run] = np.interp(s[run], s[inside], filled[inside])
    even = np.linspace(0, s[-1], max(3, min(2000, int(s[-1] / 0.5) + 2)))
    profile = np.interp(even, s, filled)
    half = max(1, int(DEPTH_BLEND_MM / 2 / (even[1] - even[0])))
    padded = np.pad(profile, half, mode="edge")
    kernel = np.ones(2 * half + 1) / (2 * half + 1)
    return np.interp(s, even, np.convolve(padded, kernel, mode="valid"))
