"""Help by hand: clicks on features, and photos that are fitted already."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from mapper.fit.result import PhotoFit

if TYPE_CHECKING:
    from mapper.photos import Photo

__all__ = ["Click", "FitHints"]


@dataclass(frozen=True)
class Click:
    """A rough click (within some 20 px) on a corner, drop or hole; its id where known."""

    x_px: float
    y_px: float
    feature_id: str | None = None


@dataclass(frozen=True, eq=False)
class FitHints:
    """`clicks` in any order; `fitted` are other photos of the same plate with their fits."""

    clicks: tuple[Click, ...] = ()
    fitted: tuple[tuple[Photo, PhotoFit], ...] = field(default=())
