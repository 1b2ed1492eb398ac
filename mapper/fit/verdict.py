"""Is it right? Evidence by feature, for a fit and against its rivals.

A feature (a rim, or a piece of a straight edge) is *met* when most of its samples in view show
an edge where the fit puts it. True fits meet most of what plastic leaves bare; wrong ones meet
some by chance. A rival is judged by the telling features alone: those that the one answer has
where the other has none.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from mapper.fit.camera import Camera
from mapper.fit.evidence import edge_offsets
from mapper.fit.face import FaceEdges

__all__ = [
    "MET_GAIN",
    "UNMET_LOSS",
    "Seen",
    "evidence",
    "margin_over",
    "same_answer",
    "seen_features",
    "telling_features",
    "weights",
]

# Shares of features met under a true and under a wrong answer, and the evidence (nats) that a
# met or an unmet feature gives. Measured on rendered plates half covered with plastic.
MET_TRUE, MET_FALSE = 0.65, 0.15
MET_GAIN = float(np.log(MET_TRUE / MET_FALSE))
UNMET_LOSS = float(np.log((1 - MET_TRUE) / (1 - MET_FALSE)))
STRAIGHT_SHARE = 0.5  # pieces of one edge are not independent


@dataclass(frozen=True, eq=False)
class Seen:
    """Per feature (F,): in view, met; per sample (N,): photo px, in view, met."""

    in_view: np.ndarray
    met: np.ndarray
    px: np.ndarray
    sample_in_view: np.ndarray
    sample_met: np.ndarray


def seen_features(
    image: np.ndarray, scale: float, camera: Camera, edges: FaceEdges, tight_px: float = 0.9
) -> Seen:
    """Look at every feature under one camera, in a working image."""
    found = edge_offsets(image, scale, camera, edges, 4.0, sides_px=(-1.0, 1.0))
    height, width = image.shape
    at = (found.px + 0.5) * scale - 0.5
    with np.errstate(invalid="ignore"):
        in_view = (at[:, 0] > 5) & (at[:, 1] > 5) & (at[:, 0] < width - 6) & (at[:, 1] < height - 6)
    with np.errstate(invalid="ignore"):
        met = in_view & (np.abs(found.offset_px) * scale < tight_px) & (found.strength > 0.2)
    count = len(edges.names)
    total = np.bincount(edges.feature, minlength=count)
    views = np.bincount(edges.feature[in_view], minlength=count)
    hits = np.bincount(edges.feature[met], minlength=count)
    feature_view = views >= np.maximum(6, 0.3 * total)
    return Seen(
        feature_view,
        feature_view & (hits >= 0.55 * np.maximum(views, 1)),
        found.px,
        in_view,
        met,
    )


def same_answer(a: Camera, b: Camera, xy_px: np.ndarray, reach_mm: float) -> bool:
    """Whether two cameras put photo points (N, 2) at the same places of the plate."""
    gap = np.hypot(*(a.face_points(xy_px) - b.face_points(xy_px)).T)
    gap = gap[np.isfinite(gap)]
    return bool(gap.size and np.median(gap) < reach_mm)


def weights(edges: FaceEdges) -> np.ndarray:
    """Weight (F,) of a feature's evidence."""
    return np.where((edges.feature_kind == 1) | (edges.feature_kind == 2), 1.0, STRAIGHT_SHARE)


def evidence(edges: FaceEdges, in_view: np.ndarray, met: np.ndarray) -> float:
    """Nats in favour of an answer from features in view."""
    gain = np.where(met, MET_GAIN, UNMET_LOSS) * weights(edges)
    return float(gain[in_view].sum())


def margin_over(
    a: tuple[FaceEdges, Seen],
    b: tuple[FaceEdges, Seen],
    shape: tuple[int, int],
    scale: float,
    reach_px: float = 4.0,
) -> tuple[float, int]:
    """Nats by which answer `a` beats `b`, and the number of telling features met under `a`.

    Each answer is a drawing's samples with how they were seen; the two drawings differ where
    one is the mirror image of the other.
    """
    telling_a = telling_features(a, b[1], shape, scale, reach_px)
    telling_b = telling_features(b, a[1], shape, scale, reach_px)
    margin = evidence(a[0], telling_a, a[1].met) - evidence(b[0], telling_b, b[1].met)
    return margin, int((telling_a & a[1].met).sum())


def telling_features(
    answer: tuple[FaceEdges, Seen],
    b: Seen,
    shape: tuple[int, int],
    scale: float,
    reach_px: float = 4.0,
) -> np.ndarray:
    """Features (F,) in view under `answer` of which most lies where `b` has no edge at all."""
    edges, a = answer
    height, width = shape
    drawn = np.full((height, width), 255, np.uint8)
    at = (b.px[b.sample_in_view] + 0.5) * scale - 0.5
    x, y = np.rint(at).astype(int).T
    drawn[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)] = 0
    away = cv2.distanceTransform(drawn, cv2.DIST_L2, 3)
    at = (a.px + 0.5) * scale - 0.5
    at = np.where(np.isfinite(at), at, -1)
    x, y = np.clip(np.rint(at), -1, 10**6).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < width) & (y < height) & a.sample_in_view
    free = inside & (away[np.where(inside, y, 0), np.where(inside, x, 0)] > reach_px)
    count = len(edges.names)
    views = np.bincount(edges.feature[a.sample_in_view], minlength=count)
    frees = np.bincount(edges.feature[free], minlength=count)
    return a.in_view & (frees > 0.5 * np.maximum(views, 1))
