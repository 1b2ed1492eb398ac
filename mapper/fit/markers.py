"""Printed square markers: found in a photo, and as evidence for the camera.

The bits are those of the open dictionary 4x4_50 of OpenCV's aruco module (Garrido-Jurado et al.
2014): 6 x 6 modules, the outer ring black, numbers 0 to 49. A marker's four corners are points of
the face; paper is taken as without thickness.
"""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import least_squares

from mapper.fit.camera import Camera
from mapper.fit.dlt import homography_dlt
from mapper.fit.errors import FitFailed
from mapper.fit.evidence import linear_light
from mapper.fit.refine import KnownPoints, Prior, prior_rows
from mapper.fit.result import PhotoFit
from mapper.plate.model import Marker

__all__ = [
    "MARKER_DICTIONARY",
    "MARKER_MODULES",
    "MOVED_MM",
    "MarkersSeen",
    "SeenMarker",
    "find_markers",
    "marker_bits",
    "marker_camera",
    "marker_names",
    "markers_used",
    "marker_points",
    "misses_mm",
    "markers_of",
]

MARKER_DICTIONARY = "DICT_4X4_50"  # its name in OpenCV
MARKER_MODULES = 6  # along a side, the black ring included
MARKER_WORD = "marker "
MOVED_MM = 1.0  # a marker farther than this from its place is taken as moved
CORNER_PX = 0.3  # of a corner in a sharp photo
PLACE_MM = 0.2  # how well a marker's place is measured with a caliper
FIRST_REACH_MM = 4.0  # two markers alone place the others only roughly
MOST_PAIRS = 60
MOST_STARTS = 6
LEAST_PRINT = 0.05  # of full light: between the black and the paper along a side


@dataclass(frozen=True, eq=False)
class SeenMarker:
    """A marker in a photo. `corners_px` (4, 2) in the order of `Marker.corners_mm`."""

    id: int
    corners_px: np.ndarray


@dataclass(frozen=True, eq=False)
class MarkersSeen:
    """Markers of a plate that are seen in one photo: drawn and seen corners, (K, 4, 2) each."""

    ids: tuple[int, ...]
    corners_mm: np.ndarray
    corners_px: np.ndarray

    def part(self, keep: np.ndarray) -> MarkersSeen:
        """The markers where `keep` (K,) is true."""
        ids = tuple(i for i, k in zip(self.ids, keep, strict=True) if k)
        return MarkersSeen(ids, self.corners_mm[keep], self.corners_px[keep])


def marker_bits(marker_id: int) -> np.ndarray:
    """Modules (6, 6) of a marker from its upper left, True where white."""
    image = cv2.aruco.generateImageMarker(_dictionary(), int(marker_id), MARKER_MODULES)
    return image > 127


def find_markers(grey: np.ndarray) -> tuple[SeenMarker, ...]:
    """Markers in a grey photo (H, W) uint8, by id; corners to a fraction of a pixel.

    A number that is seen twice settles nothing, and is left out.
    """
    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = 0.02
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    corners, ids, _ = cv2.aruco.ArucoDetector(_dictionary(), settings).detectMarkers(grey)
    if ids is None:
        return ()
    numbers = [int(i) for i in np.ravel(ids)]
    return tuple(
        SeenMarker(number, _refined(grey, np.reshape(quad, (4, 2))))
        for number, quad in sorted(zip(numbers, corners, strict=True), key=lambda pair: pair[0])
        if numbers.count(number) == 1
    )


def markers_of(markers: tuple[Marker, ...], grey: np.ndarray) -> MarkersSeen:
    """The plate's own markers that are seen in a photo; looks at it only when there are any."""
    known = {marker.id: marker for marker in markers}
    seen = [one for one in find_markers(grey) if one.id in known] if known else []
    return MarkersSeen(
        tuple(one.id for one in seen),
        np.array([known[one.id].corners_mm for one in seen]).reshape(-1, 4, 2),
        np.array([one.corners_px for one in seen]).reshape(-1, 4, 2),
    )


def misses_mm(camera: Camera, seen: MarkersSeen) -> np.ndarray:
    """Largest miss (K,) in mm of each marker's corners on the face; inf off the face."""
    with np.errstate(over="ignore", invalid="ignore"):  # a wild trial camera
        found = camera.face_points(seen.corners_px.reshape(-1, 2)).reshape(-1, 4, 2)
    away = np.hypot(*np.moveaxis(found - seen.corners_mm, 2, 0))
    return np.nan_to_num(away, nan=np.inf).max(axis=1, initial=0.0)


def marker_names(seen: MarkersSeen) -> tuple[str, ...]:
    """What markers are called among the residual points of a fit."""
    return tuple(f"{MARKER_WORD}{one}" for one in seen.ids)


