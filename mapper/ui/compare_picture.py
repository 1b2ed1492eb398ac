"""The picture of what differs between two route maps."""

from __future__ import annotations

from math import hypot

from mapper.errors import shown
from mapper.plate import Plate
from mapper.rebuild import CrossingChange, RouteDifference
from mapper.routes import RouteMap
from mapper.ui.drawing import Mark, plate_svg

__all__ = ["SIGNS", "difference_svg"]

FEW = 12  # changed crossings that are named in the picture
SIGNS = {"new": "+", "vanished": "–", "other on top": "⇅"}


def _marks(changes: tuple[CrossingChange, ...], apart_mm: float) -> list[Mark]:
    """A sign for each change; changes of one sort that lie close together share one, counted."""
    groups: list[list[CrossingChange]] = []
    for one in changes:
        near = (
            own
            for own in groups
            if own[0].change == one.change
            and hypot(own[0].x_mm - one.x_mm, own[0].y_mm - one.y_mm) < apart_mm
        )
        group = next(near, None)
        if group is None:
            groups.append([one])
        else:
            group.append(one)
    few = len(changes) <= FEW
    marks = []
    for own in groups:
        first = own[0]
        words = SIGNS[first.change]
        if few and len(own) == 1:
            words += f" {shown(first.a, 12)} / {shown(first.b, 12)}"
        elif len(own) > 1:
            words += f" {len(own)}"
        ink = "#0b4f5c" if first.change == "vanished" else "#a32200"
        marks.append(Mark(first.x_mm, first.y_mm, words, ink))
    return marks


def difference_svg(
    plate: Plate, maps: list[RouteMap] | tuple[RouteMap, RouteMap], found: RouteDifference
) -> str:
    """Draw the second map, the moved leads bold over their old routes, and changed crossings."""
    top = max(y for _, y in plate.outline_mm)
    wide = max(plate.width_mm, plate.height_mm) / 260
    under = []
    lost = [maps[0].leads_by_id[name].points_mm for name in found.gone]
    for route in [maps[0].leads_by_id[one.id].points_mm for one in found.moved] + lost:
        line = " ".join(f"{x:.2f},{top - y:.2f}" for x, y in route)
        under.append(
            f'<polyline points="{line}" fill="none" stroke="#4a5661" stroke-width="{wide:.2f}" '
            f'stroke-dasharray="{4 * wide:.2f} {3 * wide:.2f}"/>'
        )
    bold = {one.id for one in found.moved} | set(found.new)
    leads = maps[1].leads
    marks = _marks(found.crossings, max(plate.width_mm, plate.height_mm) / 30)
    faint = [lead.id for lead in leads if lead.id not in bold]
    ordered = sorted(leads, key=lambda lead: lead.id in bold)
    return plate_svg(plate, ordered, marks=marks, faint=faint, under="".join(under))
