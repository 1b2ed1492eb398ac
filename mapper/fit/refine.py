"""From a rough pose to the best one: iterated least squares on the edges of the face."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import least_squares

from mapper.fit.camera import Camera
from mapper.fit.errors import FitFailed
from mapper.fit.evidence import EdgeMaps, edge_offsets, seen_normals
from mapper.fit.face import CHANNEL, DROP, HOLE, OUTLINE, FaceEdges

__all__ = [
    "KnownPoints",
    "LEAST_STRENGTH",
    "Polished",
    "Prior",
    "align",
    "by_feature",
    "polish",
    "sharp_level",
    "prior_rows",
    "support_score",
]

LEAST_STRENGTH = 0.25  # jump over the range of light across it, for an edge to count
SHARP_SHARE = 0.6  # of the edges that the best size shows, for a finer size to be sharp enough
LEAN_SHARE = 0.06 / 2400  # of the long side: a lean of all edges of one kind that is likely
EDGE_SIGMA_PX = 0.35  # of one sharp edge in a working image; also the width of the robust loss


@dataclass(frozen=True)
class Prior:
    """What is known before: focal length in px, its relative sigma; sigma of k1."""

    focal_px: float
    focal_share: float = 0.05
    k1_sigma: float = 0.05


@dataclass(frozen=True, eq=False)
class KnownPoints:
    """Points of the face found in the photo, one by one.

    `points_mm` (K, 3), `px` (K, 2), `sigma_px` (K,), `group` (K,) number of the thing that a
    point belongs to; points of one thing err together.
    """

    points_mm: np.ndarray
    px: np.ndarray
    sigma_px: np.ndarray
    group: np.ndarray

    def residuals(self, camera: Camera) -> np.ndarray:
        """Misses (2K,) in units of sigma."""
        return ((camera.project(self.points_mm) - self.px) / self.sigma_px[:, None]).ravel()

    def slopes(self, camera: Camera) -> np.ndarray:
        """Derivatives (2K, 8) of `residuals` by the steps of `Camera.moved`."""
        _, by_step = camera.jacobian(self.points_mm)
        return (by_step / self.sigma_px[:, None, None]).reshape(-1, 8)


def support_score(camera: Camera, edges: FaceEdges, maps: EdgeMaps) -> float:
    """Length of drawn edges (working px) that the photo supports, less chance."""
    px, normals = seen_normals(camera, edges)
    support, seen = maps.support(px, normals)
    if not seen.any():
        return 0.0
    # px per mm near each sample from the area scale of the pose
    scale = (
        maps.scale
        * camera.focal_px
        / np.maximum((edges.points_mm @ camera.rotation[2, :2]) + camera.translation_mm[2], 1e-6)
    )
    return float((support * scale * edges.spacing_mm * seen).sum())


def align(
    image: np.ndarray,
    scale: float,
    camera: Camera,
    edges: FaceEdges,
    prior: Prior,
    reaches_px: tuple[float, ...],
    lens: bool = False,
    held: KnownPoints | None = None,
) -> Camera:
    """Camera after iterated edge search and robust least squares; `reaches_px` one per round.

    `held` are points that the camera is held by besides.
    """
    for reach in reaches_px:
        coarse = reach > 6
        found = edge_offsets(
            image,
            scale,
            camera,
            edges,
            reach,
            step_px=1.5 if coarse else 1.0,
            sides_px=(0.0,) if coarse else (-1.0, 1.0),
        )
        use = np.isfinite(found.offset_px)
        if use.sum() < 12:
            return camera
        _, slopes = camera.jacobian(edges.points3_mm[use])
        normal = found.normals[use]
        rows = np.einsum("ni,nij->nj", normal, slopes)
        miss = found.offset_px[use]
        width = max(0.3 * reach, 0.7) / scale
        weight = found.strength[use] / (1 + (miss / width) ** 2)
        weight = weight / width**2
        if held is not None:
            rows = np.vstack((rows, held.slopes(camera)))
            miss = np.append(miss, -held.residuals(camera))
            weight = np.append(weight, np.ones(2 * len(held.px)))
        camera = camera.moved(_step(rows, miss, weight, camera, prior, lens))
    return camera


def _step(rows, miss, weight, camera: Camera, prior: Prior, lens: bool) -> np.ndarray:
    """Weighted normal equations with the priors on log f and k1."""
    normal = rows.T @ (rows * weight[:, None])
    right = rows.T @ (weight * miss)
    pull_f = 1 / prior.focal_share**2
    normal[6, 6] += pull_f
    right[6] += pull_f * np.log(prior.focal_px / camera.focal_px)
    pull_k = 1 / (prior.k1_sigma if lens else 1e-4) ** 2
    normal[7, 7] += pull_k
    right[7] += -pull_k * camera.k1
    damp = np.diag(normal).copy() * 1e-6
    normal[np.diag_indices(8)] += damp
    return np.linalg.solve(normal, right)


@dataclass(frozen=True, eq=False)
class Polished:
    """The refined camera with what it rests on.

    `covariance` (8, 8) of the parameters of `Camera.moved`, by clusters of features, so that
    samples of one rim, which err together, count as one. `residual_mm` (F,) mean miss of each
    feature along its normals (for circles: of their centre), nan where not seen.
    """

    camera: Camera
    covariance: np.ndarray
    residual_mm: np.ndarray
    used: np.ndarray


def sharp_level(
    full: np.ndarray, camera: Camera, edges: FaceEdges, least_scale: float
) -> tuple[np.ndarray, float]:
    """The photo (h, w) at the finest size at which its edges are sharp, and that size's scale.

    Close-ups are often out of focus: an edge spread over more than four pixels shows no jump. The
    size is halved while that brings many more edges into sight, down to `least_scale`.
    """
    image, scale = full, 1.0
    levels = []
    while True:
        found = edge_offsets(image, scale, camera, edges, 3.0, step_px=0.5, linear=True)
        count = (np.isfinite(found.offset_px) & (found.strength > LEAST_STRENGTH)).sum()
        levels.append((int(count), image, scale))
        if scale / 2 < 0.8 * least_scale:
            break
        scale /= 2
        size = (round(full.shape[1] * scale), round(full.shape[0] * scale))
        image = cv2.resize(full, size, interpolation=cv2.INTER_AREA)
    most = max(count for count, _, _ in levels)
    return next((i, s) for count, i, s in levels if count >= SHARP_SHARE * most)


def polish(
    image: np.ndarray,
    camera: Camera,
    edges: FaceEdges,
    prior: Prior,
    scale: float = 1.0,
    reaches_px: tuple[float, ...] = (3.0, 2.0, 1.5),
    leave_out: np.ndarray | None = None,
    held: KnownPoints | None = None,
) -> Polished:
    """Best camera on sub-pixel edges in linear light, by scipy's robust least squares.

    `leave_out` (F,) bool names features whose edges are kept out of the fit; `held` are points
    that take part besides.
    """
    keep = slice(None) if leave_out is None else ~leave_out[edges.feature]
    part = edges.subset(keep) if leave_out is not None else edges
    rows = miss = feature = weight = None
    for reach in reaches_px:
        found = edge_offsets(image, scale, camera, part, reach, step_px=0.5, linear=True)
        use = np.isfinite(found.offset_px) & (found.strength > LEAST_STRENGTH)
        if use.sum() < 16:
            break
        points = part.points3_mm[use]
        normal = found.normals[use]
        goal = (found.px[use] * normal).sum(axis=1) + found.offset_px[use]
        start = camera
        sigma = EDGE_SIGMA_PX / scale

        def residuals(step, start=start, points=points, normal=normal, goal=goal, sigma=sigma):
            px = start.moved(step).project(points)
            miss = ((px * normal).sum(axis=1) - goal) / sigma
            if held is not None:
                miss = np.append(miss, held.residuals(start.moved(step)))
            return np.append(miss, prior_rows(start, step, prior))

        def slopes(step, start=start, points=points, normal=normal, sigma=sigma):
            # the turn is taken about the start; close to it the derivative at the moved camera
            # differs by second order only
            _, jac = start.moved(step).jacobian(points)
            rows = np.einsum("ni,nij->nj", normal, jac) / sigma
            if held is not None:
                rows = np.vstack((rows, held.slopes(start.moved(step))))
            tail = np.zeros((2, 8))
            tail[0, 6] = 1 / prior.focal_share
            tail[1, 7] = 1 / prior.k1_sigma
            return np.vstack((rows, tail))

        solved = least_squares(
            residuals,
            np.zeros(8),
            jac=slopes,
            loss="cauchy",
            x_scale=np.array([1e-3, 1e-3, 1e-3, 0.3, 0.3, 0.5, 1e-2, 1e-2]),
            max_nfev=12,
        )
        camera = start.moved(solved.x)
        rows, miss = slopes(solved.x)[:-2], residuals(solved.x)[:-2]
        weight = 1 / (1 + miss**2)
        feature = part.feature[use]
        if held is not None:
            feature = np.append(feature, len(edges.names) + np.repeat(held.group, 2))
    if rows is None:
        raise FitFailed("Too few edges of the plate can be seen: click four corners or bores.")
    return Polished(
        camera,
        _covariance(
            rows, miss, weight, feature, prior, _lean_rows(part, use, len(rows), max(image.shape))
        ),
        *by_feature(image, camera, edges, scale),
    )


def prior_rows(start: Camera, step: np.ndarray, prior: Prior) -> np.ndarray:
    """Misses (2,) of log f and k1 against what is known before, in units of sigma."""
    return np.array(
        [
            (np.log(start.focal_px / prior.focal_px) + step[6]) / prior.focal_share,
            (start.k1 + step[7]) / prior.k1_sigma,
        ]
    )


def _lean_rows(edges: FaceEdges, use: np.ndarray, count: int, long_px: int) -> np.ndarray:
    """What a lean of all round, outline or channel edges does to misses (count, 3).

    Sharpening, a chamfer that catches light and a rounded rim move the edges of one kind the same
    way, out of the steel or into it, all round.
    """
    kind = edges.kind[use]
    kinds = (np.isin(kind, (DROP, HOLE)), kind == OUTLINE, kind == CHANNEL)
    out = np.zeros((count, len(kinds)))
    out[: len(kind)] = np.column_stack(kinds) * (LEAN_SHARE * long_px / EDGE_SIGMA_PX)
    return out


def _covariance(rows, miss, weight, feature, prior: Prior, lean) -> np.ndarray:
    """Sandwich estimate clustered by feature (Liang and Zeger 1986), priors kept.

    The fit takes no lean of the edges into account, so what they lean is found beside it: misses
    that pose and lens can not explain show it, and where they show nothing it may be as large as
    thought likely. The response of the pose to that lean, squared, is added.
    """
    bread, spread = _sandwich(rows, miss, weight, feature, np.zeros(0), prior)
    both, spread_both = _sandwich(
        np.column_stack((rows, lean)), miss, weight, feature, np.ones(lean.shape[1]), prior
    )
    found = -(both @ np.column_stack((rows, lean)).T @ (weight * miss))[8:]
    size = np.outer(found, found) + spread_both[8:, 8:]
    response = bread @ (rows.T @ (weight[:, None] * lean))
    return spread + response @ size @ response.T


def _sandwich(rows, miss, weight, feature, beside, prior) -> tuple[np.ndarray, np.ndarray]:
    """Inverse information and covariance (n, n); `beside` are the priors' weights past the 8."""
    known = np.zeros(rows.shape[1])
    known[6:8] = 1 / prior.focal_share**2, 1 / prior.k1_sigma**2
    known[8:] = beside
    bread = np.linalg.pinv(rows.T @ (rows * weight[:, None]) + np.diag(known), hermitian=True)
    scores = rows * (weight * miss)[:, None]
    count = int(feature.max()) + 1
    sums = np.stack([np.bincount(feature, column, count) for column in scores.T], axis=1)
    groups = (np.bincount(feature, minlength=count) > 0).sum()
    meat = sums.T @ sums * (groups / max(groups - rows.shape[1], 1)) + np.diag(known)
    return bread, bread @ meat @ bread


