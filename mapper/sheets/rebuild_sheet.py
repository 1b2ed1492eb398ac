"""The rebuild sheet: the planned wiring, the order of laying with tick boxes, cut lengths."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from mapper.plate import Plate
from mapper.rebuild import PlannedLead, RebuildPlan
from mapper.sheets.lettering import fit_text, text_width_mm, wrapped
from mapper.sheets.pdf import scenes_to_pdf
from mapper.sheets.scene import Circle, Item, Line, Scene, Text

__all__ = ["REBUILD_CAUTION", "rebuild_sheet", "rebuild_sheet_pdf"]

REBUILD_CAUTION = (
    "Guidance only. Isolate, lock out and prove dead before touching wiring; let the plate cool. "
    "Keep leads off sharp edges, moving parts and places hotter than their insulation allows, and "
    "bend none sharper than its maker allows. Test insulation and every zone on its own before "
    "anything is energised. Local codes and licensed practice override anything shown here."
)
PAGE_MM = (210.0, 297.0)
MARGIN_MM = 12.0
PICTURE_MM = 112.0  # height at most
ROW_MM = 7.0
SIZE_MM = 4.2  # read at arm's length
INK, GREY, GROUND = "#000000", "#6A6A6A", "#EDEFF1"
DASH_MM = {"heater": (), "thermocouple": (1.6, 0.9), "other": (0.5, 0.8)}
# from the left margin: tick box, number, lead, drop, cut length, exit, channels
COLUMNS_MM = (0.0, 9.0, 22.0, 52.0, 74.0, 100.0, 118.0)


def rebuild_sheet_pdf(plate: Plate, plan: RebuildPlan, title: str, made_at: datetime) -> bytes:
    """The sheet as PDF; arguments as for `rebuild_sheet`."""
    return scenes_to_pdf(rebuild_sheet(plate, plan, title, made_at))


def rebuild_sheet(plate: Plate, plan: RebuildPlan, title: str, made_at: datetime) -> list[Scene]:
    """Lay the sheet out on A4 portrait: the picture first, then as many rows as there are leads.

    Raises ValueError for a plan that does not fit: there is nothing to lay.
    """
    if plan.status != "planned":
        raise ValueError("a plan that does not fit can't be printed as an order of laying")
    width_mm, height_mm = PAGE_MM
    caution = wrapped(REBUILD_CAUTION, width_mm - 2 * MARGIN_MM - 6, 3.2)
    floor_mm = MARGIN_MM + 4.4 * len(caution) + 8
    pages: list[list[Item]] = []
    y_mm = 0.0
    for one in plan.leads:
        if not pages or y_mm < floor_mm + ROW_MM:
            pages.append(_frame(title, made_at, len(pages) + 1, caution))
            y_mm = height_mm - MARGIN_MM - 14
            if len(pages) == 1:
                pages[0] += _picture(plate, plan, y_mm)
                y_mm -= PICTURE_MM + 4
                pages[0] += _notes(plan, y_mm)
                y_mm -= 13
            pages[-1] += _heading(y_mm)
            y_mm -= ROW_MM
        pages[-1] += _row(one, y_mm)
        y_mm -= ROW_MM
    return [Scene(width_mm, height_mm, f"{title}: rebuild", tuple(items)) for items in pages]


def _frame(title: str, made_at: datetime, number: int, caution: list[str]) -> list[Item]:
    width_mm, height_mm = PAGE_MM
    top_mm, right_mm = height_mm - MARGIN_MM, width_mm - MARGIN_MM
    name = fit_text(f"Rebuild: {title}", 125, 6, bold=True)
    high_mm = MARGIN_MM + 4.4 * len(caution) + 4
    box = ((MARGIN_MM, MARGIN_MM), (right_mm, MARGIN_MM), (right_mm, high_mm), (MARGIN_MM, high_mm))
    items: list[Item] = [
        Text(MARGIN_MM, top_mm - 6, name, 6, bold=True),
        Text(
            right_mm, top_mm - 6, f"Made {made_at:%Y-%m-%d %H:%M}, page {number}", 3.4, anchor="end"
        ),
        Line(box, 0.6, INK, closed=True),
    ]
    for k, line in enumerate(caution):
        items.append(Text(MARGIN_MM + 3, high_mm - 5 - 4.4 * k, line, 3.2))
    return items


def _notes(plan: RebuildPlan, top_mm: float) -> list[Item]:
    fullest = max(plan.fills, key=lambda fill: fill.share, default=None)
    crossings = sum(meeting.kind == "crossing" for meeting in plan.found)
    words = [
        "Lay the leads in this order, each on top of those before it. Full line: heater lead; "
        "dashed: thermocouple lead.",
        f"{len(plan.leads)} leads, {crossings} crossings, bend radius at least "
        f"{plan.settings.bend_radius_mm:g} mm, {plan.settings.tail_mm:g} mm of tail."
        + (f" Fullest: {fullest.channel}, {fullest.share:.0%}." if fullest else ""),
    ]
    width_mm = PAGE_MM[0] - 2 * MARGIN_MM
    return [
        Text(MARGIN_MM, top_mm - 3 - 5 * k, fit_text(line, width_mm, 3.4), 3.4)
        for k, line in enumerate(words)
    ]


def _heading(y_mm: float) -> list[Item]:
    words = ("", "No.", "Lead", "Drop", "Cut mm", "Exit", "Through")
    items: list[Item] = [
        Text(MARGIN_MM + x, y_mm, word, 3.6, bold=True)
        for x, word in zip(COLUMNS_MM, words, strict=True)
    ]
    line = ((MARGIN_MM, y_mm - 1.8), (PAGE_MM[0] - MARGIN_MM, y_mm - 1.8))
    return [*items, Line(line, 0.4, INK)]


def _row(one: PlannedLead, y_mm: float) -> list[Item]:
    low = y_mm - 1.0
    box = tuple((MARGIN_MM + x, low + y) for x, y in ((0, 0), (5, 0), (5, 5), (0, 5)))
    cells = (
        f"{one.number}",
        one.lead.id,
        one.lead.drop,
        f"{one.cut_length_mm:.0f}",
        one.lead.exit,
        " > ".join(one.channels),
    )
    ends = (*COLUMNS_MM[2:], PAGE_MM[0] - 2 * MARGIN_MM)
    items: list[Item] = [Line(box, 0.35, INK, closed=True)]
    for k, (x, end, text) in enumerate(zip(COLUMNS_MM[1:], ends, cells, strict=True)):
        bold = k in (1, 3)
        words = fit_text(text, end - x - 2, SIZE_MM, bold=bold)
        items.append(Text(MARGIN_MM + x, y_mm, words, SIZE_MM, bold=bold))
    line = ((MARGIN_MM, y_mm - 2.2), (PAGE_MM[0] - MARGIN_MM, y_mm - 2.2))
    return [*items, Line(line, 0.1, GREY)]


def _picture(plate: Plate, plan: RebuildPlan, top_mm: float) -> list[Item]:
    outline = plate.outline_array
    low, span = outline.min(axis=0), np.ptp(outline, axis=0)
    width_mm = PAGE_MM[0] - 2 * MARGIN_MM
    scale = float(min(width_mm / span[0], PICTURE_MM / span[1]))
    left_mm = MARGIN_MM + (width_mm - scale * span[0]) / 2
    base_mm = top_mm - scale * span[1]

    def on_paper(points) -> tuple[tuple[float, float], ...]:
        at = (np.asarray(points, float) - low) * scale + (left_mm, base_mm)
        return tuple((float(x), float(y)) for x, y in at)

    items: list[Item] = [Line(on_paper(outline), 0.5, INK, "#FFFFFF", closed=True)]
    for channel in plate.channels:
        line = on_paper(channel.points_mm)
        items.append(Line(line, max(channel.width_mm * scale, 0.4), GROUND))
    for drop in plate.drops:
        ((x, y),) = on_paper([(drop.x_mm, drop.y_mm)])
        items.append(Circle(x, y, drop.bore_diameter_mm / 2 * scale, 0.25, GREY))
    for one in plan.leads:
        line, dash = on_paper(one.lead.points_mm), DASH_MM[one.lead.kind]
        items.append(Line(line, min(0.35, one.lead.diameter_mm * scale), INK, dash_mm=dash))
    for drop in plate.drops:
        ((x, y),) = on_paper([(drop.x_mm, drop.y_mm)])
        room = max(drop.bore_diameter_mm * scale - 1, 3.0)
        size = min(3.4, 3.4 * room / max(text_width_mm(drop.id, 3.4, bold=True), 0.1))
        items.append(
            Text(x, y + drop.bore_diameter_mm / 6 * scale, drop.id, size, True, anchor="middle")
        )
    for exit_ in plate.exits:
        ((x, y),) = on_paper([(exit_.x_mm, exit_.y_mm)])
        items.append(Circle(x, y, 1.0, 0.4, INK, "#FFFFFF"))
        below = y - base_mm < scale * span[1] / 2
        items.append(Text(x + 2.0, y - 3.4 if below else y + 1.6, exit_.id, 3.0, True))
    return items
