"""Fit one photo: trial poses from every source, the best one refined, and a verdict."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from mapper.fit.camera import Camera
from mapper.fit.clicks import assigned, click_camera, click_trials, known_targets
from mapper.fit.dlt import apply_homography, homography_dlt
from mapper.fit.ellipses import level_ellipses
from mapper.fit.errors import FitFailed
from mapper.fit.evidence import EdgeMaps, edge_maps
from mapper.fit.face import FaceEdges
from mapper.fit.hints import FitHints
from mapper.fit.hypotheses import Trial, circle_trials, tilts
from mapper.fit.markers import (
    MOVED_MM,
    marker_names,
    marker_points,
    misses_mm,
)
from mapper.fit.outline import outline_trials
from mapper.fit.pairs import pair
from mapper.fit.refine import (
    KnownPoints,
    Polished,
    align,
    polish,
    sharp_level,
    support_score,
)
from mapper.fit.result import PHOTO_ALONE, PhotoFit, common_sigma_px
from mapper.fit.verdict import Seen, evidence, margin_over, same_answer, seen_features
from mapper.fit.view import Drawing, View, drawing_of, is_its_own_mirror, marked_in, view_of
from mapper.plate.model import Plate

if TYPE_CHECKING:
    from mapper.photos import Photo

__all__ = ["fit_photo"]

CLICK_REACH = 0.02  # of the long side: how far off a rough click may be
COARSE_REACHES = (16.0, 12.0, 9.0, 7.0, 5.0, 4.0, 3.0)
LENS_REACHES = (4.0, 3.0, 2.0, 1.5)

GOOD_EVIDENCE = 8.0  # nats; the best wrong fit met so far has less than none
GOOD_MARGIN = 4.0
MARKER_GAIN = 3.0  # nats; a wrong fit hardly ever puts a marker within a millimetre of its place
MOST_MARKER_NATS = 6.0  # markers may slide together, so many of them prove little more than two
NO_OBJECTION = 1.0  # nats by which the plate itself may speak for another answer than the markers
LEAST_EVIDENCE = 0.0
SAME_MM = 3.0
CARRIED_SHARE = 0.03  # of the plate's size: how far a map from photo to photo may be off
GOOD_SIGMA_MM = 0.5
GOOD_LEFT_OUT_MM = 0.5

HELP = "click four corners of the plate, or four bores or holes, on the photo"

MIRRORED = (
    "The photo shows the mirror image of this drawing: mirror the drawing, as it seems to be "
    "drawn from the other face."
)


@dataclass(frozen=True, eq=False)
class _Answer:
    """A trial brought onto the edges, with its support in working px."""

    camera: Camera
    support: float
    source: str
    held: KnownPoints | None = None


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
    carried = _carried(photo, view, drawing, hints)
    agrees = _agreement(view, drawing, clicks_px, known, carried)
    answers = _answers(view, drawing, clicks_px, known, carried, agrees)
    mirror_known = known_targets(hints.clicks, drawing.mirror.features)
    mirror_agrees = _agreement(view, drawing.mirror, clicks_px, mirror_known, None)
    # A photo that was fitted well has settled which way round the drawing is.
    asks_mirror = None if carried is not None else mirror_agrees
    try:
        fit = _judged(view, drawing, answers, agrees, asks_mirror) if answers else None
        objects = view.marked is not None and fit is not None and fit.margin < -NO_OBJECTION
    except FitFailed:
        if view.marked is None:
            raise
        fit, objects = None, True
    if objects:
        # the plate itself speaks for another answer than the markers: without them
        bare = replace(view, marked=None)
        answers = _answers(bare, drawing, clicks_px, known, carried, agrees)
        plain = _judged(bare, drawing, answers, agrees, asks_mirror) if answers else None
        if plain is not None and (fit is None or plain.margin >= GOOD_MARGIN):
            fit = plain
            for reason in _moved_markers(view, fit.camera):
                fit = fit.doubted(reason)
    if fit is None and len(clicks_px) >= 4:
        fit = _by_clicks_alone(view, drawing, clicks_px, known)
    if fit is None:
        fit = _by_markers_alone(view, agrees)
    if fit is None and carried is not None:
        fit = _by_photo_alone(view, carried)
    if fit is None:
        if not is_its_own_mirror(drawing) and _fits_mirrored(view, drawing.mirror):
            raise FitFailed(MIRRORED)
        raise FitFailed(f"This photo could not be fitted to the drawing on its own: {HELP}.")
    if len(clicks_px):
        fit = _with_click_residuals(fit, view, drawing, clicks_px, known)
    return fit


def _carried(photo: Photo, view: View, drawing: Drawing, hints: FitHints) -> Camera | None:
    """The pose that a fitted photo of the same plate gives this one; None without a sure map."""
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
    return None if best is None else best[1]


def _agreement(
    view: View, drawing: Drawing, clicks_px, known, carried: Camera | None
) -> Callable[[Camera], bool]:
    """Whether a camera agrees with the clicks and with the fitted photo."""
    reach = CLICK_REACH * max(view.width_px, view.height_px)

    def agrees(camera: Camera) -> bool:
        if carried is not None and not same_answer(
            carried, camera, view.grid_px, CARRIED_SHARE * drawing.reach_mm
        ):
            return False
        if not len(clicks_px):
            return True
        return assigned(camera, clicks_px, known, drawing.xy_mm, reach) is not None

    return agrees


def _answers(
    view: View, drawing: Drawing, clicks_px, known, carried: Camera | None, agrees
) -> list[_Answer]:
    """Aligned answers, best first, that agree with the clicks and the fitted photo.

    Sources are asked in turn, the surest first, until an answer convinces.
    """
    maps = edge_maps(view.grey, view.scale)
    answers = _held_by_markers(view, drawing, maps, agrees)
    for trials in _sources(view, drawing, clicks_px, known, carried):
        answers += _aligned(view, drawing, maps, trials, agrees)
        answers.sort(key=lambda a: -a.support)
        answers = _likeliest_first(view, drawing, answers)
        if answers:
            third = drawing.edges.every(3)
            best = _through_lens(view, answers[0], third)
            seen = seen_features(view.grey, view.scale, best, third)
            if evidence(third, seen.in_view, seen.met) > GOOD_EVIDENCE:
                break
    return answers


def _through_lens(view: View, answer: _Answer, edges: FaceEdges) -> Camera:
    """The camera of an answer on the edges, with its lens, held by markers where it was."""
    return align(
        view.grey,
        view.scale,
        answer.camera,
        edges,
        view.prior,
        LENS_REACHES,
        True,
        held=answer.held,
    )


def _held_by_markers(view: View, drawing: Drawing, maps: EdgeMaps, agrees) -> list[_Answer]:
    """The answer of two or more markers that agree, held by them while edges pull at it."""
    marked = view.marked
    if marked is None or marked.agree.sum() < 2:
        return []
    coarse = drawing.edges.every(4)
    held = marker_points(marked.camera, marked.seen.part(marked.agree))
    camera = align(
        view.grey, view.scale, marked.camera, coarse, view.prior, COARSE_REACHES[3:], held=held
    )
    if not agrees(camera):
        return []
    return [_Answer(camera, support_score(camera, coarse, maps), "markers", held)]


def _likeliest_first(view: View, drawing: Drawing, answers: list[_Answer]) -> list[_Answer]:
    """The same answers; with markers, the best ones by edges met and markers that agree."""
    if view.marked is None:
        return answers
    close = [a for n, a in enumerate(answers) if n < 4 or a.held is not None]
    third = drawing.edges.every(3)

    def nats(answer: _Answer) -> float:
        camera = _through_lens(view, answer, third)
        seen = seen_features(view.grey, view.scale, camera, third)
        return evidence(third, seen.in_view, seen.met) + _marker_nats(view, camera)

    rest = [a for a in answers if not any(a is one for one in close)]
    return sorted(close, key=lambda a: -nats(a)) + rest


def _markers_met(view: View, camera: Camera) -> np.ndarray:
    """Which markers (K,) lie in their places under a camera; (0,) without markers."""
    if view.marked is None:
        return np.zeros(0, bool)
    return misses_mm(camera, view.marked.seen) <= MOVED_MM


def _marker_nats(view: View, camera: Camera) -> float:
    met = _markers_met(view, camera)
    return _capped(met.sum() - (~met).sum())


def _capped(markers: int) -> float:
    """Nats that so many markers more in their places than out of them are worth."""
    return float(np.clip(MARKER_GAIN * markers, -MOST_MARKER_NATS, MOST_MARKER_NATS))


def _sources(
    view: View, drawing: Drawing, clicks_px, known, carried: Camera | None
) -> Iterator[list[Trial]]:
    focal, centre = view.prior.focal_px, view.centre_px
    reach = CLICK_REACH * max(view.width_px, view.height_px)
    if carried is not None:
        yield [Trial(carried, 0.0, 0, "photo to photo")]
    if view.marked is not None:
        yield [Trial(view.marked.camera, 0.0, 0, "markers")]
    named = sum(target is not None for target in known)
    if named >= 4:
        yield click_trials(clicks_px, known, drawing.features, view.prior, centre, [], reach)
    blobs = level_ellipses(view.grey).scaled(1 / view.scale)
    likely = tilts(blobs, focal, centre)
    for tilt in likely:
        yield circle_trials(
            view.grey,
            view.scale,
            blobs,
            drawing.circles,
            focal,
            centre,
            tilt,
            drawing.reach_mm,
        )
    yield outline_trials(view.grey, view.scale, drawing.outline_mm, focal, centre)
    if len(clicks_px) >= 2 and named < 4:
        yield click_trials(clicks_px, known, drawing.features, view.prior, centre, likely, reach)


def _aligned(
    view: View, drawing: Drawing, maps: EdgeMaps, trials: Sequence[Trial], agrees, most: int = 10
) -> list[_Answer]:
    coarse = drawing.edges.every(4)
    scored = [(support_score(t.camera, coarse, maps), t) for t in trials]
    scored.sort(key=lambda pair: -pair[0])
    out = []
    for _, trial in scored[:most]:
        camera = align(view.grey, view.scale, trial.camera, coarse, view.prior, COARSE_REACHES)
        if not agrees(camera):
            continue
        out.append(_Answer(camera, support_score(camera, coarse, maps), trial.source))
    return out


def _judged(
    view: View, drawing: Drawing, answers: list[_Answer], agrees, asks_mirror
) -> PhotoFit | None:
    """The best answer refined and judged; None when it does not convince at all.

    `asks_mirror` says whether a camera over the mirror image agrees with the clicks; None when
    which way round the drawing is has been settled already.
    """
    edges = drawing.edges
    half = edges.every(2)
    best = _through_lens(view, answers[0], half)
    held = _held_points(view, best)
    image, scale = sharp_level(view.full, best, half, view.scale)
    try:
        polished = polish(image, best, edges, view.prior, scale, held=held)
        if _held_count(_held_points(view, polished.camera)) != _held_count(held):
            held = _held_points(view, polished.camera)
            polished = polish(image, polished.camera, edges, view.prior, scale, held=held)
    except FitFailed:
        return None
    seen = seen_features(view.grey, view.scale, polished.camera, half)
    proof = evidence(edges, seen.in_view, seen.met)
    round_met = int((seen.met & (edges.feature_kind >= 1) & (edges.feature_kind <= 2)).sum())
    if proof < LEAST_EVIDENCE:
        return None
    reasons = []
    over_mirror, mirror_telling = _mirror_margin(view, drawing, polished.camera, seen, asks_mirror)
    if over_mirror < -GOOD_MARGIN:
        raise FitFailed(MIRRORED)
    margin, telling, rival = _margin(view, drawing, polished.camera, seen, answers, agrees)
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
    reasons += _moved_markers(view, polished.camera)
    # markers may slide together: half of the proof must come from the plate itself
    proof = min(proof + _marker_nats(view, polished.camera), 2 * proof)
    if proof < GOOD_EVIDENCE or round_met + (seen.met.sum() - round_met) / 4 < 3:
        reasons.append(
            f"Too few edges of the drawing are seen in the photo to be sure of the fit: {HELP}."
        )
    names, residuals, misses_px = _circle_residuals(edges, polished)
    in_place = _markers_met(view, polished.camera)
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
    return _checked(fit, view, drawing, polished, seen, held, (image, scale))


def _held_points(view: View, camera: Camera) -> KnownPoints | None:
    """Corners of the markers that lie in their places under a camera."""
    met = _markers_met(view, camera)
    return marker_points(camera, view.marked.seen.part(met)) if met.any() else None


def _held_count(held: KnownPoints | None) -> int:
    return 0 if held is None else len(held.px)


def _moved_markers(view: View, camera: Camera) -> list[str]:
    """One sentence about the markers that lie elsewhere than the plate says, if any do."""
    moved = ~_markers_met(view, camera)
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


def _margin(view, drawing, camera: Camera, seen: Seen, answers: list[_Answer], agrees):
    """Least margin over the rivals, telling features met against that one, and the rival."""
    half = drawing.edges.every(2)
    rivals = [a.camera for a in answers[1:6]]
    rivals.append(_half_turned(camera, drawing.middle_mm))
    worst = (np.inf, 99, None)
    tried: list[Camera] = [camera]
    for rival in rivals:
        if any(same_answer(t, rival, view.grid_px, SAME_MM) for t in tried):
            continue
        moved = align(view.grey, view.scale, rival, half, view.prior, (6.0, *LENS_REACHES), True)
        if any(same_answer(t, moved, view.grid_px, SAME_MM) for t in tried):
            continue
        if not agrees(moved):
            continue
        tried.append(moved)
        other = seen_features(view.grey, view.scale, moved, half)
        margin, telling = margin_over((half, seen), (half, other), view.grey.shape, view.scale)
        # a marker in its place under the one answer alone is a telling feature as well
        here, there = _markers_met(view, camera), _markers_met(view, moved)
        gain = _capped(int(here.sum()) - int(there.sum()))
        if gain < 0 or margin > -NO_OBJECTION:
            margin += gain
            telling += int((here & ~there).sum())
        if margin < worst[0]:
            worst = (margin, telling, moved)
    margin, telling, rival = worst
    if rival is None:
        return 99.0, 99, None
    return float(margin), telling, rival if margin < GOOD_MARGIN or telling < 2 else None


def _mirror_margin(
    view: View, drawing: Drawing, camera: Camera, seen: Seen, asks_mirror
) -> tuple[float, int]:
    """Least margin over the mirror image of the drawing, and the telling features met there.

    It is tried in the same place, and where only a part of the plate is in sight it is searched
    for too: that part may look like another part of the mirror image.
    """
    if is_its_own_mirror(drawing):
        return np.inf, 99
    half, flipped = drawing.edges.every(2), drawing.mirror.edges.every(2)
    starts = [(camera, (3.0, 2.0)), (_half_turned(camera, drawing.middle_mm), (3.0, 2.0))]
    in_photo = camera.project_face(drawing.xy_mm)
    size = (view.width_px, view.height_px)
    if asks_mirror is not None and not ((in_photo >= 0) & (in_photo < size)).all():
        found = _mirror_answers(view, drawing.mirror, asks_mirror)
        starts += [(answer.camera, LENS_REACHES) for answer in found]
    least = (np.inf, 99)
    for start, reaches in starts:
        moved = align(view.grey, view.scale, start, flipped, view.prior, reaches, True)
        if asks_mirror is not None and not asks_mirror(moved):
            continue
        other = seen_features(view.grey, view.scale, moved, flipped)
        margin, telling = margin_over((half, seen), (flipped, other), view.grey.shape, view.scale)
        least = min(least, (float(margin), int(telling)))
    return least


def _mirror_answers(view: View, mirror: Drawing, agrees) -> list[_Answer]:
    """The mirror image as it is found in the photo, best first; none where there is no sign."""
    blobs = level_ellipses(view.grey).scaled(1 / view.scale)
    focal, centre = view.prior.focal_px, view.centre_px
    tilt = tilts(blobs, focal, centre, most=1)[0]
    trials = circle_trials(
        view.grey, view.scale, blobs, mirror.circles, focal, centre, tilt, mirror.reach_mm
    )
    maps = edge_maps(view.grey, view.scale)
    answers = _aligned(view, mirror, maps, trials, agrees, most=4)
    return sorted(answers, key=lambda answer: -answer.support)


def _fits_mirrored(view: View, mirror: Drawing) -> bool:
    """Whether the mirror image of the drawing is found in the photo; asked only in failure."""
    answers = _mirror_answers(view, mirror, lambda camera: True)
    if not answers:
        return False
    half = mirror.edges.every(2)
    best = answers[0].camera
    camera = align(view.grey, view.scale, best, half, view.prior, LENS_REACHES, True)
    seen = seen_features(view.grey, view.scale, camera, half)
    return evidence(half, seen.in_view, seen.met) > GOOD_EVIDENCE


def _half_turned(camera: Camera, middle_mm: np.ndarray) -> Camera:
    """The camera over the plate turned by half a turn about a point of its face."""
    turn = np.diag([-1.0, -1.0, 1.0])
    # X -> turn X + 2 middle maps the plate onto itself turned
    shift = np.append(2 * middle_mm, 0.0)
    return Camera(
        camera.focal_px,
        camera.centre_px,
        camera.rotation @ turn,
        camera.translation_mm + camera.rotation @ shift,
        camera.k1,
    )


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


def _checked(fit: PhotoFit, view, drawing, polished: Polished, seen: Seen, held, level) -> PhotoFit:
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
    miss = _left_out_miss(view, edges, polished, seen, held, level)
    if not np.isfinite(miss) or miss > GOOD_LEFT_OUT_MM:
        fit = fit.doubted(
            "Features that were left out of the fit as a check do not lie where it puts them: "
            f"compare the drawing with the plate, or {HELP}."
        )
    return fit


def _left_out_miss(view, edges: FaceEdges, polished: Polished, seen: Seen, held, level) -> float:
    """Median miss (mm) of features left out in turn, as the fit without them places them."""
    met = np.flatnonzero(seen.met)
    # what is left must hold the fit; with markers a few features are enough as a check
    if len(met) < (6 if held is None else 4):
        return float("nan")
    misses = []
    for part in range(2):
        out = np.zeros(len(edges.names), bool)
        out[met[part::2]] = True
        try:
            again = polish(
                level[0],
                polished.camera,
                edges,
                view.prior,
                level[1],
                reaches_px=(2.0,),
                leave_out=out,
                held=held,
            )
        except FitFailed:
            continue
        misses.append(again.residual_mm[out])
    if not misses:
        return float("nan")
    values = np.concatenate(misses)
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else float("nan")


def _by_markers_alone(view: View, agrees) -> PhotoFit | None:
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
            *_moved_markers(view, marked.camera),
        ),
        "markers",
        misses_mm(marked.camera, marked.seen),
        marker_names(marked.seen),
    )


def _by_photo_alone(view: View, carried: Camera) -> PhotoFit:
    """A fit that only another photo holds."""
    loose = np.diag([0.004, 0.004, 0.004, 1.0, 1.0, 2.0, view.prior.focal_share, 0.01]) ** 2
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


def _by_clicks_alone(view, drawing, clicks_px, known) -> PhotoFit | None:
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
