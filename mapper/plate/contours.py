"""Closed contours in line work: what is drawn closed, and chains of pieces that close.

A piece is an open stroke. Ends closer than a gap tolerance are one place.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from mapper.plate.dxf import Circle, Stroke

__all__ = ["OpenEnd", "as_circle", "closed_contours", "self_crossing", "worst_open_end"]

GAP_MM = 0.1  # ends this close were meant to meet
WELD_MM = 1e-3  # neighbours this close are one point, split by rounding
MIN_CONTOUR_MM2 = 3.0  # a 2 mm circle; smaller ones are marks and arrow heads
ROUND_TOLERANCE = 0.004  # radii of a flattened circle differ by less than this share


@dataclass(frozen=True)
class OpenEnd:
    """Where the largest chain of pieces stays open, and how far the nearest other end is."""

    label: str
    x_mm: float
    y_mm: float
    gap_mm: float | None


def closed_contours(strokes: Sequence[Stroke]) -> list[np.ndarray]:
    """Return closed contours (N, 2) without repeated last point, largest area first."""
    polygons = [_polygon(stroke.points_mm) for stroke in strokes if stroke.closed]
    polygons += _chained([stroke for stroke in strokes if not stroke.closed])
    found: list[shapely.Polygon] = []
    seen: set[tuple[float, ...]] = set()
    for polygon in sorted(polygons, key=lambda shape: -shape.area):
        if not polygon.is_valid or polygon.area < MIN_CONTOUR_MM2:
            continue
        key = (polygon.centroid.x, polygon.centroid.y, math.sqrt(polygon.area))
        key = tuple(round(value / GAP_MM) for value in key)
        if key not in seen:  # the same contour drawn twice
            seen.add(key)
            found.append(polygon)
    # chained outlines have a point wherever another line touches them: not a corner, not kept
    straight = [shapely.simplify(shape, WELD_MM) for shape in found]
    return [shapely.get_coordinates(shape.exterior)[:-1] for shape in straight]


def self_crossing(strokes: Sequence[Stroke]) -> Stroke | None:
    """Return the largest closed stroke that crosses itself, and so is no contour."""
    faulty = [s for s in strokes if s.closed and not _polygon(s.points_mm).is_valid]
    return max(faulty, key=lambda s: np.ptp(s.points_mm, axis=0).sum(), default=None)


def as_circle(points_mm: np.ndarray, label: str = "") -> Circle | None:
    """Return the circle that a closed contour of chords stands for; None for other shapes."""
    if len(points_mm) < 24:
        return None
    edges = np.roll(points_mm, -1, axis=0) - points_mm
    lengths = np.hypot(*edges.T)
    if lengths.sum() <= 0:
        return None
    middles = points_mm + edges / 2
    centre = (middles * lengths[:, None]).sum(axis=0) / lengths.sum()
    radii = np.hypot(*(points_mm - centre).T)
    inner = np.hypot(*(middles - centre).T)
    if np.ptp(np.concatenate([radii, inner])) > 2 * ROUND_TOLERANCE * radii.mean():
        return None
    return Circle(float(centre[0]), float(centre[1]), float(2 * radii.mean()), label)


def worst_open_end(strokes: Sequence[Stroke]) -> OpenEnd | None:
    """Return where the largest chain of open pieces fails to close; None without open ends."""
    pieces = [stroke for stroke in strokes if not stroke.closed]
    if not pieces:
        return None
    ends, place = _joined_ends(pieces)
    count = int(place.max()) + 1
    degree = np.bincount(place, minlength=count)
    links = coo_array((np.ones(len(pieces)), (place[0::2], place[1::2])), shape=(count, count))
    _, chain = connected_components(links, directed=False)
    sizes = {}
    for number, piece in enumerate(pieces):
        low, high = piece.points_mm.min(axis=0), piece.points_mm.max(axis=0)
        key = int(chain[place[2 * number]])
        old_low, old_high = sizes.get(key, (low, high))
        sizes[key] = (np.minimum(low, old_low), np.maximum(high, old_high))
    for key in sorted(sizes, key=lambda key: -math.dist(*sizes[key])):
        loose = np.flatnonzero((degree[place] == 1) & (chain[place] == key))
        if not len(loose):
            continue
        gaps = np.hypot(*(ends[loose][:, None] - ends[loose][None]).transpose(2, 0, 1))
        np.fill_diagonal(gaps, np.inf)
        at = int(np.argmin(gaps.min(axis=1)))
        gap = float(gaps[at].min())
        end = int(loose[at])
        return OpenEnd(
            pieces[end // 2].label,
            float(ends[end, 0]),
            float(ends[end, 1]),
            gap if math.isfinite(gap) else None,
        )
    return None


def _polygon(points_mm: np.ndarray) -> shapely.Polygon:
    """Return the polygon of a ring; points that only rounding sets apart are welded."""
    steps = np.hypot(*(points_mm - np.roll(points_mm, 1, axis=0)).T)
    ring = points_mm[steps > WELD_MM]
    return shapely.Polygon(ring) if len(ring) >= 3 else shapely.Polygon()


def _joined_ends(pieces: Sequence[Stroke]) -> tuple[np.ndarray, np.ndarray]:
    """Return all ends (2 N, 2), start and end of each piece in turn, and the place of each."""
    ends = np.array([piece.points_mm[k] for piece in pieces for k in (0, -1)])
    pairs = cKDTree(ends).query_pairs(GAP_MM, output_type="ndarray")
    near = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(ends),) * 2)
    return ends, connected_components(near, directed=False)[1]


def _chained(pieces: list[Stroke]) -> list[shapely.Polygon]:
    """Return the outer rims of the areas that open pieces enclose together."""
    if not pieces:
        return []
    ends, place = _joined_ends(pieces)
    count = np.bincount(place)
    centre = np.column_stack([np.bincount(place, weights=ends[:, k]) / count for k in (0, 1)])
    lines = []
    for number, piece in enumerate(pieces):
        points = piece.points_mm.copy()
        points[0], points[-1] = centre[place[2 * number]], centre[place[2 * number + 1]]
        if np.ptp(points, axis=0).any():
            lines.append(shapely.LineString(points))
    faces = shapely.get_parts(shapely.polygonize([shapely.unary_union(lines)]))
    if not len(faces):
        return []
    return [shapely.Polygon(part.exterior) for part in shapely.get_parts(shapely.union_all(faces))]
