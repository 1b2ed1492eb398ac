"""The best answer refined, and whether it is good: proof, margin, sigma, left-out features."""

from __future__ import annotations

import numpy as np

from mapper.fit.answers import GOOD_EVIDENCE, Answer, through_lens
from mapper.fit.errors import FitFailed
from mapper.fit.face import DROP, HOLE, FaceEdges
from mapper.fit.markers import marker_names, misses_mm
from mapper.fit.markers_met import marker_nats, markers_met, moved_markers
from mapper.fit.refine import Polished, polish, prior_rows
from mapper.fit.result import PhotoFit, common_sigma_px
from mapper.fit.rivals import GOOD_MARGIN, SAME_MM, margin_over_mirror, margin_over_rivals
from mapper.fit.sides import MET_NATS, Settled, close_shares, settled_camera
from mapper.fit.verdict import Seen, evidence, same_answer, seen_features
from mapper.fit.view import Drawing, View

__all__ = ["HELP", "MIRRORED", "judged"]

LEAST_EVIDENCE = 0.0
GOOD_SIGMA_MM = 0.5
APART_MM, APART_SIGMAS = 0.1, 3.0  # at a drop, for two readings of the edges to be two answers
FOCAL_SIGMAS = 3.0
# A rim that is met in the picture of 1200 px is met in the sharpest one as well, if the fit is
# right: under the true fits of 52 rendered photos all of 831 were, to a share of 0.3 and more.
BESIDE_SHARE, BESIDE_PART = 0.3, 0.1
GOOD_LEFT_OUT_MM = 0.5
HELP = "click four corners of the plate, or four bores or holes, on the photo"
OTHER_LENS = (
    "The fit asks for another focal length than the photo was taken with: use the original from "
    f"the phone, neither cropped nor enlarged, or {HELP}."
)
BESIDE = (
    "Some bores and holes lie a little beside the places where the fit puts them: compare the "
    f"drawn lines with the photo, or {HELP}."
)
TWO_READINGS = (
    "A side of the plate can be read in two ways, as the edge of its face or as another line "
    f"along it, such as the foot of its wall: compare the drawn lines with the photo, or {HELP}."
)
MIRRORED = (
    "The photo shows the mirror image of this drawing: mirror the drawing, as it seems to be "
    "drawn from the other face."
)


def judged(
    view: View, drawing: Drawing, answers: list[Answer], agrees, asks_mirror
) -> PhotoFit | None:
    """The best answer refined and judged; None when it does not convince at all.

    `asks_mirror` says whether a camera over the mirror image agrees with the clicks; None when
    which way round the drawing is has been settled already.
    """
    edges = drawing.edges
    half = edges.every(2)
    best = through_lens(view, answers[0], half)
    near = [a.camera for a in answers[1:6] if same_answer(best, a.camera, view.grid_px, SAME_MM)]
    try:
        settled = settled_camera(view, edges, best, near, agrees)
    except FitFailed:
        return None
    polished = settled.polished
    seen = seen_features(view.grey, view.scale, polished.camera, half)
    proof = evidence(edges, seen.in_view, seen.met)
    round_met = int((seen.met & (edges.feature_kind >= 1) & (edges.feature_kind <= 2)).sum())
    if proof < LEAST_EVIDENCE:
        return None
    reasons = []
    camera = polished.camera
    over_mirror, mirror_telling = margin_over_mirror(view, drawing, camera, seen, asks_mirror)
    if over_mirror < -GOOD_MARGIN:
        raise FitFailed(MIRRORED)
    margin, telling, rival = margin_over_rivals(view, drawing, camera, seen, answers, agrees)
    if margin < GOOD_MARGIN or telling < 2:
        reasons.append(
            "The plate would fit nearly as well in another place or turned round, and what "
            "tells them apart is hidden: click one corner, bore or hole and give its number."
        )
    if asks_mirror is not None and (over_mirror < GOOD_MARGIN or mirror_telling < 2):
        reasons.append(
            "The mirror image of the drawing would fit nearly as well, as the part of the plate "
            "in sight looks the same either way: fit it through a photo of the whole plate."
        )
    reasons += moved_markers(view, polished.camera)
    # markers may slide together: half of the proof must come from the plate itself
    proof = min(proof + marker_nats(view, polished.camera), 2 * proof)
    if proof < GOOD_EVIDENCE or round_met + (seen.met.sum() - round_met) / 4 < 3:
        reasons.append(
            f"Too few edges of the drawing are seen in the photo to be sure of the fit: {HELP}."
        )
    names, residuals, misses_px = _circle_residuals(edges, polished)
    in_place = markers_met(view, polished.camera)
    if in_place.any():
        used = view.marked.seen.part(in_place)
        names += marker_names(used)
        residuals = np.append(residuals, misses_mm(polished.camera, used))
    fit = PhotoFit(
        polished.camera,
        view.width_px,
        view.height_px,
        polished.covariance,
        "doubtful" if reasons else "good",
        tuple(reasons),
        answers[0].source,
        residuals,
        names,
        margin,
        rival,
        common_sigma_px(misses_px),
    )
    return _checked(fit, view, drawing, settled, seen)


