"""Which of two leads lies on top where they cross.

Two witnesses look at the place: a small network on the crossing laid straight
(`mapper.trace.learned`), whose confidence is calibrated, and the comparison of two painted
stories (`mapper.trace.stories`). The network answers where it is sure, and where it is nearly
so of a place that is plainly a crossing; the stories where the network leans the same way.
Where the two say the opposite there is no answer.
"""

from __future__ import annotations

import numpy as np

from mapper.trace.company import Company
from mapper.trace.ground import Ground, as_ground
from mapper.trace.learned import shares, shipped_layers
from mapper.trace.model import Judgement
from mapper.trace.rectify import crossing_patches
from mapper.trace.snap import checked_point
from mapper.trace.stories import crossing_evidence, decide
from mapper.trace.strand import Strand, checked_path, lead_width

__all__ = ["judge_crossing", "patches_of", "told_by_stories", "weighed"]

ANSWER_FROM = 0.96  # share of the network by itself; see docs/measurements.md
# Coarse photos leave doubt about who is on top, covered places about whether it can be told at
# all. With hardly any of the second doubt more of the first is borne.
PLAINLY_CROSSING = 0.045  # share of *neither* up to which a place is plainly a crossing
OF_TWO_FROM = 0.93  # there: share of the upper one among the two
MOST_NEITHER = 0.4  # share of *neither* up to which the stories may answer


def judge_crossing(
    image_bgr: np.ndarray | Ground,
    path_a: np.ndarray,
    path_b: np.ndarray,
    xy: object,
    company: Company | None = None,
) -> Judgement:
    """Which lead lies on top near `xy` (photo pixels): "a", "b", or None for can't tell.

    `path_a`, `path_b` (N, 2) photo pixels, within about half a width of the leads' middle;
    where a lead crosses itself give the two passes as two paths. `company`: the other leads
    drawn there; no answer where one of them lies on a or b. Raises TraceError for unusable
    input, and when a path does not come near `xy`.
    """
    ground = as_ground(image_bgr)
    place, strands = _met(ground, path_a, path_b, xy)
    if company is not None and any(company.lies_on(strand) for strand in strands):
        return Judgement(None, 0.0)
    seen = shares(_patches(ground, strands), shipped_layers())
    if max(seen[:2]) == 0.0:
        return Judgement(None, 0.0)
    return weighed(seen, _painted(ground, strands, place))


def weighed(
    seen: tuple[float, float, float], told: Judgement, answer_from: float = ANSWER_FROM
) -> Judgement:
    """The network's shares (a, b, neither) and what the stories say, put together."""
    a, b, neither = seen
    learned = Judgement("a" if a > b else "b", max(a, b))
    if told.top not in (None, learned.top):
        return Judgement(None, 0.5)
    of_two = learned.confidence / max(a + b, 1e-9)
    alone = learned.confidence >= answer_from or (
        neither <= PLAINLY_CROSSING and of_two >= OF_TWO_FROM
    )
    if alone or (told.top is not None and neither <= MOST_NEITHER):
        return Judgement(learned.top, max(learned.confidence, told.confidence))
    return Judgement(None, learned.confidence)


def patches_of(
    image_bgr: np.ndarray | Ground, path_a: np.ndarray, path_b: np.ndarray, xy: object
) -> list[np.ndarray | None]:
    """What the network looks at (see `crossing_patches`); arguments as of `judge_crossing`."""
    ground = as_ground(image_bgr)
    return _patches(ground, _met(ground, path_a, path_b, xy)[1])


def told_by_stories(
    image_bgr: np.ndarray | Ground, path_a: np.ndarray, path_b: np.ndarray, xy: object
) -> Judgement:
    """What the painted stories say by themselves; arguments as of `judge_crossing`."""
    ground = as_ground(image_bgr)
    place, strands = _met(ground, path_a, path_b, xy)
    return _painted(ground, strands, place)


def _met(
    ground: Ground, path_a: object, path_b: object, xy: object
) -> tuple[np.ndarray, tuple[Strand, Strand]]:
    """The place (2,) where two paths meet and both of them measured from it."""
    place = checked_point(ground, xy, "crossing")
    return place, (
        Strand.near(checked_path(path_a, "a"), place, "a"),
        Strand.near(checked_path(path_b, "b"), place, "b"),
    )


def _patches(ground: Ground, strands: tuple[Strand, Strand]) -> list[np.ndarray | None]:
    a, b = strands
    return crossing_patches(ground.image_bgr, (a.points, b.points), (a.at, b.at))


def _painted(ground: Ground, strands: tuple[Strand, Strand], place: np.ndarray) -> Judgement:
    """What the painted stories say; no answer where they can't be painted."""
    wide_a, wide_b = (lead_width(ground, strand) for strand in strands)
    if wide_a is None or wide_b is None:
        return Judgement(None, 0.0)
    evidence = crossing_evidence(ground, strands, (wide_a, wide_b), place)
    return decide(evidence) if evidence is not None else Judgement(None, 0.0)
