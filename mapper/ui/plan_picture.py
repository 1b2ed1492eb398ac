"""The picture on the pull plan page: leads by their state, covers, and places to look at."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import streamlit as st

from mapper.pulling import Cover, cover_outlines
from mapper.records import PhotoEntry
from mapper.ui.canvas import Line, Marker, photo_canvas
from mapper.ui.drawing import Mark, plate_svg
from mapper.ui.drawing_sheet import SheetFit
from mapper.ui.findings import Findings
from mapper.ui.overlay import drawing_lines, frames_of, lead_px
from mapper.ui.parts_panel import click_hint, first_click, setting, take_clicks
from mapper.ui.session import Context

__all__ = ["LOOKS", "STATE_LINES", "lead_states", "picture"]

LOOKS = 3  # leads, and places, to look at next; these places are marked
PEELS = 5  # steps of the plan whose end is marked where a lead is not drawn out whole
BELOW_PX = 60  # left under the picture, so that what follows it is seen to be there

# Colour, width and dash on the photo, by state; the tag says it in letters too.
STATE_LINES = {
    "free": ("#0072B2", 4.5, ()),
    "waiting": ("#B0B6BB", 2.5, ()),
    "open": ("#E69F00", 3.0, (10.0, 5.0)),
    "locked": ("#D55E00", 3.5, (4.0, 4.0)),
    "untraced": ("#CC79A7", 3.0, (1.5, 7.0)),
}


def lead_states(findings: Findings) -> dict[str, str]:
    """State of every lead (not part) that is not out: a key of `STATE_LINES`."""
    plan = findings.offered
    first_open = {name for look in findings.plan.look_at for name in (look.a, look.b)}
    locked = {name for part in findings.plan.locked for name in (*part.wires, *part.held)}
    free = {step.wire for step in findings.legal_now if step.action == "pull"}
    coming = {step.wire for step in plan.steps if step.action == "pull"}
    untraced = findings.untraced
    states = {}
    for lead in findings.drawn.leads:
        if lead.id in findings.out:
            continue
        if lead.id in untraced:
            states[lead.id] = "untraced"
        elif lead.id in free:
            states[lead.id] = "free"
        elif lead.id in coming:
            states[lead.id] = "waiting"
        elif lead.id in locked:
            states[lead.id] = "locked"
        elif lead.id in first_open:
            states[lead.id] = "open"
        else:
            states[lead.id] = "waiting"
    return states


def picture(ctx: Context, findings: Findings) -> None:
    """Choose what is drawn on, and draw leads by their state, covers and places to look at."""
    job = ctx.job
    fitted = [entry for entry in job.photos if entry.sha256 in job.fits]
    states = lead_states(findings)
    numbers = {
        step.wire: number
        for number, step in enumerate(findings.offered.steps, start=1)
        if step.action == "pull"
    }
    words = {entry.sha256: f"{entry.name} ({entry.stage})" for entry in reversed(fitted)}
    with st.container(horizontal=True, vertical_alignment="center"):
        chosen = st.selectbox(
            "Drawn on",
            [*words, ""],
            key="plan photo",
            label_visibility="collapsed",
            format_func=lambda sha256: words.get(sha256, "the drawing"),
        )
        entry = next((one for one in fitted if one.sha256 == chosen), None)
        which = st.segmented_control(
            "Leads",
            ["all", "now", "held"],
            default="all",
            required=True,
            key="plan leads",
            label_visibility="collapsed",
            format_func=lambda name: {"all": "All leads", "now": "Free now", "held": "Held"}[name],
        )
    wanted = {
        "all": set(STATE_LINES),
        "now": {"free"},
        "held": {"open", "locked", "untraced"},
    }[which]
    _legend()
    drawn = {wire: state for wire, state in states.items() if state in wanted}
    if entry is not None:
        _on_photo(ctx, findings, entry, drawn, numbers)
    elif setting(ctx):
        _on_sheet(ctx, findings, drawn)
    else:
        leads = [lead for lead in findings.drawn.leads if lead.id in drawn]
        marks = [Mark(*_middle(outlines), name) for name, outlines in _covers_on(findings)]
        svg = plate_svg(job.plate, leads, marks=marks, width_px=1400)
        st.image(svg, width="stretch", alt="The plate")


def _on_photo(
    ctx: Context,
    findings: Findings,
    entry: PhotoEntry,
    states: dict[str, str],
    numbers: dict[str, int],
) -> None:
    plate, fit = ctx.job.plate, ctx.job.fits[entry.sha256]
    lines = drawing_lines(plate, fit, alpha=0.35)
    order = ["waiting", "untraced", "open", "locked", "free"]  # the last lies on top
    leads = findings.planned_on.leads_by_id
    last = len(numbers) + 1
    for wire in sorted(states, key=lambda w: (order.index(states[w]), -numbers.get(w, last))):
        colour, width, dash = STATE_LINES[states[wire]]
        tag = f"{numbers[wire]} {wire}" if wire in numbers else f"{wire}"
        if states[wire] == "locked":
            tag = f"✕ {wire}"
        if states[wire] == "untraced":
            tag += " not traced"
        path = lead_px(plate, fit, leads[wire])
        lines.append(Line(wire, path, color=colour, width=width, dash=dash, tag=tag))
    markers = []
    for number, look in enumerate(findings.look_at_now[:LOOKS], start=1):
        depth_mm = plate.lead_depth_mm(np.array([[look.x_mm, look.y_mm]]))
        x, y = np.asarray(fit.photo_from_plate([[look.x_mm, look.y_mm]], depth_mm))[0]
        markers.append(Marker(f"look {number}", x, y, color="#E69F00", tag=f"? {number}"))
    for number, step in enumerate(findings.steps_now[:PEELS], start=1):
        if step.action == "peel":
            depth_mm = plate.lead_depth_mm(np.array([step.past]))
            x, y = np.asarray(fit.photo_from_plate([step.past], depth_mm))[0]
            tag = f"{number} {step.wire} to here"
            markers.append(
                Marker(f"peel {number}", x, y, color="#0072B2", shape="square", size=7.0, tag=tag)
            )
    take_clicks(ctx, "plan", fit)
    lines += _cover_lines(findings, fit)
    markers += first_click(ctx, fit)
    opened = ctx.opened(entry.sha256)
    photo_canvas(
        "plan",
        opened,
        lines=lines,
        markers=markers,
        height="window",
        room_below_px=BELOW_PX,
        tool="point" if setting(ctx) else "look",
        hint=click_hint(ctx),
        home_px=fit.photo_from_plate(plate.outline_array),
        frames=frames_of(fit),
    )


def _on_sheet(ctx: Context, findings: Findings, states: dict[str, str]) -> None:
    """The drawing as something to click on, while a cover is being set without a photo."""
    sheet = SheetFit(ctx.job.plate)
    take_clicks(ctx, "plan", sheet)
    lines = drawing_lines(ctx.job.plate, sheet)
    for wire, state in states.items():
        colour, width, dash = STATE_LINES[state]
        path = sheet.photo_from_plate(findings.drawn.leads_by_id[wire].points_mm)
        lines.append(Line(wire, path, color=colour, width=width, dash=dash, tag=wire))
    photo_canvas(
        "plan",
        None,
        blank_px=sheet.size_px,
        lines=[*lines, *_cover_lines(findings, sheet)],
        markers=first_click(ctx, sheet),
        height=560,
        tool="point",
        hint=click_hint(ctx),
        place=f"plan sheet {ctx.job_id}",
    )


def _covers_on(findings: Findings) -> list[tuple[str, tuple[np.ndarray, ...]]]:
    """Covers that are on, each with the outlines of what it lies over, in plate mm."""
    return [
        (name, cover_outlines(findings.planned_on, part))
        for name, part in findings.parts.items()
        if isinstance(part, Cover) and name not in findings.out
    ]


def _middle(outlines: Sequence[np.ndarray]) -> tuple[float, float]:
    x, y = np.concatenate(outlines).mean(axis=0)
    return float(x), float(y)


def _cover_lines(findings: Findings, fit: Any) -> list[Line]:
    return [
        Line(
            f"{name} {number}",
            np.asarray(fit.photo_from_plate(outline)),
            color="#15212b",
            width=3.5,
            dash=(10.0, 4.0),
            closed=True,
            tag=name,
        )
        for name, outlines in _covers_on(findings)
        for number, outline in enumerate(outlines)
    ]


def _legend() -> None:
    words = {
        "free": "free now",
        "waiting": "later in the order",
        "open": "needs a look",
        "locked": "locked",
        "untraced": "not traced",
    }
    items = []
    for state, text in words.items():
        colour, _, dash = STATE_LINES[state]
        style = "solid" if not dash else "dotted" if dash[0] < 2 else "dashed"
        items.append(
            f'<span style="white-space:nowrap"><span class="swatch" '
            f'style="border-color:{colour};border-top-style:{style}"></span>{text}</span>'
        )
    st.html(f'<div class="legend">{"".join(items)}</div>')
