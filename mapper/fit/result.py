"""The result of a fit: a camera over the plate, how sure it is, and why it may be doubted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from mapper.fit.camera import Camera
from mapper.fit.errors import FitFailed
from mapper.fit.evidence import face_slopes

__all__ = ["PHOTO_ALONE", "PhotoFit", "common_sigma_px"]

PHOTO_ALONE = "another photo alone"  # method of a fit without evidence of its own

# Light from one side moves all rims together, which no spread about the fit shows. That common
# part is about as large as the misses of single rims; measured on computer-rendered plates, see
# docs/methods.md. A photo with few rims in sight is taken to have likely ones besides.
COMMON_OVER_MISS = 0.6  # standard deviation in each direction over the median miss of the rims
LIKELY_MISS_PX, LIKELY_RIMS = 0.1, 2
# The radius that holds 68 % of the errors of a plane normal distribution, over the root of the
# trace of its covariance: 1.07 when round, 1.0 when all along a line.
RADIUS_68 = 1.05


@dataclass(frozen=True, eq=False)
class PhotoFit:
    """Where a photo lies on the plate.

    `covariance` (8, 8) is that of the steps of `Camera.moved`. `residuals_mm` (K,) are the
    misses at `residual_points` (names of corners, drops and holes; or of the clicks).
    `reasons` say in plain words why a fit is doubtful; `rival` is the next best answer when the
    photo does not settle which one is right. `common_px` is the deviation in each direction of
    what moves all edges of the photo together.
    """

    camera: Camera
    width_px: int
    height_px: int
    covariance: np.ndarray
    verdict: Literal["good", "doubtful"]
    reasons: tuple[str, ...]
    method: str
    residuals_mm: np.ndarray
    residual_points: tuple[str, ...]
    margin: float = 0.0
    rival: Camera | None = None
    common_px: float = COMMON_OVER_MISS * LIKELY_MISS_PX

    @property
    def camera_centre_mm(self) -> np.ndarray:
        """Camera centre (3,) in the plate frame."""
        return self.camera.place_mm

    @property
    def focal_px(self) -> float:
        """Focal length in pixels of the photo."""
        return self.camera.focal_px

    def plate_from_photo(self, xy_px: Any, depth_mm: Any = 0.0) -> np.ndarray:
        """Plate mm (N, 2) of photo pixels (N, 2), on a plane `depth_mm` below the face.

        nan where the ray of a pixel does not meet that plane.
        """
        return self.camera.face_points(np.asarray(xy_px, dtype=float), depth_mm)

    def photo_from_plate(self, xy_mm: Any, depth_mm: Any = 0.0) -> np.ndarray:
        """Photo pixels (N, 2) of plate points (N, 2) that lie `depth_mm` below the face."""
        return self.camera.project_face(np.asarray(xy_mm, dtype=float), depth_mm)

    def sigma_mm(self, xy_mm: Any) -> np.ndarray:
        """Radius (N,) in mm that holds about 68 % of the errors at face points (N, 2)."""
        xy = np.asarray(xy_mm, dtype=float).reshape(-1, 2)
        _, slopes = face_slopes(self.camera, xy)
        _, steps = self.camera.jacobian(np.column_stack((xy, np.zeros(len(xy)))))
        spread = steps @ self.covariance @ np.swapaxes(steps, 1, 2) + self.common_px**2 * np.eye(2)
        to_mm = np.linalg.pinv(slopes)
        spread = to_mm @ spread @ np.swapaxes(to_mm, 1, 2)
        return RADIUS_68 * np.sqrt(np.trace(spread, axis1=1, axis2=2))

    def doubted(self, *reasons: str) -> PhotoFit:
        """The same fit, doubtful for the reasons given as well."""
        return replace(self, verdict="doubtful", reasons=(*self.reasons, *reasons))

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types; `from_dict` reads them back."""
        out: dict[str, Any] = {
            "camera": _camera_dict(self.camera),
            "width_px": self.width_px,
            "height_px": self.height_px,
            "covariance": np.asarray(self.covariance).tolist(),
            "verdict": self.verdict,
            "reasons": list(self.reasons),
            "method": self.method,
            "residuals_mm": [float(r) for r in self.residuals_mm],
            "residual_points": list(self.residual_points),
            "margin": float(self.margin),
            "common_px": float(self.common_px),
        }
        if self.rival is not None:
            out["rival"] = _camera_dict(self.rival)
        return out

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> PhotoFit:
        """Inverse of `to_dict`; FitFailed when the record is damaged."""
        try:
            covariance = np.array(plain["covariance"], dtype=float)
            residuals = np.array(plain["residuals_mm"], dtype=float)
            verdict = plain["verdict"]
            if covariance.shape != (8, 8) or not np.isfinite(covariance).all():
                raise ValueError
            if verdict not in ("good", "doubtful") or residuals.ndim != 1:
                raise ValueError
            width, height = int(plain["width_px"]), int(plain["height_px"])
            # fits stored before each had its own: 0.06 px of a photo 2400 px long
            common = float(plain.get("common_px", 0.06 / 2400 * max(width, height)))
            if not np.isfinite(common) or common < 0:
                raise ValueError
            return cls(
                _camera_of(plain["camera"]),
                width,
                height,
                covariance,
                verdict,
                tuple(str(r) for r in plain["reasons"]),
                str(plain["method"]),
                residuals,
                tuple(str(p) for p in plain["residual_points"]),
                float(plain.get("margin", 0.0)),
                _camera_of(plain["rival"]) if plain.get("rival") else None,
                common,
            )
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise FitFailed("The stored fit of this photo is damaged: fit it again.") from error


def common_sigma_px(misses_px: np.ndarray) -> float:
    """`PhotoFit.common_px` of a fit whose rims miss their places by (K,) px."""
    count = len(misses_px)
    median = float(np.median(misses_px)) if count else 0.0
    total = count * median**2 + LIKELY_RIMS * LIKELY_MISS_PX**2
    return COMMON_OVER_MISS * float(np.sqrt(total / (count + LIKELY_RIMS)))


def _camera_dict(camera: Camera) -> dict[str, Any]:
    return {
        "focal_px": float(camera.focal_px),
        "centre_px": [float(c) for c in camera.centre_px],
        "rotation": np.asarray(camera.rotation).tolist(),
        "translation_mm": np.asarray(camera.translation_mm).tolist(),
        "k1": float(camera.k1),
    }


def _camera_of(plain: Mapping[str, Any]) -> Camera:
    turn = np.array(plain["rotation"], dtype=float)
    shift = np.array(plain["translation_mm"], dtype=float)
    cx, cy = (float(c) for c in plain["centre_px"])
    focal, k1 = float(plain["focal_px"]), float(plain["k1"])
    numbers = np.concatenate((turn.ravel(), shift.ravel(), [cx, cy, focal, k1]))
    if turn.shape != (3, 3) or shift.shape != (3,) or not np.isfinite(numbers).all():
        raise ValueError
    if np.abs(turn @ turn.T - np.eye(3)).max() > 1e-6 or focal <= 0:
        raise ValueError
    return Camera(focal, (cx, cy), turn, shift, k1)
