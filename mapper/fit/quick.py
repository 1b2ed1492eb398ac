"""What the clicks alone say, from the camera at hand: quick enough while a point is dragged.

The photo is not looked at. A good fit rests on edges and keeps its camera, so that the clicks
show how far each is off; any other camera is moved onto the clicks by least squares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from mapper.fit.clicks import assigned, click_camera, known_targets
from mapper.fit.hints import Click
from mapper.fit.refine import Prior
from mapper.fit.result import PhotoFit
from mapper.plate.features import plate_features
from mapper.plate.model import Plate

__all__ = ["QuickFit", "quick_fit"]

LEAST_CLICKS = 4
FOCAL_SHARE = 0.02  # of the focal length that the camera at hand has found
FAR_SHARE = 10.0  # of the photo's size: a click may be dragged anywhere and keeps its feature


@dataclass(frozen=True, eq=False)
class QuickFit:
    """A camera on the clicks, for show only.

    `features` (N,) are the ids that the clicks are taken for, `misses_mm` (N,) how far each is
    off on the face, `targets_px` (N, 2) where the camera puts those features.
    """

    fit: PhotoFit
    features: tuple[str, ...]
    misses_mm: np.ndarray
    targets_px: np.ndarray

    @property
    def worst(self) -> int | None:
        """Index of the click that is farthest off."""
        return int(np.argmax(self.misses_mm)) if len(self.misses_mm) else None


def quick_fit(plate: Plate, last: PhotoFit, clicks: Sequence[Click]) -> QuickFit | None:
    """Clicks in any order on any features, under the last camera; None when they do not fit.

    Names that the drawing lacks raise FitFailed.
    """
    features = plate_features(plate)
    clicks_px = np.array([(c.x_px, c.y_px) for c in clicks], float).reshape(-1, 2)
    if not len(clicks_px) or not np.isfinite(clicks_px).all():
        return None
    known = known_targets(tuple(clicks), features)
    xy_mm = np.array([(f.x_mm, f.y_mm) for f in features]).reshape(-1, 2)
    reach = FAR_SHARE * max(last.width_px, last.height_px)
    targets = assigned(last.camera, clicks_px, known, xy_mm, reach)
    if targets is None:
        return None
    fit = last
    if last.verdict != "good" and len(clicks_px) >= LEAST_CLICKS:
        prior = Prior(last.focal_px, FOCAL_SHARE)
        camera, covariance = click_camera(last.camera, clicks_px, xy_mm[targets], prior)
        fit = replace(last, camera=camera, covariance=covariance)
    misses = np.hypot(*(fit.plate_from_photo(clicks_px) - xy_mm[targets]).T)
    return QuickFit(
        fit,
        tuple(features[t].id for t in targets),
        np.nan_to_num(misses, nan=np.inf),
        fit.photo_from_plate(xy_mm[targets]),
    )
