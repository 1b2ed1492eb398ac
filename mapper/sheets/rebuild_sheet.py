"""The rebuild sheet: the planned wiring, the order of laying with tick boxes, cut lengths."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from mapper.plate import Plate
from mapper.rebuild import PlannedLead, RebuildPlan
from mapper.sheets.lettering import fit_middle, fit_size, fit_text, text_width_mm
from mapper.sheets.paper import Frame, box
from mapper.sheets.pdf import scenes_to_pdf
from mapper.sheets.scene import Circle, Item, Line, Scene, Text

__all__ = ["REBUILD_CAUTION", "rebuild_sheet", "rebuild_sheet_pdf"]

REBUILD_CAUTION = (
    "Guidance only. Isolate, lock out and prove dead before touching wiring; let the plate cool. "
    "Keep leads off sharp edges, moving parts and places hotter than their insulation allows, and "
    "bend none sharper than its maker allows. Test insulation and every zone on its own before "
    "anything is energised. Local codes and licensed practice override anything shown here."
)
PICTURE_SHARE = 0.38  # of the height of the paper at most
ROW_MM = 7.0
SIZE_MM = 4.2  # read at arm's length
INK, GREY, GROUND = "#000000", "#6A6A6A", "#EDEFF1"
DASH_MM = {"heater": (), "thermocouple": (1.6, 0.9), "other": (0.5, 0.8)}
# from the left margin, at the width of A4: tick box, number, lead, drop, cut length, exit, channels
COLUMNS_MM = (0.0, 9.0, 22.0, 62.0, 84.0, 104.0, 120.0)
A4_INNER_MM = 186.0
SMALL_MM = 2.9  # 8.2 point


def rebuild_sheet_pdf(
    plate: Plate, plan: RebuildPlan, title: str, made_at: datetime, paper: str = "A4"
) -> bytes:
    """The sheet as PDF; arguments as for `rebuild_sheet`."""
    return scenes_to_pdf(rebuild_sheet(plate, plan, title, made_at, paper))


def rebuild_sheet(
    plate: Plate, plan: RebuildPlan, title: str, made_at: datetime, paper: str = "A4"
) -> list[Scene]:
    """Lay the sheet out on upright paper: the picture first, then as many rows as there are leads.

    Raises ValueError for a plan that does not fit: there is nothing to lay.
    """
    if plan.status != "planned":
        raise ValueError("a plan that does not fit can't be printed as an order of laying")
    frame = Frame(f"Rebuild: {title}", made_at, REBUILD_CAUTION, paper)
    picture_mm = PICTURE_SHARE * frame.size_mm[1]
    y_mm = frame.top_mm - picture_mm - 4
    pages: list[list[Item]] = [
        [*_picture(plate, plan, frame, picture_mm), *_notes(plan, frame, y_mm)]
    ]
    y_mm -= 13
    pages[0] += _heading(frame, y_mm)
    for one in plan.leads:
        y_mm -= ROW_MM
        if y_mm < frame.floor_mm + 2.5:
            pages.append(_heading(frame, frame.top_mm - ROW_MM + 2))
            y_mm = frame.top_mm - 2 * ROW_MM + 2
        pages[-1] += _row(one, frame, y_mm)
    return frame.pages(pages)


def _notes(plan: RebuildPlan, frame: Frame, top_mm: float) -> list[Item]:
    fullest = max(plan.fills, key=lambda fill: fill.share, default=None)
    crossings = sum(meeting.kind == "crossing" for meeting in plan.found)
    words = [
        "Lay the leads in this order, each on top of those before it. Full line: heater lead; "
        "dashed: thermocouple lead.",
        f"{len(plan.leads)} leads, {crossings} crossings, bend radius at least "
        f"{plan.settings.bend_radius_mm:g} mm, {plan.settings.tail_mm:g} mm of tail."
        + (f" Fullest: {fullest.channel}, {fullest.share:.0%}." if fullest else ""),
    ]
    return [
        Text(frame.left_mm, top_mm - 3 - 5 * k, fit_text(line, frame.inner_mm, size), size)
        for k, line in enumerate(words)
        for size in (fit_size(line, frame.inner_mm, 3.4, SMALL_MM),)
    ]


def _columns(frame: Frame) -> list[float]:
    return [x * frame.inner_mm / A4_INNER_MM for x in COLUMNS_MM]


def _heading(frame: Frame, y_mm: float) -> list[Item]:
    words = ("", "No.", "Lead", "Drop", "Cut mm", "Exit", "Through")
    items: list[Item] = [
        Text(frame.left_mm + x, y_mm, word, 3.6, bold=True)
        for x, word in zip(_columns(frame), words, strict=True)
    ]
    line = ((frame.left_mm, y_mm - 1.8), (frame.right_mm, y_mm - 1.8))
    return [*items, Line(line, 0.4, INK)]


def _row(one: PlannedLead, frame: Frame, y_mm: float) -> list[Item]:
    cells = (
        f"{one.number}",
        one.lead.id,
        one.lead.drop,
        f"{one.cut_length_mm:.0f}",
        one.lead.exit,
        " > ".join(one.channels),
    )
    starts = _columns(frame)[1:]
    ends = (*starts[1:], frame.inner_mm + 2)
    tick = box(frame.left_mm, y_mm - 1.0, 5.0, 5.0)
    items: list[Item] = [Line(tick, 0.35, INK, closed=True)]
    for k, (x, end, text) in enumerate(zip(starts, ends, cells, strict=True)):
        bold = k in (1, 3)
        size = fit_size(text, end - x - 2, SIZE_MM, SMALL_MM, bold)
        words = fit_middle(text, end - x - 2, size, bold)
        items.append(Text(frame.left_mm + x, y_mm, words, size, bold=bold))
    line = ((frame.left_mm, y_mm - 2.2), (frame.right_mm, y_mm - 2.2))
    return [*items, Line(line, 0.1, GREY)]


def _picture(plate: Plate, plan: RebuildPlan, frame: Frame, most_mm: float) -> list[Item]:
    outline = plate.outline_array
    low, span = outline.min(axis=0), np.ptp(outline, axis=0)
    width_mm = frame.inner_mm
    scale = float(min(width_mm / span[0], most_mm / span[1]))
    left_mm = frame.left_mm + (width_mm - scale * span[0]) / 2
    base_mm = frame.top_mm - scale * span[1]

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
        if size < SMALL_MM:  # the table names its drop beside each lead
            continue
        items.append(
            Text(x, y + drop.bore_diameter_mm / 6 * scale, drop.id, size, True, anchor="middle")
        )
    for exit_ in plate.exits:
        ((x, y),) = on_paper([(exit_.x_mm, exit_.y_mm)])
        items.append(Circle(x, y, 1.0, 0.4, INK, "#FFFFFF"))
        below = y - base_mm < scale * span[1] / 2
        items.append(Text(x + 2.0, y - 3.4 if below else y + 1.6, exit_.id, 3.0, True))
    return items
