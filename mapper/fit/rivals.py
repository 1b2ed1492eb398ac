"""How far the next best answer is behind: another place, half a turn, the mirror image."""

from __future__ import annotations

import numpy as np

from mapper.fit.answers import LENS_REACHES, Answer, mirror_answers
from mapper.fit.camera import Camera
from mapper.fit.markers_met import capped, markers_met
from mapper.fit.refine import align
from mapper.fit.verdict import Seen, margin_over, same_answer, seen_features
from mapper.fit.view import Drawing, View, is_its_own_mirror

__all__ = [
    "GOOD_MARGIN",
    "NO_OBJECTION",
    "SAME_MM",
    "half_turned",
    "margin_over_mirror",
    "margin_over_rivals",
]

GOOD_MARGIN = 4.0  # nats
NO_OBJECTION = 1.0  # nats by which the plate itself may speak for another answer than the markers
SAME_MM = 3.0
NEAR = (2.0, 1.5)


def margin_over_rivals(view, drawing, camera: Camera, seen: Seen, answers: list[Answer], agrees):
    """Least margin over the rivals, telling features met against that one, and the rival."""
    half = drawing.edges.every(2)
    wide = (6.0, *LENS_REACHES)
    half_turn = half_turned(camera, drawing.middle_mm)
    starts = [(a.camera, wide) for a in answers[1:6]] + [(half_turn, wide), (half_turn, NEAR)]
    worst = (np.inf, 99, None)
    tried: list[Camera] = [camera]
    for start, reaches in starts:
        # half a turn may put every edge where it is already, from where a wide search only leads
        # away: so it is tried both ways
        others = tried[:1] if reaches is NEAR else tried
        if any(same_answer(t, start, view.grid_px, SAME_MM) for t in others):
            continue
        moved = align(view.grey, view.scale, start, half, view.prior, reaches, True)
        if any(same_answer(t, moved, view.grid_px, SAME_MM) for t in others):
            continue
        if not agrees(moved):
            continue
        tried.append(moved)
        other = seen_features(view.grey, view.scale, moved, half)
        margin, telling = margin_over((half, seen), (half, other), view.grey.shape, view.scale)
        # a marker in its place under the one answer alone is a telling feature as well
        here, there = markers_met(view, camera), markers_met(view, moved)
        gain = capped(int(here.sum()) - int(there.sum()))
        if gain < 0 or margin > -NO_OBJECTION:
            margin += gain
            telling += int((here & ~there).sum())
        if margin < worst[0]:
            worst = (margin, telling, moved)
    margin, telling, rival = worst
    if rival is None:
        return 99.0, 99, None
    return float(margin), telling, rival if margin < GOOD_MARGIN or telling < 2 else None


def margin_over_mirror(
    view: View, drawing: Drawing, camera: Camera, seen: Seen, asks_mirror
) -> tuple[float, int]:
    """Least margin over the mirror image of the drawing, and the telling features met there.

    It is tried in the same place, and where only a part of the plate is in sight it is searched
    for too: that part may look like another part of the mirror image.
    """
    if is_its_own_mirror(drawing):
        return np.inf, 99
    half, flipped = drawing.edges.every(2), drawing.mirror.edges.every(2)
    starts = [(camera, (3.0, 2.0)), (half_turned(camera, drawing.middle_mm), (3.0, 2.0))]
    in_photo = camera.project_face(drawing.xy_mm)
    size = (view.width_px, view.height_px)
    if asks_mirror is not None and not ((in_photo >= 0) & (in_photo < size)).all():
        found = mirror_answers(view, drawing.mirror, asks_mirror)
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


def half_turned(camera: Camera, middle_mm: np.ndarray) -> Camera:
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
