"""Fit one photo: trial poses from every source, the best one refined, and a verdict."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from mapper.fit.alone import by_clicks_alone, by_markers_alone, by_photo_alone
from mapper.fit.answers import CLICK_REACH, fits_mirrored, found_answers
from mapper.fit.camera import Camera
from mapper.fit.carried import Carried, carried_by_steel
from mapper.fit.clicks import assigned, known_targets
from mapper.fit.dlt import apply_homography, homography_dlt
from mapper.fit.errors import FitFailed
from mapper.fit.features import grey_of
from mapper.fit.hints import FitHints
from mapper.fit.judge import HELP, MIRRORED, judged
from mapper.fit.markers_met import moved_markers
from mapper.fit.pairs import pair
from mapper.fit.result import PhotoFit
from mapper.fit.rivals import GOOD_MARGIN, NO_OBJECTION
from mapper.fit.verdict import same_answer
from mapper.fit.view import Drawing, View, drawing_of, is_its_own_mirror, marked_in, view_of
from mapper.plate.model import Plate

if TYPE_CHECKING:
    from mapper.photos import Photo

__all__ = ["fit_photo"]

CARRIED_SHARE = 0.03  # of the plate's size: how far a map from photo to photo may be off
STEEL_SHARE = 0.01  # the same for a pose that point features of the plate hold
APART = (
    "The steel that this photo and the one it is fitted through both show lies elsewhere than "
    "the drawing's edges say: compare the drawn lines with the photo, or "
    f"{HELP}."
)


@dataclass(frozen=True, eq=False)
class _Pose:
    """The pose that a fitted photo gives: how far off it may be, and the steel that holds it."""

    camera: Camera
    share: float
    steel: Carried | None = None


def fit_photo(photo: Photo, plate: Plate, hints: FitHints | None = None) -> PhotoFit:
    """Put a photo into plate millimetres.

    Without hints the pattern of bores and holes and the outline are found in the photo. Clicks
    (`hints.clicks`) say where features are; fitted photos of the same plate (`hints.fitted`)
    carry this one along. Raises FitFailed, with the shortest way to help, when no answer
    convinces; an answer that may be wrong comes back with the verdict "doubtful" and reasons.
    """
    hints = hints or FitHints()
    view, drawing = view_of(photo), drawing_of(plate)
    if plate.markers:
        view = replace(view, marked=marked_in(view, plate))
    clicks_px = np.array([(c.x_px, c.y_px) for c in hints.clicks], dtype=float).reshape(-1, 2)
    if not np.isfinite(clicks_px).all():
        raise FitFailed("A click holds a number that is not finite: click it again.")
    known = known_targets(hints.clicks, drawing.features)
    carried = _carried(photo, view, plate, hints)
    pose = None if carried is None else carried.camera
    agrees = _agreement(view, drawing, clicks_px, known, carried)
    answers = found_answers(view, drawing, clicks_px, known, pose, agrees)
    mirror_known = known_targets(hints.clicks, drawing.mirror.features)
    mirror_agrees = _agreement(view, drawing.mirror, clicks_px, mirror_known, None)
    # A photo that was fitted well has settled which way round the drawing is.
    asks_mirror = None if carried is not None else mirror_agrees
    try:
        fit = judged(view, drawing, answers, agrees, asks_mirror) if answers else None
        objects = view.marked is not None and fit is not None and fit.margin < -NO_OBJECTION
    except FitFailed:
        if view.marked is None:
            raise
        fit, objects = None, True
    if objects:
        # the plate itself speaks for another answer than the markers: without them
        bare = replace(view, marked=None)
        answers = found_answers(bare, drawing, clicks_px, known, pose, agrees)
        plain = judged(bare, drawing, answers, agrees, asks_mirror) if answers else None
        if plain is not None and (fit is None or plain.margin >= GOOD_MARGIN):
            fit = plain
            for reason in moved_markers(view, fit.camera):
                fit = fit.doubted(reason)
    if fit is None and len(clicks_px) >= 4:
        fit = by_clicks_alone(view, drawing, clicks_px, known)
    if fit is None:
        fit = by_markers_alone(view, agrees)
    steel = None if carried is None else carried.steel
    if fit is not None and steel is not None and steel.speaks_against(fit.camera):
        fit = fit.doubted(APART)
    if fit is None and carried is not None:
        fit = by_photo_alone(view, carried.camera, None if steel is None else steel.covariance)
    if fit is None:
        if not is_its_own_mirror(drawing) and fits_mirrored(view, drawing.mirror):
            raise FitFailed(MIRRORED)
        raise FitFailed(f"This photo could not be fitted to the drawing on its own: {HELP}.")
    if len(clicks_px):
        fit = _with_click_residuals(fit, view, drawing, clicks_px, known)
    return fit


def _carried(photo: Photo, view: View, plate: Plate, hints: FitHints) -> _Pose | None:
    """The pose that a fitted photo of the same plate gives this one; None without a sure one.

    Point features of both photos are asked first: they find a close-up that shows next to no
    edge. Where they do not settle the place, the maps of `pairs` are.
    """
    steel: Carried | None = None
    for other, other_fit in hints.fitted:
        found = carried_by_steel(view, grey_of(other.pixels_bgr), other_fit, plate)
        if found is None or not found.convinces:
            continue
        if steel is None or found.cells > steel.cells:
            steel = found
    if steel is not None:
        return _Pose(steel.camera, STEEL_SHARE, steel)
    best = None
    for other, other_fit in hints.fitted:
        paired = pair(photo.pixels_bgr, other.pixels_bgr)
        if paired is None or not paired.convinces:
            continue
        if best is not None and paired.lead <= best[0]:
            continue
        share = np.linspace(0.02, 0.98, 12)
        x, y = np.meshgrid(share * view.width_px, share * view.height_px)
        here = np.column_stack((x.ravel(), y.ravel()))
        there = apply_homography(paired.homography, here)
        shown = (there >= 0).all(axis=1) & (there < (other_fit.width_px, other_fit.height_px)).all(
            axis=1
        )
        if shown.sum() < 8:
            continue
        xy_mm = other_fit.plate_from_photo(there[shown])
        try:
            camera = Camera.from_homography(
                homography_dlt(xy_mm, here[shown]), view.prior.focal_px, view.centre_px
            )
        except FitFailed:
            continue
        best = (paired.lead, camera)
    return None if best is None else _Pose(best[1], CARRIED_SHARE)


def _agreement(
    view: View, drawing: Drawing, clicks_px, known, carried: _Pose | None
) -> Callable[[Camera], bool]:
    """Whether a camera agrees with the clicks and with the fitted photo."""
    reach = CLICK_REACH * max(view.width_px, view.height_px)

    def agrees(camera: Camera) -> bool:
        if carried is not None and not same_answer(
            carried.camera, camera, view.grid_px, carried.share * drawing.reach_mm
        ):
            return False
        if not len(clicks_px):
            return True
        return assigned(camera, clicks_px, known, drawing.xy_mm, reach) is not None

    return agrees


def _with_click_residuals(fit: PhotoFit, view, drawing, clicks_px, known) -> PhotoFit:
    """The same fit with one residual per click, in mm on the face."""
    reach = 2 * CLICK_REACH * max(view.width_px, view.height_px)
    targets = assigned(fit.camera, clicks_px, known, drawing.xy_mm, reach)
    if targets is None:
        return fit
    miss = np.hypot(*(fit.plate_from_photo(clicks_px) - drawing.xy_mm[targets]).T)
    return replace(
        fit,
        residuals_mm=miss,
        residual_points=tuple(drawing.features[t].id for t in targets),
    )
