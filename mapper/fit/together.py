"""Photos of one job adjusted together: what they share is found, and the gain is checked.

Two fitted photos that overlap are drawn square to the plate at one scale; point features (SIFT,
Lowe 2004) of bare steel on the face are matched within a pitch of where the two fits put them,
and a robust map (MAGSAC++, Barath et al. 2020, as in OpenCV) keeps those that agree; patches of
steel then place the link finer. `chain` adjusts all cameras at once. Whether the joint answer is
better is asked from what neither answer used: features of the drawing left out of both; where it
is not, the photo keeps its own fit.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import cv2
import numpy as np

from mapper.fit.api import fit_photo
from mapper.fit.camera import Camera, likely_focal_px
from mapper.fit.chain import Link, adjust_together
from mapper.fit.errors import FitFailed
from mapper.fit.face import FaceEdges, face_edges
from mapper.fit.hints import FitHints
from mapper.fit.refine import Prior, by_feature, polish
from mapper.fit.result import PHOTO_ALONE, PhotoFit
from mapper.plate.model import Plate

if TYPE_CHECKING:
    from mapper.photos import Photo

__all__ = ["fit_through", "fit_together", "grey_of", "shared_points"]

SIDE_PX = 1400  # long side of the view of an overlap; finer is seldom sharper
LEAST_SHARED = 12
LEAST_OVERLAP = 0.06  # of the smaller photo's picture of the plate
MOST_NEIGHBOURS = 4  # with which a photo is linked; bounds the time for a large job
RATIO = 0.85
NEAR_MM = 25.0  # how far from the place that the fits give a match may lie: less than a pitch
INSIDE_MM = 2.0  # edges of bores and channels lead down: points nearer are not on the face
SAME_PX = 2.0  # of the view: how well matches must agree with their common map
PATCH_PX, PATCH_REACH_PX = 41, 5
PATCH_SAME_PX = 1.0
PATCH_BARE = 0.8  # share of a patch that must be bare face in both photos
PATCH_ALIKE = 0.5  # correlation; patches of different steel stay below 0.4
PATCH_SHARP = 0.02
MOST_POINTS = 250
FOCAL_SHARE = 0.05
FOCAL_SHARE_UNKNOWN = 0.15
LEAST_LEFT_OUT = 8
NO_WORSE = 1.02  # two numbers of the same size differ by this from the sampling of edges alone

THROUGH_DOUBTFUL = (
    "It was fitted through a photo that is doubtful itself: settle that one first, then fit this "
    "one again."
)
NOT_THROUGH = (
    "No photo that is fitted shows enough of the same steel: take one that overlaps this one by "
    "half, or click four corners, bores or holes."
)


@dataclass(frozen=True, eq=False)
class _View:
    """A part of the face drawn square: mm of its first pixel, mm per pixel, rows downwards."""

    left_mm: float
    top_mm: float
    mm_per_px: float
    size: tuple[int, int]

    def plate_from_view(self, xy_px: np.ndarray) -> np.ndarray:
        return np.column_stack(
            (
                self.left_mm + xy_px[:, 0] * self.mm_per_px,
                self.top_mm - xy_px[:, 1] * self.mm_per_px,
            )
        )

    def view_from_plate(self, xy_mm: np.ndarray) -> np.ndarray:
        xy = np.asarray(xy_mm, dtype=float)
        return np.column_stack((xy[:, 0] - self.left_mm, self.top_mm - xy[:, 1])) / self.mm_per_px


def fit_together(
    photos: Sequence[Photo],
    fits: Sequence[PhotoFit],
    plate: Plate,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> tuple[PhotoFit, ...]:
    """The fits of photos of one plate after all chains of overlapping photos are adjusted.

    A photo gets the joint answer when features of the drawing that were left out of both lie no
    worse under it than under its own fit; a photo that shows hardly a feature of the drawing keeps
    its own. Doubts that the neighbours raise stay in either case. Photos
    that share nothing with others come back as they were.
    """
    edges = face_edges(plate)
    greys = [grey_of(photo) for photo in photos]
    pairs = _pairs(fits, plate)
    links = []
    for done, (i, j) in enumerate(pairs):
        progress(done, len(pairs))
        shared = shared_points(greys[i], fits[i], greys[j], fits[j], plate)
        if shared is not None:
            links.append(Link(i, j, *shared))
    progress(len(pairs), len(pairs))
    if not links:
        return tuple(fits)
    joint = adjust_together(fits, links)
    better = _better(photos, greys, fits, links, edges)
    out = []
    for grey, fit, new, gain in zip(greys, fits, joint, better, strict=True):
        if gain and new.camera is not fit.camera:
            out.append(_with_residuals(new, grey, edges))
        else:
            out.append(replace(fit, verdict=new.verdict, reasons=new.reasons))
    return tuple(out)


def fit_through(photo: Photo, plate: Plate, fitted: Sequence[tuple[Photo, PhotoFit]]) -> PhotoFit:
    """A photo fitted through others of the same plate: good ones first, then doubtful ones.

    What a doubtful photo carries is doubtful, however well it lies on the edges: a photo that
    was put one bore too far would carry its neighbours along. Raises FitFailed as `fit_photo`.
    """
    for verdict in ("good", "doubtful"):
        some = tuple((other, fit) for other, fit in fitted if fit.verdict == verdict)
        if not some:
            continue
        try:
            fit = fit_photo(photo, plate, FitHints(fitted=some))
        except FitFailed:
            continue
        return fit if verdict == "good" else fit.doubted(THROUGH_DOUBTFUL)
    raise FitFailed(NOT_THROUGH)


def grey_of(photo: Photo) -> np.ndarray:
    """The photo (H, W) uint8 as the fit looks at it; one that is grey already stays."""
    pixels = photo.pixels_bgr
    return pixels if pixels.ndim == 2 else cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)


# --- what two photos share ------------------------------------------------------------------


def _shown_mm(fit: PhotoFit, outline_mm: np.ndarray) -> np.ndarray:
    """Which (3600,) of places spread evenly over the plate a photo shows."""
    low, high = outline_mm.min(axis=0), outline_mm.max(axis=0)
    x, y = np.meshgrid(*(np.linspace(a, b, 60) for a, b in zip(low, high, strict=True)))
    at = np.column_stack((x.ravel(), y.ravel()))
    px = fit.photo_from_plate(at)
    with np.errstate(invalid="ignore"):
        seen = (px >= 0).all(axis=1) & (px < (fit.width_px, fit.height_px)).all(axis=1)
    return seen


def _pairs(fits: Sequence[PhotoFit], plate: Plate) -> list[tuple[int, int]]:
    """Pairs of photos that overlap; of each photo those with the few that it shares most with."""
    shown = [_shown_mm(fit, plate.outline_array) for fit in fits]
    shared: dict[tuple[int, int], float] = {}
    for i, j in combinations(range(len(fits)), 2):
        least = min(shown[i].sum(), shown[j].sum())
        share = (shown[i] & shown[j]).sum() / least if least else 0.0
        if share >= LEAST_OVERLAP:
            shared[i, j] = share
    chosen = set()
    for n in range(len(fits)):
        own = sorted((pair for pair in shared if n in pair), key=lambda pair: -shared[pair])
        chosen.update(own[:MOST_NEIGHBOURS])
    return sorted(chosen)


def shared_points(
    first_grey: np.ndarray,
    first: PhotoFit,
    second_grey: np.ndarray,
    second: PhotoFit,
    plate: Plate,
) -> tuple[np.ndarray, np.ndarray] | None:
    """Pixels (K, 2) in each photo of points of bare steel that both show; None when too few."""
    view = _view_of(first, second, plate)
    if view is None:
        return None
    mask = _bare_face(view, plate)
    pictures = [
        _square(grey, fit, view, mask) for grey, fit in ((first_grey, first), (second_grey, second))
    ]
    sift = cv2.SIFT_create(3000, contrastThreshold=0.015)
    found = [sift.detectAndCompute(picture, seen) for picture, seen in pictures]
    if any(d is None or len(d) < LEAST_SHARED for _, d in found):
        return None
    (a, da), (b, db) = found
    da, db = (np.sqrt(d / np.maximum(d.sum(axis=1, keepdims=True), 1e-9)) for d in (da, db))
    at_a, at_b = (np.float64([k.pt for k in points]) for points in (a, b))
    pair_a, pair_b = _matched(at_a, da, at_b, db, NEAR_MM / view.mm_per_px)
    if len(pair_a) < LEAST_SHARED:
        return None
    carry, inside = _common_map(pair_a, pair_b, SAME_PX)
    if carry is None or inside.sum() < max(LEAST_SHARED, 0.3 * len(pair_a)):
        return None
    # features alone may agree by a few in one corner; the steel between must be the same as well
    pair_a, pair_b = _patches(pictures, carry)
    if len(pair_a) < LEAST_SHARED:
        return None
    _, inside = _common_map(pair_a, pair_b, PATCH_SAME_PX)
    if inside is None or inside.sum() < max(LEAST_SHARED, 0.3 * len(inside)):
        return None
    pair_a, pair_b = pair_a[inside], pair_b[inside]
    if len(pair_a) > MOST_POINTS:
        use = np.random.default_rng(0).choice(len(pair_a), MOST_POINTS, replace=False)
        pair_a, pair_b = pair_a[use], pair_b[use]
    return (
        first.photo_from_plate(view.plate_from_view(pair_a)),
        second.photo_from_plate(view.plate_from_view(pair_b)),
    )


def _common_map(a: np.ndarray, b: np.ndarray, near_px: float):
    """The homography that most pairs of points agree with, and which (K,) those are."""
    cv2.setRNGSeed(1)
    found, inside = cv2.findHomography(
        np.float32(a), np.float32(b), cv2.USAC_MAGSAC, near_px, maxIters=5000, confidence=0.9999
    )
    return found, None if inside is None else inside.ravel().astype(bool)


def _patches(pictures, carry: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places (K, 2) in both pictures of patches of bare steel found again by correlation.

    `carry` maps the first picture to the second; it is where the search begins. Patches lie all
    over the overlap and are placed finer than single features.
    """
    (here, mask), (there, other) = pictures
    size = here.shape[::-1]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    there = cv2.warpPerspective(there, carry, size, flags=flags)
    other = cv2.warpPerspective(other, carry, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    bare = cv2.integral(((mask > 0) & (other > 0)).astype(np.uint8))
    half, reach = PATCH_PX // 2, PATCH_REACH_PX
    step = max(half, round(np.sqrt(here.size / 2500)))
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


def _peak(three: np.ndarray) -> float | None:
    """Where between three values the top of a parabola lies; None where it is flat."""
    before, top, after = (float(v) for v in three)
    curve = 2 * top - before - after
    return 0.5 * (after - before) / curve if curve > PATCH_SHARP else None


def _view_of(first: PhotoFit, second: PhotoFit, plate: Plate) -> _View | None:
    """A square view of what both photos show of the plate, at the scale of the coarser one."""
    outline = plate.outline_array
    low, high = outline.min(axis=0), outline.max(axis=0)
    both = _shown_mm(first, outline) & _shown_mm(second, outline)
    if not both.any():
        return None
    x, y = np.meshgrid(*(np.linspace(a, b, 60) for a, b in zip(low, high, strict=True)))
    at = np.column_stack((x.ravel(), y.ravel()))[both]
    step = (high - low) / 59
    low, high = np.maximum(low, at.min(axis=0) - step), np.minimum(high, at.max(axis=0) + step)
    fine = max(_mm_per_px(fit, at) for fit in (first, second))
    fine = max(fine, float((high - low).max()) / SIDE_PX)
    size = tuple(int(n) for n in np.ceil((high - low) / fine))
    return _View(float(low[0]), float(high[1]), fine, size) if min(size) >= 40 else None


def _mm_per_px(fit: PhotoFit, at_mm: np.ndarray) -> float:
    middle = at_mm.mean(axis=0)
    px = fit.photo_from_plate(middle + np.array([[0, 0], [1, 0], [0, 1]]))
    return float(1 / np.sqrt(abs(np.linalg.det(px[1:] - px[0]))))


def _square(
    grey: np.ndarray, fit: PhotoFit, view: _View, mask: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """A photo drawn in a view, evened out in light, and where it shows bare face."""
    width, height = view.size
    x, y = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    at = view.plate_from_view(np.column_stack((x.ravel(), y.ravel())))
    px = fit.photo_from_plate(at).astype(np.float32).reshape(height, width, 2)
    coarse = view.mm_per_px / _mm_per_px(fit, at[:: max(1, len(at) // 50)])
    smooth = cv2.GaussianBlur(grey, (0, 0), 0.45 * coarse) if coarse > 1.3 else grey
    picture = cv2.remap(smooth, px[..., 0], px[..., 1], cv2.INTER_LINEAR)
    inside = (px[..., 0] > 3) & (px[..., 1] > 3)
    inside &= (px[..., 0] < fit.width_px - 4) & (px[..., 1] < fit.height_px - 4)
    light = cv2.createCLAHE(3.0, (8, 8)).apply(picture)
    return light, np.where(inside, mask, 0).astype(np.uint8)


def _bare_face(view: _View, plate: Plate) -> np.ndarray:
    """Where (H, W) uint8 a view shows the face itself, well away from every edge of it."""
    width, height = view.size
    mask = np.zeros((height, width), np.uint8)

    def at(xy_mm) -> np.ndarray:
        return np.round(view.view_from_plate(np.asarray(xy_mm, float)) * 16).astype(np.int32)

    def px(mm: float) -> int:
        return max(1, round(mm / view.mm_per_px))

    cv2.fillPoly(mask, [at(plate.outline_array)], 255, shift=4)
    cv2.polylines(mask, [at(plate.outline_array)], True, 0, px(2 * INSIDE_MM), shift=4)
    rounds = [(d.x_mm, d.y_mm, d.bore_diameter_mm) for d in plate.drops]
    rounds += [(h.x_mm, h.y_mm, h.diameter_mm) for h in plate.holes]
    for x, y, diameter in rounds:
        radius = (diameter / 2 + INSIDE_MM) / view.mm_per_px
        centre = at([(x, y)])[0]
        cv2.circle(mask, [int(c) for c in centre], round(radius * 16), 0, -1, shift=4)
    for channel in plate.channels:
        thick = px(channel.width_mm + 2 * INSIDE_MM)
        cv2.polylines(mask, [at(channel.points_mm)], False, 0, thick, shift=4)
    return mask


def _matched(at_a, da, at_b, db, reach_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Pairs (K, 2), (K, 2) float32 of points that look alike, near where the fits put them.

    Each is the other's best of the whole view, clear of the next best elsewhere: choosing among
    the near ones alone would let chance confirm the fits. Near is wide, so that a fit that is
    off, and sure of itself, is found out.
    """
    alike = da @ db.T  # of descriptors of unit length
    best, back = alike.argmax(axis=1), alike.argmax(axis=0)
    row = np.arange(len(alike))
    mutual = np.flatnonzero(back[best] == row)
    best, least = best[mutual], alike[mutual, best[mutual]]
    away = np.hypot(*np.moveaxis(at_b[best][:, None] - at_b[None], -1, 0))
    second = np.where(away > 3.0, alike[mutual], -1.0).max(axis=1)
    use = (1 - least) < RATIO**2 * (1 - second)
    a, b = at_a[mutual[use]], at_b[best[use]]
    near = np.hypot(*(a - b).T) <= reach_px
    return np.float32(a[near]), np.float32(b[near])


# --- is it better? --------------------------------------------------------------------------


def _better(photos, greys, fits, links: Sequence[Link], edges: FaceEdges) -> list[bool]:
    """For every photo, whether features left out of both answers lie no worse under the joint.

    Half of the features that a photo shows are left out, all photos are adjusted again, and the
    left-out half is looked at under both answers; then the other half.
    """
    alone: list[list[np.ndarray]] = [[] for _ in fits]
    linked: list[list[np.ndarray]] = [[] for _ in fits]
    for half in (0, 1):
        parts = [
            _half(photo, grey, fit, edges, half)
            for photo, grey, fit in zip(photos, greys, fits, strict=True)
        ]
        again = adjust_together([part for part, _ in parts], links)
        for n, (part, out) in enumerate(parts):
            if part.method == PHOTO_ALONE:  # it rests on none, so all are left out, once
                out = np.full(len(edges.names), half == 0)
            if not out.any():
                continue
            ones = [
                np.where(out, feature_misses(greys[n], camera, edges), np.nan)
                for camera in (part.camera, again[n].camera)
            ]
            for store, values in zip((alone, linked), ones, strict=True):
                store[n].append(values)
    # where the drawing says nothing there is no telling: the photo keeps its own fit
    return [
        bool(a) and _no_worse(np.concatenate(a), np.concatenate(b))
        for a, b in zip(alone, linked, strict=True)
    ]


def _half(photo, grey, fit: PhotoFit, edges: FaceEdges, half: int) -> tuple[PhotoFit, np.ndarray]:
    """The fit with half of the features it shows left out, and which (F,) those are."""
    out = np.zeros(len(edges.names), bool)
    if fit.method == PHOTO_ALONE:
        return fit, out
    out[np.flatnonzero(np.isfinite(feature_misses(grey, fit.camera, edges)))[half::2]] = True
    share = FOCAL_SHARE if photo.focal_px else FOCAL_SHARE_UNKNOWN
    prior = Prior(likely_focal_px(photo), share)
    try:
        polished = polish(grey, fit.camera, edges, prior, reaches_px=(2.0,), leave_out=out)
    except FitFailed:
        return fit, np.zeros_like(out)
    return replace(fit, camera=polished.camera, covariance=polished.covariance), out


def _no_worse(alone: np.ndarray, linked: np.ndarray) -> bool:
    """Whether left-out features lie as near under the joint answer, by truncated mean squares.

    No where too few are seen to tell.

    A feature that only one answer meets counts for the other as missed by the most that any is:
    among those met alone a wrong answer looks right, as chance puts some edges near.
    """
    met = np.isfinite(alone) | np.isfinite(linked)
    if met.sum() < LEAST_LEFT_OUT:
        return False
    most = np.nanmax([alone[met], linked[met]])
    rms = [
        np.sqrt(np.mean(np.square(np.nan_to_num(one[met], nan=most)))) for one in (alone, linked)
    ]
    return bool(rms[1] <= NO_WORSE * rms[0])


def feature_misses(grey: np.ndarray, camera: Camera, edges: FaceEdges) -> np.ndarray:
    """Miss (F,) in mm of every feature of the drawing under a camera; nan where not seen."""
    misses, _ = by_feature(grey, camera, edges, 1.0)
    return misses


def _with_residuals(fit: PhotoFit, grey: np.ndarray, edges: FaceEdges) -> PhotoFit:
    """The fit with the misses of the round features that it shows."""
    misses = feature_misses(grey, fit.camera, edges)
    index = [
        f
        for f in range(len(edges.names))
        if edges.feature_kind[f] in (1, 2) and np.isfinite(misses[f])
    ]
    if not index:
        return fit
    names = tuple(edges.names[f] for f in index)
    return replace(fit, residuals_mm=misses[index], residual_points=names)
