"""Which of two leads lies on top where they cross.

Two witnesses look at the place: a small network on the crossing laid straight
(`mapper.trace.learned`), whose confidence is calibrated, and the comparison of two painted
stories (`mapper.trace.stories`). The network answers where it is sure, the stories where the
network leans the same way; where the two say the opposite there is no answer.
"""

from __future__ import annotations

import numpy as np

from mapper.trace.breadth import lead_widths
from mapper.trace.ground import Ground, as_ground
from mapper.trace.learned import shares, shipped_layers
from mapper.trace.model import Judgement
from mapper.trace.rectify import crossing_patch
from mapper.trace.snap import checked_point
from mapper.trace.stories import crossing_evidence, decide
from mapper.trace.strand import Strand, checked_path, lead_width

__all__ = ["judge_crossing"]

ANSWER_FROM = 0.96  # share of the network by itself; see docs/measurements.md


def judge_crossing(
    image_bgr: np.ndarray | Ground, path_a: np.ndarray, path_b: np.ndarray, xy: object
) -> Judgement:
    """Which lead lies on top near `xy` (photo pixels): "a", "b", or None for can't tell.

    `path_a`, `path_b` (N, 2) photo pixels, within about half a width of the leads' middle;
    where a lead crosses itself give the two passes as two paths. Raises TraceError for
    unusable input, and when a path does not come near `xy`.
    """
    ground = as_ground(image_bgr)
    place = checked_point(ground, xy, "crossing")
    strands = (
        Strand.near(checked_path(path_a, "a"), place, "a"),
        Strand.near(checked_path(path_b, "b"), place, "b"),
    )
    learned = _learned(ground, strands)
    if learned is None:
        return Judgement(None, 0.0)
    told = _painted(ground, strands, place)
    if told.top is None and learned.confidence < ANSWER_FROM:
        return Judgement(None, learned.confidence)
    if told.top is None:
        return learned
    if told.top != learned.top:
        return Judgement(None, 0.5)
    return Judgement(learned.top, max(learned.confidence, told.confidence))


def _learned(ground: Ground, strands: tuple[Strand, Strand]) -> Judgement | None:
    """What the network says, sure or not; None where there is no crossing to lay straight."""
    widths_px = lead_widths(ground.image_bgr, strands)
    if widths_px is None:
        return None
    a, b = strands
    patch = crossing_patch(ground.image_bgr, (a.points, b.points), (a.at, b.at), widths_px)
    if patch is None:
        return None
    share_a, share_b, _ = shares(patch, shipped_layers())
    return Judgement("a" if share_a > share_b else "b", max(share_a, share_b))


def _painted(ground: Ground, strands: tuple[Strand, Strand], place: np.ndarray) -> Judgement:
    """What the painted stories say; no answer where they can't be painted."""
    wide_a, wide_b = (lead_width(ground, strand) for strand in strands)
    if wide_a is None or wide_b is None:
        return Judgement(None, 0.0)
    evidence = crossing_evidence(ground, strands, (wide_a, wide_b), place)
    return decide(evidence) if evidence is not None else Judgement(None, 0.0)
