"""Printed markers painted into photos whose camera is known."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from mapper.fit import Camera
from mapper.fit.markers import MARKER_MODULES, marker_bits
from mapper.plate import Marker

__all__ = ["with_markers"]


def with_markers(pixels_bgr: np.ndarray, camera: Camera, markers: Iterable[Marker]) -> np.ndarray:
    """The photo with printed markers on the face, by rays, 16 to a pixel, mixed in light.

    Corners come from the camera model and the marker's own frame, not from what is tested.
    """
    out = pixels_bgr.copy()
    size = out.shape[1::-1]
    for marker in markers:
        turn = math.radians(marker.angle_deg)
        half, module = marker.side_mm / 2, marker.side_mm / MARKER_MODULES
        paper = half + 1.5 * module
        reach = paper * math.sqrt(2)
        box = camera.project_face(
            np.array([(dx, dy) for dx in (-reach, reach) for dy in (-reach, reach)])
            + (marker.x_mm, marker.y_mm)
        )
        left, top = np.maximum(np.floor(box.min(axis=0)).astype(int), 0)
        right, bottom = np.minimum(np.ceil(box.max(axis=0)).astype(int) + 1, size)
        if right <= left or bottom <= top:
            continue
        offsets = (np.arange(4) + 0.5) / 4 - 0.5
        x, y = np.meshgrid(
            (np.arange(left, right)[:, None] + offsets).ravel(),
            (np.arange(top, bottom)[:, None] + offsets).ravel(),
        )
        mm = camera.face_points(np.column_stack((x.ravel(), y.ravel()))) - (
            marker.x_mm,
            marker.y_mm,
        )
        u = mm[:, 0] * math.cos(turn) + mm[:, 1] * math.sin(turn)
        v = -mm[:, 0] * math.sin(turn) + mm[:, 1] * math.cos(turn)
        column = np.floor((u + half) / module).astype(int)
        row = np.floor((half - v) / module).astype(int)
        printed = (np.abs(u) < half) & (np.abs(v) < half)
        bits = marker_bits(marker.id)[
            np.clip(row, 0, MARKER_MODULES - 1), np.clip(column, 0, MARKER_MODULES - 1)
        ]
        light = np.where(printed & ~bits, 0.03, 0.75)
        on_paper = ((np.abs(u) < paper) & (np.abs(v) < paper)).astype(float)
        shape = (bottom - top, 4, right - left, 4)
        share = on_paper.reshape(shape).mean(axis=(1, 3))[..., None]
        shown = (light * on_paper).reshape(shape).mean(axis=(1, 3))[..., None]
        under = out[top:bottom, left:right].astype(float) / 255
        under = np.where(under <= 0.04045, under / 12.92, ((under + 0.055) / 1.055) ** 2.4)
        mixed = under * (1 - share) + shown
        coded = np.where(
            mixed <= 0.0031308, 12.92 * mixed, 1.055 * np.maximum(mixed, 0) ** (1 / 2.4) - 0.055
        )
        out[top:bottom, left:right] = np.clip(np.rint(coded * 255), 0, 255)
    return out