def markers_used(fit: PhotoFit) -> dict[int, float]:
    """Markers that a fit rests on, with their largest miss in mm."""
    return {
        int(name.removeprefix(MARKER_WORD)): float(miss)
        for name, miss in zip(fit.residual_points, fit.residuals_mm, strict=True)
        if re.fullmatch(MARKER_WORD + "[0-9]{1,2}", name) and miss <= MOVED_MM
    }


def marker_points(camera: Camera, seen: MarkersSeen) -> KnownPoints:
    """The corners as points for the least squares, with their sigma in px under a camera."""
    xy = seen.corners_mm.reshape(-1, 2)
    depth = xy @ camera.rotation[2, :2] + camera.translation_mm[2]
    px_per_mm = camera.focal_px / np.maximum(depth, 1e-6)
    return KnownPoints(
        np.column_stack((xy, np.zeros(len(xy)))),
        seen.corners_px.reshape(-1, 2),
        np.hypot(CORNER_PX, PLACE_MM * px_per_mm),
        np.repeat(np.arange(len(seen.ids)), 4),
    )


def marker_camera(
    seen: MarkersSeen, prior: Prior, centre_px: tuple[float, float]
) -> tuple[Camera, np.ndarray, np.ndarray] | None:
    """Camera by the markers alone, its covariance (8, 8), and which markers agree (K,).

    Trial cameras from one or two markers each; the best are refined on the markers that agree,
    and the worst is dropped while one lies more than `MOVED_MM` off. The answer that most markers
    agree with wins. None without a marker, or when none gives a pose.
    """
    count = len(seen.ids)
    singles = [(i,) for i in range(count)]
    pairs = list(itertools.combinations(range(count), 2))
    middles = seen.corners_mm.mean(axis=1)
    pairs.sort(key=lambda pair: -np.hypot(*(middles[pair[0]] - middles[pair[1]])))
    tried: list[tuple[tuple[int, float], Camera, np.ndarray]] = []
    for chosen in singles + pairs[:MOST_PAIRS]:
        part = seen.part(np.isin(np.arange(count), chosen))
        try:
            plane = homography_dlt(part.corners_mm.reshape(-1, 2), part.corners_px.reshape(-1, 2))
            start = Camera.from_homography(plane, prior.focal_px, centre_px)
        except FitFailed:
            continue
        camera, _ = _solved(start, part, prior)
        miss = misses_mm(camera, seen)
        score = (int((miss < FIRST_REACH_MM).sum()), -float(np.minimum(miss, 1e3).sum()))
        tried.append((score, camera, miss < FIRST_REACH_MM))
    tried = sorted((t for t in tried if t[2].any()), key=lambda t: t[0], reverse=True)
    if not tried:
        return None
    # two markers place the others roughly, so that a moved one may slip in among the first: the
    # markers are settled from every best start, and from all but each one
    camera = tried[0][1]
    starts = [(camera, keep) for _, camera, keep in tried[:MOST_STARTS]]
    if count > 3:
        starts += [(camera, np.arange(count) != out) for out in range(count)]
    settled, known = [], set()
    for start, keep in starts:
        if keep.tobytes() in known:
            continue
        known.add(keep.tobytes())
        settled.append(_settled(start, keep, seen, prior))
    return max(
        settled,
        key=lambda one: (
            int(one[2].sum()),
            -float(misses_mm(one[0], seen)[one[2]].sum()),
        ),
    )


def _settled(camera: Camera, keep: np.ndarray, seen: MarkersSeen, prior: Prior):
    """Camera, covariance and agreeing markers from a first choice `keep` (K,) of them."""
    count = len(seen.ids)
    camera, covariance = _solved(camera, seen.part(keep), prior)
    for _ in range(count):
        miss = misses_mm(camera, seen)
        worst = np.where(keep, miss, -1.0).argmax()
        if miss[worst] > MOVED_MM and keep.sum() > 1:
            keep = keep & (np.arange(count) != worst)
        elif (again := miss <= MOVED_MM / 2)[~keep].any():
            keep = keep | again
        else:
            break
        camera, covariance = _solved(camera, seen.part(keep), prior)
    return camera, covariance, keep & (misses_mm(camera, seen) <= MOVED_MM)


