"""What the photographer should do otherwise, as the fit of a photo tells it."""

from __future__ import annotations

import numpy as np
import shapely

from mapper.fit.evidence import face_slopes
from mapper.fit.result import PhotoFit
from mapper.plate.model import Plate

__all__ = ["drops_in_photo", "fit_advice", "view_angle_deg"]

# Seen at 35 degrees, the edge of a channel hides 10 mm of its floor 15 mm down, most of its width.
MOST_TILT_DEG = 35.0
LEAST_PX_PER_MM = 1.5  # a lead 2 mm thick is then 3 px wide, the least to tell its two edges apart
WHOLE_SHARE = 0.7  # a photo that shows this much of the plate is meant to show all of it
LOOSE_MM = 0.5


def fit_advice(plate: Plate, fit: PhotoFit, lead_known: bool = False) -> tuple[str, ...]:
    """Plain sentences on what to change, the most useful first; empty when nothing is amiss.

    With `lead_known` the scale is left to a check that knows the thinnest lead.
    """
    inside = _plate_in_photo(plate, fit)
    if inside.is_empty:
        return ("The fit puts the plate outside this photo: look at the fit.",)
    advice = [*_missing(plate, fit, inside)]
    middle = np.array(shapely.get_coordinates(inside.centroid))
    tilt = view_angle_deg(fit, middle)
    if tilt > MOST_TILT_DEG:
        advice.append(
            f"The plate is seen {tilt:.0f} degrees from straight above, so that channel edges hide "
            "leads: hold the camera straighter, over the middle of the plate."
        )
    finest = _px_per_mm(fit, shapely.get_coordinates(inside))
    if not lead_known and finest < LEAST_PX_PER_MM:
        advice.append(
            f"At its far end the plate has only {finest:.1f} px per mm, and {LEAST_PX_PER_MM:g} "
            "are needed to see leads: go closer, or take the plate in parts."
        )
    shown = drops_in_photo(plate, fit)
    if shown.any():
        drops = [drop for drop, here in zip(plate.drops, shown, strict=True) if here]
        sigma = fit.sigma_mm([(drop.x_mm, drop.y_mm) for drop in drops])
        worst = int(np.argmax(np.nan_to_num(sigma, nan=np.inf)))
        if not sigma[worst] <= LOOSE_MM:
            advice.append(
                f"At drop {drops[worst].id} the fit may be off by {sigma[worst]:.1f} mm: go "
                "closer, hold the camera straighter, and have more bores and edges in "
                "sight there, free of plastic."
            )
    return tuple(advice)


def drops_in_photo(plate: Plate, fit: PhotoFit) -> np.ndarray:
    """Which drops (D,) bool have their middle inside the photo."""
    if not plate.drops:
        return np.zeros(0, bool)
    return _within(fit, fit.photo_from_plate([(d.x_mm, d.y_mm) for d in plate.drops]))


def view_angle_deg(fit: PhotoFit, xy_mm: np.ndarray) -> float:
    """Angle at a place (1, 2) of the face between straight up and the line to the camera."""
    place = np.append(np.asarray(xy_mm, float).ravel(), 0.0)
    away = fit.camera_centre_mm - place
    return float(np.degrees(np.arccos(np.clip(away[2] / np.linalg.norm(away), -1, 1))))


def _within(fit: PhotoFit, px: np.ndarray) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return ((px >= 0) & (px < (fit.width_px, fit.height_px))).all(axis=1)


def _plate_in_photo(plate: Plate, fit: PhotoFit) -> shapely.Geometry:
    """The part of the outline (mm) that the photo shows."""
    share = np.linspace(0, 1, 20)[:, None]
    w, h = fit.width_px - 1.0, fit.height_px - 1.0
    ring = np.array([(0, 0), (w, 0), (w, h), (0, h), (0, 0)], float)
    edge = np.concatenate([a + share * (b - a) for a, b in zip(ring, ring[1:], strict=False)])
    frame = fit.plate_from_photo(edge)
    frame = frame[np.isfinite(frame).all(axis=1)]
    outline = shapely.Polygon(plate.outline_mm)
    if len(frame) < 3:
        return shapely.Polygon()
    return shapely.make_valid(shapely.Polygon(frame)).intersection(shapely.make_valid(outline))


def _missing(plate: Plate, fit: PhotoFit, inside: shapely.Geometry) -> list[str]:
    """The corners that a photo of nearly the whole plate leaves out."""
    if inside.area < WHOLE_SHARE * shapely.Polygon(plate.outline_mm).area:
        return []
    px = fit.photo_from_plate(plate.outline_array)
    out = np.flatnonzero(~_within(fit, px))
    if not out.size:
        return []
    where = sorted({_side(fit, px[n]) for n in out} - {""})
    many = "s" if len(out) > 1 else ""
    names = ", ".join(str(n + 1) for n in out)
    side = f" at the {' and the '.join(where)}" if where else ""
    return [
        f"Corner{many} {names} of the plate {'are' if many else 'is'} cut off{side} of the photo: "
        "step back a little, so that all its edges are in sight."
    ]


def _side(fit: PhotoFit, px: np.ndarray) -> str:
    """Side of the photo beyond which a place lies farthest."""
    x, y = px
    if not np.isfinite(px).all():
        return ""
    over = {"left": -x, "right": x - fit.width_px, "top": -y, "bottom": y - fit.height_px}
    return max(over, key=over.__getitem__)


def _px_per_mm(fit: PhotoFit, xy_mm: np.ndarray) -> float:
    """Coarsest scale at places (N, 2), in the direction in which it is coarser."""
    _, slopes = face_slopes(fit.camera, np.asarray(xy_mm, float))
    return float(np.nanmin(np.linalg.svd(slopes, compute_uv=False)[:, 1]))
