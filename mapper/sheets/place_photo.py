"""The crop of a photo that goes on a card, as JPEG with where it lies on the plate."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from mapper.fit.crops import Fit, crop_of_place
from mapper.sheets.step_places import StepPlace

__all__ = ["PlacePhoto", "place_photo"]

CROP_PX, JPEG_QUALITY = 700, 78  # above 200 px per inch on A4
LEAST_SHOWN = 0.5  # of the crop that the photo has to cover


@dataclass(frozen=True, eq=False)
class PlacePhoto:
    """A crop of a photo, turned the way the plate is drawn: `jpeg` shows `half_mm` up and down and
    `half_width_mm` to either side of (`x_mm`, `y_mm`)."""

    jpeg: bytes
    x_mm: float
    y_mm: float
    half_mm: float
    half_width_mm: float
    name: str
    doubtful: bool = False
    shown: float = 1.0  # the part of the crop that the photo covers


def place_photo(
    pixels_bgr: np.ndarray,
    fit: Fit,
    place: StepPlace,
    depth_mm: float,
    name: str,
    doubtful: bool = False,
    shape: float = 1.6,
) -> PlacePhoto | None:
    """The place on a fitted photo, as a crop of `shape` (width by height); None where the photo
    does not show it."""
    size = (CROP_PX, round(CROP_PX / shape))
    crop = crop_of_place(pixels_bgr, fit, place.x_mm, place.y_mm, depth_mm, place.half_mm, size)
    if crop is None or crop.shown < LEAST_SHOWN:
        return None
    quality = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    done, data = cv2.imencode(".jpg", crop.pixels_bgr, quality)
    if not done:
        return None
    jpeg, half_width = data.tobytes(), crop.half_width_mm
    about = (place.x_mm, place.y_mm, place.half_mm, half_width, name, doubtful, crop.shown)
    return PlacePhoto(jpeg, *about)
