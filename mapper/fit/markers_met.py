"""What printed markers in their places, and out of them, say about a fit."""

from __future__ import annotations

import numpy as np

from mapper.fit.camera import Camera
from mapper.fit.markers import MOVED_MM, marker_points, misses_mm
from mapper.fit.refine import KnownPoints
from mapper.fit.view import View

__all__ = ["capped", "held_count", "held_points", "marker_nats", "markers_met", "moved_markers"]

MARKER_GAIN = 3.0  # nats; a wrong fit hardly ever puts a marker within a millimetre of its place
MOST_MARKER_NATS = 6.0  # markers may slide together, so many of them prove little more than two


def markers_met(view: View, camera: Camera) -> np.ndarray:
    """Which markers (K,) lie in their places under a camera; (0,) without markers."""
    if view.marked is None:
        return np.zeros(0, bool)
    return misses_mm(camera, view.marked.seen) <= MOVED_MM


def held_points(view: View, camera: Camera) -> KnownPoints | None:
    """Corners of the markers that lie in their places under a camera."""
    met = markers_met(view, camera)
    return marker_points(camera, view.marked.seen.part(met)) if met.any() else None


def held_count(held: KnownPoints | None) -> int:
    """How many corners hold a fit."""
    return 0 if held is None else len(held.px)


def marker_nats(view: View, camera: Camera) -> float:
    """Nats in favour of a camera from the markers in and out of their places; 0 without any."""
    met = markers_met(view, camera)
    return capped(met.sum() - (~met).sum())


def capped(markers: int) -> float:
    """Nats that so many markers more in their places than out of them are worth."""
    return float(np.clip(MARKER_GAIN * markers, -MOST_MARKER_NATS, MOST_MARKER_NATS))


def moved_markers(view: View, camera: Camera) -> list[str]:
    """One sentence about the markers that lie elsewhere than the plate says, if any do."""
    moved = ~markers_met(view, camera)
    if not moved.any():
        return []
    ids = [str(i) for i, out in zip(view.marked.seen.ids, moved, strict=True) if out]
    away = float(misses_mm(camera, view.marked.seen)[moved].max())
    how_far = f"{away:.1f} mm" if away < 1000 else "far"
    if len(ids) == 1:
        return [
            f"Marker {ids[0]} lies {how_far} from its place in the plate and was left out: lay it "
            "back, correct its place, or take it off."
        ]
    return [
        f"Markers {', '.join(ids)} lie up to {how_far} from their places in the plate and were "
        "left out: lay them back, correct their places, or take them off."
    ]
