"""What two photos of one plate share: places of bare steel on the face that both show.

Each fitted photo is drawn square to the plate once, and point features (SIFT, Lowe 2004, with
the root of Arandjelovic and Zisserman 2012) of its bare face are found once. Of two photos they
are matched within a pitch of where the two fits put them, and a robust map (MAGSAC++, Barath et
al. 2020, as in OpenCV) keeps those that agree; patches of steel then place the link finer.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from mapper.fit.face_view import FaceView, Square, bare_face, shown_places, square, view_of
from mapper.fit.features import point_features
from mapper.fit.result import PhotoFit
from mapper.plate.model import Plate

__all__ = ["LEAST_SHARED", "Steel", "shared_points", "steel_of"]

SIDE_PX = 1400  # long side of the view of an overlap; finer is seldom sharper
FEATURE_SIDE_PX = 1100  # of the view in which features are found: patches are finer anyway
MOST_FEATURES = 4000
LEAST_SHARED = 12
RATIO = 0.85
NEAR_MM = 25.0  # how far from the place that the fits give a match may lie: less than a pitch
SAME_PX = 2.0  # of the view: how well matches must agree with their common map
NEXT_PX = 3.0  # of the view: what looks alike nearer than this is the same point
NEXT_BEST = 12  # points that look most alike, among which the next best one is sought
PATCH_PX, PATCH_REACH_PX = 41, 5
PATCH_SAME_PX = 1.0
PATCH_BARE = 0.8  # share of a patch that must be bare face in both photos
PATCH_ALIKE = 0.5  # correlation; patches of different steel stay below 0.4
PATCH_SHARP = 0.02
TEXTURE_PX = 5.0  # light and shade are wider, grain and scratches finer
LEAST_PATCHES = 16
PATCHES_AGREE = 0.5  # least share of the patches found again that agree with one map
MOST_PATCHES = 2500  # places tried in one overlap
MOST_POINTS = 250


@dataclass(frozen=True, eq=False)
class Steel:
    """The bare face in one fitted photo.

    `shown` (3600,) are the places of the plate in sight, `at_mm` (K, 2) float32 where the fit
    puts its point features, `looks` (K, 128) float32 their descriptors of unit length, and
    `mm_per_px` how coarsely they were looked for.
    """

    grey: np.ndarray
    fit: PhotoFit
    shown: np.ndarray
    at_mm: np.ndarray
    looks: np.ndarray
    mm_per_px: float


def steel_of(grey: np.ndarray, fit: PhotoFit, plate: Plate) -> Steel:
    """The point features of the bare face in a photo `grey` (H, W) uint8."""
    shown = shown_places(fit, plate)
    view = view_of(plate, (fit,), shown, FEATURE_SIDE_PX)
    nothing = Steel(grey, fit, shown, np.zeros((0, 2)), np.zeros((0, 128), np.float32), 1.0)
    if view is None:
        return nothing
    drawn = square(grey, fit, view, bare_face(view, plate))
    at, looks = point_features(drawn.picture, drawn.bare, MOST_FEATURES)
    if not len(at):
        return nothing
    at_mm = view.plate_from_view(at[:, :2])
    return Steel(grey, fit, shown, at_mm, looks, view.mm_per_px)


def shared_points(
    first: Steel, second: Steel, plate: Plate
) -> tuple[np.ndarray, np.ndarray] | None:
    """Pixels (K, 2) in each photo of points of bare steel that both show; None when too few."""
    view = view_of(plate, (first.fit, second.fit), first.shown & second.shown, SIDE_PX)
    if view is None:
        return None
    coarse = max(1.0, first.mm_per_px / view.mm_per_px, second.mm_per_px / view.mm_per_px)
    pair_a, pair_b = _matched(*_within(first, view), *_within(second, view), view, coarse)
    if len(pair_a) < LEAST_SHARED:
        return None
    carry, inside = _common_map(pair_a, pair_b, SAME_PX * coarse)
    if carry is None or inside.sum() < max(LEAST_SHARED, 0.3 * len(pair_a)):
        return None
    # features alone may agree by a few in one corner; the steel between must be the same as well
    face = bare_face(view, plate)
    pair_a, pair_b = _patches(*(square(s.grey, s.fit, view, face) for s in (first, second)), carry)
    if len(pair_a) < LEAST_PATCHES:
        return None
    _, inside = _common_map(pair_a, pair_b, PATCH_SAME_PX)
    if inside is None or inside.sum() < max(LEAST_PATCHES, PATCHES_AGREE * len(inside)):
        return None
    pair_a, pair_b = pair_a[inside], pair_b[inside]
    if len(pair_a) > MOST_POINTS:
        use = np.random.default_rng(0).choice(len(pair_a), MOST_POINTS, replace=False)
        pair_a, pair_b = pair_a[use], pair_b[use]
    return (
        first.fit.photo_from_plate(view.plate_from_view(pair_a)),
        second.fit.photo_from_plate(view.plate_from_view(pair_b)),
    )


def _within(steel: Steel, view: FaceView) -> tuple[np.ndarray, np.ndarray]:
    """Places in the view (K, 2) px and descriptors of the features that lie in it."""
    at = view.view_from_plate(steel.at_mm)
    use = ((at >= 0) & (at < view.size)).all(axis=1)
    return at[use], steel.looks[use]


def _matched(
    at_a, looks_a, at_b, looks_b, view: FaceView, coarse: float
) -> tuple[np.ndarray, np.ndarray]:
    """Pairs (K, 2), (K, 2) float32 of points that look alike, near where the fits put them.

    Each is the other's best of the whole view, clear of the next best elsewhere: choosing among
    the near ones alone would let chance confirm the fits. Near is wide, so that a fit that is
    off, and sure of itself, is found out.
    """
    nothing = np.zeros((0, 2), np.float32)
    if min(len(at_a), len(at_b)) < LEAST_SHARED:
        return nothing, nothing
    alike = looks_a @ looks_b.T  # of descriptors of unit length
    best, back = alike.argmax(axis=1), alike.argmax(axis=0)
    mutual = np.flatnonzero(back[best] == np.arange(len(alike)))
    best, alike = best[mutual], alike[mutual]
    least = alike[np.arange(len(mutual)), best]
    many = min(NEXT_BEST, alike.shape[1])
    top = np.argpartition(-alike, many - 1, axis=1)[:, :many]
    values = np.take_along_axis(alike, top, axis=1)
    away = np.hypot(*np.moveaxis(at_b[best][:, None] - at_b[top], -1, 0))
    # where all of them are one point, the next best elsewhere looks no more alike than the last
    second = np.where(away > NEXT_PX * coarse, values, values.min(axis=1, keepdims=True))
    use = (1 - least) < RATIO**2 * (1 - second.max(axis=1))
    a, b = at_a[mutual[use]], at_b[best[use]]
    near = np.hypot(*(a - b).T) <= NEAR_MM / view.mm_per_px
    return np.float32(a[near]), np.float32(b[near])


def _common_map(a: np.ndarray, b: np.ndarray, near_px: float):
    """The homography that most pairs of points agree with, and which (K,) those are."""
    cv2.setRNGSeed(1)
    found, inside = cv2.findHomography(
        np.float32(a), np.float32(b), cv2.USAC_MAGSAC, near_px, maxIters=5000, confidence=0.9999
    )
    return found, None if inside is None else inside.ravel().astype(bool)


def _patches(first: Square, second: Square, carry: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places (K, 2) in both pictures of patches of bare steel found again by correlation.

    `carry` maps the first picture to the second; it is where the search begins. Patches lie all
    over the overlap and are placed finer than single features. Light and shade are taken out
    first: they wander with the lamp, and patches without any grain would follow them.
    """
    here, size = _texture(first.picture), first.picture.shape[::-1]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    there = cv2.warpPerspective(_texture(second.picture), carry, size, flags=flags)
    other = cv2.warpPerspective(
        second.bare, carry, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    )
    bare = cv2.integral(((first.bare > 0) & (other > 0)).astype(np.uint8))
    half, reach = PATCH_PX // 2, PATCH_REACH_PX
    step = max(half, round(np.sqrt(here.size / MOST_PATCHES)))
    found = []
    for y in range(half + reach, size[1] - half - reach, step):
        for x in range(half + reach, size[0] - half - reach, step):
            top, bottom, left, right = y - half, y + half + 1, x - half, x + half + 1
            share = bare[bottom, right] - bare[top, right] - bare[bottom, left] + bare[top, left]
            if share < PATCH_BARE * PATCH_PX**2:
                continue
            window = there[top - reach : bottom + reach, left - reach : right + reach]
            alike = cv2.matchTemplate(window, here[top:bottom, left:right], cv2.TM_CCOEFF_NORMED)
            _, best, _, (col, row) = cv2.minMaxLoc(alike)
            inner = 0 < col < 2 * reach and 0 < row < 2 * reach
            if not inner or best < PATCH_ALIKE:
                continue
            dx = _peak(alike[row, col - 1 : col + 2])
            dy = _peak(alike[row - 1 : row + 2, col])
            if dx is None or dy is None:  # a stripe, which does not say where along it
                continue
            found.append((x, y, x + col - reach + dx, y + row - reach + dy))
    if not found:
        return np.zeros((0, 2)), np.zeros((0, 2))
    found = np.array(found, dtype=float)
    return found[:, :2], cv2.perspectiveTransform(found[None, :, 2:], carry)[0]


def _texture(picture: np.ndarray) -> np.ndarray:
    plain = picture.astype(np.float32)
    return plain - cv2.GaussianBlur(plain, (0, 0), TEXTURE_PX)


def _peak(three: np.ndarray) -> float | None:
    """Where between three values the top of a parabola lies; None where it is flat."""
    before, top, after = (float(v) for v in three)
    curve = 2 * top - before - after
    return 0.5 * (after - before) / curve if curve > PATCH_SHARP else None