def by_feature(image, camera, edges: FaceEdges, scale) -> tuple[np.ndarray, np.ndarray]:
    """Miss (F,) of each feature in mm and share (F,) of its samples in view that are met."""
    found = edge_offsets(image, scale, camera, edges, 3.0, step_px=0.5, linear=True)
    use = np.isfinite(found.offset_px) & (found.strength > LEAST_STRENGTH)
    use &= np.abs(found.offset_px) < 3 * EDGE_SIGMA_PX / scale + 0.5
    count = len(edges.names)
    feature = edges.feature
    total = np.bincount(feature, minlength=count)
    met = np.bincount(feature[use], minlength=count)
    px_per_mm = camera.focal_px / np.maximum(
        edges.points_mm @ camera.rotation[2, :2] + camera.translation_mm[2], 1e-6
    )
    mm = np.where(use, found.offset_px / px_per_mm, 0.0)
    out = np.full(count, np.nan)
    enough = met >= np.maximum(4, 0.3 * total)
    normal = edges.normals
    for f in np.flatnonzero(enough):
        mask = use & (feature == f)
        if edges.feature_kind[f] in (1, 2):
            # shift of the centre that explains the misses along the rim, and a change of size
            a = np.column_stack((normal[mask], np.ones(mask.sum())))
            shift = np.linalg.lstsq(a, mm[mask], rcond=1e-3)[0]
            out[f] = float(np.hypot(shift[0], shift[1]))
        else:
            out[f] = abs(float(np.median(mm[mask])))
    return out, enough
