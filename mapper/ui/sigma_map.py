"""How far off the fit may be, as a picture of the plate: darker is worse, each drop in mm."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import numpy as np
import streamlit as st

from mapper.errors import shown
from mapper.fit import PhotoFit, drops_in_photo
from mapper.plate import Plate

__all__ = ["DropError", "drop_errors", "show", "sigma_svg", "worst_words"]

CELLS = 28  # along the plate's longer side
# up to this many mm: ground and ink; a sequence of one hue, light to dark
STEPS_MM = (0.1, 0.2, 0.35, 0.5)
GROUNDS = ("#f2f7fb", "#cfe1f0", "#92bfdf", "#4a90c0", "#1b4f80")
MARGIN = 0.03


@dataclass(frozen=True)
class DropError:
    """Expected error (68 %) of the fit at a drop."""

    id: str
    x_mm: float
    y_mm: float
    sigma_mm: float
    in_photo: bool


def drop_errors(plate: Plate, fit: PhotoFit) -> list[DropError]:
    """Expected error at every drop, in the plate's order."""
    if not plate.drops:
        return []
    sigma = np.asarray(fit.sigma_mm([(d.x_mm, d.y_mm) for d in plate.drops]), float)
    return [
        DropError(d.id, d.x_mm, d.y_mm, float(s), bool(here))
        for d, s, here in zip(plate.drops, sigma, drops_in_photo(plate, fit), strict=True)
    ]


def worst_words(errors: list[DropError]) -> str:
    """Which drop in the photo is the worst, in mm; "" when there is none."""
    here = [e for e in errors if e.in_photo and np.isfinite(e.sigma_mm)]
    if not here:
        return ""
    worst = max(here, key=lambda e: e.sigma_mm)
    return f"worst at drop {shown(worst.id, 24)}: {worst.sigma_mm:.2f} mm"


def show(plate: Plate, fit: PhotoFit) -> None:
    """Draw the map with the worst drop named."""
    errors = drop_errors(plate, fit)
    words = worst_words(errors)
    st.markdown(f"**Expected error on the face:** {words or 'no drop is in this photo'}")
    st.image(sigma_svg(plate, fit, errors), width="stretch", alt=f"Expected error: {words}")
    if fit.verdict != "good":
        st.caption("It holds only if the fit is not wrong altogether: that is still in doubt.")


def sigma_svg(plate: Plate, fit: PhotoFit, errors: list[DropError], width_px: int = 700) -> str:
    """The plate in cells shaded by the expected error, and each drop with its own in mm.

    Drops outside the photo are pale, with their value in brackets.
    """
    outline = plate.outline_array
    low, high = outline.min(axis=0), outline.max(axis=0)
    span = np.maximum(high - low, 1.0)
    step = float(span.max()) / CELLS
    margin, text = MARGIN * float(span.max()), float(span.max()) / 30
    columns, rows = (max(1, int(np.ceil(s / step))) for s in span)
    x, y = np.meshgrid(
        low[0] + (np.arange(columns) + 0.5) * step, low[1] + (np.arange(rows) + 0.5) * step
    )
    sigma = fit.sigma_mm(np.column_stack((x.ravel(), y.ravel())))
    ring = " ".join(f"{px:.2f},{high[1] - py:.2f}" for px, py in outline)
    legend = text * 1.9
    box = (low[0] - margin, -margin, span[0] + 2 * margin, span[1] + 2 * margin + legend)
    height_px = max(1, round(width_px * box[3] / box[2]))
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width_px}" height="{height_px}" '
        f'viewBox="{box[0]:.2f} {box[1]:.2f} {box[2]:.2f} {box[3]:.2f}" '
        'font-family="Segoe UI, Arial, DejaVu Sans, sans-serif">',
        f'<clipPath id="face"><polygon points="{ring}"/></clipPath><g clip-path="url(#face)">',
    ]
    grounds = np.searchsorted(STEPS_MM, sigma)
    for cx, cy, ground in zip(x.ravel(), y.ravel(), grounds, strict=True):
        out.append(
            f'<rect x="{cx - step / 2:.2f}" y="{high[1] - cy - step / 2:.2f}" '
            f'width="{step * 1.03:.2f}" height="{step * 1.03:.2f}" fill="{GROUNDS[ground]}"/>'
        )
    out.append(
        f'</g><polygon points="{ring}" fill="none" stroke="#15212b" '
        f'stroke-width="{text * 0.12:.2f}"/>'
    )
    here = [e for e in errors if e.in_photo and np.isfinite(e.sigma_mm)]
    worst = max(here, key=lambda e: e.sigma_mm).id if here else None
    for error in errors:
        out.append(_drop(error, high[1], text, error.id == worst))
    out.append(_legend(box[0] + margin, high[1] - low[1] + margin * 0.6, span[0], text))
    out.append("</svg>")
    return "".join(out)


def _drop(error: DropError, top_mm: float, text: float, worst: bool) -> str:
    x, y = error.x_mm, top_mm - error.y_mm
    value = f"{error.sigma_mm:.2f}" if error.in_photo else f"({error.sigma_mm:.2f})"
    ink = "#15212b" if error.in_photo else "#5c6770"
    rim = f'stroke="#c8641e" stroke-width="{text * 0.3:.2f}"' if worst else 'stroke="#4a5661"'
    return (
        f'<rect x="{x - 1.75 * text:.2f}" y="{y - 1.25 * text:.2f}" width="{3.5 * text:.2f}" '
        f'height="{2.5 * text:.2f}" rx="{0.4 * text:.2f}" fill="#ffffff" fill-opacity="0.88" '
        f"{rim}/>"
        f'<text x="{x:.2f}" y="{y - 0.2 * text:.2f}" font-size="{0.85 * text:.2f}" fill="{ink}" '
        f'text-anchor="middle">{escape(shown(error.id, 8))}</text>'
        f'<text x="{x:.2f}" y="{y + 0.9 * text:.2f}" font-size="{text:.2f}" font-weight="700" '
        f'fill="{ink}" text-anchor="middle">{value}</text>'
    )


def _legend(x: float, y: float, width: float, text: float) -> str:
    words = [
        *(f"to {step:g} mm" for step in STEPS_MM),
        f"over {STEPS_MM[-1]:g} mm",
    ]
    part = width / len(words)
    return "".join(
        f'<rect x="{x + n * part:.2f}" y="{y:.2f}" width="{text:.2f}" height="{text:.2f}" '
        f'fill="{ground}" stroke="#4a5661" stroke-width="{text * 0.06:.2f}"/>'
        f'<text x="{x + n * part + 1.3 * text:.2f}" y="{y + 0.85 * text:.2f}" '
        f'font-size="{0.85 * text:.2f}" fill="#15212b">{word}</text>'
        for n, (word, ground) in enumerate(zip(words, GROUNDS, strict=True))
    )
