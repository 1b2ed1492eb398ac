"""A pinhole camera with one radial term, over the plate.

Photo frame: pixels, (0, 0) the centre of the first pixel, x right, y down. Camera frame:
x right, y down, z forward. Plate frame: mm, z out of the face, so that a point `depth_mm`
below the face has z = -depth_mm. A point X of the plate is at R X + t in the camera frame.

Lens: x_d = x (1 + k1 r^2) in normalised coordinates (Brown 1966/1971, as in OpenCV calib3d).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from mapper.fit.errors import FitFailed

if TYPE_CHECKING:
    from mapper.photos import Photo

__all__ = [
    "DEFAULT_FOCAL35_MM",
    "Camera",
    "distort",
    "focal_px_from_35mm",
    "likely_focal_px",
    "parallax_mm",
    "rotation",
    "undistort",
]

# Most phone main cameras; used with a wide prior when a photo carries no focal length.
DEFAULT_FOCAL35_MM = 26.0
FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)


def focal_px_from_35mm(focal35_mm: float, width_px: int, height_px: int) -> float:
    """Focal length in pixels from the 35 mm equivalent, by the diagonal (CIPA's usual reading)."""
    return focal35_mm * math.hypot(width_px, height_px) / FILM_DIAGONAL_MM


def likely_focal_px(photo: Photo) -> float:
    """Focal length of a photo in pixels: its own, or a phone's usual one where it says none."""
    height, width = photo.pixels_bgr.shape[:2]
    return photo.focal_px or focal_px_from_35mm(DEFAULT_FOCAL35_MM, width, height)


def parallax_mm(lateral_mm: float, height_mm: float, depth_mm: float) -> float:
    """Apparent shift on the face, towards the camera's foot point, of a point below the face.

    `lateral_mm` from the foot point to the point, `height_mm` of the camera above the face.
    """
    return lateral_mm * depth_mm / (height_mm + depth_mm)


def distort(xy: np.ndarray, k1: float, k2: float = 0.0, p1: float = 0.0, p2: float = 0.0):
    """Normalised coordinates (N, 2) through Brown's lens model, as OpenCV's projectPoints."""
    x, y = np.asarray(xy, dtype=float).T
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * k2)
    return np.column_stack(
        (
            x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
            y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
        )
    )


def undistort(xy: np.ndarray, k1: float, k2: float = 0.0, p1: float = 0.0, p2: float = 0.0):
    """Inverse of `distort` for normalised coordinates (N, 2), by fixed-point iteration."""
    goal = np.asarray(xy, dtype=float)
    found = goal.copy()
    for _ in range(50):
        step = goal - distort(found, k1, k2, p1, p2)
        found = found + step
        if not step.size or np.abs(step).max() < 1e-11:
            break
    return found


def rotation(vector: np.ndarray) -> np.ndarray:
    """Rotation matrix (3, 3) of a rotation vector (3,) in radians (Rodrigues)."""
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3) + _cross(vector)
    axis = _cross(np.asarray(vector) / angle)
    return np.eye(3) + math.sin(angle) * axis + (1 - math.cos(angle)) * axis @ axis


def _cross(v: np.ndarray) -> np.ndarray:
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


