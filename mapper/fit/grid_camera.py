"""Camera, lens and grid of bores from one photo at once, when the drawing is not known.

The outline is a rectangle, the bores are equal circles on a grid: that is enough to find the
lens as well. All samples of edges enter one robust least-squares problem in the camera's eight
parameters and in the height, grid and radius of the plate; its width is the unit. Straight
sides and even pitches hold the radial term (plumb lines: Brown 1971), round rims and the prior
on the focal length hold width against height.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from mapper.fit.camera import Camera
from mapper.fit.errors import FitFailed
from mapper.fit.evidence import edge_offsets
from mapper.fit.face import FaceEdges
from mapper.fit.refine import LEAST_STRENGTH, Prior

__all__ = ["Grid", "fit_grid_camera"]

WORKING_PX = 1200
# Of the working picture: how far edges are looked for. No farther than a click is rough: next to
# the face's edge lies the lower edge of the plate, or its shadow.
ROUGH_PX = (7.0, 5.0, 4.0, 3.0)
FINE_PX = (3.0, 2.0, 1.5)  # of the photo itself
SIGMA_PX = 0.35
RIM, SIDE = 72, 90  # samples on a rim, on a side
CORNER = 0.04  # share of a side left out at each end
CORNER_REACH = 0.006  # of the photo: a side's edge lies no farther from the line of its corners
MIN_SAMPLES = 60
TOGETHER = 4.0  # samples of one rim or side err together: what is known before counts the more
NOT_SEEN = (
    "The edges of the face and of the bores are not clear enough in the photo: click the four "
    "corners again, or take the photo with more light from the side."
)


@dataclass(frozen=True, eq=False)
class Grid:
    """A rectangle with equal bores on a grid; lower left corner (0, 0), any unit of length."""

    width: float
    height: float
    first: tuple[float, float]
    pitch: tuple[float, float]
    columns: int
    rows: int
    radius: float

    @property
    def centres(self) -> np.ndarray:
        """Middles (N, 2) of all bores, row by row from below."""
        row, column = np.divmod(np.arange(self.rows * self.columns), self.columns)
        return np.column_stack((column, row)) * self.pitch + self.first

    def scaled(self, factor: float) -> Grid:
        """The same grid in another unit."""
        return replace(
            self,
            width=self.width * factor,
            height=self.height * factor,
            first=(self.first[0] * factor, self.first[1] * factor),
            pitch=(self.pitch[0] * factor, self.pitch[1] * factor),
            radius=self.radius * factor,
        )

    def moved(self, step: np.ndarray) -> Grid:
        """After a step (6,): height, first, pitch, radius."""
        h, x, y, px, py, r = (float(s) for s in step)
        return replace(
            self,
            height=self.height + h,
            first=(self.first[0] + x, self.first[1] + y),
            pitch=(self.pitch[0] + px, self.pitch[1] + py),
            radius=self.radius + r,
        )

    def slopes(self) -> np.ndarray:
        """Derivatives (N, 2, 6) of the samples by the parameters of `moved`."""
        angle = np.arange(RIM) * (2 * np.pi / RIM)
        row, column = np.divmod(np.repeat(np.arange(self.rows * self.columns), RIM), self.columns)
        count = len(row)
        out = np.zeros((count + 4 * SIDE, 2, 6))
        out[:count, 0, 1] = out[:count, 1, 2] = 1
        out[:count, 0, 3], out[:count, 1, 4] = column, row
        out[:count, 0, 5] = np.tile(np.cos(angle), self.rows * self.columns)
        out[:count, 1, 5] = np.tile(np.sin(angle), self.rows * self.columns)
        share = np.tile(CORNER + (1 - 2 * CORNER) * (np.arange(SIDE) + 0.5) / SIDE, 4)
        share[:SIDE], share[2 * SIDE : 3 * SIDE] = 0, 1
        out[count:, 1, 0] = share
        return out

    def samples(self) -> tuple[np.ndarray, np.ndarray]:
        """Points (N, 2) on rims and sides, and normals (N, 2) out of the steel."""
        angle = np.arange(RIM) * (2 * np.pi / RIM)
        unit = np.column_stack((np.cos(angle), np.sin(angle)))
        rims = (self.centres[:, None] + self.radius * unit).reshape(-1, 2)
        along = CORNER + (1 - 2 * CORNER) * (np.arange(SIDE) + 0.5) / SIDE
        zero, one = np.zeros(SIDE), np.ones(SIDE)
        sides = np.concatenate(
            [
                np.column_stack((along, zero)),
                np.column_stack((one, along)),
                np.column_stack((along, one)),
                np.column_stack((zero, along)),
            ]
        ) * (self.width, self.height)
        out = np.repeat([(0.0, -1.0), (1.0, 0.0), (0.0, 1.0), (-1.0, 0.0)], SIDE, axis=0)
        normals = np.concatenate((np.tile(-unit, (len(self.centres), 1)), out))
        return np.concatenate((rims, sides)), normals


def fit_grid_camera(
    grey: np.ndarray, camera: Camera, grid: Grid, prior: Prior, corners_px: np.ndarray
) -> tuple[Camera, Grid, np.ndarray]:
    """Camera and grid refined on a photo (H, W) uint8, and the share (N,) of each rim seen.

    `corners_px` (4, 2) are the rough corners, in the order of the sides. Raises FitFailed where
    too few edges are found.
    """
    scale = min(1.0, WORKING_PX / max(grey.shape))
    size = (round(grey.shape[1] * scale), round(grey.shape[0] * scale))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA) if scale < 1 else grey
    for reach in ROUGH_PX:
        camera, grid = _round(small, scale, camera, grid, prior, reach, corners_px, False)
    for reach in FINE_PX:
        camera, grid = _round(grey, 1.0, camera, grid, prior, reach, corners_px, True)
    count = grid.rows * grid.columns
    found = edge_offsets(small, scale, camera, _edges(grid), 3.0)
    met = np.isfinite(found.offset_px) & (found.strength > LEAST_STRENGTH)
    met &= np.abs(found.offset_px) * scale < 1.2
    return camera, grid, met[: count * RIM].reshape(count, RIM).mean(axis=1)


def _edges(grid: Grid) -> FaceEdges:
    points, normals = grid.samples()
    nothing = np.zeros(len(points), int)
    return FaceEdges(
        points, normals, nothing, nothing, np.ones(len(points)), ("grid",), nothing[:1], points[:1]
    )


def _cauchy_but_priors(squares: np.ndarray) -> np.ndarray:
    """Cauchy's loss (3, M) with its derivatives for edges; the two priors at the end in full."""
    out = np.empty((3, len(squares)))
    grown = 1 + squares
    out[0], out[1], out[2] = np.log(grown), 1 / grown, -1 / grown**2
    out[0, -2:], out[1, -2:], out[2, -2:] = squares[-2:], 1, 0
    return out