def _solved(camera: Camera, seen: MarkersSeen, prior: Prior) -> tuple[Camera, np.ndarray]:
    points = marker_points(camera, seen)

    def residuals(step):
        # nan behind the camera: far off, so that the step is taken back
        return np.nan_to_num(
            np.append(points.residuals(camera.moved(step)), prior_rows(camera, step, prior)),
            nan=1e4,
        )

    def slopes(step):
        tail = np.zeros((2, 8))
        tail[0, 6], tail[1, 7] = 1 / prior.focal_share, 1 / prior.k1_sigma
        return np.nan_to_num(np.vstack((points.slopes(camera.moved(step)), tail)))

    with np.errstate(over="ignore", invalid="ignore"):  # steps that are taken back
        solved = least_squares(
            residuals,
            np.zeros(8),
            jac=slopes,
            loss="cauchy",
            x_scale=np.array([1e-3, 1e-3, 1e-3, 0.3, 0.3, 0.5, 1e-2, 1e-2]),
            max_nfev=30,
        )
    # the four corners of a marker err together, so they count as one point
    covariance = 4 * np.linalg.pinv(solved.jac.T @ solved.jac, hermitian=True)
    return camera.moved(solved.x), covariance


def _refined(grey: np.ndarray, corners_px: np.ndarray) -> np.ndarray:
    """Corners (4, 2) where lines meet that are laid on the four sides, in linear light.

    A side is a straight edge of many pixels, black within and paper without, so a line on it is
    surer than the few pixels round a corner. A side that is not seen keeps its detected corners.
    """
    for _ in range(2):
        lines = [_side_line(grey, corners_px[i], corners_px[(i + 1) % 4]) for i in range(4)]
        meets = [_meeting(lines[i - 1], lines[i]) for i in range(4)]
        module = np.hypot(*(corners_px - np.roll(corners_px, 1, axis=0)).T).min() / MARKER_MODULES
        corners_px = np.array(
            [
                old if new is None or np.hypot(*(new - old)) > max(module, 2.0) else new
                for old, new in zip(corners_px.astype(float), meets, strict=True)
            ]
        )
    return corners_px


def _side_line(grey: np.ndarray, start: np.ndarray, end: np.ndarray):
    """A point (2,) on the side and its direction (2,); None where no edge is seen along it."""
    length = float(np.hypot(*(end - start)))
    along = (end - start) / max(length, 1e-9)
    outward = np.array([along[1], -along[0]])  # corners run clockwise in the photo, y down
    reach = float(np.clip(0.7 * length / MARKER_MODULES, 1.5, 12.0))
    places = start + np.linspace(0.08, 0.92, max(12, round(length / 2)))[:, None] * (end - start)
    steps = np.arange(-reach, reach + 0.125, 0.25)
    at = (places[:, None] + steps[None, :, None] * outward).astype(np.float32)
    profiles = _light_at(grey, at)
    if profiles is None:
        return None
    ends = max(2, len(steps) // 5)
    dark, light = profiles[:, :ends].mean(axis=1), profiles[:, -ends:].mean(axis=1)
    # half way between black and paper, which blur leaves in its place
    above = profiles > ((dark + light) / 2)[:, None]
    rises = above[:, 1:] & ~above[:, :-1]
    sure = (rises.sum(axis=1) == 1) & (light - dark > LEAST_PRINT)
    if sure.sum() < 6:
        return None
    row = np.flatnonzero(sure)
    step = rises[row].argmax(axis=1)
    below, over = profiles[row, step], profiles[row, step + 1]
    share = ((dark + light)[row] / 2 - below) / (over - below)
    edge = places[row] + (steps[step] + 0.25 * share)[:, None] * outward
    vx, vy, x, y = cv2.fitLine(edge.astype(np.float32), cv2.DIST_HUBER, 0, 1e-3, 1e-3).ravel()
    return np.array([x, y], dtype=float), np.array([vx, vy], dtype=float)


def _light_at(grey: np.ndarray, at: np.ndarray) -> np.ndarray | None:
    """Linear light (..., ) at photo places (..., 2); None when some lie outside the photo."""
    flat = at.reshape(-1, 2)
    left, top = np.floor(flat.min(axis=0)).astype(int) - 1
    right, bottom = np.ceil(flat.max(axis=0)).astype(int) + 2
    if left < 0 or top < 0 or right > grey.shape[1] or bottom > grey.shape[0]:
        return None
    part = linear_light(grey[top:bottom, left:right]).astype(np.float32)
    return cv2.remap(part, at - np.array([left, top], np.float32), None, cv2.INTER_LINEAR)


def _meeting(first, second) -> np.ndarray | None:
    """Where two lines (point, direction) meet (2,); None when they are missing or parallel."""
    if first is None or second is None:
        return None
    (p, u), (q, v) = first, second
    if abs(u[0] * v[1] - u[1] * v[0]) < 0.1:
        return None
    share = np.linalg.solve(np.column_stack((u, -v)), q - p)
    return p + share[0] * u


def _dictionary():
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
