"""The pose of a close-up from a fitted photo of the same plate, by the steel that both show.

The fitted photo is drawn square to the plate, so its point features (SIFT, Lowe 2004, with the
root of Arandjelovic and Zisserman 2012) have places in plate millimetres, a size and a turn.
Each feature of the close-up that looks like one of them votes for a turn, a scale and a place
(Lowe 2004, section 7.3); a robust map (MAGSAC++, Barath et al. 2020, as in OpenCV) of those that
agree starts a camera, and all features that lie where the camera puts them settle it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from mapper.fit.camera import Camera
from mapper.fit.face_view import FaceView, shown_places, square, view_of
from mapper.fit.features import point_features
from mapper.fit.result import PhotoFit
from mapper.fit.verdict import same_answer
from mapper.fit.view import View
from mapper.plate.model import Plate

__all__ = ["Carried", "carried_by_steel"]

PLATE_SIDE_PX = 2000  # of the fitted photo drawn square; coarser loses the grain of the steel
CLOSE_SIDES_PX = (1000, 1400, 700, 500)  # of the close-up: grain looks alike at like scale
MOST_FEATURES = 6000
RATIO = 0.92
NEXT_PX = 4.0  # what looks alike nearer than this is the same point
TURN_RAD, SCALE, PLACE = np.pi / 8, np.log(1.5), 0.25  # how far votes of one place differ
MOST_PLACES = 6
LEAST_VOTES = 5
SAME_PX = 4.0  # of the view
SAME_PLACE_MM = 5.0
MATCH_PX = 1.5  # of the view: sigma of a match
CELLS = (10, 8)  # matches in one cell of the photo err together and count as one
SPOT_PX = 40  # of the view: at most a cell of a close-up
LEAST_FACING = 0.5  # cosine of the lean against the plate
LEAST_MATCHES, LEAST_CELLS = 15, 8  # other plates and wrong places stay far below
MANY_CELLS = 16  # a pose that so many hold is not sought at other sizes
LEAST_CLEAR = 2.0  # times as many cells as the next best place
SAME_MISS = 1.2  # times the miss of the pairs under their own camera: more is another pose
SAME_CHI2 = 10.0  # of eight numbers, and how far off such a pose lies in sigmas squared
STEP_SCALE = np.array([1e-2, 1e-2, 1e-2, 3.0, 3.0, 5.0, 1e-2, 1e-2])


@dataclass(frozen=True, eq=False)
class Carried:
    """A camera that point features of another photo hold.

    `covariance` (8, 8) is that of the steps of `Camera.moved`. Pairs `px` (K, 2) and `xy_mm`
    (K, 2) agree with the camera, in `cells` of the 10 x 8 of the photo and as many spots of the
    plate; the next best place has `next_cells`.
    """

    camera: Camera
    covariance: np.ndarray
    px: np.ndarray
    xy_mm: np.ndarray
    cells: int
    next_cells: int = 0

    @property
    def matches(self) -> int:
        return len(self.px)

    @property
    def convinces(self) -> bool:
        """Whether the place is settled: many features, all over, and none like it elsewhere."""
        return (
            self.matches >= LEAST_MATCHES
            and self.cells >= LEAST_CELLS
            and self.cells >= LEAST_CLEAR * self.next_cells
        )

    def speaks_against(self, camera: Camera) -> bool:
        """Whether the pairs miss clearly more under another camera than under their own.

        Their own one was fitted to them, and few pairs always miss more under any other. So it
        must lie farther off as well than the pairs leave open.
        """
        own, other = (
            np.median(np.hypot(*(c.face_points(self.px) - self.xy_mm).T))
            for c in (self.camera, camera)
        )
        if other <= SAME_MISS * own:
            return False
        step = self.camera.step_to(camera) / STEP_SCALE
        unit = np.outer(STEP_SCALE, STEP_SCALE)
        information = np.linalg.pinv(self.covariance / unit, hermitian=True)
        return not step @ information @ step <= SAME_CHI2


@dataclass(frozen=True, eq=False)
class Matches:
    """Pairs of features: place, size and turn (K, 4) in the small photo and in the view."""

    here: np.ndarray
    there: np.ndarray
    scale: float
    view: FaceView

    @property
    def px(self) -> np.ndarray:
        return (self.here[:, :2] + 0.5) / self.scale - 0.5

    @property
    def xy_mm(self) -> np.ndarray:
        return self.view.plate_from_view(self.there[:, :2])


def carried_by_steel(
    view: View, other_grey: np.ndarray, other_fit: PhotoFit, plate: Plate
) -> Carried | None:
    """The best place of a photo by another one (H, W) uint8 and its fit, convincing or not."""
    face = view_of(plate, (other_fit,), shown_places(other_fit, plate), PLATE_SIDE_PX)
    if face is None:
        return None
    drawn = square(other_grey, other_fit, face, np.full(face.size[::-1], 255, np.uint8))
    there, looks = point_features(drawn.picture, drawn.bare, MOST_FEATURES)
    best = None
    for side_px in CLOSE_SIDES_PX:
        one = _best_place(_matched(view, side_px, there, looks, face), view)
        if one is not None and (best is None or one.cells > best.cells):
            best = one
        if best is not None and best.convinces and best.cells >= MANY_CELLS:
            break
    return best


def _best_place(matches: Matches | None, view: View) -> Carried | None:
    """The place that most cells of the photo speak for, with how many speak for the next one."""
    places = [] if matches is None else [settled(c, matches, view) for c in _places(matches, view)]
    found = sorted((one for one in places if one is not None), key=lambda one: -one.cells)
    if not found:
        return None
    best = found[0]
    with np.errstate(all="ignore"):
        others = [
            one.cells
            for one in found[1:]
            if not same_answer(best.camera, one.camera, view.grid_px, SAME_PLACE_MM)
        ]
    return replace(best, next_cells=max(others, default=LEAST_VOTES - 1))


def _matched(
    view: View, side_px: int, there: np.ndarray, looks_there: np.ndarray, face: FaceView
) -> Matches | None:
    """Features of the photo at one size, and what looks like each in the other one drawn square.

    Those of `there` (K, 4), `looks_there` (K, 128) that are clear of the next best.
    """
    scale = min(1.0, side_px / max(view.full.shape))
    small = cv2.resize(view.full, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    here, looks_here = point_features(
        cv2.createCLAHE(3.0, (8, 8)).apply(small), None, MOST_FEATURES
    )
    if min(len(here), len(there)) < 8:
        return None
    alike = looks_here @ looks_there.T
    top = np.argpartition(-alike, 5, axis=1)[:, :6]
    values = np.take_along_axis(alike, top, axis=1)
    first = values.argmax(axis=1)
    row = np.arange(len(here))
    best, most = top[row, first], values[row, first]
    away = np.hypot(*np.moveaxis(there[best][:, None, :2] - there[top][:, :, :2], -1, 0))
    second = np.where(away > NEXT_PX, values, values.min(axis=1, keepdims=True)).max(axis=1)
    use = (1 - most) < RATIO**2 * (1 - second)
    return Matches(here[use], there[best[use]], scale, face)


def _places(matches: Matches, view: View) -> list[Camera]:
    """Cameras that groups of matches vote for, the largest group first."""
    a, b = matches.here, matches.there
    if len(a) < LEAST_VOTES:
        return []
    # each match is a similarity from the photo to the view, here as complex numbers
    size, turn = np.log(b[:, 2] / a[:, 2]), b[:, 3] - a[:, 3]
    slope = np.exp(size + 1j * turn)
    height, width = (round(n * matches.scale) for n in view.full.shape)
    at = _complex(b) + slope * (complex(width / 2, height / 2) - _complex(a))
    unturned = slope / np.abs(slope)
    near = (
        (np.abs(size[:, None] - size) < SCALE)
        & ((unturned[:, None] * unturned.conj()).real > np.cos(TURN_RAD))
        & (np.abs(at[:, None] - at) < PLACE * width * np.exp(size)[:, None])
    )
    out: list[Camera] = []
    left = np.ones(len(a), bool)
    for _ in range(MOST_PLACES):
        votes = np.where(left, (near & left).sum(axis=1), 0)
        most = int(votes.argmax())
        if votes[most] < LEAST_VOTES:
            break
        group = np.flatnonzero(near[most] & left)
        left[group] = False
        cv2.setRNGSeed(1)
        carry, inside = cv2.findHomography(
            np.float32(a[group, :2]),
            np.float32(b[group, :2]),
            cv2.USAC_MAGSAC,
            SAME_PX,
            maxIters=5000,
            confidence=0.9999,
        )
        if carry is None or inside.sum() < LEAST_VOTES:
            continue
        keep = group[inside.ravel().astype(bool)]
        start = _square_on(slope[most], at[most], matches, view)
        camera, _ = _solved(start, matches, keep, view)
        out.append(camera)
    return out


def _complex(at: np.ndarray) -> np.ndarray:
    return at[:, 0] + 1j * at[:, 1]


def _square_on(slope: complex, at: complex, matches: Matches, view: View) -> Camera:
    """The camera square to the plate under the similarity of one match."""
    away_mm = view.prior.focal_px * abs(slope) * matches.scale * matches.view.mm_per_px
    turned = slope / abs(slope)
    c, s = turned.real, turned.imag
    rotation = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]]) @ np.diag([1.0, -1.0, -1.0])
    middle = matches.view.plate_from_view(np.array([[at.real, at.imag]]))[0]
    shift = np.array([0, 0, away_mm]) - rotation @ np.append(middle, 0.0)
    return Camera(view.prior.focal_px, view.centre_px, rotation, shift, 0.0)


def settled(camera: Camera, matches: Matches, view: View) -> Carried | None:
    """The camera after all matches that lie where it puts them, twice over."""
    for _ in range(2):
        with np.errstate(all="ignore"):  # a wrong start may be wild
            away = np.hypot(*(camera.face_points(matches.px) - matches.xy_mm).T)
            keep = np.flatnonzero(away < SAME_PX * matches.view.mm_per_px)
        if len(keep) < LEAST_VOTES:
            return None
        camera, covariance = _solved(camera, matches, keep, view)
    if camera.rotation[2, 2] > -LEAST_FACING:
        return None
    # of the plate as well: a wild camera puts the whole photo on one spot of it
    spots = np.floor(matches.there[keep, :2] / SPOT_PX).astype(int) @ (1, 10000)
    cells = min(len(np.unique(_cells(matches.px[keep], view))), len(np.unique(spots)))
    return Carried(camera, covariance, matches.px[keep], matches.xy_mm[keep], cells)


def _cells(px: np.ndarray, view: View) -> np.ndarray:
    at = np.floor(px / (view.width_px, view.height_px) * CELLS)
    return np.clip(at, 0, np.array(CELLS) - 1).astype(int) @ (1, 100)


def _solved(
    camera: Camera, matches: Matches, keep: np.ndarray, view: View
) -> tuple[Camera, np.ndarray]:
    """Camera and covariance (8, 8) by matches number `keep`; far misses hold less (soft_l1)."""
    px, xy_mm, prior = matches.px[keep], matches.xy_mm[keep], view.prior
    with np.errstate(all="ignore"):
        fine = _px_per_mm(camera, xy_mm.mean(axis=0))
    if not np.isfinite(fine) or fine <= 0:
        return camera, np.eye(8)
    sigma_px = MATCH_PX * matches.view.mm_per_px * fine
    points = np.column_stack((xy_mm, np.zeros(len(xy_mm))))
    _, cell, crowd = np.unique(_cells(px, view), return_inverse=True, return_counts=True)
    weight = 1 / np.sqrt(crowd[cell])

    def residuals(step):
        moved = camera.moved(step)
        with np.errstate(all="ignore"):
            miss = np.nan_to_num((moved.project(points) - px) / sigma_px, nan=1e3)
        miss = np.clip(miss, -1e3, 1e3)
        size = np.maximum((miss**2).sum(axis=1), 1e-12)
        held = miss * (weight * np.sqrt(2 * (np.sqrt(1 + size) - 1) / size))[:, None]
        lens = (
            np.log(moved.focal_px / prior.focal_px) / prior.focal_share,
            moved.k1 / prior.k1_sigma,
        )
        return np.append(held.ravel(), lens)

    solved = least_squares(residuals, np.zeros(8), x_scale=STEP_SCALE, max_nfev=60)
    unit = np.outer(STEP_SCALE, STEP_SCALE)
    covariance = np.linalg.pinv((solved.jac.T @ solved.jac) * unit, hermitian=True) * unit
    return camera.moved(solved.x), covariance


def _px_per_mm(camera: Camera, xy_mm: np.ndarray) -> float:
    px = camera.project_face(xy_mm + np.array([[0, 0], [1, 0], [0, 1.0]]))
    return float(np.sqrt(abs(np.linalg.det(px[1:] - px[0]))))
