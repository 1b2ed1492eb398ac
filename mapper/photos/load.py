"""Read a photo file: JPEG, PNG, HEIC, TIFF or WebP, whatever the phone wrote.

Only the orientation, the time and the focal length are read from the camera's data. The
place where the photo was taken is never looked at and never kept.
"""

from __future__ import annotations

import codecs
import contextlib
import hashlib
import io
import math
import os
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
from PIL import Image

from mapper.errors import shown
from mapper.photos.model import Photo, PhotoError

__all__ = ["MAX_FILE_MB", "MAX_MEGAPIXELS", "focal_px_from_35mm", "load_photo"]

MAX_FILE_MB = 80
MAX_MEGAPIXELS = 60
MIN_SIDE_PX = 16  # below this nothing can be seen, and filters have no room
FILM_DIAGONAL_MM = math.hypot(36, 24)  # 43.2666, full frame

# Formats are named so that Pillow tries no other decoder on a foreign file. JPEG includes MPO,
# the form with several pictures that many phones write.
FORMATS = ("JPEG", "PNG", "HEIF", "TIFF", "WEBP", "BMP")
WANTED = "JPEG, PNG, HEIC, TIFF or WebP"

# EXIF 2.32 tag numbers
ORIENTATION, CHANGED_AT, EXIF_IFD = 0x0112, 0x0132, 0x8769
TAKEN_AT, DIGITIZED_AT, TAKEN_SUBSECONDS, FOCAL_35MM = 0x9003, 0x9004, 0x9291, 0xA405

pillow_heif.register_heif_opener()


def load_photo(path_or_bytes: str | os.PathLike[str] | bytes, name: str | None = None) -> Photo:
    """Return the photo in a file, or in the bytes of one.

    `name` is what messages and lists call it; it defaults to the file's name. Raises
    PhotoError when the file is missing, larger than 80 MB or 60 megapixels, cut off, broken,
    or no photo.
    """
    data, name = _read(path_or_bytes, name)
    said = shown(name)
    _refuse_other_files(data, said)
    with _decoder_faults(said):
        image = Image.open(io.BytesIO(data), formats=FORMATS)
    with image:
        _check_size(image.size, said)
        if image.format in ("JPEG", "MPO") and not _jpeg_ends(data):
            raise PhotoError(f"'{said}' is cut off before its end: copy it from the camera again.")
        orientation, taken_at, focal35_mm = _camera_data(image)
        with _decoder_faults(said):
            image.load()
            pixels = _to_bgr(image, said)
    pixels = _turn_upright(pixels, orientation)
    pixels.flags.writeable = False
    height, width = pixels.shape[:2]
    return Photo(
        pixels_bgr=pixels,
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        taken_at=taken_at,
        focal35_mm=focal35_mm,
        focal_px=None if focal35_mm is None else focal_px_from_35mm(focal35_mm, width, height),
        width_px=width,
        height_px=height,
    )


def focal_px_from_35mm(focal35_mm: float, width_px: int, height_px: int) -> float:
    """Return the focal length in pixels from the 35 mm equivalent, by the diagonal.

    The usual definition (CIPA guideline DCG-001); EXIF does not fix it, so allow 5 %.
    """
    return focal35_mm * math.hypot(width_px, height_px) / FILM_DIAGONAL_MM


