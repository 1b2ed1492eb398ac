"""Photos of one plate adjusted together: the poses of a chain as one least-squares problem.

A photo fitted through its neighbour takes over the neighbour's error, and the next one adds its
own. Here all cameras of a chain are unknown at once, and so are the places on the face of the
points that two photos share (bundle adjustment: Triggs, McLauchlan, Hartley and Fitzgibbon 2000;
points known to lie on a plane have two unknowns instead of three). What each photo saw of the
drawing enters as the normal distribution of its own fit, which is what is left of its edges when
everything but its camera has been eliminated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares
from scipy.sparse import coo_matrix, csr_matrix

from mapper.fit.camera import Camera
from mapper.fit.evidence import face_slopes
from mapper.fit.result import PHOTO_ALONE, PhotoFit

__all__ = ["Link", "adjust_together"]

NOISE_SHARE = 0.4 / 2400  # least sigma of a matched point, of the long side of its photo
LINK_SHARE = 4.0 / 2400  # median miss of a link, of the long side, beyond which it is thrown out
LEAST_POINTS = 8
CELLS = (10, 8)  # points in one cell of a photo err together and count as one
ROUNDS = 4
# A pose that only came from another photo says nothing by itself; these keep the system regular.
LOOSE_POSE = np.array([0.5, 0.5, 0.5, 1000.0, 1000.0, 1000.0])
STEP_SCALE = np.array([1e-3, 1e-3, 1e-3, 0.3, 0.3, 0.5, 1e-2, 1e-2])
POINT_SCALE = 0.1
DIFFERS_SIGMAS, DIFFERS_MM = 4.0, 0.3

APART = (
    "This photo and the photos beside it do not agree about where the plate lies: compare the "
    "drawn lines with the photo, or click four corners, bores or holes."
)
UNHELD = (
    "No photo that sees enough of the drawing holds this one: click four corners of the plate, "
    "or four bores or holes, on the photo."
)


@dataclass(frozen=True, eq=False)
class Link:
    """Points (K, 2) of bare steel on the face that photos number `first` and `second` share."""

    first: int
    second: int
    first_px: np.ndarray
    second_px: np.ndarray


@dataclass(frozen=True, eq=False)
class _Ends:
    """All matched points of the links in use, one row (M,) each.

    `photo` (M, 2) numbers, `px` (M, 2, 2) where each end sees the point, `weight` (M,) at most 1,
    `link` (M,) number of the link, `noise_px` (M, 2) sigma.
    """

    photo: np.ndarray
    px: np.ndarray
    weight: np.ndarray
    link: np.ndarray
    noise_px: np.ndarray


def adjust_together(fits: Sequence[PhotoFit], links: Sequence[Link]) -> tuple[PhotoFit, ...]:
    """The fits with all cameras adjusted at once, in the order given.

    A link whose points can not be brought together with the rest is thrown out; a photo that
    loses most of its links so, or whose own edges put it elsewhere than the others do, comes back
    doubtful. No verdict is ever raised: to agree with a neighbour is not evidence of one's own.
    Photos without a link come back as they were. Source: see the module; robust loss soft_l1 of
    scipy's `least_squares`; the covariance of each photo is its block of the joint one (points
    eliminated by the Schur complement).
    """
    cameras = [fit.camera for fit in fits]
    usable = [_clean(link, fits) for link in links]
    usable = [link for link in usable if link is not None]
    dropped: list[Link] = []
    solved = None
    while usable:
        held = _held(fits, usable)
        inside = [link for link in usable if held[link.first]]
        if not inside:
            break
        solved = _solve(fits, inside)
        miss = [_miss(link, solved[0], fits) for link in inside]
        worst = int(np.argmax(miss))
        if miss[worst] <= 1:
            break
        dropped.append(inside[worst])
        usable = [link for link in usable if link is not inside[worst]]
        solved = None
    if solved is not None:
        cameras, covariances = solved
    kept = np.zeros(len(fits), int)
    lost = np.zeros(len(fits), int)
    for count, some in ((kept, usable), (lost, dropped)):
        for link in some:
            count[[link.first, link.second]] += 1
    held = _held(fits, usable)
    out = []
    for n, fit in enumerate(fits):
        linked = solved is not None and held[n] and kept[n] > 0
        new = replace(fit, camera=cameras[n], covariance=covariances[n]) if linked else fit
        if lost[n] > kept[n] or (linked and _moved_too_far(fit, new)):
            new = new.doubted(APART)
        elif not held[n] and (kept[n] or lost[n]):
            new = new.doubted(UNHELD)
        out.append(new)
    return tuple(out)


def _clean(link: Link, fits: Sequence[PhotoFit]) -> Link | None:
    """The link without points that miss the face or are no numbers; None when too few stay."""
    if link.first == link.second:
        return None
    a, b = np.asarray(link.first_px, float), np.asarray(link.second_px, float)
    use = np.isfinite(a).all(axis=1) & np.isfinite(b).all(axis=1)
    for number, px in ((link.first, a), (link.second, b)):
        use[use] = np.isfinite(fits[number].plate_from_photo(px[use])).all(axis=1)
    if use.sum() < LEAST_POINTS:
        return None
    return Link(link.first, link.second, a[use], b[use])


def _held(fits: Sequence[PhotoFit], links: Sequence[Link]) -> np.ndarray:
    """Photos (N,) that links tie, over any number of others, to one that sees the drawing."""
    held = np.array([fit.method != PHOTO_ALONE for fit in fits], dtype=bool)
    for _ in fits:
        for link in links:
            if held[link.first] or held[link.second]:
                held[[link.first, link.second]] = True
    return held


def _long(fit: PhotoFit) -> int:
    return max(fit.width_px, fit.height_px)


def _ends(fits: Sequence[PhotoFit], links: Sequence[Link]) -> _Ends:
    photo, px, weight, number, noise = [], [], [], [], []
    for n, link in enumerate(links):
        count = len(link.first_px)
        crowd = np.ones(count)
        for which, at in ((link.first, link.first_px), (link.second, link.second_px)):
            size = (fits[which].width_px, fits[which].height_px)
            cell = np.clip(np.floor(at / size * CELLS), -1, 1000) @ (1, 10000)
            _, back, many = np.unique(cell, return_inverse=True, return_counts=True)
            crowd = np.maximum(crowd, many[back])
        photo.append(np.tile((link.first, link.second), (count, 1)))
        px.append(np.stack((link.first_px, link.second_px), axis=1))
        weight.append(1 / np.sqrt(crowd))
        number.append(np.full(count, n))
        sigma = [NOISE_SHARE * _long(fits[w]) for w in (link.first, link.second)]
        noise.append(np.tile(sigma, (count, 1)))
    return _Ends(*(np.concatenate(part) for part in (photo, px, weight, number, noise)))


def _own_root(fit: PhotoFit) -> np.ndarray:
    """Root (8, 8) of the information that a photo has by itself: |root @ step|^2 is chi squared."""
    if fit.method == PHOTO_ALONE:
        lens = np.sqrt(np.maximum(np.diag(fit.covariance)[6:], 1e-12))
        return np.diag(1 / np.append(LOOSE_POSE, lens))
    # scaled first, as turns and millimetres differ by orders of size
    scaled = fit.covariance / np.outer(STEP_SCALE, STEP_SCALE)
    values, vectors = np.linalg.eigh((scaled + scaled.T) / 2)
    values = np.maximum(values, 1e-9 * max(values[-1], 1e-9))
    return (vectors / np.sqrt(values)) @ vectors.T / STEP_SCALE


def _between(start: Camera, end: Camera) -> np.ndarray:
    """The step (8,) of `Camera.moved` that leads from one camera to the other."""
    turn = cv2.Rodrigues(end.rotation @ start.rotation.T)[0].ravel()
    shift = end.translation_mm - start.translation_mm
    return np.concatenate((turn, shift, [np.log(end.focal_px / start.focal_px), end.k1 - start.k1]))


def _solve(
    fits: Sequence[PhotoFit], links: Sequence[Link]
) -> tuple[list[Camera], list[np.ndarray]]:
    """Cameras and covariances (8, 8) of all photos; those without a link keep their own."""
    ends = _ends(fits, links)
    roots = [_own_root(fit) for fit in fits]
    cameras = [fit.camera for fit in fits]
    both = [_on_face(cameras, ends, side) for side in (0, 1)]
    # start where the photo with evidence of its own sees the point
    own = np.array([fit.method != PHOTO_ALONE for fit in fits])[ends.photo]
    share = np.where(own.sum(axis=1) == 1, own[:, 0], 0.5)[:, None]
    points = share * both[0] + (1 - share) * both[1]
    spread = np.ones(len(links))
    for _ in range(ROUNDS):
        cameras, points, residual = _round(fits, roots, cameras, points, ends, spread)
        size = np.sqrt((residual**2).sum(axis=1))
        for n in range(len(links)):
            # two of a point's four numbers go into its place: chi with two degrees of freedom
            spread[n] = max(1.0, float(np.median(size[ends.link == n])) / 1.1774)
    return cameras, _covariances(fits, roots, cameras, points, ends, spread)


def _on_face(cameras: Sequence[Camera], ends: _Ends, side: int) -> np.ndarray:
    out = np.empty((len(ends.link), 2))
    for n in np.unique(ends.photo[:, side]):
        rows = ends.photo[:, side] == n
        out[rows] = cameras[n].face_points(ends.px[rows, side])
    return out


def _round(
    fits: Sequence[PhotoFit],
    roots: Sequence[np.ndarray],
    cameras: Sequence[Camera],
    points: np.ndarray,
    ends: _Ends,
    spread: np.ndarray,
) -> tuple[list[Camera], np.ndarray, np.ndarray]:
    """Cameras, points (M, 2) and misses (M, 4) in sigmas, after one solution about the start."""
    count = 8 * len(cameras)
    system = _System(fits, roots, cameras, points, ends, spread)
    solved = least_squares(
        system.residuals,
        np.zeros(count + points.size),
        jac=system.jacobian,
        loss="soft_l1",
        x_scale=np.append(np.tile(STEP_SCALE, len(cameras)), np.full(points.size, POINT_SCALE)),
        tr_solver="lsmr",
        max_nfev=25,
        xtol=1e-10,
        ftol=1e-10,
    )
    moved, at = system.state(solved.x)
    return moved, at, system.misses(moved, at)


@dataclass(frozen=True, eq=False)
class _System:
    """Residuals and sparse slopes of one round: first what each photo saw, then the links."""

    fits: Sequence[PhotoFit]
    roots: Sequence[np.ndarray]
    cameras: Sequence[Camera]
    points: np.ndarray
    ends: _Ends
    spread: np.ndarray

    def state(self, x: np.ndarray) -> tuple[list[Camera], np.ndarray]:
        """Cameras and points (M, 2) after a step."""
        count = 8 * len(self.cameras)
        steps = x[:count].reshape(-1, 8)
        cameras = [camera.moved(step) for camera, step in zip(self.cameras, steps, strict=True)]
        return cameras, self.points + x[count:].reshape(-1, 2)

    def misses(self, cameras: Sequence[Camera], points: np.ndarray) -> np.ndarray:
        """Misses (M, 4) of every match at both ends, in sigmas of a good match."""
        out = np.empty((len(points), 2, 2))
        for side in (0, 1):
            for n in np.unique(self.ends.photo[:, side]):
                rows = self.ends.photo[:, side] == n
                seen = cameras[n].project_face(points[rows])
                out[rows, side] = seen - self.ends.px[rows, side]
        out /= self.ends.noise_px[:, :, None]
        return np.nan_to_num(out, nan=1e3).reshape(-1, 4)

    @property
    def factor(self) -> np.ndarray:
        """What each match (M,) counts."""
        return self.ends.weight / self.spread[self.ends.link]

    def residuals(self, x: np.ndarray) -> np.ndarray:
        cameras, points = self.state(x)
        own = [
            root @ _between(fit.camera, camera)
            for fit, root, camera in zip(self.fits, self.roots, cameras, strict=True)
        ]
        linked = self.misses(cameras, points) * self.factor[:, None]
        return np.concatenate((*own, linked.ravel()))

    def jacobian(self, x: np.ndarray) -> csr_matrix:
        cameras, points = self.state(x)
        count = len(cameras)
        rows, columns, values = [], [], []
        grid = np.arange(8)
        for n, root in enumerate(self.roots):
            rows.append(np.repeat(8 * n + grid, 8))
            columns.append(np.tile(8 * n + grid, 8))
            values.append(root.ravel())
        for side in (0, 1):
            for n in np.unique(self.ends.photo[:, side]):
                index = np.flatnonzero(self.ends.photo[:, side] == n)
                at = points[index]
                scale = (
                    self.factor[index, None, None] / self.ends.noise_px[index, side][:, None, None]
                )
                _, by_camera = cameras[n].jacobian(np.column_stack((at, np.zeros(len(at)))))
                _, by_point = face_slopes(cameras[n], at)
                first = 8 * count + 4 * index + 2 * side
                row = first[:, None, None] + np.arange(2)[None, :, None]
                for block, start in ((by_camera, None), (by_point, 8 * count + 2 * index)):
                    width = block.shape[2]
                    column = np.arange(width)[None, None, :] + (
                        8 * n if start is None else start[:, None, None]
                    )
                    rows.append(np.broadcast_to(row, block.shape).ravel())
                    columns.append(np.broadcast_to(column, block.shape).ravel())
                    values.append((block * scale).ravel())
        shape = (8 * count + 4 * len(points), 8 * count + 2 * len(points))
        row, column = np.concatenate(rows), np.concatenate(columns)
        value = np.nan_to_num(np.concatenate(values))
        return coo_matrix((value, (row, column)), shape=shape).tocsr()


def _covariances(fits, roots, cameras, points, ends: _Ends, spread) -> list[np.ndarray]:
    """Block (8, 8) of every photo of the joint covariance, the points eliminated."""
    system = _System(fits, roots, cameras, points, ends, spread)
    still = np.zeros(8 * len(cameras) + points.size)
    residual, slopes = system.residuals(still), system.jacobian(still)
    count = 8 * len(cameras)
    weight = 1 / np.sqrt(1 + residual**2)  # slope of soft_l1: far points hold less
    weighted = slopes.multiply(weight[:, None]).tocsr()
    unit = np.tile(STEP_SCALE, len(cameras))
    among = (slopes[:, :count].T @ weighted[:, :count]).toarray()
    cross = (slopes[:, :count].T @ weighted[:, count:]).toarray().reshape(count, -1, 2)
    inner = weighted[:, count:].multiply(slopes[:, count:]).sum(axis=0).A1.reshape(-1, 2)
    mixed = weighted[:, count::2].multiply(slopes[:, count + 1 :: 2]).sum(axis=0).A1
    blocks = np.empty((len(points), 2, 2))
    blocks[:, 0, 0], blocks[:, 1, 1] = inner.T
    blocks[:, 0, 1] = blocks[:, 1, 0] = mixed
    taken = np.einsum("amj,mjk,bmk->ab", cross, np.linalg.inv(blocks), cross, optimize=True)
    information = (among - taken) * np.outer(unit, unit)
    joint = np.linalg.pinv((information + information.T) / 2, rcond=1e-13, hermitian=True)
    joint *= np.outer(unit, unit)
    return [joint[8 * n : 8 * n + 8, 8 * n : 8 * n + 8] for n in range(len(cameras))]


def _miss(link: Link, cameras: Sequence[Camera], fits: Sequence[PhotoFit]) -> float:
    """Median miss of a link from photo to photo, either way, over what is allowed."""
    out = []
    for here, there, here_px, there_px in (
        (link.first, link.second, link.first_px, link.second_px),
        (link.second, link.first, link.second_px, link.first_px),
    ):
        seen = cameras[here].project_face(cameras[there].face_points(there_px))
        gap = np.nan_to_num(np.hypot(*(seen - here_px).T), nan=1e6)
        out.append(float(np.median(gap)) / (LINK_SHARE * _long(fits[here])))
    return max(out)


def _moved_too_far(before: PhotoFit, after: PhotoFit) -> bool:
    """Whether the joint answer lies beyond what a photo's own edges allow."""
    if before.method == PHOTO_ALONE:
        return False
    share = np.linspace(0.1, 0.9, 5)
    x, y = np.meshgrid(share * before.width_px, share * before.height_px)
    at = np.column_stack((x.ravel(), y.ravel()))
    there = before.plate_from_photo(at)
    gap = np.hypot(*(after.plate_from_photo(at) - there).T)
    allowed = DIFFERS_SIGMAS * before.sigma_mm(there) + DIFFERS_MM
    use = np.isfinite(gap) & np.isfinite(allowed)
    return bool(not use.any() or np.median(gap[use] / allowed[use]) > 1)
