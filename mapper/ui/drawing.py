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

__all__ = ["LEAD_LOOKS", "LeadLook", "Mark", "lead_look", "plate_svg"]


@dataclass(frozen=True)
class LeadLook:
    """Colour (css) and dash (in multiples of the line width) of one drawn lead."""

    colour: str
    dash: tuple[float, ...] = ()


# Okabe & Ito (2008) colours that keep apart on steel, plastic and dark channels; eight
# colours times three dashes keep 24 leads apart, the tag at the end does the rest.
_COLOURS = (
    "#0072b2",
    "#e69f00",
    "#009e73",
    "#cc79a7",
    "#d55e00",
    "#56b4e9",
    "#b8a800",
    "#6a3d9a",
)
_DASHES: tuple[tuple[float, ...], ...] = ((), (6, 2.5), (1.5, 2))
LEAD_LOOKS = tuple(LeadLook(colour, dash) for dash in _DASHES for colour in _COLOURS)


def lead_look(index: int) -> LeadLook:
    """Look of the lead with this place in the job's list of leads."""
    return LEAD_LOOKS[index % len(LEAD_LOOKS)]


@dataclass(frozen=True)
class Mark:
    """A sign with a word at a place of the plate, such as an open crossing."""

    x_mm: float
    y_mm: float
    text: str
    colour: str = "#a32200"


def _path(points_mm: np.ndarray | Sequence[tuple[float, float]], height_mm: float) -> str:
    return " ".join(f"{x:.2f},{height_mm - y:.2f}" for x, y in np.asarray(points_mm, float))


def plate_svg(
    plate: Plate,
    leads: Iterable[Lead] = (),
    looks: Mapping[str, LeadLook] | None = None,
    marks: Iterable[Mark] = (),
    width_px: int = 1200,
    faint: Iterable[str] = (),
) -> str:
    """Draw a plate, and on it leads and marks.

    Parameters
    ----------
    plate : the plate; an outline without area is drawn as what there is.
    leads : routes in plate mm, drawn in the given order.
    looks : look by lead id; others take the look of their place in the list.
    marks : signs with a word.
    width_px : nominal width of the picture; it scales to its container.
    faint : ids of leads that are drawn pale.
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
    for index, lead in enumerate(leads):
        look = (looks or {}).get(lead.id) or lead_look(index)
        line = _path(lead.points_mm, height_mm)
        wide = text_mm * 0.22
        dash = " ".join(f"{part * wide:.2f}" for part in look.dash)
        opacity = 0.25 if lead.id in faint else 1.0
        out.append(
            f'<g opacity="{opacity}"><title>{escape(lead.id)}</title>'
            f'<polyline points="{line}" fill="none" stroke="#ffffff" '
            f'stroke-width="{wide * 1.9:.2f}" stroke-linejoin="round"/>'
            f'<polyline points="{line}" fill="none" stroke="{look.colour}" '
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
    out.append("</svg>")
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
