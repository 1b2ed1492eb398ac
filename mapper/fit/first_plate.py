"""A first plate from one photo and one known distance, for plates without a drawing.

The four corners of the face and the focal length give a rough pose; the ratio of width to height
follows from the focal length (Zhang and He 2007). In the view turned square to the face the rims
of bores are circles, and those of one size that fill a grid are taken for the bores. Camera,
lens and grid are then adjusted together on the edges (`grid_camera`), so that a lens that bends
lines does not shorten the pitch. The known distance gives millimetres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from mapper.errors import MapperError
from mapper.fit.camera import Camera, likely_focal_px
from mapper.fit.dlt import homography_dlt
from mapper.fit.drops import find_drops
from mapper.fit.ellipses import level_ellipses, rim_circles
from mapper.fit.errors import FitFailed
from mapper.fit.features import grey_of
from mapper.fit.first_outline import find_corners, in_order, quad_shape
from mapper.fit.grid_camera import Grid, fit_grid_camera
from mapper.fit.lattice import Lattice, fit_lattice
from mapper.fit.refine import Prior
from mapper.plate.checks import PlateError, check_plate
from mapper.plate.model import Hole, Plate

if TYPE_CHECKING:
    from mapper.photos import Photo

__all__ = ["FirstPlate", "KnownDistance", "first_plate"]

VIEW_PX = 900  # long side of the square view in which bores are looked for
HOLES_PX = 1500  # and of the one for the small holes
UNIT = 1000.0  # width of the plate until the known distance is applied
BORE_SHARE = (0.010, 0.09)  # radius of a bore over the plate's long side
LEAST_RIM = 0.3
MOST_CIRCLES = 150
MOST_BORES = 60
MOST_SIZES = 6
ALIKE = 0.10  # bores of one plate are alike in size within this (log)
FOCAL_SHARE, GUESSED_SHARE = 0.02, 0.15
LENS_SIGMA = 0.05
SEEN_RIM = 0.25  # share of a rim on an edge for its bore to count as seen
SNAP_SHARE = 0.012  # of the photo: a click for the known distance this near a corner means it
HOLE_LEVELS = 6  # grey levels at which a hole shows the same rim
HOLE_CONTRAST = 45  # grey levels from steel to hole
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

    The pitch of a single row or column is 0. `notes` are plain sentences on what is unsure.
    """

    plate: Plate
    rows: int
    columns: int
    pitch_x_mm: float
    pitch_y_mm: float
    bore_diameter_mm: float
    camera: Camera
    notes: tuple[str, ...]

    @property
    def corners_px(self) -> np.ndarray:
        """Where the photo shows the corners (4, 2) of the face."""
        return self.camera.project_face(_rectangle(self.plate.width_mm, self.plate.height_mm))

    def photo_from_plate(self, xy_mm: np.ndarray, depth_mm: float = 0.0) -> np.ndarray:
        """Photo pixels (N, 2) of points (N, 2) that lie `depth_mm` below the face."""
        return self.camera.project_face(xy_mm, depth_mm)


def first_plate(
    photo: Photo, known: KnownDistance, corners_px: np.ndarray | None = None
) -> FirstPlate:
    """The plate as one photo shows it, its long edge along x, turned least from the photo.

    `corners_px` (4, 2) are rough clicks on the corners of the face, in any order; without them
    they are looked for. Raises FitFailed with what to do instead.
    """
    a, b = np.array(known.a_px, float), np.array(known.b_px, float)
    if not (np.isfinite([*a, *b]).all() and math.dist(a, b) >= 20):
        raise FitFailed("The two points of the known distance are too near: click them far apart.")
    if not (math.isfinite(known.length_mm) and known.length_mm > 0):
        raise FitFailed("The known distance must be more than 0 mm: type it in millimetres.")
    notes = ["Look whether the outline lies on the edges of the face all round."]
    if corners_px is None:
        loose = np.array([(e.x_px, e.y_px) for e in find_drops(photo)]).reshape(-1, 2)
        corners = find_corners(photo, loose)
    else:
        corners = in_order(corners_px)
    height_px, width_px = photo.pixels_bgr.shape[:2]
    focal, centre = likely_focal_px(photo), ((width_px - 1) / 2, (height_px - 1) / 2)
    aspect, skew = quad_shape(corners, focal, centre)
    if photo.focal_px is None:
        notes.append("The photo has no focal length: width against height is by the bores.")
    elif skew > 0.04:
        notes.append("The corners do not make a good rectangle: check them.")
    if aspect < 1:  # the long edge along x, the photo's left edge becomes the lower one
        corners, aspect = np.roll(corners, 1, axis=0), 1 / aspect
    grey = grey_of(photo.pixels_bgr)
    camera = Camera.from_homography(
        homography_dlt(_rectangle(UNIT, UNIT / aspect), corners), focal, centre
    )
    grid = _rough_grid(grey, corners, aspect)
    share = FOCAL_SHARE if photo.focal_px else GUESSED_SHARE
    prior = Prior(focal, share, LENS_SIGMA)
    camera, grid, rims = fit_grid_camera(grey, camera, grid, prior, corners)
    a, b = (_snapped(p, camera, grid, SNAP_SHARE * max(grey.shape)) for p in (a, b))
    ends = camera.face_points(np.array([a, b]))
    scale = known.length_mm / math.dist(*ends)
    if not math.isfinite(scale):
        raise FitFailed("The two points of the known distance must lie on the face: click anew.")
    camera = replace(camera, translation_mm=camera.translation_mm * scale)
    grid = grid.scaled(scale)
    return _assembled(camera, grid, rims, _holes(grey, camera, grid), notes)


