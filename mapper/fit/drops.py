"""Drops found in a photo: bores as ellipses, by the drawing where there is one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from mapper.fit.api import fit_photo
from mapper.fit.camera import Camera, likely_focal_px
from mapper.fit.ellipses import level_ellipses
from mapper.fit.errors import FitFailed
from mapper.fit.features import grey_of
from mapper.fit.hypotheses import square_circles, square_pose, square_view, tilts, to_square
from mapper.plate.model import Plate

if TYPE_CHECKING:
    from mapper.photos import Photo

__all__ = ["Ellipse", "find_drops"]

WORKING_PX = 1200
LEAST_RIM = 0.45  # weight of a rim to be a bore on its own
ALIKE = 0.12  # bores of one plate are alike in size within this


@dataclass(frozen=True)
class Ellipse:
    """An ellipse in photo pixels; `angle_rad` from the x axis to the major axis, y down."""

    x_px: float
    y_px: float
    semi_major_px: float
    semi_minor_px: float
    angle_rad: float
    drop_id: str | None = None


def find_drops(photo: Photo, plate: Plate | None = None) -> list[Ellipse]:
    """Bores in view. With a drawing they carry its drop numbers, when the photo can be fitted.

    Without a drawing (or without a fit) they are the rims of like size around round things, in
    reading order, unnumbered.
    """
    if plate is not None:
        try:
            fit = fit_photo(photo, plate)
        except FitFailed:
            return _loose_drops(photo)
        out = []
        for drop in plate.drops:
            ellipse = _seen_circle(
                fit.camera, (drop.x_mm, drop.y_mm), drop.bore_diameter_mm / 2, drop.id
            )
            if 0 <= ellipse.x_px < fit.width_px and 0 <= ellipse.y_px < fit.height_px:
                out.append(ellipse)
        return out
    return _loose_drops(photo)


def _seen_circle(
    camera: Camera, xy_mm: tuple[float, float], radius_mm: float, drop_id: str | None
) -> Ellipse:
    """The ellipse that a circle of the face makes in the photo."""
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    rim = np.column_stack((np.cos(angle), np.sin(angle))) * radius_mm + xy_mm
    (x, y), (first, second), turn = cv2.fitEllipseDirect(
        camera.project_face(rim).astype(np.float32)
    )
    major, minor, turn = (first, second, turn) if first >= second else (second, first, turn + 90)
    return Ellipse(x, y, major / 2, minor / 2, float(np.radians(turn)) % np.pi, drop_id)


def _loose_drops(photo: Photo) -> list[Ellipse]:
    full = grey_of(photo.pixels_bgr)
    height, width = full.shape
    scale = min(1.0, WORKING_PX / max(height, width))
    size = (round(width * scale), round(height * scale))
    grey = cv2.resize(full, size, interpolation=cv2.INTER_AREA) if scale < 1 else full
    focal = likely_focal_px(photo)
    centre = ((width - 1) / 2, (height - 1) / 2)
    blobs = level_ellipses(grey).scaled(1 / scale)
    tilt = tilts(blobs, focal, centre, most=1)[0]
    turn = square_view(tilt)
    circles = square_circles(grey, scale, blobs, focal, centre, turn)
    if not len(circles) or not len(blobs):
        return []
    # a bore holds a nozzle: a round thing of less than its size near its middle
    inner, slopes = to_square(turn, (blobs.centre_px - centre) / focal)
    inner_radius = blobs.radius_px / focal * np.sqrt(np.abs(np.linalg.det(slopes)))
    gap = np.hypot(circles[:, None, 0] - inner[None, :, 0], circles[:, None, 1] - inner[None, :, 1])
    holds = ((gap < 0.35 * circles[:, 2:3]) & (inner_radius < 0.85 * circles[:, 2:3])).any(axis=1)
    rims = circles[holds & (circles[:, 3] > LEAST_RIM)]
    if not len(rims):
        return []
    # bores of a plate are alike: the size that most (and larger) rims share
    alike = np.abs(np.log(rims[:, None, 2] / rims[None, :, 2])) < ALIKE
    score = (alike * rims[None, :, 3]).sum(axis=1) * rims[:, 2]
    rims = rims[alike[int(score.argmax())]]
    picked: list[np.ndarray] = []
    for rim in rims[np.argsort(-rims[:, 3], kind="stable")]:
        if all(np.hypot(*(rim[:2] - p[:2])) > 1.2 * rim[2] for p in picked):
            picked.append(rim)
    camera = square_pose(complex(1.0), complex(0.0), turn, focal, centre)
    found = [_seen_circle(camera, (p[0], -p[1]), p[2], None) for p in picked]
    row = 1.5 * np.median([e.semi_minor_px for e in found])
    return sorted(found, key=lambda e: (round(e.y_px / row), e.x_px))