def _near_sides(at_px: np.ndarray, corners_px: np.ndarray, reach_px: float) -> np.ndarray:
    """Which edge points (4 SIDE, 2) lie near the line between the rough corners of their side."""
    starts, ends = corners_px, np.roll(corners_px, -1, axis=0)
    along = (ends - starts) / np.hypot(*(ends - starts).T)[:, None]
    across = np.repeat(np.column_stack((-along[:, 1], along[:, 0])), SIDE, axis=0)
    away = ((at_px - np.repeat(starts, SIDE, axis=0)) * across).sum(axis=1)
    return np.abs(np.nan_to_num(away, nan=np.inf)) < reach_px


def _round(
    image, scale, camera: Camera, grid: Grid, prior: Prior, reach: float, corners_px, fine: bool
):
    """One search for edges, and the least-squares step onto what was found."""
    found = edge_offsets(
        image, scale, camera, _edges(grid), reach, step_px=0.5 if fine else 1.0, linear=fine
    )
    use = np.isfinite(found.offset_px) & (found.strength > LEAST_STRENGTH)
    at = found.px + found.normals * found.offset_px[:, None]
    use[-4 * SIDE :] &= _near_sides(
        at[-4 * SIDE :], corners_px, CORNER_REACH * max(image.shape) / scale
    )
    if use.sum() < MIN_SAMPLES:
        raise FitFailed(NOT_SEEN)
    normal = found.normals[use]
    goal = (found.px[use] * normal).sum(axis=1) + found.offset_px[use]
    sigma = max(SIGMA_PX, 0.25 * reach if not fine else 0.0) / scale
    free = np.ones(14, bool)  # the pitch of a single row or column is no unknown
    free[11], free[12] = grid.columns > 1, grid.rows > 1
    unit = grid.width / 1000
    steps = np.array([1e-3] * 3 + [unit] * 3 + [1e-2, 1e-2] + [unit] * 6)

    def moved(free_step: np.ndarray) -> tuple[Camera, Grid]:
        step = np.zeros(14)
        step[free] = free_step
        step *= steps
        return camera.moved(step[:8]), grid.moved(step[8:])

    def residuals(free_step: np.ndarray) -> np.ndarray:
        new_camera, new_grid = moved(free_step)
        px = new_camera.project_face(new_grid.samples()[0][use])
        miss = ((px * normal).sum(axis=1) - goal) / sigma
        pull = (
            TOGETHER * np.log(new_camera.focal_px / prior.focal_px) / prior.focal_share,
            TOGETHER * new_camera.k1 / prior.k1_sigma,
        )
        return np.append(np.nan_to_num(miss, nan=1e3), pull)

    by_grid = grid.slopes()[use]

    def slopes(free_step: np.ndarray) -> np.ndarray:
        new_camera, new_grid = moved(free_step)
        points = new_grid.samples()[0][use]
        _, by_camera = new_camera.jacobian(np.column_stack((points, np.zeros(len(points)))))
        # columns 3 to 5 are by a shift in the camera frame, so also by one of the point, turned
        by_point = by_camera[:, :, 3:6] @ new_camera.rotation[:, :2]
        rows = np.concatenate((by_camera, by_point @ by_grid), axis=2)
        rows = np.einsum("ni,nij->nj", normal, rows) / sigma
        tail = np.zeros((2, 14))
        tail[0, 6], tail[1, 7] = TOGETHER / prior.focal_share, TOGETHER / prior.k1_sigma
        return (np.vstack((rows, tail)) * steps)[:, free]

    start = np.zeros(free.sum())
    solved = least_squares(residuals, start, jac=slopes, loss=_cauchy_but_priors, max_nfev=10)
    return moved(solved.x)