def _rectangle(width: float, height: float) -> np.ndarray:
    return np.array([(0, 0), (width, 0), (width, height), (0, height)], float)


def _rough_grid(grey: np.ndarray, corners: np.ndarray, aspect: float) -> Grid:
    """The grid of bores in the view that the corners make square, with UNIT for the width."""
    high = max(1, round(VIEW_PX / aspect))
    flipped = np.array([(0, high), (VIEW_PX, high), (VIEW_PX, 0), (0, 0)], float)
    to_view = homography_dlt(corners, flipped)
    view = cv2.warpPerspective(grey, to_view, (VIEW_PX, high), flags=cv2.INTER_AREA)
    circles = rim_circles(view, BORE_SHARE[0] * VIEW_PX, BORE_SHARE[1] * VIEW_PX)
    circles = circles[circles[:, 3] > LEAST_RIM]
    x, y, radius = circles[:, :3].T
    inside = (x > radius) & (y > radius) & (x < VIEW_PX - radius) & (y < high - radius)
    kept: list[np.ndarray] = []
    for circle in circles[inside]:
        if all(
            math.dist(circle[:2], k[:2]) > 0.4 * k[2] or abs(math.log(circle[2] / k[2])) > ALIKE
            for k in kept
        ):
            kept.append(circle)
    if not kept:
        raise FitFailed(NO_BORES)
    found = np.array(kept[:MOST_CIRCLES])
    zoom = UNIT / VIEW_PX
    found[:, 1] = high - found[:, 1]
    found[:, :3] *= zoom
    _, lattice, diameter = _bores(found)
    return Grid(
        UNIT,
        UNIT / aspect,
        lattice.first_mm,
        lattice.pitch_mm,
        lattice.columns,
        lattice.rows,
        diameter / 2,
    )


def _snapped(point: np.ndarray, camera: Camera, grid: Grid, reach_px: float) -> np.ndarray:
    """The corner or the middle of a bore that a click (2,) px means, or the click itself."""
    places = np.concatenate((_rectangle(grid.width, grid.height), grid.centres))
    px = camera.project_face(places)
    away = np.hypot(*(px - point).T)
    nearest = int(np.argmin(away))
    return px[nearest] if away[nearest] < reach_px else point


def _holes(grey: np.ndarray, camera: Camera, grid: Grid) -> list[tuple[float, float, float]]:
    """Round dark holes of the face clear of the bores: x, y, diameter in mm.

    A hole is darker than the steel all round it by a clear step, and its rim is the same ellipse
    at many grey levels; stains and shadows fade, and wires leave no whole rim.
    """
    zoom = HOLES_PX / grid.width
    size = (HOLES_PX, max(1, round(grid.height * zoom)))
    x, y = np.meshgrid((np.arange(size[0]) + 0.5) / zoom, (np.arange(size[1]) + 0.5) / zoom)
    px = camera.project_face(np.column_stack((x.ravel(), (grid.height - y).ravel())))
    maps = np.nan_to_num(px, nan=-1).astype(np.float32).reshape(size[1], size[0], 2)
    view = cv2.remap(grey, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR)
    blobs = level_ellipses(view)
    blobs = blobs.take(blobs.dark & (blobs.weight >= HOLE_LEVELS))
    out: list[tuple[float, float, float]] = []
    for n in np.argsort(-blobs.weight, kind="stable"):
        (at_x, at_y), radius = blobs.centre_px[n], float(blobs.radius_px[n])
        half, spread = np.linalg.eigvalsh(blobs.shape_px2[n])
        if math.sqrt(spread / half) > 1.15 or not _is_hole(view, at_x, at_y, radius):
            continue
        place = np.array([(at_x + 0.5) / zoom, grid.height - (at_y + 0.5) / zoom])
        radius /= zoom
        if np.hypot(*(grid.centres - place).T).min() < grid.radius + radius:
            continue
        if any(math.dist(place, o[:2]) < (o[2] / 2 + radius) for o in out):
            continue
        out.append((float(place[0]), float(place[1]), 2 * radius))
    return out


