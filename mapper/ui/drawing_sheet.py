"""The plate drawing as a sheet for the canvas: plate millimetres to its pixels and back."""

from __future__ import annotations

from typing import Any

import numpy as np

from mapper.plate import Plate

__all__ = ["SheetFit"]

SHEET_PX_PER_MM = 4.0  # scale of the drawing sheet on the canvas


class SheetFit:
    """Plate millimetres to pixels of the drawing sheet and back."""

    def __init__(self, plate: Plate) -> None:
        self.low = plate.outline_array.min(axis=0)
        self.high = plate.outline_array.max(axis=0)
        self.margin = 0.06 * float((self.high - self.low).max())
        self.scale = min(SHEET_PX_PER_MM, 4000 / float((self.high - self.low).max()))

    @property
    def size_px(self) -> tuple[int, int]:
        span = (self.high - self.low + 2 * self.margin) * self.scale
        return max(1, round(span[0])), max(1, round(span[1]))

    def photo_from_plate(self, xy_mm: Any, depth_mm: Any = 0.0) -> np.ndarray:
        xy = np.asarray(xy_mm, float).reshape(-1, 2)
        return np.column_stack(
            [
                (xy[:, 0] - self.low[0] + self.margin) * self.scale,
                (self.high[1] + self.margin - xy[:, 1]) * self.scale,
            ]
        )

    def plate_from_photo(self, xy_px: Any, depth_mm: Any = 0.0) -> np.ndarray:
        xy = np.asarray(xy_px, float).reshape(-1, 2) / self.scale
        return np.column_stack(
            [xy[:, 0] + self.low[0] - self.margin, self.high[1] + self.margin - xy[:, 1]]
        )
