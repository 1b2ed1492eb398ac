"""A first plate from one photo and one known distance, for plates without a drawing.

The four corners of the face make the photo square; the ratio of width to height follows from
the focal length (Zhang and He 2007) and from the bores, which must come out round. The known
distance gives millimetres. Then the bores are looked for again and laid on a grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from mapper.errors import MapperError
from mapper.fit.camera import likely_focal_px
from mapper.fit.dlt import apply_homography, homography_dlt
from mapper.fit.drops import find_drops
from mapper.fit.ellipses import rim_circles
from mapper.fit.errors import FitFailed
from mapper.fit.first_outline import find_corners, grey_of, in_order, quad_shape
from mapper.fit.lattice import Lattice, fit_lattice
from mapper.plate.checks import PlateError, check_plate
from mapper.plate.model import Hole, Plate

if TYPE_CHECKING:
    from mapper.photos import Photo

__all__ = ["FirstPlate", "KnownDistance", "first_plate"]

VIEW_PX = 1400  # long side of the square view
MOST_BORES = 100
ALIKE = 0.15  # bores of one plate are alike in size within this (log)
FOCAL_SIGMA, GUESSED_SIGMA = 0.008, 0.05  # of the log ratio of the sides, by the focal length
ROUND_SIGMA = 0.02  # of the log ratio, of one bore's rim
NO_BORES = "No bores were found in the photo: take one with the bores free, or describe a grid."


@dataclass(frozen=True)
class KnownDistance:
    """Two points of the face in photo pixels and how far apart they are."""

    a_px: tuple[float, float]
    b_px: tuple[float, float]
    length_mm: float


@dataclass(frozen=True, eq=False)
class FirstPlate:
    """A plate to correct, and how it lies in the photo.

    `corners_px` (4, 2) belong to the plate's corners (0, 0), (w, 0), (w, h), (0, h). The pitch
    of a single row or column is 0. `notes` are plain sentences on what is unsure.
    """

    plate: Plate
    rows: int
    columns: int
    pitch_x_mm: float
    pitch_y_mm: float
    bore_diameter_mm: float
    corners_px: np.ndarray
    notes: tuple[str, ...]

    def photo_from_plate(self, xy_mm: np.ndarray, depth_mm: float = 0.0) -> np.ndarray:
        """Photo pixels (N, 2) of points (N, 2) of the face; depth is not known here."""
        width, height = self.plate.width_mm, self.plate.height_mm
        return apply_homography(homography_dlt(_rectangle(width, height), self.corners_px), xy_mm)


def first_plate(
    photo: Photo, known: KnownDistance, corners_px: np.ndarray | None = None
) -> FirstPlate:
    """The plate as one photo shows it, its long edge along x, turned least from the photo.

    `corners_px` (4, 2) are the corners of the face in any order; without them they are looked
    for. The lens is taken as free of distortion. Raises FitFailed with what to do instead.
    """
    a, b = np.array(known.a_px, float), np.array(known.b_px, float)
    if not (np.isfinite([*a, *b]).all() and math.dist(a, b) >= 20):
        raise FitFailed("The two points of the known distance are too near: click them far apart.")
    if not (math.isfinite(known.length_mm) and known.length_mm > 0):
        raise FitFailed("The known distance must be more than 0 mm: type it in millimetres.")
    loose = np.array([(e.x_px, e.y_px) for e in find_drops(photo)]).reshape(-1, 2)
    notes = ["Look whether the outline lies on the edges of the face all round."]
    corners = find_corners(photo, loose) if corners_px is None else in_order(corners_px)
    height, width = photo.pixels_bgr.shape[:2]
    focal = likely_focal_px(photo)
    aspect, skew = quad_shape(corners, focal, ((width - 1) / 2, (height - 1) / 2))
    if photo.focal_px is None:
        notes.append("The photo has no focal length: width against height is by the bores.")
    elif skew > 0.02:
        notes.append("The corners do not make a good rectangle: check them.")
    if aspect < 1:  # the long edge along x, the photo's left edge becomes the lower one
        corners, aspect = np.roll(corners, 1, axis=0), 1 / aspect
    grey = grey_of(photo)
    rims = _rims(grey, corners, aspect)
    if not rims:
        raise FitFailed(NO_BORES)
    aspect = _joint_aspect(rims, corners, aspect, photo.focal_px is not None, notes)
    to_unit = homography_dlt(corners, _rectangle(aspect, 1.0))
    ends = apply_homography(to_unit, np.array([a, b]))
    scale = known.length_mm / math.dist(*ends)
    circles = np.array([_circle(apply_homography(to_unit, rim) * scale) for rim in rims])
    return _assembled(circles, aspect * scale, scale, corners, notes)


def _rectangle(width: float, height: float) -> np.ndarray:
    return np.array([(0, 0), (width, 0), (width, height), (0, height)], float)


def _rims(grey: np.ndarray, corners: np.ndarray, aspect: float) -> list[np.ndarray]:
    """Rim points (M, 2) px of all circles on the face."""
    zoom = VIEW_PX / aspect
    size = (VIEW_PX, round(zoom))
    flipped = np.array([(0, zoom), (VIEW_PX, zoom), (VIEW_PX, 0), (0, 0)], float)
    to_view = homography_dlt(corners, flipped)
    view = cv2.warpPerspective(grey, to_view, size, flags=cv2.INTER_LINEAR)
    circles = rim_circles(view, 9, VIEW_PX / 8)
    picked: list[np.ndarray] = []
    for circle in circles[circles[:, 3] > 0.4]:
        x, y, radius, _ = circle
        if not (radius < x < size[0] - radius and radius < y < size[1] - radius):
            continue
        if all(
            math.dist(circle[:2], p[:2]) > 0.5 * p[2] or radius > 1.25 * p[2] or radius < 0.8 * p[2]
            for p in picked
        ):
            picked.append(circle)
    smooth = cv2.GaussianBlur(view, (0, 0), 1.2)
    back = np.linalg.inv(to_view)
    out = []
    for circle in picked:
        rim = _on_rim(smooth, circle[:3])
        if rim is not None:
            out.append(apply_homography(back, rim))
    return out


def _on_rim(smooth: np.ndarray, circle: np.ndarray) -> np.ndarray | None:
    """Points (M, 2) of the view on the step from light steel to the dark bore, without strays."""
    x, y, radius = circle
    angle = np.arange(120) * (2 * np.pi / 120)
    unit = np.column_stack((np.cos(angle), np.sin(angle)))
    reach = max(4.0, 0.1 * radius)
    for _ in range(2):
        offset = np.arange(-reach, reach + 0.25, 0.5)
        at = np.array([x, y]) + unit[:, None] * (radius + offset)[None, :, None]
        values = cv2.remap(
            smooth,
            at[..., 0].astype(np.float32),
            at[..., 1].astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ).astype(float)
        rise = values[:, 4:] - values[:, :-4]
        peak = rise.argmax(axis=1)
        good = rise.max(axis=1) > 12
        if good.sum() < 30:
            return None
        points = at[np.arange(120), peak + 2][good]
        for _ in range(4):
            x, y, radius = _circle(points)
            miss = np.abs(np.hypot(points[:, 0] - x, points[:, 1] - y) - radius)
            near = miss < max(1.5, 2.5 * np.median(miss))
            if near.all() or near.sum() < 25:
                break
            points = points[near]
        reach = max(3.0, 0.05 * radius)
    return points if len(points) >= 30 else None


def _circle(points: np.ndarray) -> np.ndarray:
    """Centre and radius (3,) of the least-squares circle (Kasa 1976)."""
    rows = np.column_stack((2 * points, np.ones(len(points))))
    x, y, c = np.linalg.lstsq(rows, (points**2).sum(axis=1), rcond=None)[0]
    return np.array([x, y, math.sqrt(max(c + x * x + y * y, 0.0))])


def _joint_aspect(rims, corners, aspect: float, focal_known: bool, notes: list[str]) -> float:
    """Width over height by the focal length and by the bores' roundness, by their certainty."""
    to_plate = homography_dlt(corners, _rectangle(aspect, 1.0))
    logs = []
    for rim in rims:
        points = apply_homography(to_plate, rim)
        away = points - points.mean(axis=0)
        unit = away / np.abs(away).max()
        rows = np.column_stack((unit**2, unit))
        a, b, *_ = np.linalg.lstsq(rows, np.ones(len(rows)), rcond=None)[0]
        if a > 0 and b > 0 and len(rim) > 70:
            logs.append(0.5 * math.log(a / b))  # height over width of the rim as it comes out
    by_focal = FOCAL_SIGMA if focal_known else GUESSED_SIGMA
    if len(logs) < 2:
        return aspect
    values = np.array(logs)
    middle = float(np.median(values))
    spread = max(ROUND_SIGMA, 1.4826 * float(np.median(np.abs(values - middle))))
    by_bores = math.hypot(spread / math.sqrt(len(values)), 0.006)
    if abs(middle) > 3 * math.hypot(by_focal, by_bores):
        notes.append("The bores do not come out round: check width and height.")
    share = by_focal**2 / (by_focal**2 + by_bores**2)
    return aspect * math.exp(share * middle)


