"""Small copies of photos for lists."""

from __future__ import annotations

import cv2

from mapper.photos.model import Photo, PhotoError

__all__ = ["thumbnail"]

JPEG_QUALITY = 80


def thumbnail(photo: Photo, max_px: int = 320) -> bytes:
    """Return a JPEG whose longer side has at most `max_px` pixels; never enlarged."""
    if max_px < 1:
        raise PhotoError(f"A thumbnail needs at least 1 pixel, not {max_px}.")
    scale = min(1.0, max_px / max(photo.width_px, photo.height_px))
    size = (max(1, round(photo.width_px * scale)), max(1, round(photo.height_px * scale)))
    small = cv2.resize(photo.pixels_bgr, size, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not done:
        raise PhotoError(f"No thumbnail of {size[0]} x {size[1]} pixels could be written.")
    return data.tobytes()
