"""Several views of one crossing put together: what they say in all, and whether they disagree.

Each witness (the judge on one photo, the height from two photos) votes for a, for b, or
abstains. Odds of independent witnesses multiply, that is, their logarithms add (Bayes; Good
1950, *Probability and the Weighing of Evidence*). Photos of one place are not independent: the
same judge is misled by the same thing. So the sum of like witnesses is divided by the design
effect of equally correlated readings, 1 + (n - 1) r (Kish 1965, *Survey Sampling*, 5.4), and is
never less than the surest of them alone. A witness of another kind adds in full.

Where two witnesses name different leads there is no answer, however sure one of them is: a
person looks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log
from typing import Literal

__all__ = ["Ballot", "Vote", "count_votes"]

ALIKE = 0.6  # correlation of one judge's errors on photos of one place: our own, no source
SUREST = 0.995  # a witness is never taken to be surer than this
CERTAIN = 0.98
LEAST_FOR_CERTAIN = 2  # a single photo is never certain

Side = Literal["a", "b"]


@dataclass(frozen=True)
class Vote:
    """One witness: `top` None abstains. `confidence` 0..1 that `top` is right.

    `kind`: witnesses of one kind share their errors. `source` says whose vote it is.
    """

    top: Side | None
    confidence: float
    kind: str = "photo"
    source: str = ""


@dataclass(frozen=True)
class Ballot:
    """All votes on a crossing. `top` None: nobody answers, or they disagree."""

    top: Side | None
    confidence: float
    for_a: tuple[Vote, ...]
    for_b: tuple[Vote, ...]
    silent: tuple[Vote, ...]

    @property
    def contradicted(self) -> bool:
        """Whether two witnesses name different leads."""
        return bool(self.for_a and self.for_b)

    @property
    def certain(self) -> bool:
        """Whether it may be shown unasked: two witnesses or more, all for one lead, and sure."""
        voices = len(self.for_a) + len(self.for_b)
        return self.top is not None and voices >= LEAST_FOR_CERTAIN and self.confidence >= CERTAIN

    def against(self, top: Side) -> tuple[Vote, ...]:
        """The votes that name the other lead than `top`."""
        return self.for_b if top == "a" else self.for_a


def count_votes(votes: Sequence[Vote]) -> Ballot:
    """Put votes together; the order does not matter."""
    sides = {side: tuple(vote for vote in votes if vote.top == side) for side in ("a", "b", None)}
    if bool(sides["a"]) == bool(sides["b"]):  # nobody, or both
        return Ballot(None, 0.0, sides["a"], sides["b"], sides[None])
    top: Side = "a" if sides["a"] else "b"
    weight = sum(
        _weight([vote.confidence for vote in sides[top] if vote.kind == kind])
        for kind in sorted({vote.kind for vote in sides[top]})
    )
    return Ballot(top, 1.0 / (1.0 + exp(-weight)), sides["a"], sides["b"], sides[None])


def _weight(confidences: Sequence[float]) -> float:
    """Log odds of witnesses of one kind that agree."""
    each = [log(c / (1.0 - c)) for c in (min(max(c, 0.5), SUREST) for c in confidences)]
    return max(max(each), sum(each) / (1.0 + (len(each) - 1) * ALIKE))
