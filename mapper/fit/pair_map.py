"""A map from one photo to another, settled on what both of them show.

Each photo's edges are searched across themselves in the other one, which gives points that must
come to lie on lines (iterated closest lines: Chen and Medioni 1992). Point features that look
alike near where the map puts them are pairs. Both go into one weighted least squares, again and
again until the map stands still. Edges alone stop beside the right place where plastic and leads
give them something else to hold; the points lead there from any start nearby.

Inside, points are in units of the focal length from the middle of the picture, so that a map
holds for every size of the pictures.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy.spatial import cKDTree

from mapper.fit.camera import DEFAULT_FOCAL35_MM, distort, focal_px_from_35mm, undistort

__all__ = [
    "Alike",
    "Picture",
    "mapped",
    "picture_of",
    "settled",
]

MOST_EDGES = 4000
SURE_ALIKE, NEAR_RATIO = 0.8, 0.8  # of descriptors; to the next best one nearby
SAME_POINT_PX = 3.0  # what looks alike nearer than this is the same point
MOST_NEAR = 16
POINT_WEIGHT = 8.0  # of a pair of points, beside 1 of an edge sample
STILL_PX = 0.03  # a step smaller than this ends the rounds
BEND_SIGMA = 0.05  # of the lens, as in the fit of one photo
LINES_AT_ONCE = 40  # so many edge samples err together
MOST_BEND = 0.15
PLAIN_ROUNDS = 10


@dataclass(frozen=True, eq=False)
class Picture:
    """A photo (H, W) at one size: `smooth` to search in, edge pixels, unit normals (N, 2)."""

    smooth: np.ndarray
    edges_px: np.ndarray
    normals: np.ndarray

    @property
    def focal_px(self) -> float:
        height, width = self.smooth.shape
        return focal_px_from_35mm(DEFAULT_FOCAL35_MM, width, height)

    @property
    def centre_px(self) -> tuple[float, float]:
        height, width = self.smooth.shape
        return (width - 1) / 2, (height - 1) / 2

    @property
    def matrix(self) -> np.ndarray:
        """Units of the focal length to pixels (3, 3)."""
        cx, cy = self.centre_px
        return np.array([[self.focal_px, 0, cx], [0, self.focal_px, cy], [0, 0, 1.0]])

    def unit(self, px: np.ndarray) -> np.ndarray:
        return (px - self.centre_px) / self.focal_px

    def px(self, unit: np.ndarray) -> np.ndarray:
        return unit * self.focal_px + self.centre_px


@dataclass(frozen=True, eq=False)
class Alike:
    """Point features of two photos, in units, and how alike (K, L) their descriptors are, 0..1."""

    here: np.ndarray
    there: np.ndarray
    alike: np.ndarray
    near: cKDTree = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "near", cKDTree(self.there))

    def pairs(self, bent: _Bent, reach: float, same: float) -> tuple[np.ndarray, np.ndarray]:
        """Pairs (M, 2), (M, 2) within `reach` of where a map puts them, clear of the next best."""
        at, _ = bent.carry(self.here, np.ones_like(self.here))
        shown = np.flatnonzero(np.isfinite(at).all(axis=1))
        if not len(shown) or not len(self.there):
            return np.zeros((0, 2)), np.zeros((0, 2))
        most = min(MOST_NEAR, len(self.there))
        away, index = self.near.query(
            at[shown], k=[*range(1, most + 1)], distance_upper_bound=reach
        )
        found = np.isfinite(away)
        index = np.where(found, index, 0)
        value = np.where(found, self.alike[shown[:, None], index], 0.0)
        row = np.arange(len(shown))
        first = value.argmax(axis=1)
        best, most_alike = index[row, first], value[row, first]
        apart = np.hypot(*np.moveaxis(self.there[index] - self.there[best][:, None], -1, 0)) > same
        second = np.where(apart, value, 0.0).max(axis=1)
        sure = (most_alike > SURE_ALIKE) & (1 - most_alike < NEAR_RATIO**2 * (1 - second))
        return self.here[shown[sure]], self.there[best[sure]]


@dataclass(frozen=True, eq=False)
class _Bent:
    """A plane map (3, 3) between straightened pictures, and the radial term of either lens."""

    plane: np.ndarray
    bend_from: float = 0.0
    bend_to: float = 0.0

    @property
    def back(self) -> _Bent:
        return _Bent(np.linalg.inv(self.plane), self.bend_to, self.bend_from)

    def carry(self, points: np.ndarray, normals: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Points (N, 2) and the normals (N, 2) of edges through them in the other picture."""
        if self.bend_from:
            points = undistort(points, self.bend_from)
        at, normals = mapped(self.plane, points, normals)
        return (distort(at, self.bend_to) if self.bend_to else at), normals


