"""What the tracer and the judge hand back, and what goes wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from mapper.errors import MapperError

__all__ = ["BURIED", "LAB_WEIGHTS", "Judgement", "Trace", "TraceError"]

BURIED = 0.3  # confidence below which nothing shows the lead
LAB_WEIGHTS = np.array([0.5, 1.0, 1.0])  # shade changes lightness more than hue


class TraceError(MapperError):
    """A picture or a point that can't be traced; the message says what to change."""


@dataclass(frozen=True, eq=False)
class Trace:
    """Centre line of one lead between two clicks.

    `points` (N, 2): photo pixels, sub-pixel, N >= 2. `confidence` (N - 1,): one value in
    0..1 per stretch. Above 0.5 the lead was seen there; 0.3 to 0.5 it was bridged straight
    across something narrow, such as a lead on top, or a lead was seen that a long hole cuts off
    from the clicks, so that it may be another one; below 0.3 nothing shows it (buried): the
    stretch is a guess and belongs marked *unseen*.
    """

    points: np.ndarray
    confidence: np.ndarray


@dataclass(frozen=True)
class Judgement:
    """Which of two leads lies on top; `top` None: can't tell. `confidence` in 0..1."""

    top: Literal["a", "b"] | None
    confidence: float
