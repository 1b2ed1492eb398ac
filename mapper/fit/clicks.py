"""Trial poses from rough clicks, and which click is which feature."""

from __future__ import annotations

import itertools

import numpy as np
from scipy.optimize import least_squares, linear_sum_assignment

from mapper.errors import shown
from mapper.fit.camera import Camera
from mapper.fit.dlt import homography_dlt
from mapper.fit.errors import FitFailed
from mapper.fit.hints import Click
from mapper.fit.hypotheses import Trial, square_pose, square_view, to_square
from mapper.fit.refine import Prior
from mapper.plate.features import Feature

__all__ = ["assigned", "click_camera", "click_trials", "known_targets"]

CLICK_SIGMA_PX = 8.0  # of a rough click, in a photo 2400 px long
MOST_STARTS = 40
TILTS = [(0.0, 0.0)] + [
    (r * np.cos(a), r * np.sin(a)) for r in (0.25, 0.5) for a in np.arange(8) * np.pi / 4
]


def known_targets(clicks: tuple[Click, ...], features: tuple[Feature, ...]) -> list[int | None]:
    """Index of the feature each click names, None where it names none.

    FitFailed for a name that the drawing lacks, or one that is used twice.
    """
    index = {f.id: n for n, f in enumerate(features)}
    out: list[int | None] = []
    for click in clicks:
        if click.feature_id is None:
            out.append(None)
        elif click.feature_id not in index:
            raise FitFailed(
                f"The drawing has no feature {shown(click.feature_id)}: choose a corner, drop or "
                "hole of this plate."
            )
        elif index[click.feature_id] in out:
            raise FitFailed(
                f"Two clicks are both called {shown(click.feature_id)}: remove one of them."
            )
        else:
            out.append(index[click.feature_id])
    return out


def assigned(
    camera: Camera,
    clicks_px: np.ndarray,
    known: list[int | None],
    xy_mm: np.ndarray,
    reach_px: float,
) -> list[int] | None:
    """Feature of every click under a camera, or None when a click meets no feature."""
    places = camera.project_face(xy_mm)
    away = np.hypot(
        clicks_px[:, None, 0] - places[None, :, 0], clicks_px[:, None, 1] - places[None, :, 1]
    )
    away = np.nan_to_num(away, nan=1e9)
    for n, target in enumerate(known):
        if target is not None:
            forced = away[n, target]
            away[n] = 1e9
            away[n, target] = forced
    rows, columns = linear_sum_assignment(np.minimum(away, 1e6))
    if len(rows) < len(clicks_px) or (away[rows, columns] > reach_px).any():
        return None
    return [int(c) for c in columns[np.argsort(rows)]]


def click_trials(
    clicks_px: np.ndarray,
    known: list[int | None],
    features: tuple[Feature, ...],
    prior: Prior,
    centre_px: tuple[float, float],
    tilts: list[tuple[float, float]],
    reach_px: float,
    most: int = 24,
) -> list[Trial]:
    """Trial poses that put every click on a feature, best first.

    Four or more named clicks settle the pose. Otherwise pairs of clicks are tried as pairs of
    features under each likely tilt, and four clicks as the plate's corners in every turn.
    """
    xy = np.array([(f.x_mm, f.y_mm) for f in features])
    starts: list[Camera] = []
    named = [n for n, target in enumerate(known) if target is not None]
    if len(named) >= 4:
        starts += _from_four(clicks_px[named], xy[[known[n] for n in named]], prior, centre_px)
    corners = [n for n, f in enumerate(features) if f.kind == "corner"]
    if len(clicks_px) == 4 and len(corners) == 4 and not named:
        middle = clicks_px.mean(axis=0)
        turn = np.argsort(np.arctan2(*(clicks_px - middle).T[::-1]))[::-1]
        corner_xy = xy[corners] - xy[corners].mean(axis=0)
        ring = np.array(corners)[np.argsort(np.arctan2(corner_xy[:, 1], corner_xy[:, 0]))]
        for k in range(4):
            order = list(np.roll(ring, -k))
            starts += _from_four(clicks_px[turn], xy[order], prior, centre_px)
    scored = _scored(starts, clicks_px, known, xy, reach_px, prior, centre_px)
    if len(clicks_px) >= 2 and not (named and scored and len(named) >= 4):
        poses = _pair_starts(clicks_px, known, xy, prior, centre_px, [*tilts, *TILTS], reach_px)
        scored += _scored(poses, clicks_px, known, xy, reach_px, prior, centre_px)
    scored.sort(key=lambda pair: pair[0])
    return [Trial(camera, -cost, len(clicks_px), "clicks") for cost, camera in scored[:most]]


