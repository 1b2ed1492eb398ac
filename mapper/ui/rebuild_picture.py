"""The rebuild plan as a picture: how full each channel is, and the leads in their lanes."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from mapper.plate import Plate
from mapper.rebuild import Fill, RebuildPlan
from mapper.ui.drawing import plate_svg

__all__ = ["FILL_STEPS", "OVER", "rebuild_svg"]

# share of the limit -> colour; from light to dark, so that it reads without colour as well
FILL_STEPS = ((0.5, "#d7e9f3"), (0.8, "#9ccbe3"), (1.0, "#4a9cc9"))
OVER = "#b3261e"


def _colour(fill: Fill) -> str:
    part = fill.share / fill.limit
    return next((colour for most, colour in FILL_STEPS if part <= most + 1e-9), OVER)


def rebuild_svg(plate: Plate, plan: RebuildPlan, bold: Iterable[str] = ()) -> str:
    """Draw the plan; `bold` are ids of leads that stand out from the others.

    Each channel carries the share of its fullest stretch as a number.
    """
    top = max(y for _, y in plate.outline_mm)
    text_mm = max(plate.width_mm, plate.height_mm) / 52
    widths = {channel.id: channel.width_mm for channel in plate.channels}
    under = []
    fullest: dict[str, Fill] = {}
    for fill in plan.fills:
        (x0, y0), (x1, y1) = fill.start_mm, fill.end_mm
        under.append(
            f'<line x1="{x0:.2f}" y1="{top - y0:.2f}" x2="{x1:.2f}" y2="{top - y1:.2f}" '
            f'stroke="{_colour(fill)}" stroke-width="{widths[fill.channel]:.2f}" '
            f'stroke-linecap="round"><title>{escape(fill.channel)}: {fill.leads} leads, '
            f"{fill.share:.0%} full</title></line>"
        )
        if fill.channel not in fullest or fill.share > fullest[fill.channel].share:
            fullest[fill.channel] = fill
    over = [_label(fill, top, text_mm) for fill in fullest.values()]
    bold = set(bold)
    leads = [one.lead for one in plan.leads]
    faint = [lead.id for lead in leads if bold and lead.id not in bold]
    thin_mm = min((lead.diameter_mm for lead in leads), default=None)
    return plate_svg(
        plate, leads, faint=faint, under="".join(under), over="".join(over), lead_mm=thin_mm
    )


def _label(fill: Fill, top: float, text_mm: float) -> str:
    x = (fill.start_mm[0] + fill.end_mm[0]) / 2
    y = top - (fill.start_mm[1] + fill.end_mm[1]) / 2
    over = fill.share > fill.limit + 1e-9
    words = f"{fill.share:.0%}{' !' if over else ''}"
    ink = OVER if over else "#15212b"
    wide = text_mm * (0.62 * len(words) + 0.5)
    return (
        f'<rect x="{x - wide / 2:.2f}" y="{y - text_mm * 0.62:.2f}" width="{wide:.2f}" '
        f'height="{text_mm * 1.24:.2f}" rx="{text_mm * 0.3:.2f}" fill="#ffffff" '
        f'stroke="{ink}" stroke-width="{text_mm * 0.07:.2f}"/>'
        f'<text x="{x:.2f}" y="{y + text_mm * 0.33:.2f}" font-size="{text_mm * 0.92:.2f}" '
        f'font-weight="600" text-anchor="middle" fill="{ink}">{words}</text>'
    )