@dataclass(frozen=True, eq=False)
class _Lines:
    """Edges of one picture found in the other one, in pixels of either.

    `at_px` (M, 2) is where the map puts sample `number`, `normals` (M, 2) the edge's direction
    there, `miss_px` (M,) how far along it the edge was found, `weight` (M,) what that is worth.
    """

    number: np.ndarray
    at_px: np.ndarray
    normals: np.ndarray
    miss_px: np.ndarray
    weight: np.ndarray

    @property
    def found_px(self) -> np.ndarray:
        return self.at_px + self.normals * self.miss_px[:, None]


def picture_of(grey: np.ndarray, most: int = MOST_EDGES) -> Picture:
    """A picture (H, W) uint8 with at most so many of its edges, spread evenly by chance."""
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.5)
    gx = cv2.Scharr(smooth, cv2.CV_16S, 1, 0)
    gy = cv2.Scharr(smooth, cv2.CV_16S, 0, 1)
    high = float(np.quantile(np.hypot(gx[::3, ::3].astype(float), gy[::3, ::3]), 0.93))
    y, x = np.nonzero(cv2.Canny(gx, gy, 0.5 * high, high, L2gradient=True))
    if len(x) > most:
        pick = np.random.default_rng(0).choice(len(x), most, replace=False)
        x, y = x[pick], y[pick]
    normal = np.column_stack((gx[y, x], gy[y, x])).astype(float)
    normal /= np.maximum(np.hypot(*normal.T), 1e-9)[:, None]
    search = cv2.GaussianBlur(grey, (0, 0), 1.0).astype(np.float32)
    return Picture(search, np.column_stack((x, y)).astype(float), normal)


