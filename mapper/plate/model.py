"""The plate as drawn: outline, drops, holes, channels and exits.

Plate frame: millimetres, origin at the lower-left corner of the face as drawn,
x right, y up, z = 0 the face, z < 0 down in a channel. All records are frozen;
`extra` keeps keys of a file that this version does not know, so that they are written back.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

if TYPE_CHECKING:
    from mapper.plate.drawing import Role
    from mapper.plate.numbering import Numbering

__all__ = ["Channel", "Drop", "Exit", "Hole", "Marker", "Plate"]


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
class Marker:
    """A printed square marker that lies flat on the face: its number, centre and side.

    `angle_deg` turns it counterclockwise in the plate frame; at 0 its number on the sheet reads
    upright with y up.
    """

    id: int
    x_mm: float
    y_mm: float
    side_mm: float
    angle_deg: float = 0.0
    extra: Mapping[str, Any] = field(default_factory=dict)

    @property
    def corners_mm(self) -> np.ndarray:
        """Corners (4, 2) as the marker reads: upper left, upper right, lower right, lower left."""
        turn = math.radians(self.angle_deg)
        c, s = math.cos(turn), math.sin(turn)
        square = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * (self.side_mm / 2)
        return square @ np.array([[c, s], [-s, c]]) + (self.x_mm, self.y_mm)


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
    markers: tuple[Marker, ...] = ()

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any], path: str = "plate") -> Plate:
        """Read the `plate` object of a route-map file; see `mapper.plate.mapping`."""
        from mapper.plate.mapping import plate_from_mapping

        return plate_from_mapping(mapping, path)

    def to_mapping(self) -> dict[str, Any]:
        """Return the `plate` object of a route-map file, ready for JSON."""
        from mapper.plate.mapping import plate_to_mapping

        return plate_to_mapping(self)

    @classmethod
    def grid(
        cls,
        rows: int,
        columns: int,
        pitch_x_mm: float,
        pitch_y_mm: float,
        offset_mm: tuple[float, float],
        bore_diameter_mm: float,
        width_mm: float,
        height_mm: float,
        numbering: Numbering | None = None,
        name: str = "",
    ) -> Plate:
        """Return a rectangular plate with drops on a grid; see `mapper.plate.grid`."""
        from mapper.plate.grid import plate_from_grid

        return plate_from_grid(
            rows,
            columns,
            pitch_x_mm,
            pitch_y_mm,
            offset_mm,
            bore_diameter_mm,
            width_mm,
            height_mm,
            numbering,
            name,
        )

    @classmethod
    def from_csv(
        cls,
        source: str | bytes | os.PathLike[str],
        outline_mm: Sequence[tuple[float, float]] | None = None,
        name: str = "",
    ) -> Plate:
        """Read a table of drops, holes and exits; see `mapper.plate.table`."""
        from mapper.plate.table import plate_from_table

        return plate_from_table(source, outline_mm, name)

    @classmethod
    def from_dxf(
        cls,
        source: str | bytes | os.PathLike[str],
        roles: Sequence[Role] | None = None,
        numbering: Numbering | None = None,
        units: Literal["mm", "inch"] | None = None,
        name: str | None = None,
    ) -> Plate:
        """Read a drawing, guessing what its circles are; see `mapper.plate.drawing`.

        `mapper.plate.read_drawing` gives the proposal that a person can correct first.
        """
        from mapper.plate.drawing import plate_from_drawing

        return plate_from_drawing(source, roles, numbering, units, name)

    @property
    def outline_array(self) -> np.ndarray:
        """The outline as an array (N, 2) in mm, without a repeated last point."""
        return np.asarray(self.outline_mm, dtype=float).reshape(-1, 2)

    @property
    def width_mm(self) -> float:
        """Extent of the outline in x."""
        return float(np.ptp(self.outline_array[:, 0]))

    @property
    def height_mm(self) -> float:
        """Extent of the outline in y."""
        return float(np.ptp(self.outline_array[:, 1]))

    def lead_depth_mm(self, xy_mm: np.ndarray) -> np.ndarray:
        """Return the typical depth (N,) >= 0 of a lead at `xy_mm` (N, 2); 0 on the face."""
        from mapper.plate.features import lead_depth_mm

        return lead_depth_mm(self, xy_mm)
