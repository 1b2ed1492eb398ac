"""Fits without an edge of the drawing: by markers, by another photo or by clicks alone."""

from __future__ import annotations

import numpy as np

from mapper.fit.answers import CLICK_REACH
from mapper.fit.camera import Camera
from mapper.fit.clicks import assigned, click_camera, click_trials
from mapper.fit.judge import HELP
from mapper.fit.markers import marker_names, misses_mm
from mapper.fit.markers_met import moved_markers
from mapper.fit.result import PHOTO_ALONE, PhotoFit
from mapper.fit.view import View

__all__ = ["by_clicks_alone", "by_markers_alone", "by_photo_alone"]


def by_markers_alone(view: View, agrees) -> PhotoFit | None:
    """A fit that nothing but two or more printed markers holds."""
    marked = view.marked
    if marked is None or marked.agree.sum() < 2 or not agrees(marked.camera):
        return None
    if marked.agree.sum() <= (~marked.agree).sum():
        return None
    return PhotoFit(
        marked.camera,
        view.width_px,
        view.height_px,
        marked.covariance,
        "doubtful",
        (
            "Only the markers hold this fit, as too few edges of the drawing are seen in the "
            "photo: compare the drawn lines with the photo, and measure where the markers lie.",
            *moved_markers(view, marked.camera),
        ),
        "markers",
        misses_mm(marked.camera, marked.seen),
        marker_names(marked.seen),
    )


def by_photo_alone(view: View, carried: Camera, covariance: np.ndarray | None = None) -> PhotoFit:
    """A fit that only another photo holds, with the covariance (8, 8) of its pose if known."""
    loose = np.diag([0.004, 0.004, 0.004, 1.0, 1.0, 2.0, view.prior.focal_share, 0.01]) ** 2
    if covariance is not None:
        loose = covariance
    return PhotoFit(
        carried,
        view.width_px,
        view.height_px,
        loose,
        "doubtful",
        (
            "Only another photo holds this fit, as too few edges of the drawing are seen in this "
            f"one: compare the drawn lines with the photo, or {HELP}.",
        ),
        PHOTO_ALONE,
        np.zeros(0),
        (),
    )


def by_clicks_alone(view, drawing, clicks_px, known) -> PhotoFit | None:
    """A fit that nothing but the clicks holds."""
    reach = CLICK_REACH * max(view.width_px, view.height_px)
    trials = click_trials(clicks_px, known, drawing.features, view.prior, view.centre_px, [], reach)
    if not trials:
        return None
    camera = trials[0].camera
    targets = assigned(camera, clicks_px, known, drawing.xy_mm, reach)
    if targets is None:
        return None
    camera, covariance = click_camera(camera, clicks_px, drawing.xy_mm[targets], view.prior)
    return PhotoFit(
        camera,
        view.width_px,
        view.height_px,
        covariance,
        "doubtful",
        (
            "Only the clicks hold this fit, as the edges of the drawing were not found in the "
            "photo: add clicks and compare the drawn lines with the photo.",
        ),
        "clicks",
        np.zeros(0),
        (),
    )
