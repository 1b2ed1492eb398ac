"""One photo and one drawing as the fit looks at them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from mapper.fit.camera import DEFAULT_FOCAL35_MM, Camera, focal_px_from_35mm
from mapper.fit.errors import FitFailed
from mapper.fit.face import FaceEdges, face_edges, mirrored
from mapper.fit.features import grey_of
from mapper.fit.hypotheses import Circles
from mapper.fit.markers import MarkersSeen, marker_camera, markers_of
from mapper.fit.refine import Prior
from mapper.plate.features import Feature, plate_features
from mapper.plate.model import Plate

if TYPE_CHECKING:
    from mapper.photos import Photo

__all__ = ["Drawing", "Marked", "View", "drawing_of", "is_its_own_mirror", "marked_in", "view_of"]

WORKING_PX = 1200  # long side of the image in which poses are tried
FOCAL_SHARE = 0.05  # a phone's focal tag is right to about this
FOCAL_SHARE_UNKNOWN = 0.15
SAME_DRAWN_MM = 0.5  # features drawn nearer than this can not be told apart in a photo


@dataclass(frozen=True, eq=False)
class Marked:
    """The plate's printed markers in one photo, and what they say without any edge.

    `agree` (K,) is True for the markers that `camera` rests on.
    """

    seen: MarkersSeen
    camera: Camera
    covariance: np.ndarray
    agree: np.ndarray


@dataclass(frozen=True, eq=False)
class View:
    """One photo as the fit looks at it."""

    full: np.ndarray
    grey: np.ndarray
    scale: float
    centre_px: tuple[float, float]
    prior: Prior
    marked: Marked | None = None

    @property
    def width_px(self) -> int:
        return self.full.shape[1]

    @property
    def height_px(self) -> int:
        return self.full.shape[0]

    @property
    def grid_px(self) -> np.ndarray:
        """Points (25, 2) spread over the photo."""
        share = np.linspace(0.1, 0.9, 5)
        x, y = np.meshgrid(share * self.width_px, share * self.height_px)
        return np.column_stack((x.ravel(), y.ravel()))


@dataclass(frozen=True, eq=False)
class Drawing:
    """One plate as the fit looks at it; `mirror` is its mirror image, which has none itself."""

    edges: FaceEdges
    circles: Circles
    features: tuple[Feature, ...]
    reach_mm: float
    outline_mm: np.ndarray
    mirror: Drawing | None = None

    @property
    def middle_mm(self) -> np.ndarray:
        """Middle (2,) of the outline, about which the plate is turned."""
        return (self.outline_mm.min(axis=0) + self.outline_mm.max(axis=0)) / 2

    @property
    def xy_mm(self) -> np.ndarray:
        return np.array([(f.x_mm, f.y_mm) for f in self.features]).reshape(-1, 2)


def view_of(photo: Photo) -> View:
    full = grey_of(photo.pixels_bgr)
    height, width = full.shape
    if min(height, width) < 200:
        raise FitFailed("The photo is too small to be fitted: use the original from the phone.")
    scale = min(1.0, WORKING_PX / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    grey = cv2.resize(full, size, interpolation=cv2.INTER_AREA) if scale < 1 else full
    focal = photo.focal_px
    share = FOCAL_SHARE
    if not focal:
        focal, share = focal_px_from_35mm(DEFAULT_FOCAL35_MM, width, height), FOCAL_SHARE_UNKNOWN
    return View(
        full, grey, size[0] / width, ((width - 1) / 2, (height - 1) / 2), Prior(focal, share)
    )


def marked_in(view: View, plate: Plate) -> Marked | None:
    seen = markers_of(plate.markers, view.full)
    held = marker_camera(seen, view.prior, view.centre_px) if seen.ids else None
    return None if held is None else Marked(seen, *held)


def drawing_of(plate: Plate) -> Drawing:
    return replace(_one_drawing(plate), mirror=_one_drawing(mirrored(plate)))


def _one_drawing(plate: Plate) -> Drawing:
    features = plate_features(plate)
    round_ones = [f for f in features if f.diameter_mm]
    circles = Circles(
        np.array([(f.x_mm, f.y_mm) for f in round_ones]).reshape(-1, 2),
        np.array([f.diameter_mm / 2 for f in round_ones]),
        np.array([f.kind == "drop" for f in round_ones], dtype=bool),
    )
    outline = np.asarray(plate.outline_mm, dtype=float)
    reach = float(np.hypot(*np.ptp(outline, axis=0)))
    return Drawing(face_edges(plate), circles, features, reach, outline)


def is_its_own_mirror(drawing: Drawing) -> bool:
    """Whether the mirror image, turned or not, has every feature where the drawing has one."""

    def places(one: Drawing, turned: bool) -> np.ndarray:
        xy_mm = 2 * one.middle_mm - one.xy_mm if turned else one.xy_mm
        return np.column_stack((xy_mm, [f.diameter_mm or 0.0 for f in one.features]))

    here = places(drawing, False)
    return any(
        np.abs(here[:, None] - places(drawing.mirror, turned)).max(axis=2).min(axis=1).max()
        <= SAME_DRAWN_MM
        for turned in (False, True)
    )
