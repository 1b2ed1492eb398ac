"""Answers to where a photo lies: trial poses from every source, brought onto the edges."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from mapper.fit.camera import Camera
from mapper.fit.clicks import click_trials
from mapper.fit.ellipses import level_ellipses
from mapper.fit.evidence import EdgeMaps, edge_maps
from mapper.fit.face import FaceEdges
from mapper.fit.hypotheses import Trial, circle_trials, tilts
from mapper.fit.markers import marker_points
from mapper.fit.markers_met import marker_nats
from mapper.fit.outline import outline_trials
from mapper.fit.refine import KnownPoints, align, support_score
from mapper.fit.verdict import evidence, seen_features
from mapper.fit.view import Drawing, View

__all__ = [
    "Answer",
    "CLICK_REACH",
    "GOOD_EVIDENCE",
    "LENS_REACHES",
    "fits_mirrored",
    "found_answers",
    "mirror_answers",
    "through_lens",
]

CLICK_REACH = 0.02  # of the long side: how far off a rough click may be
COARSE_REACHES = (16.0, 12.0, 9.0, 7.0, 5.0, 4.0, 3.0)
NEAR_REACHES = COARSE_REACHES[3:]
LENS_REACHES = (4.0, 3.0, 2.0, 1.5)
GOOD_EVIDENCE = 8.0  # nats; the best wrong fit met so far has less than none


@dataclass(frozen=True, eq=False)
class Answer:
    """A trial brought onto the edges, with its support in working px."""

    camera: Camera
    support: float
    source: str
    held: KnownPoints | None = None


def found_answers(
    view: View, drawing: Drawing, clicks_px, known, carried: Camera | None, agrees
) -> list[Answer]:
    """Aligned answers, best first, that agree with the clicks and the fitted photo.

    Sources are asked in turn, the surest first, until an answer convinces.
    """
    maps = edge_maps(view.grey, view.scale)
    answers = _held_by_markers(view, drawing, maps, agrees)
    for trials in _sources(view, drawing, clicks_px, known, carried):
        answers += _aligned(view, drawing, maps, trials, agrees)
        if trials and trials[0].camera is carried:
            # it may lie so near that a wide search only leads it away
            answers += _aligned(view, drawing, maps, trials, agrees, reaches=NEAR_REACHES)
        answers.sort(key=lambda a: -a.support)
        answers = _likeliest_first(view, drawing, answers)
        if answers:
            third = drawing.edges.every(3)
            best = through_lens(view, answers[0], third)
            seen = seen_features(view.grey, view.scale, best, third)
            if evidence(third, seen.in_view, seen.met) > GOOD_EVIDENCE:
                break
    return answers


def through_lens(view: View, answer: Answer, edges: FaceEdges) -> Camera:
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


def _held_by_markers(view: View, drawing: Drawing, maps: EdgeMaps, agrees) -> list[Answer]:
    """The answer of two or more markers that agree, held by them while edges pull at it."""
    marked = view.marked
    if marked is None or marked.agree.sum() < 2:
        return []
    coarse = drawing.edges.every(4)
    held = marker_points(marked.camera, marked.seen.part(marked.agree))
    camera = align(
        view.grey, view.scale, marked.camera, coarse, view.prior, NEAR_REACHES, held=held
    )
    if not agrees(camera):
        return []
    return [Answer(camera, support_score(camera, coarse, maps), "markers", held)]


def _likeliest_first(view: View, drawing: Drawing, answers: list[Answer]) -> list[Answer]:
    """The same answers; with markers, the best ones by edges met and markers that agree."""
    if view.marked is None:
        return answers
    close = [a for n, a in enumerate(answers) if n < 4 or a.held is not None]
    third = drawing.edges.every(3)

    def nats(answer: Answer) -> float:
        camera = through_lens(view, answer, third)
        seen = seen_features(view.grey, view.scale, camera, third)
        return evidence(third, seen.in_view, seen.met) + marker_nats(view, camera)

    rest = [a for a in answers if not any(a is one for one in close)]
    return sorted(close, key=lambda a: -nats(a)) + rest


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
    view: View,
    drawing: Drawing,
    maps: EdgeMaps,
    trials: Sequence[Trial],
    agrees,
    most: int = 10,
    reaches: tuple[float, ...] = COARSE_REACHES,
) -> list[Answer]:
    coarse = drawing.edges.every(4)
    scored = [(support_score(t.camera, coarse, maps), t) for t in trials]
    scored.sort(key=lambda pair: -pair[0])
    out = []
    for _, trial in scored[:most]:
        camera = align(view.grey, view.scale, trial.camera, coarse, view.prior, reaches)
        if not agrees(camera):
            continue
        out.append(Answer(camera, support_score(camera, coarse, maps), trial.source))
    return out


def mirror_answers(view: View, mirror: Drawing, agrees) -> list[Answer]:
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


def fits_mirrored(view: View, mirror: Drawing) -> bool:
    """Whether the mirror image of the drawing is found in the photo; asked only in failure."""
    answers = mirror_answers(view, mirror, lambda camera: True)
    if not answers:
        return False
    half = mirror.edges.every(2)
    best = answers[0].camera
    camera = align(view.grey, view.scale, best, half, view.prior, LENS_REACHES, True)
    seen = seen_features(view.grey, view.scale, camera, half)
    return evidence(half, seen.in_view, seen.met) > GOOD_EVIDENCE
