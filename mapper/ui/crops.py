"""Leads drawn on enlarged crops of a place, with their tags, for the screen."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from mapper.fit.crops import Crop, crop_of_place, photo_scale_px_per_mm

__all__ = ["Crop", "crop_of_place", "draw_lead", "photo_scale_px_per_mm", "tag_place"]


def _bgr(colour: str) -> tuple[int, int, int]:
    red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    return blue, green, red


def draw_lead(
    crop: Crop,
    points_mm: np.ndarray,
    colour: str,
    tag: str,
    dashed: bool = False,
    beside_mm: float = 0.0,
    keep_clear: Sequence[tuple[float, float]] = (),
) -> Crop:
    """Draw a lead thinly on a crop, with its tag (none for "") at the rim.

    With `beside_mm` the lead is drawn as two hairlines at that distance on both sides, so that
    the wire itself stays in sight. `keep_clear` are crop pixels that earlier tags took.
    """
    picture = crop.pixels_bgr.copy()
    path = crop.px_from_plate(points_mm)
    colour_bgr = _bgr(colour)
    size = np.array([picture.shape[1], picture.shape[0]])
    dense = _dense(path, 3.0)
    inside = ((dense >= -20) & (dense <= size + 20)).all(axis=1)
    lines = [dense]
    if beside_mm > 0 and len(dense) > 1:
        along = np.gradient(dense, axis=0)
        along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
        across = np.column_stack([-along[:, 1], along[:, 0]]) * beside_mm * crop.px_per_mm
        lines = [dense + across, dense - across]
    for colour_now, wide in (((255, 255, 255), 4), (colour_bgr, 2)):
        for line in lines:
            for k in range(len(line) - 1):
                if not (inside[k] and inside[k + 1]) or (dashed and (k // 4) % 2):
                    continue
                start = tuple(int(v) for v in np.round(line[k] * 16))
                end = tuple(int(v) for v in np.round(line[k + 1] * 16))
                cv2.line(picture, start, end, colour_now, wide, cv2.LINE_AA, shift=4)
    if tag:
        _draw_tag(picture, dense, colour_bgr, tag, keep_clear)
    return Crop(picture, crop.x_mm, crop.y_mm, crop.half_mm, crop.shown)


def tag_place(crop: Crop, points_mm: np.ndarray) -> tuple[float, float] | None:
    """Where on the crop (px) the tag of a lead stands: where the lead runs near the rim."""
    dense = _dense(crop.px_from_plate(points_mm), 3.0)
    return _rim_place(dense, crop.pixels_bgr.shape[:2], ())


def _dense(path: np.ndarray, step_px: float) -> np.ndarray:
    """Resample a polyline evenly."""
    lengths = np.linalg.norm(np.diff(path, axis=0), axis=1)
    at = np.concatenate([[0.0], np.cumsum(lengths)])
    if at[-1] <= 0:
        return path[:1]
    samples = np.linspace(0, at[-1], max(2, int(at[-1] / step_px) + 1))
    return np.column_stack([np.interp(samples, at, path[:, k]) for k in range(2)])


def _rim_place(
    dense: np.ndarray, shape: tuple[int, ...], keep_clear: Sequence[tuple[float, float]]
) -> tuple[float, float] | None:
    size = np.array([shape[1], shape[0]], float)
    margin = size.min() * 0.07
    ok = ((dense >= margin) & (dense <= size - margin)).all(axis=1)
    if not ok.any():
        return None
    candidates = dense[ok]
    score = np.abs((candidates - size / 2) / size).max(axis=1)
    for x, y in keep_clear:
        away = np.linalg.norm(candidates - [x, y], axis=1)
        score -= np.where(away < size.min() * 0.25, 1.0, 0.0)
    best = candidates[int(np.argmax(score))]
    return float(best[0]), float(best[1])


def _draw_tag(
    picture: np.ndarray,
    dense: np.ndarray,
    colour_bgr: tuple[int, int, int],
    tag: str,
    keep_clear: Sequence[tuple[float, float]],
) -> None:
    place = _rim_place(dense, picture.shape[:2], keep_clear)
    if place is None:
        return
    centre = (int(place[0]), int(place[1]))
    radius = max(13, picture.shape[0] // 30)
    cv2.circle(picture, centre, radius + 2, (255, 255, 255), -1, cv2.LINE_AA)
    cv2.circle(picture, centre, radius, colour_bgr, -1, cv2.LINE_AA)
    (wide, high), _ = cv2.getTextSize(tag, cv2.FONT_HERSHEY_SIMPLEX, 0.7, 2)
    at = (centre[0] - wide // 2, centre[1] + high // 2)
    cv2.putText(picture, tag, at, cv2.FONT_HERSHEY_SIMPLEX, 0.7, (255, 255, 255), 2, cv2.LINE_AA)