def _from_four(clicks_px, xy_mm, prior: Prior, centre_px) -> list[Camera]:
    try:
        homography = homography_dlt(xy_mm, clicks_px)
        return [Camera.from_homography(homography, prior.focal_px, centre_px)]
    except FitFailed:
        return []


def _pair_starts(clicks_px, known, xy, prior: Prior, centre_px, tilts, reach_px) -> list[Camera]:
    """Poses from the two clicks farthest apart (named ones first) as any two features."""
    pairs = list(itertools.combinations(range(len(clicks_px)), 2))
    pairs.sort(
        key=lambda p: (
            -((known[p[0]] is not None) + (known[p[1]] is not None)),
            -np.hypot(*(clicks_px[p[0]] - clicks_px[p[1]])),
        )
    )
    i, j = pairs[0]
    first = [known[i]] if known[i] is not None else range(len(xy))
    second = [known[j]] if known[j] is not None else range(len(xy))
    a, b = np.array([(m, n) for m in first for n in second if m != n]).T
    p = np.conj(xy[:, 0] + 1j * xy[:, 1])
    ranked: list[tuple[float, Camera]] = []
    for tilt in tilts:
        turn = square_view(tilt)
        flat, _ = to_square(turn, (clicks_px - centre_px) / prior.focal_px)
        q = flat[:, 0] + 1j * flat[:, 1]
        alpha = (q[j] - q[i]) / (p[b] - p[a])
        beta = q[i] - alpha * p[a]
        at = alpha[:, None] * p + beta[:, None]
        gap = np.zeros(len(alpha))
        for n, target in enumerate(known):
            miss = np.abs(at - q[n])
            gap = np.maximum(gap, miss[:, target] if target is not None else miss.min(axis=1))
        # the tilt is only roughly right: twice the reach
        loose = (2 * reach_px + 0.03 * np.ptp(clicks_px, axis=0).max()) / prior.focal_px
        for k in np.argsort(gap, kind="stable")[:12]:
            if gap[k] < loose:
                pose = square_pose(alpha[k], beta[k], turn, prior.focal_px, centre_px)
                ranked.append((float(gap[k]), pose))
    ranked.sort(key=lambda r: r[0])
    return [camera for _, camera in ranked[:MOST_STARTS]]


def _scored(starts, clicks_px, known, xy, reach_px, prior, centre_px):
    """Each start adjusted to the clicks: (rms in px, camera) of those that fit."""
    out = []
    for camera in starts:
        targets = assigned(camera, clicks_px, known, xy, 4 * reach_px)
        if targets is None:
            continue
        camera, _ = click_camera(camera, clicks_px, xy[targets], prior)
        targets = assigned(camera, clicks_px, known, xy, reach_px)
        if targets is None:
            continue
        miss = camera.project_face(xy[targets]) - clicks_px
        out.append((float(np.sqrt((miss**2).sum(axis=1).mean())), camera))
    return out


def click_camera(
    camera: Camera, clicks_px: np.ndarray, xy_mm: np.ndarray, prior: Prior
) -> tuple[Camera, np.ndarray]:
    """Camera and covariance (8, 8) by least squares on clicks alone, lens held by its prior."""
    sigma = CLICK_SIGMA_PX * np.hypot(*camera.centre_px) / np.hypot(1200, 900)
    points = np.column_stack((xy_mm, np.zeros(len(xy_mm))))
    held = np.array([0.5, 0.5, 0.5, 2e3, 2e3, 2e3, prior.focal_share, prior.k1_sigma])

    def residuals(step):
        moved = camera.moved(step)
        miss = np.nan_to_num((moved.project(points) - clicks_px) / sigma, nan=1e3).ravel()
        pull = step / held
        pull[6] = np.log(moved.focal_px / prior.focal_px) / prior.focal_share
        pull[7] = moved.k1 / prior.k1_sigma
        return np.append(miss, pull)

    solved = least_squares(
        residuals, np.zeros(8), x_scale=np.array([1e-2, 1e-2, 1e-2, 3, 3, 5, 1e-2, 1e-2])
    )
    covariance = np.linalg.pinv(solved.jac.T @ solved.jac, hermitian=True)
    return camera.moved(solved.x), covariance
