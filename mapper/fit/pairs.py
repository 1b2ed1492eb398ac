"""Photo to photo: two photos of one plate at different stages of melt-off, in any turn.

Plastic goes, leads come into sight, light moves; what stays is bare steel and the pattern of
round holes. Trial maps come from both: point features (SIFT, Lowe 2004) with a robust
estimator (MAGSAC++, Barath et al. 2020, as in OpenCV), and circles matched in views turned
square to the plate, where two photos differ by a similarity. Every trial is scored, and settled
on the edges and point features that either photo shows of the other (`mapper.fit.pair_map`); the
best is taken only when it stands clear of the next and convinces on its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from mapper.fit.dlt import apply_homography
from mapper.fit.ellipses import Blobs, level_ellipses
from mapper.fit.evidence import EdgeMaps, edge_maps
from mapper.fit.features import grey_of, point_features
from mapper.fit.hypotheses import Circles, circle_trials, square_circles, square_view, tilts
from mapper.fit.pair_map import Alike, Picture, mapped, picture_of, settled

__all__ = ["Paired", "pair", "register_pair"]

WORKING_PX = 1000
FINE_PX, FINE_EDGES = 2000, 6000  # where the map found is measured out
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
    picture: Picture
    fine: Picture
    points_px: np.ndarray
    looks: np.ndarray


def register_pair(moving_bgr: np.ndarray, fixed_bgr: np.ndarray) -> np.ndarray | None:
    """Homography (3, 3) from pixels of the moving photo to the fixed one, on the plate's face.

    None when no map convinces: never a guess.
    """
    paired = pair(moving_bgr, fixed_bgr)
    return paired.homography if paired is not None and paired.convinces else None


def pair(moving_bgr: np.ndarray, fixed_bgr: np.ndarray) -> Paired | None:
    """The best map found, convincing or not."""
    moving, fixed = _side(moving_bgr), _side(fixed_bgr)
    looks = moving.looks @ fixed.looks.T
    trials, matched = _by_points(moving, fixed, looks)
    trials += _by_circles(moving, fixed)
    if not trials:
        return None
    a, b = moving.picture, fixed.picture
    alike = Alike(a.unit(moving.points_px), b.unit(fixed.points_px), looks)
    few = slice(None, None, 4)
    scored = [(_support(h, moving, fixed, few), h) for h in trials]
    scored.sort(key=lambda s: -s[0])
    coarse = slice(None, None, 3)
    refined = []
    for _, h in scored[:12]:
        h = settled(h, a, b, alike, (10.0, 7.0, 5.0, 3.0), part=coarse)
        if _sane(h, moving):
            refined.append((_both(h, moving, fixed), h))
    if not refined:
        return None
    refined.sort(key=lambda s: -s[0])
    best = settled(refined[0][1], a, b, alike, (4.0, 3.0), rounds=6)
    if not _sane(best, moving):
        return None
    clear = np.inf
    for _, h in refined[1:]:
        if not _same_map(h, best, fixed):
            h = settled(h, a, b, None, (4.0, 3.0, 2.0), part=coarse)
            if _sane(h, moving) and not _same_map(h, best, fixed):
                clear = min(clear, _lead(best, h, moving, fixed))
    support = min(_support(best, moving, fixed), _support(np.linalg.inv(best), fixed, moving))
    shared = _shared_points(best, matched)
    best = _finished(best, moving, fixed)
    return Paired(best / best[2, 2], float(support), float(clear), shared)


def _finished(h: np.ndarray, moving: _Side, fixed: _Side) -> np.ndarray:
    """The map in photo pixels, by the edges of larger pictures with the lenses free."""
    to_fine, from_fine = (s.fine.matrix @ np.linalg.inv(s.picture.matrix) for s in (fixed, moving))
    h = to_fine @ h @ np.linalg.inv(from_fine)
    h = settled(h, moving.fine, fixed.fine, None, (4.0, 3.0, 2.0), rounds=8, bends=True)
    to_full, from_full = (
        _from_working(s.scale) @ s.picture.matrix @ np.linalg.inv(s.fine.matrix)
        for s in (fixed, moving)
    )
    return to_full @ h @ np.linalg.inv(from_full)


def _both(h: np.ndarray, moving: _Side, fixed: _Side) -> float:
    """Edges of both photos found again in the other, as a share of all: rewards overlap."""
    back = np.linalg.inv(h)
    total = 0.0
    for m, a, b in ((h, moving, fixed), (back, fixed, moving)):
        support, _ = b.maps.support(*mapped(m, a.picture.edges_px[::2], a.picture.normals[::2]))
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
        s1, seen = b.maps.support(*mapped(first, a.picture.edges_px, a.picture.normals))
        s2, _ = b.maps.support(*mapped(second, a.picture.edges_px, a.picture.normals))
        height, width = a.grey.shape
        patch = (a.picture.edges_px[:, 1] * 8 // height).astype(int) * 10
        patch += (a.picture.edges_px[:, 0] * 10 // width).astype(int)
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
    full = grey_of(image)
    grey, scale = _shrunk(full, WORKING_PX)
    points, looks = point_features(grey, None, SIFT_POINTS)
    return _Side(
        grey,
        scale,
        level_ellipses(grey),
        edge_maps(grey, 1.0),
        picture_of(grey),
        picture_of(_shrunk(full, FINE_PX)[0], FINE_EDGES),
        points[:, :2],
        looks,
    )


def _shrunk(grey: np.ndarray, side_px: int) -> tuple[np.ndarray, float]:
    scale = min(1.0, side_px / max(grey.shape))
    if scale == 1.0:
        return grey, scale
    size = (round(grey.shape[1] * scale), round(grey.shape[0] * scale))
    return cv2.resize(grey, size, interpolation=cv2.INTER_AREA), scale


def _by_points(moving: _Side, fixed: _Side, alike: np.ndarray) -> tuple[list[np.ndarray], tuple]:
    """Maps from point features, and the pairs of points (K, 2) that match by look alone."""
    out, pairs = [], (np.zeros((0, 2)), np.zeros((0, 2)))
    if min(alike.shape) < 8:
        return out, pairs
    first = alike.argmax(axis=1)
    row = np.arange(len(first))
    most = alike[row, first]
    others = alike.copy()
    others[row, first] = -1.0
    second = others.max(axis=1)
    for ratio in (0.8, 0.9):
        good = 1 - most < ratio**2 * (1 - second)
        if good.sum() < 6:
            continue
        pairs = moving.points_px[good], fixed.points_px[first[good]]
        cv2.setRNGSeed(1)
        h, _ = cv2.findHomography(
            *(p.astype(np.float32) for p in pairs),
            cv2.USAC_MAGSAC,
            3.0,
            maxIters=5000,
            confidence=0.9999,
        )
        if h is not None and _sane(h, moving):
            out.append(h)
    return out, pairs


def _by_circles(moving: _Side, fixed: _Side) -> list[np.ndarray]:
    """Maps under which the round things of both photos coincide."""
    out = []
    lens, moving_lens = (
        (side.picture.focal_px, side.picture.centre_px) for side in (fixed, moving)
    )
    fixed_tilts = tilts(fixed.blobs, *lens, most=1)
    moving_tilts = tilts(moving.blobs, *moving_lens, most=2)
    for ft in fixed_tilts:
        turn = square_view(ft)
        found = square_circles(fixed.grey, 1.0, fixed.blobs, *lens, turn)[:40]
        if len(found) < 3:
            continue
        to_plane = np.diag([UNIT, -UNIT, 1.0]) @ turn @ np.linalg.inv(fixed.picture.matrix)
        circles = Circles(
            found[:, :2] * (UNIT, -UNIT), found[:, 2] * UNIT, np.zeros(len(found), bool)
        )
        reach = float(np.hypot(*np.ptp(circles.xy_mm, axis=0)))
        for mt in moving_tilts:
            for trial in circle_trials(
                moving.grey, 1.0, moving.blobs, circles, *moving_lens, mt, reach
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


def _support(h: np.ndarray, a: _Side, b: _Side, part: slice = slice(None)) -> float:
    """Share of the edges of `a`, mapped into `b`, that are found there, less chance."""
    at, normal = mapped(h, a.picture.edges_px[part], a.picture.normals[part])
    support, seen = b.maps.support(at, normal)
    if seen.sum() < 0.08 * len(at):
        return 0.0
    return float(support[seen].mean()) * min(1.0, float(seen.mean()) / 0.15)