def _read(source: str | os.PathLike[str] | bytes, name: str | None) -> tuple[bytes, str]:
    if isinstance(source, bytes | bytearray | memoryview):
        data, name = bytes(source), name or "photo"
    else:
        try:
            path = Path(source)
            name = name or path.name or "photo"
            said = shown(name)
            if path.is_dir():
                raise PhotoError(f"'{said}' is a folder: choose the photo file inside it.")
            size = path.stat().st_size
            if size > MAX_FILE_MB * 1_000_000:
                raise _too_big(said, size)
            data = path.read_bytes()
        except FileNotFoundError:
            raise PhotoError(f"'{said}' is not there: check the name and the folder.") from None
        except (OSError, ValueError, TypeError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise PhotoError(
                f"'{shown(name or source)}' cannot be read ({shown(reason)}): "
                "check the file and its permissions."
            ) from error
    if not data:
        raise PhotoError(f"'{shown(name)}' is empty: copy it from the camera again.")
    if len(data) > MAX_FILE_MB * 1_000_000:
        raise _too_big(shown(name), len(data))
    return data, name


def _too_big(said: str, size: int) -> PhotoError:
    return PhotoError(
        f"'{said}' has {size / 1e6:.0f} MB, and the limit is {MAX_FILE_MB} MB: "
        "save it as JPEG and add that."
    )


def _refuse_other_files(data: bytes, said: str) -> None:
    """Say what the file is when it is a common thing that carries a photo's name."""
    head = data[:512]
    other = None
    if head.startswith(b"%PDF"):
        other = "a PDF"
    elif head.startswith(b"PK\x03\x04"):
        other = "a ZIP archive or office document"
    elif head[4:8] == b"ftyp" and head[8:12] in (b"qt  ", b"isom", b"mp41", b"mp42", b"M4V "):
        other = "a video"
    elif head.lstrip()[:5].lower() in (b"<?xml", b"<html", b"<!doc", b"<svg "):
        other = "a web page or drawing"
    elif head.startswith((b"GIF8", b"RIFF")) and head[8:12] != b"WEBP":
        other = "an animation or video"
    elif _is_text(head):
        other = "a text file"
    if other:
        raise PhotoError(f"'{said}' is {other}, not a photo: add a {WANTED} file.")


def _is_text(head: bytes) -> bool:
    try:
        text = codecs.getincrementaldecoder("utf-8")().decode(head)  # may end within a character
    except UnicodeDecodeError:
        return False
    return all(ch >= " " or ch in "\t\n\r\f" for ch in text)


@contextlib.contextmanager
def _decoder_faults(said: str) -> Iterator[None]:
    """Turn whatever a decoder raises on broken input into one PhotoError.

    Pillow and its plugins raise many kinds (OSError, SyntaxError, ValueError, struct.error,
    OverflowError, ...); the set is not documented, so all are caught, here and only here.
    """
    try:
        yield
    except PhotoError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise PhotoError(
            f"'{said}' has more than the limit of {MAX_MEGAPIXELS} megapixels: "
            "save a smaller copy and add that."
        ) from None
    except Image.UnidentifiedImageError:
        raise PhotoError(
            f"'{said}' is not a photo that can be read: add a {WANTED} file."
        ) from None
    except MemoryError:
        raise PhotoError(
            f"'{said}' needs more memory than there is: save a smaller copy and add that."
        ) from None
    except Exception as error:
        if "truncated" in str(error).lower():
            raise PhotoError(
                f"'{said}' is cut off before its end: copy it from the camera again."
            ) from error
        raise PhotoError(
            f"'{said}' is damaged and cannot be decoded: copy it from the camera again."
        ) from error


def _check_size(size: tuple[int, int], said: str) -> None:
    width, height = size
    if width * height > MAX_MEGAPIXELS * 1_000_000:
        raise PhotoError(
            f"'{said}' has {width} x {height} pixels ({width * height / 1e6:.0f} megapixels), "
            f"and the limit is {MAX_MEGAPIXELS}: save a smaller copy and add that."
        )
    if min(width, height) < MIN_SIDE_PX:
        raise PhotoError(
            f"'{said}' has only {width} x {height} pixels: add the original photo, not an icon."
        )


def _jpeg_ends(data: bytes) -> bool:
    """Whether the end mark FF D9 follows the first scan of a JPEG file (ITU-T T.81, annex B).

    The decoder fills a missing end with grey and says nothing when only a little is lost.
    Cameras append other data after the end mark, so it need not be last; the preview inside
    the camera's data has its own, so the search starts at the first scan of the main picture.
    """
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            return True  # not the plain layout; the decoder will judge it
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
        elif marker == 0xDA:
            return data.find(b"\xff\xd9", at) >= 0
        elif marker == 0x01 or 0xD0 <= marker <= 0xD8:
            at += 2
        else:
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return False


def _camera_data(image: Image.Image) -> tuple[int, datetime | None, float | None]:
    """Return orientation 1 to 8, time and 35 mm focal length; broken entries count as absent."""
    try:
        tags = image.getexif()
        own = dict(tags.get_ifd(EXIF_IFD))
        orientation, changed_at = tags.get(ORIENTATION, 1), tags.get(CHANGED_AT)
    except Exception:  # a broken camera block must not cost the photo; see _decoder_faults
        return 1, None, None
    taken_at = None
    for value in (own.get(TAKEN_AT), own.get(DIGITIZED_AT), changed_at):
        taken_at = taken_at or _time(value, own.get(TAKEN_SUBSECONDS))
    return (
        orientation if orientation in range(1, 9) else 1,
        taken_at,
        _focal(own.get(FOCAL_35MM)),
    )


def _time(value: object, subseconds: object) -> datetime | None:
    try:
        moment = datetime.strptime(str(value).strip("\0 "), "%Y:%m:%d %H:%M:%S")
        digits = str(subseconds).strip("\0 ")
        fraction = float(f"0.{digits}") if digits.isascii() and digits.isdigit() else 0.0
        return moment + timedelta(seconds=fraction)
    except (ValueError, OverflowError):
        return None


def _focal(value: object) -> float | None:
    try:
        focal = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return focal if 1 <= focal <= 2000 else None


def _to_bgr(image: Image.Image, said: str) -> np.ndarray:
    """Return (H, W, 3) uint8 BGR from any mode Pillow decodes to."""
    if image.mode.startswith("I"):  # 16 bit grey; "I" holds 16 bit values as well
        values = np.asarray(image).astype(np.int64)
        if values.size and (values.min() < 0 or values.max() > 0xFFFF):
            raise PhotoError(f"'{said}' has more than 16 bits per pixel: save it as JPEG.")
        grey = ((values + 128) // 257).astype(np.uint8)
        return np.ascontiguousarray(np.repeat(grey[:, :, None], 3, axis=2))
    if image.mode == "F":
        raise PhotoError(f"'{said}' holds measured values, not a photo: save it as JPEG.")
    if image.has_transparency_data:
        layer = image.convert("RGBA")
        image = Image.new("RGBA", layer.size, (255, 255, 255, 255))
        image.alpha_composite(layer)
    return cv2.cvtColor(np.asarray(image.convert("RGB")), cv2.COLOR_RGB2BGR)


def _turn_upright(pixels: np.ndarray, orientation: int) -> np.ndarray:
    """Apply EXIF orientation 1 to 8 (the same table as Pillow's `ImageOps.exif_transpose`).

    Pillow's own function also rewrites the camera's data, and fails when that is damaged.
    """
    if orientation in (5, 6, 7, 8):
        pixels = cv2.transpose(pixels)
    if orientation in (2, 3, 6, 7):
        pixels = cv2.flip(pixels, 1)
    if orientation in (3, 4, 7, 8):
        pixels = cv2.flip(pixels, 0)
    return pixels
