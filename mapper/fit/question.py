"""One question to the user where a photo does not settle which of two answers is right.

Two answers differ in what the drawing has at a place where the other one has nothing: the
telling features. Shown where each answer puts the same one, a person sees at once which is
right, for instance where an offset pin hole lies.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np

from mapper.fit.camera import likely_focal_px
from mapper.fit.errors import FitFailed
from mapper.fit.evidence import edge_offsets
from mapper.fit.face import KINDS, face_edges
from mapper.fit.features import grey_of
from mapper.fit.refine import Prior, polish
from mapper.fit.result import PhotoFit
from mapper.fit.verdict import seen_features, telling_features
from mapper.plate.model import Plate

if TYPE_CHECKING:
    from mapper.photos import Photo

__all__ = ["Telling", "asks_for_the_side", "one_question", "rival_fit", "telling_feature"]

WORKING_PX = 1200
LEAST_REACH_MM = 8.0
SIDE = "The mirror image of the drawing"  # how the doubt about the drawing's side begins
NO_RIVAL = "This photo has no second answer to change to: fit it again."


@dataclass(frozen=True)
class Telling:
    """A feature that the two answers put at different places, and its place on the plate.

    `name` is the id of a drop or hole, else the kind of edge; `reach_mm` is half its size.
    """

    name: str
    kind: Literal["drop", "hole", "channel", "outline"]
    x_mm: float
    y_mm: float
    reach_mm: float


def one_question(fit: PhotoFit) -> bool:
    """Whether a nearly as good rival is the only reason why a fit is doubtful."""
    return fit.verdict == "doubtful" and fit.rival is not None and len(fit.reasons) == 1


def asks_for_the_side(fit: PhotoFit) -> bool:
    """Whether the fit is doubtful because the drawing may show the plate's other face."""
    return fit.verdict == "doubtful" and any(r.startswith(SIDE) for r in fit.reasons)


def telling_feature(photo: Photo, plate: Plate, fit: PhotoFit) -> Telling | None:
    """The feature that tells a fit and its rival apart best; None when nothing in sight does.

    Round ones come first, as a person finds them soonest; of those the one with the clearest
    rim under one answer and none under the other.
    """
    if fit.rival is None:
        return None
    full = grey_of(photo.pixels_bgr)
    scale = min(1.0, WORKING_PX / max(full.shape))
    size = (round(full.shape[1] * scale), round(full.shape[0] * scale))
    grey = cv2.resize(full, size, interpolation=cv2.INTER_AREA) if scale < 1 else full
    edges = face_edges(plate).every(2)
    seen = [seen_features(grey, scale, camera, edges) for camera in (fit.camera, fit.rival)]
    tells = [
        telling_features((edges, seen[k]), seen[1 - k], grey.shape, scale).astype(int)
        for k in (0, 1)
    ]
    usable = seen[0].in_view & seen[1].in_view & (tells[0] + tells[1] > 0)
    if not usable.any():
        return None
    clear = [_clearness(grey, scale, camera, edges) for camera in (fit.camera, fit.rival)]
    round_one = (edges.feature_kind == 1) | (edges.feature_kind == 2)
    worth = 10.0 * round_one + tells[0] + tells[1] + np.abs(clear[0] - clear[1])
    best = int(np.argmax(np.where(usable, worth, -np.inf)))
    x, y = edges.feature_xy_mm[best]
    points = edges.points_mm[edges.feature == best]
    reach = float(np.hypot(*(points - (x, y)).T).max())
    kind = KINDS[edges.feature_kind[best]]
    return Telling(edges.names[best], kind, float(x), float(y), max(reach, LEAST_REACH_MM))


def _clearness(grey, scale, camera, edges) -> np.ndarray:
    """Mean strength (F,) of the edge found where a camera puts each feature, 0..1."""
    found = edge_offsets(grey, scale, camera, edges, 3.0)
    strength = np.where(np.isfinite(found.offset_px), found.strength, 0.0)
    count = len(edges.names)
    total = np.bincount(edges.feature, minlength=count)
    return np.bincount(edges.feature, strength, count) / np.maximum(total, 1)


def rival_fit(photo: Photo, plate: Plate, fit: PhotoFit) -> PhotoFit:
    """The fit's rival, refined on the photo so that its covariance is its own.

    The answer so far becomes the rival, so that the choice can be asked for again. It stays
    doubtful, as the photo alone does not settle it. FitFailed when there is no rival, or when
    too few edges hold it.
    """
    if fit.rival is None:
        raise FitFailed(NO_RIVAL)
    full = grey_of(photo.pixels_bgr)
    edges = face_edges(plate)
    prior = Prior(likely_focal_px(photo), 0.05 if photo.focal_px else 0.15)
    polished = polish(full, fit.rival, edges, prior)
    index = [
        f
        for f in np.flatnonzero((edges.feature_kind == 1) | (edges.feature_kind == 2))
        if np.isfinite(polished.residual_mm[f])
    ]
    return replace(
        fit,
        camera=polished.camera,
        covariance=polished.covariance,
        residuals_mm=polished.residual_mm[index],
        residual_points=tuple(edges.names[f] for f in index),
        margin=-fit.margin,
        rival=fit.camera,
    )