def _circle_residuals(
    edges: FaceEdges, polished: Polished
) -> tuple[tuple[str, ...], np.ndarray, np.ndarray]:
    """Names and misses (K,) of the circles that were met, in mm and in px of the photo."""
    index = [
        f
        for f in range(len(edges.names))
        if edges.feature_kind[f] in (1, 2) and np.isfinite(polished.residual_mm[f])
    ]
    misses_mm = polished.residual_mm[index]
    camera = polished.camera
    away_mm = edges.feature_xy_mm[index] @ camera.rotation[2, :2] + camera.translation_mm[2]
    return tuple(edges.names[f] for f in index), misses_mm, misses_mm * camera.focal_px / away_mm


def _checked(fit: PhotoFit, view, drawing, settled: Settled, seen: Seen) -> PhotoFit:
    """Sigma and left-out features: the last two conditions of a good fit."""
    edges = drawing.edges
    inside = fit.photo_from_plate(drawing.xy_mm)
    shown = (
        (inside >= 0).all(axis=1) & (inside[:, 0] < view.width_px) & (inside[:, 1] < view.height_px)
    )
    if shown.any() and np.max(fit.sigma_mm(drawing.xy_mm[shown])) > GOOD_SIGMA_MM:
        fit = fit.doubted(
            "The edges that are seen hold the fit too loosely for half a millimetre: take the "
            f"photo closer and straighter, or {HELP}."
        )
    if abs(prior_rows(fit.camera, np.zeros(8), view.prior)[0]) > FOCAL_SIGMAS:
        fit = fit.doubted(OTHER_LENS)
    if _other_reading(fit, drawing.xy_mm[shown], settled):
        fit = fit.doubted(TWO_READINGS)
    round_met = seen.met & np.isin(edges.feature_kind, (DROP, HOLE))
    beside = round_met & (close_shares(*settled.level, fit.camera, edges) < BESIDE_SHARE)
    if beside.sum() >= max(2, BESIDE_PART * round_met.sum()):
        fit = fit.doubted(BESIDE)
    miss = _left_out_miss(view, edges, settled, seen)
    if not np.isfinite(miss) or miss > GOOD_LEFT_OUT_MM:
        fit = fit.doubted(
            "Features that were left out of the fit as a check do not lie where it puts them: "
            f"compare the drawing with the plate, or {HELP}."
        )
    return fit


def _other_reading(fit: PhotoFit, xy_mm: np.ndarray, settled: Settled) -> bool:
    """Whether edges settle elsewhere as well, too near in evidence for this one to be sure.

    `xy_mm` (K, 2) are drawn points in the photo, at which the answers are compared.
    """
    px = fit.photo_from_plate(xy_mm)
    allowed = np.maximum(APART_MM, APART_SIGMAS * fit.sigma_mm(xy_mm))
    for camera, close in settled.rivals:
        lead = (settled.close - close) * MET_NATS
        apart = np.hypot(*(camera.face_points(px) - xy_mm).T)
        if lead < GOOD_MARGIN and not (apart < allowed).all():
            return True
    return False


def _left_out_miss(view, edges: FaceEdges, settled: Settled, seen: Seen) -> float:
    """Median miss (mm) of features left out in turn, as the fit without them places them."""
    met = np.flatnonzero(seen.met)
    # what is left must hold the fit; with markers a few features are enough as a check
    if len(met) < (6 if settled.held is None else 4):
        return float("nan")
    misses = []
    for part in range(2):
        out = np.zeros(len(edges.names), bool)
        out[met[part::2]] = True
        try:
            again = polish(
                settled.level[0],
                settled.polished.camera,
                edges,
                view.prior,
                settled.level[1],
                reaches_px=(2.0,),
                leave_out=out,
                held=settled.held,
            )
        except FitFailed:
            continue
        misses.append(again.residual_mm[out])
    if not misses:
        return float("nan")
    values = np.concatenate(misses)
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else float("nan")