@dataclass(frozen=True, eq=False)
class Camera:
    """Pose and lens of one photo. `rotation` (3, 3), `translation_mm` (3,), plate to camera."""

    focal_px: float
    centre_px: tuple[float, float]
    rotation: np.ndarray
    translation_mm: np.ndarray
    k1: float = 0.0

    @property
    def matrix(self) -> np.ndarray:
        """Camera matrix K (3, 3)."""
        cx, cy = self.centre_px
        return np.array([[self.focal_px, 0.0, cx], [0.0, self.focal_px, cy], [0.0, 0.0, 1.0]])

    @property
    def place_mm(self) -> np.ndarray:
        """Camera centre (3,) in the plate frame."""
        return -self.rotation.T @ self.translation_mm

    @property
    def homography(self) -> np.ndarray:
        """Map (3, 3) from the face (mm) to pixels of a lens without distortion."""
        pose = np.column_stack((self.rotation[:, :2], self.translation_mm))
        return self.matrix @ pose

    def project(self, points_mm: np.ndarray) -> np.ndarray:
        """Pixels (N, 2) of plate points (N, 3); nan behind the camera."""
        seen = np.asarray(points_mm, dtype=float) @ self.rotation.T + self.translation_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            xy = np.where(seen[:, 2:] > 1e-9, seen[:, :2] / seen[:, 2:], np.nan)
        return distort(xy, self.k1) * self.focal_px + self.centre_px

    def project_face(self, xy_mm: np.ndarray, depth_mm: float | np.ndarray = 0.0) -> np.ndarray:
        """Pixels (N, 2) of points (N, 2) that lie `depth_mm` below the face."""
        xy = np.asarray(xy_mm, dtype=float).reshape(-1, 2)
        depth = np.broadcast_to(np.asarray(depth_mm, dtype=float), len(xy))
        return self.project(np.column_stack((xy, -depth)))

    def face_points(self, xy_px: np.ndarray, depth_mm: float | np.ndarray = 0.0) -> np.ndarray:
        """Points (N, 2) in mm where the rays of pixels (N, 2) meet the plane `depth_mm` down.

        nan for rays that never meet it.
        """
        xy = np.asarray(xy_px, dtype=float).reshape(-1, 2)
        depth = np.broadcast_to(np.asarray(depth_mm, dtype=float), len(xy))
        plain = undistort((xy - self.centre_px) / self.focal_px, self.k1)
        rays = np.column_stack((plain, np.ones(len(xy)))) @ self.rotation
        eye = self.place_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            along = (-depth - eye[2]) / rays[:, 2]
            along = np.where(along > 0, along, np.nan)
        return eye[:2] + along[:, None] * rays[:, :2]

    def jacobian(self, points_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Pixels (N, 2) and their derivatives (N, 2, 8) by the parameters of `moved`."""
        turned = points_mm @ self.rotation.T
        x, y, z = (turned + self.translation_mm).T
        u, v = x / z, y / z
        r2 = u * u + v * v
        radial = 1 + self.k1 * r2
        f = self.focal_px
        px = np.column_stack((u * radial, v * radial)) * f + self.centre_px
        # d(px) / d(u, v)
        du = f * (radial + 2 * self.k1 * u * u)
        dv = f * (radial + 2 * self.k1 * v * v)
        duv = f * 2 * self.k1 * u * v
        # d(u, v) / d(point in the camera frame)
        by_point = np.empty((len(x), 2, 3))
        by_point[:, 0, 0], by_point[:, 0, 1] = du / z, duv / z
        by_point[:, 0, 2] = -(du * u + duv * v) / z
        by_point[:, 1, 0], by_point[:, 1, 1] = duv / z, dv / z
        by_point[:, 1, 2] = -(duv * u + dv * v) / z
        out = np.empty((len(x), 2, 8))
        # a small turn w moves a turned point a by w x a
        a, b, c = turned.T
        out[:, :, 0] = by_point[:, :, 2] * b[:, None] - by_point[:, :, 1] * c[:, None]
        out[:, :, 1] = by_point[:, :, 0] * c[:, None] - by_point[:, :, 2] * a[:, None]
        out[:, :, 2] = by_point[:, :, 1] * a[:, None] - by_point[:, :, 0] * b[:, None]
        out[:, :, 3:6] = by_point
        out[:, :, 6] = px - self.centre_px  # by the logarithm of the focal length
        out[:, :, 7] = np.column_stack((u * r2, v * r2)) * f
        return px, out

    def moved(self, step: np.ndarray) -> Camera:
        """Camera after a step (8,): turn (rad, in the camera frame), shift (mm), log f, k1."""
        return replace(
            self,
            rotation=rotation(step[:3]) @ self.rotation,
            translation_mm=self.translation_mm + step[3:6],
            focal_px=self.focal_px * math.exp(step[6]),
            k1=self.k1 + step[7],
        )

    def step_to(self, end: Camera) -> np.ndarray:
        """The step (8,) of `moved` that leads to another camera."""
        turn = cv2.Rodrigues(end.rotation @ self.rotation.T)[0].ravel()
        lens = math.log(end.focal_px / self.focal_px), end.k1 - self.k1
        return np.concatenate((turn, end.translation_mm - self.translation_mm, lens))

    @classmethod
    def from_homography(
        cls, homography: np.ndarray, focal_px: float, centre_px: tuple[float, float]
    ) -> Camera:
        """Pose from a map face mm -> px and a known focal length (closest rotation by SVD).

        Raises FitFailed when the map shows the face from behind or is degenerate.
        """
        cx, cy = centre_px
        inverse_k = np.array(
            [[1 / focal_px, 0, -cx / focal_px], [0, 1 / focal_px, -cy / focal_px], [0, 0, 1]]
        )
        columns = inverse_k @ homography
        scale = math.sqrt(np.linalg.norm(columns[:, 0]) * np.linalg.norm(columns[:, 1]))
        if not np.isfinite(scale) or scale < 1e-12:
            raise FitFailed("The points given lie in a line: click points spread over the plate.")
        columns = columns / (scale if columns[2, 2] > 0 else -scale)
        third = np.cross(columns[:, 0], columns[:, 1])
        u, _, vt = np.linalg.svd(np.column_stack((columns[:, :2], third)))
        turn = u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt
        if turn[2, 2] > 0:
            raise FitFailed(
                "The points given show the plate from behind: check the order of the points."
            )
        return cls(focal_px, centre_px, turn, columns[:, 2])
