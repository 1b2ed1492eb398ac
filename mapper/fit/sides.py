"""The sides of the plate, any of which may be taken for another edge that runs along it.

A plate has thickness: a side that faces the camera shows the edge of the face and, a few
millimetres outside of it, the foot of its wall; a bench, a shadow or a chamfer may draw a line
there as well. The whole length of such an edge pulls at the fit, which then settles where the
wrong edge fits and many rims lie just out of reach. So the photo is fitted anew without each
side in turn and without all of them, and what meets the drawing most closely is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from mapper.fit.camera import Camera
from mapper.fit.errors import FitFailed
from mapper.fit.evidence import edge_offsets, seen_normals
from mapper.fit.face import OUTLINE, FaceEdges
from mapper.fit.markers_met import held_count, held_points
from mapper.fit.refine import (
    LEAST_STRENGTH,
    KnownPoints,
    Polished,
    align,
    polish,
    prior_rows,
    sharp_level,
)
from mapper.fit.verdict import MET_GAIN, UNMET_LOSS, weights
from mapper.fit.view import View

__all__ = [
    "Settled",
    "close_shares",
    "MET_NATS",
    "closely_met",
    "lines_beside",
    "other_settlings",
    "settled_camera",
    "sides_of",
]

WITHOUT_REACHES = (6.0, 4.0, 3.0, 2.0, 1.5)
NEAR_REACHES = (3.0, 2.0, 1.5)
BACK_REACHES = (2.0, 1.5)
SAME_PX = 0.2  # working px; farther apart at a sample, two cameras rest on different edges
MET_NATS = MET_GAIN - UNMET_LOSS  # between a feature that is met and one that is not
BESIDE_PX = 12.0  # working px within which another line along a side is looked for
OTHERS_WEIGHT = 0.1  # of the edges elsewhere, while a side is moved
LEAST_JUMP = 6.0  # of grey values two working px apart, for a line to be seen
LINE_SHARE = 0.5  # of a side, along which it must be seen
MOST_ROUNDS, MOST_REFINED = 3, 3
BETTER = 0.5  # features met closely, by which another settling must be better
CLOSE_PX = 1.0  # of the finest sharp picture: three deviations of a sharp edge


@dataclass(frozen=True, eq=False)
class Settled:
    """A refined camera, the markers that hold it, and the picture (h, w) and scale it rests on.

    `close` is how many features it meets closely, less what its lens is unlikely; `rivals` are
    the others with theirs.
    """

    polished: Polished
    held: KnownPoints | None
    level: tuple[np.ndarray, float]
    close: float
    rivals: tuple[tuple[Camera, float], ...] = ()


def settled_camera(
    view: View,
    edges: FaceEdges,
    camera: Camera,
    near: Iterable[Camera],
    agrees: Callable[[Camera], bool],
) -> Settled:
    """Refine a camera, and put in its place what meets the drawing more closely beside it.

    Raises FitFailed where too few edges are seen.
    """
    half = edges.every(2)
    level = sharp_level(view.full, camera, half, view.scale)

    def refined(start: Camera) -> Settled:
        held = held_points(view, start)
        out = polish(level[0], start, edges, view.prior, level[1], held=held)
        if held_count(held_points(view, out.camera)) != held_count(held):
            held = held_points(view, out.camera)
            out = polish(level[0], out.camera, edges, view.prior, level[1], held=held)
        close = closely_met(*level, out.camera, edges) - _unlikely(view, out.camera)
        return Settled(out, held, level, close)

    best = refined(camera)
    rivals: list[tuple[Camera, float]] = []
    for _ in range(MOST_ROUNDS):
        others = other_settlings(view, half, best.polished.camera, best.held, near)
        near = ()
        others.sort(key=lambda one: -_likely(view, half, one))
        found = []
        for other in others[:MOST_REFINED]:
            try:
                one = refined(other)
            except FitFailed:
                continue
            if agrees(one.polished.camera):
                found.append(one)
        first = max(found, key=lambda one: one.close, default=None)
        if first is None or first.close < best.close + BETTER:
            rivals += [(one.polished.camera, one.close) for one in found]
            break
        rivals += [(one.polished.camera, one.close) for one in (best, *found) if one is not first]
        best = first
    return replace(best, rivals=tuple(rivals))


def _unlikely(view: View, camera: Camera) -> float:
    """What a camera's lens is unlikely, in features met closely."""
    known = prior_rows(camera, np.zeros(8), view.prior)
    return float(known @ known) / 2 / MET_NATS


def _likely(view: View, edges: FaceEdges, camera: Camera) -> float:
    return closely_met(view.grey, view.scale, camera, edges) - _unlikely(view, camera)


def sides_of(edges: FaceEdges) -> np.ndarray:
    """Which side (N,) of the plate each sample lies on: 0 to 3 by its direction, -1 for none.

    Directions are taken from the longest edge, so that 0 and 2 face opposite ways.
    """
    out = np.full(len(edges.kind), -1)
    rim = np.flatnonzero(edges.kind == OUTLINE)
    if rim.size:
        turn = np.arctan2(edges.normals[rim, 1], edges.normals[rim, 0])
        step = np.round(turn, 3)
        values, where = np.unique(step, return_inverse=True)
        main = values[np.argmax(np.bincount(where, edges.spacing_mm[rim]))]
        out[rim] = np.rint((turn - main) / (np.pi / 2)).astype(int) % 4
    return out


