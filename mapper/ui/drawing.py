"""The plate drawn as SVG for the screen: outline, bores with numbers, channels, exits, leads.

All input is in plate millimetres (y up); the drawing turns y over. Text from the job is
escaped, since ids are free text.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from mapper.plate import Plate
from mapper.routes import Lead
from mapper.ui.canvas import LeadStyle, lead_style

__all__ = ["LINE_PX", "Mark", "plate_svg", "styles_of"]

LINE_PX = 3.0  # dashes of a lead style are made for a line this wide


@dataclass(frozen=True)
class Mark:
    """A sign with a word at a place of the plate, such as an open crossing."""

    x_mm: float
    y_mm: float
    text: str
    colour: str = "#a32200"


def styles_of(plate: Plate, leads: Iterable[Lead]) -> dict[str, LeadStyle]:
    """Style of each lead: colour by drop, dash by kind, as on the canvas."""
    number = {drop.id: index for index, drop in enumerate(plate.drops)}
    return {lead.id: lead_style(number.get(lead.drop, len(number)), lead.kind) for lead in leads}


def _path(points_mm: np.ndarray | Sequence[tuple[float, float]], height_mm: float) -> str:
    return " ".join(f"{x:.2f},{height_mm - y:.2f}" for x, y in np.asarray(points_mm, float))


def plate_svg(
    plate: Plate,
    leads: Iterable[Lead] = (),
    looks: Mapping[str, LeadStyle] | None = None,
    marks: Iterable[Mark] = (),
    width_px: int = 1200,
    faint: Iterable[str] = (),
    under: str = "",
    over: str = "",
    lead_mm: float | None = None,
) -> str:
    """Draw a plate, and on it leads and marks.

    Parameters
    ----------
    plate : the plate; an outline without area is drawn as what there is.
    leads : routes in plate mm, drawn in the given order.
    looks : style by lead id; others take the style of their drop and kind.
    marks : signs with a word.
    width_px : nominal width of the picture; it scales to its container.
    faint : ids of leads that are drawn pale.
    under, over : svg elements drawn right over the channels, and over everything; their y counts
        down from the upper edge of the outline.
    lead_mm : width of a lead, for leads that lie side by side; else as wide as is easy to see.
    """
    outline = np.asarray(plate.outline_mm, float).reshape(-1, 2)
    if len(outline) == 0:
        outline = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 60.0], [0.0, 60.0]])
    low, high = outline.min(axis=0), outline.max(axis=0)
    span = np.maximum(high - low, 1.0)
    margin = 0.05 * float(span.max())
    height_mm = float(high[1])  # y of the upper edge: y_svg = height - y
    text_mm = float(span.max()) / 48
    box = (low[0] - margin, -margin, span[0] + 2 * margin, span[1] + 2 * margin)
    height_px = max(1, round(width_px * box[3] / box[2]))
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width_px}" height="{height_px}" '
        f'viewBox="{box[0]:.2f} {box[1]:.2f} {box[2]:.2f} {box[3]:.2f}" '
        'font-family="Segoe UI, Arial, DejaVu Sans, sans-serif">',
        f'<rect x="{box[0]:.2f}" y="{box[1]:.2f}" width="{box[2]:.2f}" height="{box[3]:.2f}" '
        'fill="#ffffff"/>',
        f'<polygon points="{_path(outline, height_mm)}" fill="#eef1f2" stroke="#15212b" '
        f'stroke-width="{text_mm * 0.16:.2f}"/>',
    ]
    for channel in plate.channels:
        line = _path(channel.points_mm, height_mm)
        out.append(
            f'<polyline points="{line}" fill="none" stroke="#9aa6ae" '
            f'stroke-width="{channel.width_mm:.2f}" stroke-linecap="round" '
            'stroke-linejoin="round"/>'
            f'<polyline points="{line}" fill="none" stroke="#cfd7db" '
            f'stroke-width="{max(channel.width_mm - text_mm * 0.2, 0.1):.2f}" '
            'stroke-linecap="round" stroke-linejoin="round"/>'
        )
    out.append(under)
    for hole in plate.holes:
        out.append(
            f'<circle cx="{hole.x_mm:.2f}" cy="{height_mm - hole.y_mm:.2f}" '
            f'r="{hole.diameter_mm / 2:.2f}" fill="#ffffff" stroke="#4a5661" '
            f'stroke-width="{text_mm * 0.08:.2f}"/>'
        )
    for drop in plate.drops:
        x, y = drop.x_mm, height_mm - drop.y_mm
        out.append(
            f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{drop.bore_diameter_mm / 2:.2f}" '
            f'fill="#ffffff" stroke="#15212b" stroke-width="{text_mm * 0.14:.2f}"/>'
        )
    faint = set(faint)
    leads = list(leads)
    styles = {**styles_of(plate, leads), **(looks or {})}
    for lead in leads:
        look = styles[lead.id]
        line = _path(lead.points_mm, height_mm)
        wide = text_mm * 0.22 if lead_mm is None else lead_mm
        edge = 1.9 if lead_mm is None else 1.15
        dash = " ".join(f"{part * wide / LINE_PX:.2f}" for part in look.dash)
        opacity = 0.25 if lead.id in faint else 1.0
        out.append(
            f'<g opacity="{opacity}"><title>{escape(lead.id)}</title>'
            f'<polyline points="{line}" fill="none" stroke="#ffffff" '
            f'stroke-width="{wide * edge:.2f}" stroke-linejoin="round"/>'
            f'<polyline points="{line}" fill="none" stroke="{look.color}" '
            f'stroke-width="{wide:.2f}" stroke-linejoin="round" stroke-dasharray="{dash}"/></g>'
        )
    for drop in plate.drops:
        out.append(
            f'<text x="{drop.x_mm:.2f}" y="{height_mm - drop.y_mm + text_mm * 0.36:.2f}" '
            f'font-size="{text_mm:.2f}" font-weight="700" text-anchor="middle" fill="#15212b" '
            f'stroke="#ffffff" stroke-width="{text_mm * 0.22:.2f}" paint-order="stroke">'
            f"{escape(drop.id)}</text>"
        )
    for place in plate.exits:
        out.append(_exit(place, outline, height_mm, text_mm))
    for mark in marks:
        x, y = mark.x_mm, height_mm - mark.y_mm
        out.append(
            f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{text_mm * 0.55:.2f}" fill="none" '
            f'stroke="{mark.colour}" stroke-width="{text_mm * 0.2:.2f}"/>'
            f'<text x="{x + text_mm * 0.8:.2f}" y="{y + text_mm * 0.35:.2f}" '
            f'font-size="{text_mm * 0.95:.2f}" font-weight="700" fill="{mark.colour}" '
            f'stroke="#ffffff" stroke-width="{text_mm * 0.25:.2f}" paint-order="stroke">'
            f"{escape(mark.text)}</text>"
        )
    out.append(f"{over}</svg>")
    return "".join(out)


def _exit(place, outline: np.ndarray, height_mm: float, text_mm: float) -> str:
    """An arrow that points out of the plate, with the exit's id."""
    centre = (outline.min(axis=0) + outline.max(axis=0)) / 2
    half = np.maximum((outline.max(axis=0) - outline.min(axis=0)) / 2, 1e-6)
    offset = (np.array([place.x_mm, place.y_mm]) - centre) / half
    way = np.zeros(2)
    axis = int(np.argmax(np.abs(offset)))
    way[axis] = 1.0 if offset[axis] >= 0 else -1.0
    tip = np.array([place.x_mm, place.y_mm]) + way * text_mm * 1.4
    side = np.array([-way[1], way[0]]) * text_mm * 0.55
    base = np.array([place.x_mm, place.y_mm]) + way * text_mm * 0.3
    label = np.array([place.x_mm, place.y_mm]) + way * text_mm * 1.0
    shift = np.array([abs(way[1]), abs(way[0])]) * text_mm * 1.5
    label = label + shift * np.array([1.0, 1.0 if way[0] else 0.0])
    return (
        f'<polygon points="{_path(np.array([tip, base + side, base - side]), height_mm)}" '
        'fill="#0b4f5c"/>'
        f'<text x="{label[0]:.2f}" y="{height_mm - label[1] + text_mm * 0.35:.2f}" '
        f'font-size="{text_mm * 0.9:.2f}" font-weight="700" text-anchor="middle" '
        f'fill="#0b4f5c">{escape(place.id)}</text>'
    )