def mapped(h: np.ndarray, points: np.ndarray, normals: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points (N, 2) under a plane map, and the normals (N, 2) of edges through them; nan behind."""
    at, slopes = _slopes(h, points)
    along = np.column_stack((-normals[:, 1], normals[:, 0]))
    turned = np.einsum("nij,nj->ni", slopes, along)
    out = np.column_stack((-turned[:, 1], turned[:, 0]))
    with np.errstate(invalid="ignore", divide="ignore"):
        return at, out / np.hypot(*out.T)[:, None]


def _slopes(h: np.ndarray, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    rays = points @ h[:, :2].T + h[:, 2]
    w = np.where(rays[:, 2] > 1e-9, rays[:, 2], np.nan)
    at = rays[:, :2] / w[:, None]
    return at, (h[None, :2, :2] - at[:, :, None] * h[None, 2:3, :2]) / w[:, None, None]


def _found_lines(
    bent: _Bent, a: Picture, b: Picture, reach_px: float, part: slice = slice(None)
) -> _Lines:
    """Edges of `a` searched in `b` within `reach_px`; what is far off or faint is worth less."""
    at, normals = bent.carry(a.unit(a.edges_px[part]), a.normals[part])
    at = b.px(at)
    height, width = b.smooth.shape
    with np.errstate(invalid="ignore"):
        seen = (at[:, 0] > 3) & (at[:, 1] > 3) & (at[:, 0] < width - 4) & (at[:, 1] < height - 4)
    number = np.arange(len(a.edges_px))[part][seen]
    p, n = at[seen], normals[seen]
    t = np.arange(-int(reach_px) - 2, int(reach_px) + 3)
    values = cv2.remap(
        b.smooth,
        (p[:, 0, None] + n[:, 0, None] * t).astype(np.float32),
        (p[:, 1, None] + n[:, 1, None] * t).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    size = np.abs(values[:, 2:] - values[:, :-2])
    size = size * np.exp(-0.5 * (t[1:-1] / (0.6 * reach_px)) ** 2)
    best = np.clip(size.argmax(axis=1), 1, size.shape[1] - 2)
    row = np.arange(len(best))
    before, peak, after = size[row, best - 1], size[row, best], size[row, best + 1]
    curve = np.minimum(before - 2 * peak + after, -1e-6)
    miss = t[1:-1][best] + np.clip(0.5 * (before - after) / curve, -0.5, 0.5)
    limit = max(0.3 * reach_px, 0.7)
    weight = np.clip(peak / 20, 0, 1) / (1 + (miss / limit) ** 2)
    return _Lines(number, p, n, miss, weight)


def settled(
    plane_px: np.ndarray,
    a: Picture,
    b: Picture,
    alike: Alike | None,
    reaches_px: tuple[float, ...],
    rounds: int = 1,
    part: slice = slice(None),
    bends: bool = False,
) -> np.ndarray:
    """The plane map (3, 3) in pixels after so many rounds at every reach, until it stands still.

    With `bends` the lenses are free too; the answer is the plane that comes nearest.
    """
    bent = _Bent(np.linalg.inv(b.matrix) @ plane_px @ a.matrix)
    for reach_px in reaches_px:
        for _ in range(rounds):
            one, step_px = _stepped(bent, a, b, alike, reach_px, part, bends)
            if one is None:
                return _plane_of(bent, a, b)
            bent = one
            if step_px < STILL_PX:
                break
    return _plane_of(bent, a, b)


def _plane_of(bent: _Bent, a: Picture, b: Picture) -> np.ndarray:
    """The plane map (3, 3) in pixels that comes nearest to a map at the edges of `a`."""
    plain = b.matrix @ bent.plane @ np.linalg.inv(a.matrix)
    if not (bent.bend_from or bent.bend_to):
        return plain / plain[2, 2]
    at = b.px(bent.carry(a.unit(a.edges_px), a.normals)[0])
    height, width = b.smooth.shape
    with np.errstate(invalid="ignore"):
        shown = ((at > 0) & (at < (width - 1, height - 1))).all(axis=1)
    if shown.sum() < 60:
        return plain / plain[2, 2]
    return _plain(bent.plane, a.unit(a.edges_px[shown]), b.unit(at[shown]), a, b)


def _plain(plane: np.ndarray, source, target, a: Picture, b: Picture) -> np.ndarray:
    """The plane in pixels that suits most pairs (N, 2), (N, 2).

    Bent lenses leave no plane that suits all. Outer corners bend most, so that plain least
    squares would lay the misses on the bores; here (Cauchy's loss) the corners bear them.
    """
    bent = _Bent(plane)
    for _ in range(PLAIN_ROUNDS):
        miss = np.hypot(*(bent.carry(source, np.ones_like(source))[0] - target).T)
        weight = 1 / (1 + (miss / (np.median(miss) + 1e-9)) ** 2)
        normals = np.repeat(np.eye(2), len(source), axis=0)
        pairs = (np.tile(p, (2, 1)) for p in (source, target))
        one, _ = _solved(bent, *pairs, normals, np.tile(weight, 2), b.focal_px, False)
        if one is None:
            break
        bent = one
    h = b.matrix @ bent.plane @ np.linalg.inv(a.matrix)
    return h / h[2, 2]


def _stepped(
    bent: _Bent, a: Picture, b: Picture, alike: Alike | None, reach_px: float, part, bends: bool
) -> tuple[_Bent | None, float]:
    """The map after one step of least squares, and how far that moved the edges, px."""
    there = _found_lines(bent, a, b, reach_px, part)
    back = _found_lines(bent.back, b, a, reach_px, part)
    if min(len(there.number), len(back.number)) < 60:
        return None, 0.0
    source = [a.unit(a.edges_px[there.number]), a.unit(back.found_px)]
    target = [b.unit(there.found_px), b.unit(b.edges_px[back.number])]
    normals, weight = [there.normals, b.normals[back.number]], [there.weight, back.weight]
    if alike is not None:
        here, at = alike.pairs(bent, 3 * reach_px / b.focal_px, SAME_POINT_PX / b.focal_px)
        gap = (bent.carry(here, np.ones_like(here))[0] - at) * b.focal_px
        worth = POINT_WEIGHT / (1 + (gap**2).sum(axis=1) / max(0.5 * reach_px, 1.0) ** 2)
        for axis in ((1.0, 0.0), (0.0, 1.0)):
            source.append(here)
            target.append(at)
            normals.append(np.tile(axis, (len(here), 1)))
            weight.append(worth)
    return _solved(
        bent,
        np.concatenate(source),
        np.concatenate(target),
        np.concatenate(normals),
        np.concatenate(weight),
        b.focal_px,
        bends,
    )


def _solved(
    bent: _Bent, source, target, normals, weight, focal_px: float, bends: bool
) -> tuple[_Bent | None, float]:
    """Points `source` brought onto the lines through `target` across `normals` (M, 2), weighted."""
    x, goal = undistort(source, bent.bend_from), undistort(target, bent.bend_to)
    at, slopes = _slopes(bent.plane, x)
    keep = np.isfinite(at).all(axis=1) & np.isfinite(goal).all(axis=1)
    x, goal, at, slopes = x[keep], goal[keep], at[keep], slopes[keep]
    normals, weight = normals[keep], weight[keep]
    w = x @ bent.plane[2, :2] + bent.plane[2, 2]
    rows = np.empty((len(x), 10 if bends else 8))
    rows[:, 0:2] = normals[:, :1] * x / w[:, None]
    rows[:, 2] = normals[:, 0] / w
    rows[:, 3:5] = normals[:, 1:] * x / w[:, None]
    rows[:, 5] = normals[:, 1] / w
    rows[:, 6:8] = -((normals * at).sum(axis=1) / w)[:, None] * x
    if bends:
        turned = np.einsum("nij,nj->ni", slopes, x * (x**2).sum(axis=1)[:, None])
        rows[:, 8] = -(normals * turned).sum(axis=1)
        rows[:, 9] = (normals * goal).sum(axis=1) * (goal**2).sum(axis=1)
    miss = (normals * (goal - at)).sum(axis=1)
    column = np.sqrt((rows**2).mean(axis=0)) + 1e-12
    unit = rows / column
    normal = unit.T @ (unit * weight[:, None])
    normal += 1e-6 * weight.sum() * np.eye(len(normal))
    right = unit.T @ (weight * miss)
    if bends:  # their prior, in misses of px as the samples are
        prior = LINES_AT_ONCE / (BEND_SIGMA * focal_px * column[8:]) ** 2
        normal[[8, 9], [8, 9]] += prior
        right[8:] -= prior * column[8:] * (bent.bend_from, bent.bend_to)
    step = np.linalg.solve(normal, right) / column
    moved_px = float(np.sqrt(np.mean((rows @ step) ** 2))) * focal_px
    plane = bent.plane / bent.plane[2, 2] + np.append(step[:8], 0.0).reshape(3, 3)
    if not np.isfinite(plane).all():
        return None, 0.0
    bend = np.array((bent.bend_from, bent.bend_to)) + (step[8:] if bends else 0.0)
    return _Bent(plane, *np.clip(bend, -MOST_BEND, MOST_BEND).tolist()), moved_px
