"""The plate drawing and the leads laid over a fitted photo, as lines and markers of the canvas."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from mapper.fit import PhotoFit
from mapper.plate import Plate
from mapper.routes import Lead
from mapper.ui.canvas import Frames, Line, Marker

__all__ = ["drawing_lines", "drop_markers", "frames_of", "lead_px", "ring_px"]

DRAWING = "#56B4E9"
CHANNEL = "#009E73"
DOUBTFUL = "#E69F00"
MARKER = "#CC79A7"
RING_POINTS = 48
STEP_MM = 8.0  # long straight edges are cut up, so that lens distortion shows in them


def _cut(points_mm: np.ndarray, closed: bool = False) -> np.ndarray:
    """Add points so that no piece is longer than STEP_MM."""
    points = np.asarray(points_mm, float).reshape(-1, 2)
    if closed:
        points = np.vstack([points, points[:1]])
    pieces = [points[:1]]
    for start, end in zip(points, points[1:], strict=False):
        count = max(1, int(np.ceil(np.linalg.norm(end - start) / STEP_MM)))
        pieces.append(start + (end - start) * (np.arange(1, count + 1) / count)[:, None])
    return np.concatenate(pieces)


def ring_px(fit: PhotoFit, x_mm: float, y_mm: float, diameter_mm: float) -> np.ndarray:
    """The rim of a bore in the face, (N, 2) photo pixels."""
    angle = np.linspace(0, 2 * np.pi, RING_POINTS, endpoint=False)
    rim = np.column_stack([np.cos(angle), np.sin(angle)]) * diameter_mm / 2 + [x_mm, y_mm]
    return np.asarray(fit.photo_from_plate(rim), float)


def drawing_lines(
    plate: Plate, fit: PhotoFit, alpha: float = 1.0, doubtful: bool = False
) -> list[Line]:
    """Outline, bores, holes and channels of the plate as the fit puts them on the photo.

    A doubtful fit is drawn dashed and in another colour, so that nobody takes it for a good one.
    """
    colour, dash = (DOUBTFUL, (9.0, 6.0)) if doubtful else (DRAWING, ())
    outline = np.asarray(fit.photo_from_plate(_cut(plate.outline_array, closed=True)), float)
    lines = [Line("outline", outline, color=colour, width=2.5, dash=dash, alpha=alpha)]
    for drop in plate.drops:
        ring = ring_px(fit, drop.x_mm, drop.y_mm, drop.bore_diameter_mm)
        lines.append(
            Line(
                f"bore {drop.id}", ring, color=colour, width=2, dash=dash, closed=True, alpha=alpha
            )
        )
    for hole in plate.holes:
        ring = ring_px(fit, hole.x_mm, hole.y_mm, hole.diameter_mm)
        lines.append(
            Line(
                f"hole {hole.id}",
                ring,
                color=colour,
                width=1.5,
                dash=dash,
                closed=True,
                alpha=alpha,
            )
        )
    for marker in plate.markers:
        corners = np.asarray(fit.photo_from_plate(marker.corners_mm), float)
        lines.append(
            Line(
                f"marker {marker.id}",
                corners,
                color=MARKER,
                width=2,
                dash=dash,
                closed=True,
                alpha=alpha,
            )
        )
    for channel in plate.channels:
        line = np.asarray(fit.photo_from_plate(_cut(np.array(channel.points_mm))), float)
        lines.append(
            Line(
                f"channel {channel.id}",
                line,
                color=CHANNEL,
                width=1.5,
                dash=(6.0, 5.0),
                alpha=alpha,
                halo=False,
            )
        )
    return lines


def drop_markers(plate: Plate, fit: PhotoFit) -> list[Marker]:
    """The numbers of the drops."""
    if not plate.drops:
        return []
    places = np.asarray(fit.photo_from_plate([[d.x_mm, d.y_mm] for d in plate.drops]), float)
    return [
        Marker(f"drop {drop.id}", x, y, color=DRAWING, shape="dot", size=3, tag=drop.id)
        for drop, (x, y) in zip(plate.drops, places, strict=True)
    ]


def lead_px(plate: Plate, fit: PhotoFit, lead: Lead) -> np.ndarray:
    """A lead's route on the photo (N, 2), at the depth where leads usually lie."""
    points_mm = _cut(lead.points_mm)
    return np.asarray(fit.photo_from_plate(points_mm, plate.lead_depth_mm(points_mm)), float)


def frames_of(fit: PhotoFit, depths_mm: Sequence[float] = (0.0,)) -> Frames:
    """Where the photo's pixels lie on the plate at each depth below the face."""
    camera = fit.camera
    planes = []
    for depth_mm in depths_mm:
        down = camera.translation_mm - depth_mm * camera.rotation[:, 2]
        px_from_mm = camera.matrix @ np.column_stack((camera.rotation[:, :2], down))
        planes.append(np.linalg.inv(px_from_mm))
    return Frames(np.array(planes), (*camera.centre_px, camera.focal_px, camera.k1))


def inside(points_px: Iterable[tuple[float, float]], width_px: int, height_px: int) -> np.ndarray:
    """Which points (N, 2) lie on the photo, (N,) bool."""
    points = np.asarray(list(points_px), float).reshape(-1, 2)
    return ((points >= 0) & (points < [width_px, height_px])).all(axis=1)
