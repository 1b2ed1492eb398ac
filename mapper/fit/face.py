"""The drawn edges of the steel face, sampled: what a photo should show at z = 0.

The face is the outline less all bores, holes and channels; its boundary is every edge that
ends the steel. Each sample carries the normal that points out of the steel and the feature
that it belongs to, so that evidence can be counted by feature.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from mapper.plate.features import plate_features
from mapper.plate.model import Plate

__all__ = ["FaceEdges", "face_edges", "mirrored"]

OUTLINE, DROP, HOLE, CHANNEL = 0, 1, 2, 3
KINDS = ("outline", "drop", "hole", "channel")
SAME_MM = 0.02  # a boundary point this close to a drawn curve belongs to it
ARC_QUADS = 32  # chords per quarter turn of a circle
FILLET_MM = 6.0  # milled corners are rounded: this much of a channel edge is left out
CORNER_MM = 2.0
PIECE_MM = 40.0  # straight edges count as evidence in pieces of about this length


@dataclass(frozen=True, eq=False)
class FaceEdges:
    """Samples on the boundary of the face.

    `points_mm` (N, 2), `normals` (N, 2) out of the steel, `kind` (N,) index into KINDS,
    `feature` (N,) index into `names` (whole circles, or pieces of straight edges),
    `spacing_mm` (N,) length of edge that a sample stands for.
    """

    points_mm: np.ndarray
    normals: np.ndarray
    kind: np.ndarray
    feature: np.ndarray
    spacing_mm: np.ndarray
    names: tuple[str, ...]
    feature_kind: np.ndarray
    feature_xy_mm: np.ndarray

    @property
    def points3_mm(self) -> np.ndarray:
        """Samples (N, 3) on z = 0."""
        return np.column_stack((self.points_mm, np.zeros(len(self.points_mm))))

    def every(self, step: int) -> FaceEdges:
        """Every `step`-th sample."""
        part = self.subset(slice(None, None, step))
        return replace(part, spacing_mm=part.spacing_mm * step)

    def subset(self, index: np.ndarray | slice) -> FaceEdges:
        """The samples at `index`; the list of features stays."""
        return replace(
            self,
            points_mm=self.points_mm[index],
            normals=self.normals[index],
            kind=self.kind[index],
            feature=self.feature[index],
            spacing_mm=self.spacing_mm[index],
        )


def mirrored(plate: Plate) -> Plate:
    """The plate as a drawing seen from behind would show it (x turned round)."""
    left, right = (f(x for x, _ in plate.outline_mm) for f in (min, max))

    def flip(x: float) -> float:
        return left + right - x

    return replace(
        plate,
        outline_mm=tuple((flip(x), y) for x, y in plate.outline_mm[::-1]),
        drops=tuple(replace(d, x_mm=flip(d.x_mm)) for d in plate.drops),
        holes=tuple(replace(h, x_mm=flip(h.x_mm)) for h in plate.holes),
        channels=tuple(
            replace(c, points_mm=tuple((flip(x), y) for x, y in c.points_mm))
            for c in plate.channels
        ),
        exits=tuple(replace(e, x_mm=flip(e.x_mm)) for e in plate.exits),
        markers=(),  # they lie on the plate, whichever way round it was drawn
    )


def face_edges(plate: Plate, spacing_mm: float = 2.0) -> FaceEdges:
    """Sample the boundary of the face about every `spacing_mm` (closer on small circles)."""
    outline = shapely.Polygon(plate.outline_mm)
    circles = [
        (DROP if f.kind == "drop" else HOLE, f.id, f.x_mm, f.y_mm, f.diameter_mm / 2)
        for f in plate_features(plate)
        if f.kind != "corner"
    ]
    cuts = [shapely.Point(x, y).buffer(r, quad_segs=ARC_QUADS) for _, _, x, y, r in circles] + [
        shapely.LineString(c.points_mm).buffer(c.width_mm / 2, cap_style="flat", join_style="mitre")
        for c in plate.channels
        if len(c.points_mm) > 1
    ]
    face = outline.difference(shapely.union_all(cuts)) if cuts else outline

    points, normals, kinds, features, spacings = [], [], [], [], []
    names: list[str] = []
    feature_kind: list[int] = []
    centres: list[tuple[float, float]] = []
    rim = outline.exterior
    taken: dict[int, int] = {}

    def feature_of(kind: int, name: str, xy: tuple[float, float]) -> int:
        names.append(name)
        feature_kind.append(kind)
        centres.append(xy)
        return len(names) - 1

    # circles: exact points and normals, kept where they bound the face
    boundary = face.boundary
    widest = max((c.width_mm for c in plate.channels), default=0.0)
    shapely.prepare(boundary)
    for n, (kind, name, x, y, r) in enumerate(circles):
        count = int(np.clip(round(2 * np.pi * r / spacing_mm), 16, 240))
        angle = np.arange(count) * (2 * np.pi / count)
        unit = np.column_stack((np.cos(angle), np.sin(angle)))
        xy = unit * r + (x, y)
        sagitta = r * (1 - np.cos(np.pi / 4 / ARC_QUADS)) + SAME_MM
        keep = shapely.dwithin(boundary, shapely.points(xy), sagitta)
        if keep.any():
            taken[n] = feature_of(kind, name, (x, y))
            points.append(xy[keep])
            normals.append(-unit[keep])  # out of the steel is towards the centre
            kinds.append(np.full(keep.sum(), kind))
            features.append(np.full(keep.sum(), taken[n]))
            spacings.append(np.full(keep.sum(), 2 * np.pi * r / count))

    # straight edges, in pieces; milled corners are rounded, so channel ends are left out
    for a, b, is_hole in _straight_edges(face, circles):
        length = float(np.hypot(*(b - a)))
        middle = (a + b) / 2
        along = (b - a) / length
        normal = np.array([along[1], -along[0]]) * (-1 if is_hole else 1)
        kind = OUTLINE if rim.distance(shapely.Point(middle)) < SAME_MM else CHANNEL
        trim = FILLET_MM if kind == CHANNEL else CORNER_MM
        if kind == CHANNEL and length < widest + 0.5:
            continue
        if length <= 3 * trim:
            continue
        a, b = a + trim * along, b - trim * along
        length -= 2 * trim
        pieces = max(1, round(length / PIECE_MM))
        count = max(1, round(length / pieces / spacing_mm))
        for piece in range(pieces):
            at = (piece + (np.arange(count) + 0.5) / count) / pieces
            samples = a + at[:, None] * (b - a)
            index = feature_of(kind, KINDS[kind], tuple(a + (piece + 0.5) / pieces * (b - a)))
            points.append(samples)
            normals.append(np.broadcast_to(normal, samples.shape))
            kinds.append(np.full(count, kind))
            features.append(np.full(count, index))
            spacings.append(np.full(count, length / pieces / count))
    return FaceEdges(
        np.concatenate(points),
        np.concatenate(normals),
        np.concatenate(kinds),
        np.concatenate(features),
        np.concatenate(spacings),
        tuple(names),
        np.array(feature_kind),
        np.array(centres),
    )


def _straight_edges(
    face: shapely.Geometry, circles: list[tuple[int, str, float, float, float]]
) -> list[tuple[np.ndarray, np.ndarray, bool]]:
    """Edges (from, to, lies on a hole's ring) of the face that are no chords of its circles."""
    out = []
    for polygon in shapely.get_parts(face):
        for ring, is_hole in [(polygon.exterior, False)] + [(r, True) for r in polygon.interiors]:
            xy = shapely.get_coordinates(ring)
            if not ring.is_ccw:
                xy = xy[::-1]
            middle, length = (xy[1:] + xy[:-1]) / 2, np.hypot(*np.diff(xy, axis=0).T)
            keep = length > 1e-6
            for _, _, x, y, r in circles:
                away = np.hypot(*(middle - (x, y)).T)
                chord = 2 * r * np.sin(np.pi / 4 / ARC_QUADS)
                sagitta = r * (1 - np.cos(np.pi / 4 / ARC_QUADS))
                near = (away >= r - sagitta - SAME_MM) & (away <= r + SAME_MM)
                keep &= ~(near & (length <= chord * 1.01 + SAME_MM))
            out += [(xy[i], xy[i + 1], is_hole) for i in np.flatnonzero(keep)]
    return out
