"""Small copies of photos for lists."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
from PIL import Image, ImageOps

from mapper.photos.model import Photo, PhotoError

__all__ = ["quick_thumbnail", "thumbnail"]

JPEG_QUALITY = 80


def quick_thumbnail(path: Path, max_px: int) -> bytes | None:
    """Return a small upright JPEG of a photo file, read at low size; None when it can't be read."""
    try:
        with Image.open(path) as image:
            image.draft("RGB", (max_px, max_px))  # a JPEG decodes at an eighth of its size
            small = ImageOps.exif_transpose(image).convert("RGB")
            small.thumbnail((max_px, max_px))
            buffer = io.BytesIO()
            small.save(buffer, "JPEG", quality=JPEG_QUALITY)
            return buffer.getvalue()
    except Exception:  # foreign files fail in many ways, and a list must not
        return None


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