def other_settlings(
    view: View,
    edges: FaceEdges,
    camera: Camera,
    held: KnownPoints | None,
    near: Iterable[Camera] = (),
) -> list[Camera]:
    """Cameras beside `camera` on which the edges settle when sides of the plate are left out.

    The sides are back in the answers, which rest on other edges than `camera` does. `near` are
    further cameras to begin from.
    """
    side = sides_of(edges)
    there = [k for k in range(4) if (side == k).any()]
    kept = [side < 0] + [side != k for k in there]
    starts = [
        align(view.grey, view.scale, camera, part, view.prior, WITHOUT_REACHES, True, held)
        for part in (edges.subset(keep) for keep in kept)
        if there and len(part.kind)
    ]
    for k in there:
        for away_px in lines_beside(view, edges.subset(side == k), camera):
            start = _moved_side(view, edges, side == k, camera, away_px)
            starts.append(
                align(view.grey, view.scale, start, edges, view.prior, NEAR_REACHES, True, held)
            )
    out: list[Camera] = []
    for start in (*starts, *near):
        moved = align(view.grey, view.scale, start, edges, view.prior, BACK_REACHES, True, held)
        if not any(_rest_on_the_same(view, edges, one, moved) for one in (camera, *out)):
            out.append(moved)
    return out


def lines_beside(view: View, side: FaceEdges, camera: Camera) -> list[float]:
    """How far outside (working px; inside below 0) of a side other lines run along most of it."""
    px, normals = seen_normals(camera, side)
    at = (px + 0.5) * view.scale - 0.5
    height, width = view.grey.shape
    t = np.arange(-BESIDE_PX - 2, BESIDE_PX + 3)
    x = (at[:, :1] + normals[:, :1] * t).astype(np.float32)
    y = (at[:, 1:] + normals[:, 1:] * t).astype(np.float32)
    with np.errstate(invalid="ignore"):
        shown = ((x > 1) & (y > 1) & (x < width - 2) & (y < height - 2)).all(axis=1)
    if shown.sum() < 6:
        return []
    light = cv2.remap(view.grey, x[shown], y[shown], cv2.INTER_LINEAR).astype(float)
    jump = np.abs(light[:, 2:] - light[:, :-2])
    peak = (jump[:, 1:-1] >= np.maximum(jump[:, :-2], jump[:, 2:])) & (jump[:, 1:-1] > LEAST_JUMP)
    # a line that does not run quite along the side is met a pixel off here or there
    share = (peak[:, :-2] | peak[:, 1:-1] | peak[:, 2:]).mean(axis=0)
    place = t[3:-3]
    out = []
    for n in np.argsort(-share, kind="stable"):
        apart = abs(place[n]) > 2 and all(abs(place[n] - one) > 2 for one in out)
        if share[n] >= LINE_SHARE and apart:
            out.append(float(place[n]))
    return out


def _moved_side(
    view: View, edges: FaceEdges, on_side: np.ndarray, camera: Camera, away_px: float
) -> Camera:
    """The camera that puts one side on a line beside it and leaves the other edges if it can."""
    px, normals = seen_normals(camera, edges)
    use = np.isfinite(px).all(axis=1)
    points, normals, on_side = edges.points3_mm[use], normals[use], on_side[use]
    goal = (camera.project(points) * normals).sum(axis=1) + on_side * away_px / view.scale
    weight = np.where(on_side, 1.0, OTHERS_WEIGHT)
    for _ in range(3):
        now, slopes = camera.jacobian(points)
        miss = (now * normals).sum(axis=1) - goal
        rows = np.einsum("ni,nij->nj", normals, slopes)
        known = np.zeros((2, 8))
        known[0, 6], known[1, 7] = 1 / view.prior.focal_share, 1 / view.prior.k1_sigma
        step = np.linalg.lstsq(
            np.vstack((rows * weight[:, None], known)),
            -np.append(miss * weight, prior_rows(camera, np.zeros(8), view.prior)),
            rcond=None,
        )[0]
        camera = camera.moved(step)
    return camera


def _rest_on_the_same(view: View, edges: FaceEdges, a: Camera, b: Camera) -> bool:
    """Whether two cameras put all samples in the photo at the same places."""
    with np.errstate(invalid="ignore", over="ignore"):
        px = a.project_face(edges.points_mm)
        shown = (px >= 0).all(axis=1) & (px < (view.width_px, view.height_px)).all(axis=1)
        apart = np.abs(b.project_face(edges.points_mm[shown]) - px[shown])
    return bool(shown.any() and np.nanmax(apart) * view.scale < SAME_PX)


def closely_met(image: np.ndarray, scale: float, camera: Camera, edges: FaceEdges) -> float:
    """How many features' worth of edges lie just where a camera puts them, in a sharp picture."""
    return float((close_shares(image, scale, camera, edges) * weights(edges)).sum())


def close_shares(image: np.ndarray, scale: float, camera: Camera, edges: FaceEdges) -> np.ndarray:
    """Share (F,) of each feature's samples that lie just where a camera puts them."""
    found = edge_offsets(image, scale, camera, edges, 3.0, step_px=0.5, linear=True)
    with np.errstate(invalid="ignore"):
        close = (np.abs(found.offset_px) * scale < CLOSE_PX) & (found.strength > LEAST_STRENGTH)
    count = len(edges.names)
    total = np.maximum(np.bincount(edges.feature, minlength=count), 1)
    return np.bincount(edges.feature[close], minlength=count) / total
