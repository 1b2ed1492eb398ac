"""A photo of an invented scene: lens, sensor, sharpening, JPEG."""

from __future__ import annotations

import cv2
import numpy as np

__all__ = ["photo_of"]


def photo_of(rng: np.random.Generator, linear: np.ndarray, w: float) -> tuple[np.ndarray, float]:
    """One photo of the scene: sRGB uint8 and its pixels per scene pixel."""
    size = len(linear)
    small = float(np.exp(rng.uniform(np.log(1.4), np.log(12.0))))
    scale = min(small / w, 1.0)
    cast = rng.normal(0, rng.choice([0.06, 0.15]), 3).astype(np.float32)
    image = linear * np.float32(rng.uniform(0.6, 1.3)) * np.clip(1 + cast, 0.4, 1.8)
    before = rng.uniform(0, 0.25) * w if rng.random() < 0.6 else rng.uniform(0, 0.1) * w
    if before > 0.3:
        image = cv2.GaussianBlur(image, (0, 0), before)
    if rng.random() < 0.12:
        image = _smear(rng, image, int(rng.uniform(0.2, 0.9) * w) | 1)
    if scale < 1:
        n = max(int(round(size * scale)), 12)
        scale = n / size
        way = cv2.INTER_LINEAR if scale > 0.5 and rng.random() < 0.3 else cv2.INTER_AREA
        image = cv2.resize(image, (n, n), interpolation=way)
    if rng.random() < 0.8:
        image = cv2.GaussianBlur(image, (0, 0), rng.uniform(0.3, 0.9))
    white = max(float(np.percentile(image, 99)), 1e-3)
    if rng.random() < 0.7 and 0.02 < white < 3:
        image = image / white * rng.uniform(0.3, 1.2)
    photo = np.clip(image, 0, 1) ** np.float32(1 / rng.uniform(1.9, 2.5)) * 255
    noise = rng.normal(0, 1, photo.shape).astype(np.float32)
    if rng.random() < 0.3:
        noise = cv2.GaussianBlur(noise, (0, 0), 0.7) * 1.6
    photo = photo + noise * np.exp(rng.uniform(np.log(0.5), np.log(10)))
    if rng.random() < 0.4:
        amount = rng.uniform(0.3, 1.6)
        photo = photo + amount * (photo - cv2.GaussianBlur(photo, (0, 0), rng.uniform(0.6, 1.5)))
    photo = np.clip(photo, 0, 255).astype(np.uint8)
    if rng.random() < 0.9:
        photo = _stored(rng, photo)
    if scale * w > 2.6 and rng.random() < 0.25:  # sent on smaller: shrunk, noisy, stored again
        n = int(len(photo) * rng.uniform(max(1.3 / (scale * w), 0.33), 0.7))
        scale *= n / len(photo)
        photo = cv2.resize(photo, (n, n), interpolation=cv2.INTER_AREA)
        noise = rng.normal(0, rng.uniform(0, 7), photo.shape)
        photo = _stored(rng, np.clip(photo + noise, 0, 255).astype(np.uint8))
    if rng.random() < 0.12:  # and enlarged
        n = int(len(photo) * rng.uniform(1.3, 3.0))
        scale *= n / len(photo)
        way = (cv2.INTER_LINEAR, cv2.INTER_CUBIC)[int(rng.integers(0, 2))]
        photo = cv2.resize(photo, (n, n), interpolation=way)
        photo = _stored(rng, photo) if rng.random() < 0.5 else photo
    return photo, scale


def _stored(rng, photo: np.ndarray) -> np.ndarray:
    """Through JPEG, colours at full, half or quarter density."""
    density = (
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_422,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    )[int(rng.integers(0, 4))]
    quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(20, 96))]
    code = cv2.imencode(".jpg", photo, [*quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, density])
    return cv2.imdecode(code[1], cv2.IMREAD_COLOR)


def _smear(rng, image: np.ndarray, length: int) -> np.ndarray:
    kernel = np.zeros((length + 2, length + 2), np.float32)
    way = rng.uniform(0, np.pi)
    half = length / 2 * np.array([np.cos(way), np.sin(way)])
    mid = (length + 1) / 2
    p, q = (np.round(mid + half).astype(int).tolist(), np.round(mid - half).astype(int).tolist())
    cv2.line(kernel, p, q, 1.0, 1, cv2.LINE_AA)
    return cv2.filter2D(image, -1, kernel / max(kernel.sum(), 1e-6))