def _is_hole(view: np.ndarray, x: float, y: float, radius: float) -> bool:
    """Whether a step from light steel to a dark inside runs all round."""
    angle = np.arange(32) * (2 * np.pi / 32)
    ways = np.column_stack((np.cos(angle), np.sin(angle)))
    values = []
    for share in (0.7, 1.0 + max(0.25, 3.0 / radius)):
        at = (np.array([x, y]) + ways * radius * share).astype(np.float32)
        ring = cv2.remap(view, at[:, :1], at[:, 1:], cv2.INTER_LINEAR, borderValue=0)
        values.append(ring.ravel().astype(float))
    inner, outer = values
    return bool(np.quantile(outer - inner, 0.1) > HOLE_CONTRAST)


def _assembled(
    camera: Camera,
    grid: Grid,
    rims: np.ndarray,
    holes: list[tuple[float, float, float]],
    notes: list[str],
) -> FirstPlate:
    """The plate with its notes; rounded as a person would measure."""
    diameter = 2 * grid.radius
    try:
        plate = Plate.grid(
            grid.rows,
            grid.columns,
            round(grid.pitch[0], 2) or diameter,
            round(grid.pitch[1], 2) or diameter,
            (round(grid.first[0], 2), round(grid.first[1], 2)),
            round(diameter, 1),
            round(grid.width, 1),
            round(grid.height, 1),
            name="from a photo",
        )
    except PlateError as error:
        raise FitFailed(
            "The bores found do not make a grid within the outline: click the four corners."
        ) from error
    unseen = int((rims < SEEN_RIM).sum())
    if unseen:
        notes.append(
            f"{unseen} of {grid.rows * grid.columns} bores were not seen clearly and are placed "
            "by the grid: check them."
        )
    notes.append("Rows or columns that lie wholly under plastic are not in it: count them.")
    notes.append("The numbers start at the upper left with the long edge level: check them.")
    ordered = sorted((h for h in holes if h[2] < 0.9 * diameter), key=lambda h: (-h[1], h[0]))
    named = tuple(
        Hole(f"P{n}", round(x, 1), round(y, 1), round(d, 1))
        for n, (x, y, d) in enumerate(ordered, start=1)
    )
    try:
        plate = check_plate(replace(plate, holes=named))
    except MapperError:
        notes.append("Holes were found but do not fit the plate; they are left out.")
    return FirstPlate(plate, grid.rows, grid.columns, *grid.pitch, diameter, camera, tuple(notes))


def _bores(circles: np.ndarray) -> tuple[np.ndarray, Lattice, float]:
    """Which circles (N, 4) are bores (N,) bool, their grid, and their diameter.

    Of the sizes that most circles share, the one whose circles fill a grid best; a larger one
    wins over a smaller one within it (the nozzle in its bore).
    """
    sizes = np.exp(np.unique(np.round(np.log(circles[:, 2]) / 0.05) * 0.05))
    alike = np.abs(np.log(circles[:, 2] / sizes[:, None])) < ALIKE
    worth = (alike * circles[:, 3]).sum(axis=1) * sizes
    best, best_score = None, 0.0
    for n in np.argsort(-worth, kind="stable")[:MOST_SIZES]:
        index = np.flatnonzero(alike[n])[:MOST_BORES]
        diameter = 2 * float(np.median(circles[index, 2]))
        sure = np.clip((circles[index, 3] - 0.2) / 0.7, 0.05, 1.0)
        lattice = fit_lattice(circles[index, :2], diameter, sure)
        if lattice is None:
            continue
        on = lattice.cell[:, 0] >= 0
        seen = lattice.rows * lattice.columns - lattice.unseen
        rims = float(circles[index[on], 3].sum()) * seen / on.sum()  # one circle per place
        score = (rims - 0.5 * lattice.unseen) * diameter * (1.0 if seen > 1 else 0.3)
        if score > best_score:
            best, best_score = (alike[n], lattice, diameter), score
    if best is None:
        raise FitFailed(NO_BORES)
    return best