def _assembled(
    circles: np.ndarray, width: float, height: float, corners: np.ndarray, notes: list[str]
) -> FirstPlate:
    """Bores on their grid, smaller circles as holes. `circles` (N, 3) mm."""
    bores, lattice, diameter = _bores(circles)
    columns, rows = lattice.columns, lattice.rows
    width, height = round(width, 1), round(height, 1)
    try:
        plate = Plate.grid(
            rows,
            columns,
            round(lattice.pitch_mm[0], 2) or diameter,
            round(lattice.pitch_mm[1], 2) or diameter,
            (round(lattice.first_mm[0], 2), round(lattice.first_mm[1], 2)),
            round(diameter, 1),
            width,
            height,
            name="from a photo",
        )
    except PlateError as error:
        raise FitFailed(
            "The bores found do not make a grid within the outline: click the four corners."
        ) from error
    if lattice.unseen:
        notes.append(
            f"{lattice.unseen} of {rows * columns} bores were not seen and are filled in by the "
            "grid: check them."
        )
    off = int((lattice.cell[:, 0] < 0).sum())
    if off:
        notes.append(f"{off} circles as large as bores lie off the grid and are left out.")
    notes.append("Rows or columns that lie wholly under plastic are not in it: count them.")
    notes.append("The numbers start at the upper left with the long edge level: check them.")
    holes: list[Hole] = []
    for x, y, radius in sorted(circles[~bores].tolist(), key=lambda c: (-c[1], c[0])):
        clear = all(
            math.hypot(d.x_mm - x, d.y_mm - y) > d.bore_diameter_mm / 2 + radius
            for d in plate.drops
        ) and all(math.hypot(h.x_mm - x, h.y_mm - y) > h.diameter_mm / 2 + radius for h in holes)
        if clear and 2 * radius < 0.9 * diameter:
            number = len(holes) + 1
            holes.append(Hole(f"P{number}", round(x, 1), round(y, 1), round(2 * radius, 1)))
    try:
        plate = check_plate(replace(plate, holes=tuple(holes)))
    except MapperError:
        notes.append("Holes were found but do not fit the plate; they are left out.")
    return FirstPlate(plate, rows, columns, *lattice.pitch_mm, diameter, corners, tuple(notes))


def _bores(circles: np.ndarray) -> tuple[np.ndarray, Lattice, float]:
    """Which circles are bores (N,) bool, their grid, and their diameter mm.

    Of all sizes that several circles share, the one whose circles fill a grid best; a larger
    one wins over a smaller one within it (the nozzle in its bore).
    """
    best, best_score = None, 0.0
    for radius in np.exp(np.unique(np.round(np.log(circles[:, 2]) / 0.05) * 0.05)):
        alike = np.abs(np.log(circles[:, 2] / radius)) < ALIKE
        if not 1 <= alike.sum() <= MOST_BORES:
            continue
        diameter = 2 * float(np.median(circles[alike, 2]))
        lattice = fit_lattice(circles[alike, :2], diameter)
        if lattice is None:
            continue
        places = lattice.rows * lattice.columns
        seen = places - lattice.unseen
        score = (seen - lattice.unseen) * diameter * (1.0 if seen > 1 else 0.3)
        if score > best_score:
            best, best_score = (alike, lattice, diameter), score
    if best is None:
        raise FitFailed(NO_BORES)
    return best
