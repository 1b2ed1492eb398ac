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
    image = linear * rng.uniform(0.6, 1.3) * (1 + rng.normal(0, 0.06, 3).astype(np.float32))
    before = rng.uniform(0, 0.25) * w if rng.random() < 0.6 else rng.uniform(0, 0.1) * w
    if before > 0.3:
        image = cv2.GaussianBlur(image, (0, 0), before)
    if rng.random() < 0.12:
        image = _smear(rng, image, int(rng.uniform(0.2, 0.9) * w) | 1)
    if scale < 1:
        n = max(int(round(size * scale)), 12)
        scale = n / size
        image = cv2.resize(image, (n, n), interpolation=cv2.INTER_AREA)
    if rng.random() < 0.8:
        image = cv2.GaussianBlur(image, (0, 0), rng.uniform(0.3, 0.9))
    white = max(float(np.percentile(image, 99)), 1e-3)
    if rng.random() < 0.7 and white < 3:
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
        code = cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(25, 96))])
        photo = cv2.imdecode(code[1], cv2.IMREAD_COLOR)
    return photo, scale


def _smear(rng, image: np.ndarray, length: int) -> np.ndarray:
    kernel = np.zeros((length + 2, length + 2), np.float32)
    way = rng.uniform(0, np.pi)
    half = length / 2 * np.array([np.cos(way), np.sin(way)])
    mid = (length + 1) / 2
    p, q = (np.round(mid + half).astype(int).tolist(), np.round(mid - half).astype(int).tolist())
    cv2.line(kernel, p, q, 1.0, 1, cv2.LINE_AA)
    return cv2.filter2D(image, -1, kernel / max(kernel.sum(), 1e-6))
