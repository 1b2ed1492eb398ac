"""A photo as the rest of the tool sees it: upright pixels and the few facts that help."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from mapper.errors import MapperError

__all__ = ["Photo", "PhotoError"]


class PhotoError(MapperError):
    """A file that cannot be taken in as a photo; the message says what to do instead."""


@dataclass(frozen=True, eq=False)
class Photo:
    """One upright photo.

    `pixels_bgr` (height, width, 3) uint8, read-only; photo frame: x right, y down, (0, 0) the
    centre of the first pixel. `sha256` is that of the original file. `taken_at` is the
    camera's local time without a zone. `focal35_mm` is the 35 mm equivalent focal length,
    `focal_px` the same in pixels of this photo; both None when the camera did not write it.
    """

    pixels_bgr: np.ndarray
    name: str
    sha256: str
    taken_at: datetime | None
    focal35_mm: float | None
    focal_px: float | None
    width_px: int
    height_px: int
