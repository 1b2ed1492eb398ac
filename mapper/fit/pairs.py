"""Photo to photo: two photos of one plate at different stages of melt-off, in any turn.

Plastic goes, leads come into sight, light moves; what stays is bare steel and the pattern of
round holes. Trial maps come from both: point features (SIFT, Lowe 2004) with a robust
estimator (MAGSAC++, Barath et al. 2020, as in OpenCV), and circles matched in views turned
square to the plate, where two photos differ by a similarity. Every trial is scored and refined
on the edges of one photo found again in the other; the best is taken only when it stands clear
of the next and convinces on its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from mapper.fit.camera import DEFAULT_FOCAL35_MM, focal_px_from_35mm
from mapper.fit.dlt import apply_homography
from mapper.fit.ellipses import Blobs, level_ellipses
from mapper.fit.evidence import EdgeMaps, edge_maps
from mapper.fit.features import grey_of
from mapper.fit.hypotheses import Circles, circle_trials, square_circles, square_view, tilts

__all__ = ["Paired", "pair", "register_pair"]

WORKING_PX = 1000
SIFT_POINTS = 3000
LEAST_SUPPORT = 0.16  # share of edges found again, less chance; wrong maps stay below 0.1
LEAST_LEAD = 3.0  # standard errors that the next best map is behind
SURE_LEAD = 7.0
POINT_LEAD = 0.5  # what one point feature that agrees is worth
SURE_POINTS = 15  # so many that agree settle it where the steel shows hardly an edge
FEW_EDGES = 0.05

UNIT = 1000.0  # square-view circles in thousandths of the focal length, as "mm"


@dataclass(frozen=True, eq=False)
class Paired:
    """A map from the moving to the fixed photo and what speaks for it.

    `support` is the share of edges found again, less chance; `lead` how many standard errors
    the next best map is behind; `shared` the number of point features that agree.
    """

    homography: np.ndarray
    support: float
    lead: float
    shared: int

    @property
    def convinces(self) -> bool:
        """Whether the map may be used: clear of the next best, by edges and points together.

        Bare steel between bores has hardly an edge; there the points decide. Photos of different
        plates share 0 or 1 of them under their best map.
        """
        least = FEW_EDGES if self.shared >= SURE_POINTS else LEAST_SUPPORT
        return (
            self.support >= least
            and self.lead >= LEAST_LEAD
            and self.lead + POINT_LEAD * self.shared >= SURE_LEAD
        )


@dataclass(frozen=True, eq=False)
class _Side:
    """One photo as the pairing looks at it, all in working pixels."""

    grey: np.ndarray
    scale: float
    blobs: Blobs
    maps: EdgeMaps
    points: np.ndarray
    normals: np.ndarray

    @property
    def focal_px(self) -> float:
        height, width = self.grey.shape
        return focal_px_from_35mm(DEFAULT_FOCAL35_MM, width, height)

    @property
    def centre_px(self) -> tuple[float, float]:
        height, width = self.grey.shape
        return (width - 1) / 2, (height - 1) / 2


def register_pair(moving_bgr: np.ndarray, fixed_bgr: np.ndarray) -> np.ndarray | None:
    """Homography (3, 3) from pixels of the moving photo to the fixed one, on the plate's face.

    None when no map convinces: never a guess.
    """
    paired = pair(moving_bgr, fixed_bgr)
    return paired.homography if paired is not None and paired.convinces else None


def pair(moving_bgr: np.ndarray, fixed_bgr: np.ndarray) -> Paired | None:
    """The best map found, convincing or not."""
    moving, fixed = _side(moving_bgr), _side(fixed_bgr)
    trials, matched = _by_points(moving, fixed)
    trials += _by_circles(moving, fixed)
    if not trials:
        return None
    few = slice(None, None, 4)
    scored = [(_support(h, moving, fixed, few), h) for h in trials]
    scored.sort(key=lambda s: -s[0])
    coarse = slice(None, None, 3)
    refined = []
    for _, h in scored[:12]:
        h = _aligned(h, moving, fixed, (10.0, 7.0, 5.0, 3.0), coarse)
        if _sane(h, moving):
            refined.append((_both(h, moving, fixed), h))
    if not refined:
        return None
    refined.sort(key=lambda s: -s[0])
    best = _aligned(refined[0][1], moving, fixed, (4.0, 3.0, 2.5, 2.0, 2.0))
    clear = np.inf
    for _, h in refined[1:]:
        if not _same_map(h, best, fixed):
            h = _aligned(h, moving, fixed, (4.0, 3.0, 2.0), coarse)
            if not _same_map(h, best, fixed):
                clear = min(clear, _lead(best, h, moving, fixed))
    support = min(_support(best, moving, fixed), _support(np.linalg.inv(best), fixed, moving))
    shared = _shared_points(best, matched)
    best = _from_working(fixed.scale) @ best @ np.linalg.inv(_from_working(moving.scale))
    return Paired(best / best[2, 2], float(support), float(clear), shared)


def _both(h: np.ndarray, moving: _Side, fixed: _Side) -> float:
    """Edges of both photos found again in the other, as a share of all: rewards overlap."""
    back = np.linalg.inv(h)
    total = 0.0
    for m, a, b in ((h, moving, fixed), (back, fixed, moving)):
        support, _ = b.maps.support(*_mapped(m, a.points[::2], a.normals[::2]))
        total += float(support.mean())
    return total


def _same_map(a: np.ndarray, b: np.ndarray, fixed: _Side) -> bool:
    """Whether two maps agree where the second puts the fixed photo's points in the moving one."""
    height, width = fixed.grey.shape
    x, y = np.meshgrid(np.linspace(0.1, 0.9, 5) * width, np.linspace(0.1, 0.9, 5) * height)
    at = np.column_stack((x.ravel(), y.ravel()))
    with np.errstate(all="ignore"):
        back = apply_homography(np.linalg.inv(b), at)
        gap = np.hypot(*(apply_homography(a, back) - at).T)
    return bool(np.nanmedian(gap) < 0.02 * width)


