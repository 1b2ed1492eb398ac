"""The plate as drawn: outline, drops, holes, channels and exits.

Plate frame: millimetres, origin at the lower-left corner of the face as drawn,
x right, y up, z = 0 the face, z < 0 down in a channel. All records are frozen;
`extra` keeps keys of a file that this version does not know, so that they are written back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

__all__ = ["Channel", "Drop", "Exit", "Hole", "Plate"]


@dataclass(frozen=True)
class Drop:
    """One nozzle position: number, bore centre and bore diameter in the face."""

    id: str
    x_mm: float
    y_mm: float
    bore_diameter_mm: float
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Hole:
    """A bolt, dowel or leader-pin hole in the face; it helps the fit."""

    id: str
    x_mm: float
    y_mm: float
    diameter_mm: float
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Channel:
    """A milled groove for leads, by its centre line."""

    id: str
    points_mm: tuple[tuple[float, float], ...]
    width_mm: float
    depth_mm: float
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Exit:
    """A place in the plate's edge where leads leave the plate."""

    id: str
    x_mm: float
    y_mm: float
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Plate:
    """One plate. `outline_mm` is a closed polygon without a repeated last point."""

    name: str
    outline_mm: tuple[tuple[float, float], ...]
    drops: tuple[Drop, ...]
    holes: tuple[Hole, ...] = ()
    channels: tuple[Channel, ...] = ()
    exits: tuple[Exit, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)
