"""What the photo canvas draws, and how it is told to the browser."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from mapper.ui.tiles import OpenPhoto

__all__ = [
    "Depth",
    "Frames",
    "Handle",
    "Line",
    "Marker",
    "Pane",
    "box_message",
    "flat",
    "frames_message",
    "line_message",
    "pane_message",
    "sheet_message",
    "spot_message",
]


@dataclass(frozen=True)
class Line:
    """A polyline in photo pixels, (N, 2). Width and dash are css pixels on the screen."""

    id: str
    points_px: Any
    color: str = "#0072B2"
    width: float = 3.0
    dash: Sequence[float] = ()
    tag: str = ""
    alpha: float = 1.0
    halo: bool = True  # a dark rim, so that the line stands out on any ground
    closed: bool = False
    pick: bool = False
    drag: bool = False


@dataclass(frozen=True)
class Marker:
    """A sign at a place in photo pixels. `radius_px` draws a ring true to the photo's scale;
    without it the sign has the fixed size `size` in css pixels."""

    id: str
    x_px: float
    y_px: float
    color: str = "#D55E00"
    shape: Literal["ring", "dot", "cross", "square"] = "ring"
    size: float = 9.0
    radius_px: float | None = None
    tag: str = ""
    pick: bool = False
    strong: bool = False  # drawn with a second ring: "this one"


@dataclass(frozen=True)
class Handle:
    """A point the user can drag, select and remove."""

    id: str
    x_px: float
    y_px: float
    tag: str = ""
    color: str = "#ffffff"
    selected: bool = False


@dataclass(frozen=True)
class Depth:
    """A channel or pocket: within `half_mm` of its points (N, 2) mm, leads lie so deep that
    frame number `frame` holds."""

    points_mm: Any
    half_mm: float
    frame: int


@dataclass(frozen=True)
class Frames:
    """Where a photo's pixels lie on the plate, for the browser.

    `planes` (K, 3, 3): mm from the pixels of a lens without distortion, on the face and at K - 1
    depths below it. `lens`: (centre x px, centre y px, focal length px, k1), by which the photo's
    own pixels differ from those: x_d = x (1 + k1 r^2) in normalised coordinates.
    """

    planes: Any
    lens: tuple[float, float, float, float]


@dataclass(frozen=True)
class Pane:
    """Another photo of the plate, shown small at the same place. `frames`: as the canvas's
    `frames`. A press on it is an operation `select` of the kind "pane" with its id."""

    id: str
    name: str
    photo: OpenPhoto
    frames: Frames
    lines: Sequence[Line] = ()


def flat(points_px: Any) -> list[float]:
    """(N, 2) points as x0, y0, x1, y1, ... to a twentieth of a pixel."""
    points = np.asarray(points_px, dtype=float).reshape(-1, 2)
    points = points[np.isfinite(points).all(axis=1)]
    return (np.round(points * 20) / 20).ravel().tolist()


def box_message(points_px: Any) -> list[float] | None:
    """[x0, y0, x1, y1] round points (N, 2); None where there are none."""
    if points_px is None:
        return None
    points = np.asarray(points_px, dtype=float).reshape(-1, 2)
    if not len(points) or not np.isfinite(points).all():
        return None
    return [*points.min(axis=0).tolist(), *points.max(axis=0).tolist()]


def line_message(line: Line) -> dict[str, Any]:
    """A line as the browser takes it."""
    return {
        "id": line.id,
        "pts": flat(line.points_px),
        "color": line.color,
        "width": line.width,
        "dash": list(line.dash),
        "tag": line.tag,
        "alpha": line.alpha,
        "halo": line.halo,
        "closed": line.closed,
        "pick": line.pick,
        "drag": line.drag,
    }


def sheet_message(photo: OpenPhoto) -> dict[str, Any]:
    size = {"width": photo.width_px, "height": photo.height_px}
    return {"token": photo.token, **size, "levels": photo.levels}


def frames_message(frames: Frames) -> dict[str, Any]:
    planes = np.asarray(frames.planes, dtype=float).reshape(-1, 9).tolist()
    return {"planes": planes, "lens": [float(value) for value in frames.lens]}


def pane_message(pane: Pane) -> dict[str, Any]:
    return {
        "id": pane.id,
        "name": pane.name,
        "photo": sheet_message(pane.photo),
        "frames": frames_message(pane.frames),
        "lines": [line_message(line) for line in pane.lines],
    }


def spot_message(item: Marker | Handle) -> dict[str, Any] | None:
    if not (math.isfinite(item.x_px) and math.isfinite(item.y_px)):
        return None
    spot = {"id": item.id, "x": float(item.x_px), "y": float(item.y_px)}
    spot |= {"color": item.color, "tag": item.tag}
    if isinstance(item, Handle):
        return spot | {"selected": item.selected}
    radius = item.radius_px
    return spot | {
        "shape": item.shape,
        "size": item.size,
        "radius": None if radius is None or not math.isfinite(radius) else float(radius),
        "pick": item.pick,
        "strong": item.strong,
    }