def _lead(best: np.ndarray, rival: np.ndarray, moving: _Side, fixed: _Side) -> float:
    """How clearly one map beats another: mean over patches of the difference in support, over
    its standard error. Edges of one patch stand or fall together, so patches are the samples.
    """
    values = []
    for invert, a, b in ((False, moving, fixed), (True, fixed, moving)):
        first, second = (np.linalg.inv(m) if invert else m for m in (best, rival))
        s1, seen = b.maps.support(*_mapped(first, a.points, a.normals))
        s2, _ = b.maps.support(*_mapped(second, a.points, a.normals))
        height, width = a.grey.shape
        patch = (a.points[:, 1] * 8 // height).astype(int) * 10
        patch += (a.points[:, 0] * 10 // width).astype(int)
        count = np.bincount(patch[seen], minlength=80)
        total = np.bincount(patch[seen], (s1 - s2)[seen], minlength=80)
        values.append(total[count >= 8] / count[count >= 8])
    values = np.concatenate(values)
    if len(values) < 6:
        return 0.0
    return float(values.mean() / (values.std(ddof=1) / np.sqrt(len(values)) + 1e-9))


def _shared_points(h: np.ndarray, matched: tuple[np.ndarray, np.ndarray]) -> int:
    """Point features that match by look (freely, not forced) and agree with the map."""
    source, target = matched
    if not len(source):
        return 0
    with np.errstate(all="ignore"):
        gap = np.hypot(*(apply_homography(h, source) - target).T)
    return int((gap < 4).sum())


def _from_working(scale: float) -> np.ndarray:
    """Working pixels to photo pixels, pixel centres kept."""
    shift = 0.5 / scale - 0.5
    return np.array([[1 / scale, 0, shift], [0, 1 / scale, shift], [0, 0, 1.0]])


def _side(image: np.ndarray) -> _Side:
    grey = grey_of(image)
    scale = min(1.0, WORKING_PX / max(grey.shape))
    if scale < 1:
        size = (round(grey.shape[1] * scale), round(grey.shape[0] * scale))
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.5)
    gx = cv2.Scharr(smooth, cv2.CV_16S, 1, 0)
    gy = cv2.Scharr(smooth, cv2.CV_16S, 0, 1)
    high = float(np.quantile(np.hypot(gx[::3, ::3].astype(float), gy[::3, ::3]), 0.93))
    edge = cv2.Canny(gx, gy, 0.5 * high, high, L2gradient=True)
    y, x = np.nonzero(edge)
    if len(x) > 4000:
        pick = np.random.default_rng(0).choice(len(x), 4000, replace=False)
        x, y = x[pick], y[pick]
    normal = np.column_stack((gx[y, x], gy[y, x])).astype(float)
    normal /= np.maximum(np.hypot(*normal.T), 1e-9)[:, None]
    return _Side(
        grey,
        scale,
        level_ellipses(grey),
        edge_maps(grey, 1.0),
        np.column_stack((x, y)).astype(float),
        normal,
    )


def _by_points(
    moving: _Side, fixed: _Side
) -> tuple[list[np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """Maps from point features, and the pairs of points (K, 2) that match by look alone."""
    none = np.zeros((0, 2), np.float32)
    sift = cv2.SIFT_create(SIFT_POINTS)
    a, da = sift.detectAndCompute(moving.grey, None)
    b, db = sift.detectAndCompute(fixed.grey, None)
    if da is None or db is None or len(a) < 8 or len(b) < 8:
        return [], (none, none)
    da, db = (np.sqrt(d / np.maximum(d.sum(axis=1, keepdims=True), 1e-9)) for d in (da, db))
    matches = cv2.BFMatcher().knnMatch(da, db, k=2)
    out, pairs = [], (none, none)
    for ratio in (0.8, 0.9):
        good = [m[0] for m in matches if len(m) == 2 and m[0].distance < ratio * m[1].distance]
        if len(good) < 6:
            continue
        pairs = (
            np.float32([a[m.queryIdx].pt for m in good]),
            np.float32([b[m.trainIdx].pt for m in good]),
        )
        cv2.setRNGSeed(1)
        h, _ = cv2.findHomography(*pairs, cv2.USAC_MAGSAC, 3.0, maxIters=5000, confidence=0.9999)
        if h is not None and _sane(h, moving):
            out.append(h)
    return out, pairs


def _by_circles(moving: _Side, fixed: _Side) -> list[np.ndarray]:
    """Maps under which the round things of both photos coincide."""
    out = []
    fixed_tilts = tilts(fixed.blobs, fixed.focal_px, fixed.centre_px, most=1)
    moving_tilts = tilts(moving.blobs, moving.focal_px, moving.centre_px, most=2)
    for ft in fixed_tilts:
        turn = square_view(ft)
        found = square_circles(fixed.grey, 1.0, fixed.blobs, fixed.focal_px, fixed.centre_px, turn)[
            :40
        ]
        if len(found) < 3:
            continue
        f, (cx, cy) = fixed.focal_px, fixed.centre_px
        norm = np.array([[1 / f, 0, -cx / f], [0, 1 / f, -cy / f], [0, 0, 1.0]])
        to_plane = np.diag([UNIT, -UNIT, 1.0]) @ turn @ norm
        circles = Circles(
            found[:, :2] * (UNIT, -UNIT), found[:, 2] * UNIT, np.zeros(len(found), bool)
        )
        reach = float(np.hypot(*np.ptp(circles.xy_mm, axis=0)))
        for mt in moving_tilts:
            for trial in circle_trials(
                moving.grey,
                1.0,
                moving.blobs,
                circles,
                moving.focal_px,
                moving.centre_px,
                mt,
                reach,
            ):
                h = np.linalg.inv(trial.camera.homography @ to_plane)
                if _sane(h, moving):
                    out.append(h / h[2, 2])
    return out


def _sane(h: np.ndarray, moving: _Side) -> bool:
    """Whether the map keeps the moving photo's middle in front, unmirrored, of usable size."""
    height, width = moving.grey.shape
    if not np.isfinite(h).all() or abs(h[2, 2]) < 1e-12:
        return False
    middle = np.array([width / 2, height / 2, 1.0])
    w = h[2] @ middle / h[2, 2]
    if w <= 0.05:
        return False
    slope = np.linalg.det(h / h[2, 2]) / w**3
    return 0.01 < slope < 100


def _mapped(h: np.ndarray, points: np.ndarray, normals: np.ndarray):
    """Points (N, 2) mapped, and the normals (N, 2) of edges through them."""
    rays = points @ h[:, :2].T + h[:, 2]
    w = np.where(rays[:, 2] > 1e-9, rays[:, 2], np.nan)
    at = rays[:, :2] / w[:, None]
    slopes = (h[None, :2, :2] - at[:, :, None] * h[None, 2:3, :2]) / w[:, None, None]
    along = np.column_stack((-normals[:, 1], normals[:, 0]))
    turned = np.einsum("nij,nj->ni", slopes, along)
    out = np.column_stack((-turned[:, 1], turned[:, 0]))
    with np.errstate(invalid="ignore", divide="ignore"):
        return at, out / np.hypot(*out.T)[:, None]


def _support(h: np.ndarray, a: _Side, b: _Side, part: slice = slice(None)) -> float:
    """Share of the edges of `a`, mapped into `b`, that are found there, less chance."""
    at, normal = _mapped(h, a.points[part], a.normals[part])
    support, seen = b.maps.support(at, normal)
    if seen.sum() < 0.08 * len(at):
        return 0.0
    return float(support[seen].mean()) * min(1.0, float(seen.mean()) / 0.15)


def _aligned(
    h: np.ndarray,
    moving: _Side,
    fixed: _Side,
    reaches_px: tuple[float, ...],
    part: slice = slice(None),
) -> np.ndarray:
    """The map after iterated search of the moving photo's edges in the fixed one."""
    smooth = cv2.GaussianBlur(fixed.grey, (0, 0), 1.0).astype(np.float32)
    height, width = smooth.shape
    points, normals = moving.points[part], moving.normals[part]
    for reach in reaches_px:
        at, normal = _mapped(h, points, normals)
        with np.errstate(invalid="ignore"):
            seen = (
                (at[:, 0] > 3) & (at[:, 1] > 3) & (at[:, 0] < width - 4) & (at[:, 1] < height - 4)
            )
        if seen.sum() < 60:
            return h
        p, n, x = at[seen], normal[seen], points[seen]
        t = np.arange(-int(reach) - 2, int(reach) + 3)
        values = cv2.remap(
            smooth,
            (p[:, 0, None] + n[:, 0, None] * t).astype(np.float32),
            (p[:, 1, None] + n[:, 1, None] * t).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        size = np.abs(values[:, 2:] - values[:, :-2]) * np.exp(
            -0.5 * (t[1:-1] / (0.6 * reach)) ** 2
        )
        best = np.clip(size.argmax(axis=1), 1, size.shape[1] - 2)
        row = np.arange(len(best))
        before, peak, after = size[row, best - 1], size[row, best], size[row, best + 1]
        curve = np.minimum(before - 2 * peak + after, -1e-6)
        miss = t[1:-1][best] + np.clip(0.5 * (before - after) / curve, -0.5, 0.5)
        limit = max(0.3 * reach, 0.7)
        weight = np.clip(peak / 20, 0, 1) / (1 + (miss / limit) ** 2)
        w = x @ h[2, :2] + h[2, 2]
        rows = np.empty((len(x), 8))
        rows[:, 0:2] = n[:, :1] * x / w[:, None]
        rows[:, 2] = n[:, 0] / w
        rows[:, 3:5] = n[:, 1:] * x / w[:, None]
        rows[:, 5] = n[:, 1] / w
        rows[:, 6:8] = -((n * p).sum(axis=1) / w)[:, None] * x
        column = np.sqrt((rows**2).mean(axis=0)) + 1e-12
        rows = rows / column
        normal_matrix = rows.T @ (rows * weight[:, None]) + 1e-4 * weight.sum() * 1e-2 * np.eye(8)
        step = np.linalg.solve(normal_matrix, rows.T @ (weight * miss)) / column
        h = h / h[2, 2] + np.append(step, 0.0).reshape(3, 3)
        if not _sane(h, moving):
            return h
    return h
