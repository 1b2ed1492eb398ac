"""Photos of one plate adjusted together: the poses of a chain as one least-squares problem.

A photo fitted through its neighbour takes over the neighbour's error, and the next one adds its
own. Here all cameras of a chain are unknown at once (bundle adjustment: Triggs, McLauchlan,
Hartley and Fitzgibbon 2000); the points that two photos share lie on a plane and are eliminated
to first order. What each photo saw of the drawing enters as the normal distribution of its own
fit, which is what is left of its edges when everything but its camera has been eliminated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from mapper.fit.camera import Camera
from mapper.fit.result import PHOTO_ALONE, PhotoFit

__all__ = ["Link", "adjust_together", "joined"]

NOISE_SHARE = 0.4 / 2400  # least sigma of a matched point, of the long side of its photo
LINK_SHARE = 4.0 / 2400  # median miss of a link, of the long side, beyond which it is thrown out
LEAST_POINTS = 8
LINK_ALONE = 24  # points by which one link may place a photo that nothing else holds
STRONG_POINTS = 40  # fewer may agree by chance, so that a good photo does not yield to them
CELLS = (10, 8)  # points in one cell of a photo err together and count as one
ROUNDS = 40
HALVINGS = 8
SETTLED = 2e-3  # of STEP_SCALE: under a thousandth of a millimetre
# A pose that only came from another photo says nothing by itself; these keep the system regular.
LOOSE_POSE = np.array([0.5, 0.5, 0.5, 1000.0, 1000.0, 1000.0])
STEP_SCALE = np.array([1e-3, 1e-3, 1e-3, 0.3, 0.3, 0.5, 1e-2, 1e-2])
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
class _Matches:
    """Matches of one link, one row (M,) each: what each counts, and the sigma at both ends."""

    link: Link
    weight: np.ndarray
    noise_px: tuple[float, float]


def adjust_together(fits: Sequence[PhotoFit], links: Sequence[Link]) -> tuple[PhotoFit, ...]:
    """The fits with all cameras adjusted at once, in the order given.

    A link whose points can not be brought together with the rest is thrown out; a photo that
    loses most of its links so, or whose own edges put it elsewhere than the others do, comes back
    doubtful. A link of few points holds only a photo that nothing else holds, and takes a good
    photo's verdict only when a second photo says the same. No verdict is ever raised: to agree
    with a neighbour is not evidence of one's own.
    Photos without a link come back as they were. Source: see the module; robust loss soft_l1
    by reweighting in each Gauss-Newton step; the covariance of each photo is its block of the
    joint one.
    """
    cameras = [fit.camera for fit in fits]
    usable = [_clean(link, fits) for link in links]
    usable = [link for link in usable if link is not None and _may_hold(link, fits)]
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
    heard = _heard(len(fits), [*usable, *dropped])
    out = []
    for n, fit in enumerate(fits):
        if fit.verdict == "good" and not heard[n]:
            out.append(fit)
            continue
        linked = solved is not None and held[n] and kept[n] > 0
        new = replace(fit, camera=cameras[n], covariance=covariances[n]) if linked else fit
        if lost[n] > kept[n] or (linked and _moved_too_far(fit, new)):
            new = new.doubted(APART)
        elif not held[n] and (kept[n] or lost[n]):
            new = new.doubted(UNHELD)
        out.append(new)
    return tuple(out)


def _may_hold(link: Link, fits: Sequence[PhotoFit]) -> bool:
    """Whether a link takes part: few points do only where nothing else holds one of its ends."""
    alone = any(fits[n].method == PHOTO_ALONE for n in (link.first, link.second))
    return alone or len(link.first_px) >= STRONG_POINTS


def _heard(count: int, links: Sequence[Link]) -> list[bool]:
    """Photos whose neighbours are to be believed: by one strong link, or by two neighbours."""
    strong: set[int] = set()
    beside: list[set[int]] = [set() for _ in range(count)]
    for link in links:
        for n, other in ((link.first, link.second), (link.second, link.first)):
            beside[n].add(other)
            if len(link.first_px) >= STRONG_POINTS:
                strong.add(n)
    return [n in strong or len(others) > 1 for n, others in enumerate(beside)]


def joined(number: int, fits: Sequence[PhotoFit], links: Sequence[Link]) -> bool:
    """Whether the links of a photo hold it under these fits: one with many points, or two.

    Two count only to different photos: a loop that closes.
    """
    cameras = [fit.camera for fit in fits]
    own = [link for link in links if number in (link.first, link.second)]
    lie = [link for link in own if _miss(link, cameras, fits) <= 1]
    others = {link.first + link.second - number for link in lie}
    return any(len(link.first_px) >= LINK_ALONE for link in lie) or len(others) > 1


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


def _matches(fits: Sequence[PhotoFit], link: Link) -> _Matches:
    crowd = np.ones(len(link.first_px))
    for which, at in ((link.first, link.first_px), (link.second, link.second_px)):
        size = (fits[which].width_px, fits[which].height_px)
        cell = np.clip(np.floor(at / size * CELLS), -1, 1000) @ (1, 10000)
        _, back, many = np.unique(cell, return_inverse=True, return_counts=True)
        crowd = np.maximum(crowd, many[back])
    noise = tuple(NOISE_SHARE * _long(fits[which]) for which in (link.first, link.second))
    return _Matches(link, 1 / np.sqrt(crowd), noise)


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


def _solve(
    fits: Sequence[PhotoFit], links: Sequence[Link]
) -> tuple[list[Camera], list[np.ndarray]]:
    """Cameras and covariances (8, 8) of all photos; those without a link keep their own."""
    matches = [_matches(fits, link) for link in links]
    roots = [_own_root(fit) for fit in fits]
    cameras = [fit.camera for fit in fits]
    unit = np.tile(STEP_SCALE, len(fits))
    spread = np.ones(len(links))
    for _ in range(ROUNDS):
        system = _System(fits, roots, cameras, matches, spread.copy())
        step = unit * system.step(unit)
        cameras = system.moved(step)
        for n, match in enumerate(matches):
            miss = system.misses(n, cameras) / match.weight[:, None]
            # the size of a miss in the plane: chi with two degrees of freedom
            spread[n] = max(1.0, float(np.median(np.hypot(*miss.T))) / 1.1774)
        if np.abs(step / unit).max() < SETTLED:
            break
    information, _ = _System(fits, roots, cameras, matches, spread).normal()
    joint = np.linalg.pinv(information * np.outer(unit, unit), rcond=1e-13, hermitian=True)
    joint *= np.outer(unit, unit)
    return cameras, [joint[8 * n : 8 * n + 8, 8 * n : 8 * n + 8] for n in range(len(fits))]


class _System:
    """Residuals and slopes of one round: first what each photo saw, then the links.

    A match is the miss in its second photo of what the first one shows there, over its own
    spread: its place on the face, two unknowns for four numbers, is eliminated so. Far misses
    hold less: weights of soft_l1 of whole misses at the start of the round (iteratively
    reweighted least squares), so that the answer does not hang on the axes of a photo.
    """

    def __init__(self, fits, roots, cameras, matches: Sequence[_Matches], spread) -> None:
        self._cameras = cameras
        self._first = [fit.camera for fit in fits]
        self._matches = matches
        self._white = [_whitening(cameras, match) for match in matches]
        self._factor = []
        for n in range(len(matches)):
            size = np.hypot(*self.misses(n, cameras).T) / spread[n]
            self._factor.append((1 + size**2) ** -0.25 / spread[n])
        own = [
            root @ first.step_to(camera)
            for root, first, camera in zip(roots, self._first, cameras, strict=True)
        ]
        self._roots = [
            root * (1 + miss @ miss / 8) ** -0.25 for root, miss in zip(roots, own, strict=True)
        ]

    def moved(self, x: np.ndarray) -> list[Camera]:
        """All cameras after a step."""
        return [c.moved(step) for c, step in zip(self._cameras, x.reshape(-1, 8), strict=True)]

    def misses(self, number: int, cameras: Sequence[Camera]) -> np.ndarray:
        """Misses (M, 2) of a link in sigmas of a good match."""
        link = self._matches[number].link
        at = cameras[link.first].face_points(link.first_px)
        miss = cameras[link.second].project_face(at) - link.second_px
        return np.nan_to_num(np.einsum("nij,nj->ni", self._white[number], miss), nan=1e3)

    def cost(self, cameras: Sequence[Camera]) -> float:
        """Sum of squares of all weighted misses."""
        own = (
            root @ first.step_to(camera)
            for first, root, camera in zip(self._first, self._roots, cameras, strict=True)
        )
        linked = (self.misses(n, cameras) * f[:, None] for n, f in enumerate(self._factor))
        return sum(float((miss**2).sum()) for some in (own, linked) for miss in some)

    def normal(self) -> tuple[np.ndarray, np.ndarray]:
        """Normal matrix (8N, 8N) and slope (8N,) of half the cost, block by block.

        A link touches two photos only, so that a large job costs as much as it has links.
        """
        count = len(self._cameras)
        matrix, slope = np.zeros((count, 8, count, 8)), np.zeros((count, 8))
        for n, root in enumerate(self._roots):
            matrix[n, :, n] += root.T @ root
            slope[n] += root.T @ (root @ self._first[n].step_to(self._cameras[n]))
        for n, (match, white, factor) in enumerate(
            zip(self._matches, self._white, self._factor, strict=True)
        ):
            by_first, by_second, _ = _transfer(self._cameras, match.link)
            scaled = white * factor[:, None, None]
            ends = (match.link.first, match.link.second)
            blocks = [
                np.nan_to_num(scaled @ block).reshape(-1, 8) for block in (by_first, by_second)
            ]
            miss = (self.misses(n, self._cameras) * factor[:, None]).ravel()
            for i, rows in zip(ends, blocks, strict=True):
                slope[i] += rows.T @ miss
                for j, others in zip(ends, blocks, strict=True):
                    matrix[i, :, j] += rows.T @ others
        return matrix.reshape(8 * count, 8 * count), slope.ravel()

    def step(self, unit: np.ndarray) -> np.ndarray:
        """Gauss-Newton step (8N,) in `unit`s, halved until the cost falls."""
        matrix, slope = self.normal()
        step = -np.linalg.lstsq(matrix * np.outer(unit, unit), slope * unit, rcond=1e-13)[0]
        start = self.cost(self._cameras)
        for _ in range(HALVINGS):
            if self.cost(self.moved(unit * step)) <= start:
                return step
            step = step / 2
        return np.zeros_like(step)


def _whitening(cameras: Sequence[Camera], match: _Matches) -> np.ndarray:
    """Inverse roots (M, 2, 2) of the spreads of the misses, times what each match counts."""
    _, _, carry = _transfer(cameras, match.link)
    near, far = (noise**2 for noise in match.noise_px)
    spread = far * np.eye(2) + near * carry @ np.swapaxes(carry, 1, 2)
    spread[~np.isfinite(spread).all(axis=(1, 2))] = far * np.eye(2)
    return np.linalg.inv(np.linalg.cholesky(spread)) * match.weight[:, None, None]


def _transfer(cameras: Sequence[Camera], link: Link) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Slopes of the place in the second photo of what the first one shows.

    By the steps (M, 2, 8) of the first and of the second camera, and by the pixels (M, 2, 2) of
    the first photo.
    """
    first, second = cameras[link.first], cameras[link.second]
    at = first.face_points(link.first_px)
    at = np.column_stack((at, np.zeros(len(at))))
    _, by_first = first.jacobian(at)
    _, by_second = second.jacobian(at)
    # a shift of the plate's point is a shift of the plate
    here, there = (
        jac[:, :, 3:6] @ camera.rotation[:, :2]
        for jac, camera in ((by_first, first), (by_second, second))
    )
    here[~np.isfinite(here).all(axis=(1, 2))] = np.eye(2)
    carry = there @ np.linalg.pinv(here)
    return -carry @ by_first, by_second, carry


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
