"""The rises of a response test as a picture: one cell per heater and sensor, with its number.

One scale from light to dark, that does not depend on seeing colours; the pair that is claimed has
a thick frame, a fall has an arrow, and every number that matters is written.
"""

from __future__ import annotations

from html import escape

import numpy as np

from mapper.bench.response import Response
from mapper.errors import shown

__all__ = ["response_svg"]

CELL_PX, HEIGHT_PX, SIDE_PX, TOP_PX = 50, 30, 76, 60
SMALL_CELL_PX = 40
MANY = 24  # columns beyond which small rises are left without a number
WORTH = 0.05  # share of the largest rise that is written even then
LIGHT, DARK = np.array([247, 250, 252]), np.array([0, 72, 111])


def response_svg(result: Response) -> str:
    """SVG of the matrix, heaters down, sensors across."""
    rows, columns = result.rise_c.shape
    cell = CELL_PX if columns <= MANY else SMALL_CELL_PX
    width, height = SIDE_PX + cell * columns + 8, TOP_PX + HEIGHT_PX * rows + 8
    top = float(np.nanmax(np.abs(result.rise_c), initial=0.0)) or 1.0
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" font-family="Segoe UI, Arial, DejaVu Sans, sans-serif" '
        'font-size="13" role="img" aria-label="Rise of every sensor with every heater">',
        f'<text x="{SIDE_PX}" y="16" fill="#4a5661">sensor → (rise in °C)</text>',
        f'<text x="4" y="{TOP_PX - 10}" fill="#4a5661">heater ↓</text>',
    ]
    for s, name in enumerate(result.sensors):
        x = SIDE_PX + cell * (s + 0.5)
        out.append(
            f'<text x="{x}" y="{TOP_PX - 10}" text-anchor="middle" font-weight="600">'
            f"{escape(shown(name, 7))}</text>"
        )
    frames = []
    for h, name in enumerate(result.heaters):
        y = TOP_PX + HEIGHT_PX * h
        out.append(
            f'<text x="{SIDE_PX - 8}" y="{y + 20}" text-anchor="end" font-weight="600">'
            f"{escape(shown(name, 9))}</text>"
        )
        for s in range(columns):
            x, rise = SIDE_PX + cell * s, result.rise_c[h, s]
            out.append(_cell(x, y, cell, rise, top, columns))
            if result.match[h] == s:
                frames.append(
                    f'<rect x="{x + 1}" y="{y + 1}" width="{cell - 2}" height="{HEIGHT_PX - 2}" '
                    'fill="none" stroke="#d55e00" stroke-width="3"/>'
                )
    return "".join([*out, *frames, "</svg>"])


def _cell(x: float, y: float, cell: int, rise: float, top: float, columns: int) -> str:
    if np.isnan(rise):
        fill, ink, text = "#ffffff", "#4a5661", "–"
    else:
        share = min(abs(rise) / top, 1.0)
        depth = share**0.7
        red, green, blue = (LIGHT + (DARK - LIGHT) * depth).astype(int)
        fill, ink = f"rgb({red},{green},{blue})", "#ffffff" if depth > 0.68 else "#15212b"
        digits = 0 if abs(rise) >= 9.95 else 1
        text = f"{'↓' if rise < -WORTH * top else ''}{round(rise, digits) + 0.0:.{digits}f}"
        if columns > MANY and share < WORTH:
            text = ""
    return (
        f'<rect x="{x}" y="{y}" width="{cell}" height="{HEIGHT_PX}" fill="{fill}" '
        'stroke="#c9cfd4" stroke-width="1"/>'
        f'<text x="{x + cell / 2}" y="{y + 20}" text-anchor="middle" fill="{ink}">{text}</text>'
    )
