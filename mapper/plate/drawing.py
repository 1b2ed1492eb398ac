"""From a drawing to a plate: a proposal that a person confirms, and the plate made from it.

A drawing does not say what its circles are. The proposal groups them by diameter; each group
is then taken as nozzle bores, as other holes, or left out.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely

from mapper.errors import shown
from mapper.plate.checks import PlateError, check_plate, clean_ring
from mapper.plate.model import Drop, Hole, Plate
from mapper.plate.numbering import Numbering, numbered_ids, numbering_order

if TYPE_CHECKING:
    from mapper.plate.contours import OpenEnd
    from mapper.plate.dxf import Stroke

__all__ = ["CircleGroup", "DrawingProposal", "Role", "plate_from_drawing", "read_drawing"]

Role = Literal["bore", "hole", "ignore"]
ROLES = ("bore", "hole", "ignore")
SAME_DIAMETER_MM = 0.02
SAME_CENTRE_MM = 0.05
MIN_BORE_MM = 12.0  # a nozzle with its heater does not fit into less; common practice, no source
CORNER_SHARE = 0.25  # of the half diagonal: guide pins stand that near the corners
MAX_CONTOURS = 20
MAX_CIRCLES = 2_000  # on one plate; more are hatching, threads or lettering


@dataclass(frozen=True)
class CircleGroup:
    """All circles of one diameter on the plate; centres in the plate frame."""

    diameter_mm: float
    centres_mm: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class DrawingProposal:
    """What was found in a drawing, in the plate frame of the chosen outline.

    `contours_mm` are the closed contours, largest first; `outline_index` says which of them is
    taken as the outline. `circle_groups` hold the circles on it, largest first. `notes` are
    plain sentences about how the drawing was read.
    """

    outline_mm: tuple[tuple[float, float], ...]
    circle_groups: tuple[CircleGroup, ...]
    notes: tuple[str, ...]
    contours_mm: tuple[tuple[tuple[float, float], ...], ...]
    outline_index: int = 0
    name: str = ""
    circles_mm: tuple[tuple[float, float, float], ...] = field(default=(), repr=False)

    def with_outline(self, index: int) -> DrawingProposal:
        """Return the proposal with another contour as the outline; the origin moves along."""
        if not 0 <= index < len(self.contours_mm):
            raise PlateError(f"The drawing has no contour {index + 1}: choose one of those shown.")
        origin = np.array(self.contours_mm[index]).min(axis=0)
        contours = tuple(_moved(contour, origin) for contour in self.contours_mm)
        circles = tuple(
            (x, y, circle[2])
            for circle, (x, y) in zip(
                self.circles_mm, _moved([c[:2] for c in self.circles_mm], origin), strict=True
            )
        )
        return replace(
            self,
            outline_mm=contours[index],
            circle_groups=_groups(contours[index], circles),
            contours_mm=contours,
            outline_index=index,
            circles_mm=circles,
        )

    def guess_roles(self) -> tuple[Role, ...]:
        """Return a role per circle group, as a first guess.

        Bores are the most frequent diameter from 12 mm up (the larger one of equals) that is
        not just a set of guide pins near the corners. A diameter that only stands inside
        larger circles is left out, being a step further down; everything else is a hole.
        """
        steps = self._inner_steps()
        able = [
            i
            for i, group in enumerate(self.circle_groups)
            if i not in steps and MIN_BORE_MM <= group.diameter_mm < self._short_side_mm() / 2
        ]
        inner = [i for i in able if not self._near_corners(self.circle_groups[i])]
        best = max(
            inner or able,
            key=lambda i: (len(self.circle_groups[i].centres_mm), -i),
            default=None,
        )
        return tuple(
            "bore" if i == best else "ignore" if i in steps else "hole"
            for i in range(len(self.circle_groups))
        )

    def plate(
        self,
        roles: Sequence[Role] | None = None,
        numbering: Numbering | None = None,
        name: str | None = None,
    ) -> Plate:
        """Return the plate with one role ("bore", "hole", "ignore") per circle group.

        Of circles around one centre only the largest counts: it is the rim in the face.
        Raises PlateError when no group is a bore, or the plate is not sound.
        """
        roles = self.guess_roles() if roles is None else tuple(roles)
        if len(roles) != len(self.circle_groups) or any(role not in ROLES for role in roles):
            raise PlateError(
                f"The drawing has {len(self.circle_groups)} groups of circles: "
                f"say for each of them one of {', '.join(ROLES)}."
            )
        if "bore" not in roles:
            raise PlateError(
                "No circles are marked as nozzle bores: choose the diameter of the bores."
            )
        numbering = numbering or Numbering()
        bores, holes = self._rims(roles)
        bores = bores[numbering_order(bores[:, :2], numbering, bores[:, 2].min() / 2)]
        holes = holes[numbering_order(holes[:, :2], Numbering())]
        drop_ids = numbered_ids(len(bores), numbering.first_id)
        plate = Plate(
            name=self.name if name is None else name,
            outline_mm=self.outline_mm,
            drops=tuple(
                Drop(drop_id, float(x), float(y), float(d))
                for drop_id, (x, y, d) in zip(drop_ids, bores, strict=True)
            ),
            holes=tuple(
                Hole(f"H{i}", float(x), float(y), float(d))
                for i, (x, y, d) in enumerate(holes, start=1)
            ),
        )
        return check_plate(plate)

    def _rims(self, roles: Sequence[Role]) -> tuple[np.ndarray, np.ndarray]:
        """Return bores and holes (N, 3) as x, y, diameter; per centre the largest bore or hole."""
        circles = [
            (x, y, group.diameter_mm, role == "bore")
            for wanted in ("bore", "hole")
            for group, role in zip(self.circle_groups, roles, strict=True)
            for x, y in (group.centres_mm if role == wanted else ())
        ]
        rims = np.array(circles, dtype=float)
        away = np.hypot(rims[:, None, 0] - rims[None, :, 0], rims[:, None, 1] - rims[None, :, 1])
        inner = np.tril(away <= SAME_CENTRE_MM, k=-1).any(axis=1)
        rims = rims[~inner]
        is_bore = rims[:, 3] == 1
        return rims[is_bore, :3], rims[~is_bore, :3]

    def _inner_steps(self) -> set[int]:
        """Return the groups whose circles all share a centre with a larger circle."""
        larger = np.empty((0, 2))
        steps = set()
        for i, group in enumerate(self.circle_groups):
            centres = np.array(group.centres_mm)
            away = np.hypot(*(centres[:, None] - larger[None]).transpose(2, 0, 1))
            if len(larger) and (away.min(axis=1) <= SAME_CENTRE_MM).all():
                steps.add(i)
            larger = np.concatenate([larger, centres])
        return steps

    def _short_side_mm(self) -> float:
        return float(np.ptp(np.array(self.outline_mm), axis=0).min())

    def _near_corners(self, group: CircleGroup) -> bool:
        """Whether at most 4 circles stand each in its own corner of the plate."""
        low, high = np.array(self.outline_mm).min(axis=0), np.array(self.outline_mm).max(axis=0)
        aside = np.abs((np.array(group.centres_mm) - (low + high) / 2) / ((high - low) / 2))
        return len(group.centres_mm) <= 4 and bool((aside > 1 - CORNER_SHARE).all())


def read_drawing(
    source: str | os.PathLike[str] | bytes, units: Literal["mm", "inch"] | None = None
) -> DrawingProposal:
    """Return what a DXF file (path or bytes) shows, with the largest contour as the outline.

    Raises PlateError when the file cannot be read or has no closed contour; the message names
    the entity where the largest chain of lines stays open.
    """
    # the drawing library and scipy load slowly, and only this function needs them
    from mapper.plate.contours import as_circle, closed_contours, self_crossing, worst_open_end
    from mapper.plate.dxf import read_dxf

    work = read_dxf(source, units)
    circles = [(c.x_mm, c.y_mm, c.diameter_mm) for c in work.circles]
    contours = []
    for contour in closed_contours(work.strokes):
        circle = as_circle(contour)
        if circle is None:
            contours.append(clean_ring(contour))
        else:
            circles.append((circle.x_mm, circle.y_mm, circle.diameter_mm))
    if not contours:
        raise PlateError(_no_contour(self_crossing(work.strokes), worst_open_end(work.strokes)))
    notes = list(work.notes)
    if len(contours) > 1:
        notes.append(
            f"{len(contours)} closed contours were found: the largest is taken as the outline."
        )
    proposal = DrawingProposal(
        outline_mm=(),
        circle_groups=(),
        notes=tuple(notes),
        contours_mm=tuple(contours[:MAX_CONTOURS]),
        name=work.name,
        circles_mm=tuple(circles),
    )
    return proposal.with_outline(0)


def plate_from_drawing(
    source: str | os.PathLike[str] | bytes,
    roles: Sequence[Role] | None = None,
    numbering: Numbering | None = None,
    units: Literal["mm", "inch"] | None = None,
    name: str | None = None,
) -> Plate:
    """Return the plate of a DXF file, with guessed roles unless they are given."""
    return read_drawing(source, units).plate(roles, numbering, name)


def _moved(
    points: Sequence[tuple[float, float]], origin: np.ndarray
) -> tuple[tuple[float, float], ...]:
    # a nanometre is enough, and spares the files the noise of unit conversion
    return tuple(
        (round(float(x - origin[0]), 6), round(float(y - origin[1]), 6)) for x, y in points
    )


def _groups(
    outline: Sequence[tuple[float, float]], circles: Sequence[tuple[float, float, float]]
) -> tuple[CircleGroup, ...]:
    """Group circles with their centre on the plate by diameter, largest first."""
    if not circles:
        return ()
    polygon = shapely.Polygon(outline)
    inside = shapely.covers(polygon, shapely.points([c[:2] for c in circles]))
    on_plate = [circle for circle, within in zip(circles, inside, strict=True) if within]
    if len(on_plate) > MAX_CIRCLES:
        raise PlateError(
            f"The drawing has {len(on_plate)} circles on the plate, and the limit is "
            f"{MAX_CIRCLES}: leave out everything but bores and holes in the face."
        )
    groups: list[list[tuple[float, float, float]]] = []
    places: set[tuple[int, int]] = set()
    for circle in sorted(on_plate, key=lambda c: (-c[2], -c[1], c[0])):
        if not groups or groups[-1][0][2] - circle[2] > SAME_DIAMETER_MM:
            groups.append([])
            places = set()
        place = (round(circle[0] / SAME_CENTRE_MM), round(circle[1] / SAME_CENTRE_MM))
        if place not in places:  # the same circle drawn twice
            places.add(place)
            groups[-1].append(circle)
    return tuple(
        CircleGroup(
            diameter_mm=round(float(np.median([c[2] for c in group])), 3),
            centres_mm=tuple((float(c[0]), float(c[1])) for c in group),
        )
        for group in groups
    )


def _no_contour(crossing: Stroke | None, end: OpenEnd | None) -> str:
    head = "The drawing has no closed contour that could be the plate's outline"
    if crossing is not None:
        return f"{head}: {shown(crossing.label, 90)} crosses itself; redraw it and export again."
    if end is None:
        return f"{head}: draw the outline as one closed polyline."
    gap = "" if end.gap_mm is None else f", {end.gap_mm:.2f} mm from the next end"
    return (
        f"{head}: the largest chain of lines is open at ({end.x_mm:.2f}, {end.y_mm:.2f}) mm, "
        f"{shown(end.label, 90)}{gap}; close it there and export again."
    )
