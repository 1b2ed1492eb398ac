"""Page "At the plate": the step at hand, large, with the place on the newest photo."""

from __future__ import annotations

from html import escape

import cv2
import numpy as np
import streamlit as st

from mapper.errors import shown
from mapper.pulling import Cover, Step, cover_outlines
from mapper.sheets import pull_way, stage_rank
from mapper.ui import jobbar, looks
from mapper.ui.crops import Crop, crop_of_place, draw_lead
from mapper.ui.findings import Findings, findings_of
from mapper.ui.log_panel import contradiction_notes, log_panel, override_notes
from mapper.ui.marking import another_lead, break_form, override_form, tick, why_lines
from mapper.ui.parts_panel import part_how
from mapper.ui.pull_words import pull_words
from mapper.ui.session import Context, go
from mapper.ui.tiles import SHELF

__all__ = ["apart_now", "show"]

CROP_PX = (900, 560)
PEEL_HALF_MM = 30.0
PULL_MARGIN_MM = 20.0
_AT = "step at the plate"  # session state: the step shown, by its place in the plan
_STOPPED = "stopped at the plate"  # session state: the lead that broke or holds
_STYLE = """<style>
.st-key-bench button { min-height: 76px; font-size: 1.5rem; }
.st-key-bench button p { font-size: 1.4rem; font-weight: 650; }
.big { border: 4px solid #00486f; border-radius: 14px; padding: .6rem 1.2rem; background: #fff; }
.big .act { font-size: 2.2rem; font-weight: 700; color: #00486f; line-height: 1.1; }
.big .id { font-size: 84px; font-weight: 800; line-height: 1.05; overflow-wrap: anywhere; }
.big .how { font-size: 1.5rem; line-height: 1.3; }
.big.waits { border: 4px dashed #a32200; background: #fdeae4; }
.big.waits .act { color: #a32200; }
.big.waits .id { font-size: 48px; color: #4a5661; }
.tag { display: inline-block; border: 3px solid #00486f; border-radius: 10px; margin: .2rem;
  padding: .1rem .7rem; font-size: 1.5rem; font-weight: 700; background: #fff; }
</style>"""


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("bench")
    if ctx is None:
        return
    findings = findings_of(ctx.job)
    st.html(_STYLE)
    looks.cautions()
    contradiction_notes(findings)
    override_notes(findings)
    steps = findings.steps_now
    if not steps:
        st.session_state.pop(_AT, None)
        looks.note("There is no step to do now. The pull plan says what comes next.", "calm")
        if st.button("Go to Pull plan", type="primary"):
            go("plan")
        if findings.offered is not None:
            another_lead(ctx, findings)
            log_panel(ctx, findings)
        return
    at = min(max(int(st.session_state.get(_AT, 0)), 0), len(steps) - 1)
    left, right = st.columns([1, 1], gap="medium")
    with left:
        with st.container(key="bench"):
            _card(findings, steps[at], at, len(steps))
            pull_words(ctx, findings, steps[at])
            _buttons(ctx, findings, steps[at], at, len(steps))
            _stopped(ctx, findings, steps[at].wire)
        another_lead(ctx, findings, besides=steps[at].wire)
        log_panel(ctx, findings)
    with right:
        _place(ctx, findings, steps[at])
        _second_person(findings, steps[at])


def _card(findings: Findings, step: Step, at: int, count: int) -> None:
    lead = findings.planned_on.leads_by_id[step.wire]
    if step.wire in findings.parts:
        how = part_how(findings, step.wire)
    else:
        how = f"{lead.kind} of drop {lead.drop}, free end at {lead.exit or 'the exit'}"
    if step.wire in findings.hanging:
        how += f"; let it hang, it leaves with {findings.hanging[step.wire]}"
    if step.action == "peel":
        how += f"; stop just past {findings.past_words(step)} mm, leave it hanging"
        if not findings.offered.steps:
            how += "; then take a photo of what lay under it"
    first = findings.waits_words(at + 1)
    act = "Not yet" if first else findings.act(step)
    if first:  # the largest letters must never ask for a lead that lies under another
        how = f"first {first}. Then {findings.act(step).lower()} it: {how}"
    st.html(
        f'<div class="big{" waits" if first else ""}"><div class="act">{act} '
        f"&ensp;<small>step {at + 1} of {count}</small></div>"
        f'<div class="id">{escape(shown(step.wire))}</div>'
        f'<div class="how">{escape(how)}</div></div>'
    )


def _buttons(ctx: Context, findings: Findings, step: Step, at: int, count: int) -> None:
    free = step in findings.legal_now
    back, done, ahead = st.columns([1, 2, 1], gap="small")
    if back.button("Back", disabled=at == 0, shortcut="Left", width="stretch"):
        _go_to(at - 1)
    if done.button(
        findings.done_word(step),
        type="primary" if free else "secondary",
        shortcut="Enter",
        width="stretch",
        key="bench done",
    ):
        if tick(ctx, findings, step):
            _go_to(at)
        st.rerun()
    if ahead.button("Next", disabled=at + 1 >= count, shortcut="Right", width="stretch"):
        _go_to(at + 1)
    if not free:
        what = "part" if step.wire in findings.parts else "lead"
        looks.note(f"An earlier step comes first: do not touch this {what} yet.", "stop")
        st.html(f"<div>{escape(shown(' '.join(why_lines(findings, step.wire)), 600))}</div>")
    override_form(ctx, findings)
    if st.button("It broke, or it holds: stop", shortcut="b", width="stretch"):
        st.session_state[_STOPPED] = step.wire
        st.rerun()


def _go_to(at: int) -> None:
    st.session_state[_AT] = at
    st.session_state.pop(_STOPPED, None)
    st.rerun()


def _stopped(ctx: Context, findings: Findings, wire: str) -> None:
    if st.session_state.get(_STOPPED) != wire:
        return
    looks.note(f"Stop. Leave {wire} as it is, never pull harder, and look again.", "stop")
    looks.note(" ".join(why_lines(findings, wire)), "")
    if st.button("Go to Crossings", width="stretch"):
        go("crossings")
    if break_form(ctx, findings, wire, "stopped"):
        _go_to(0)


def _place(ctx: Context, findings: Findings, step: Step) -> None:
    for entry in sorted(ctx.job.photos, key=lambda one: stage_rank(one.stage), reverse=True):
        if entry.sha256 not in ctx.job.fits:
            continue
        jpeg = _picture(ctx.job_id, ctx.job.revision, step, entry.sha256, ctx, findings)
        if jpeg is not None:
            words = f"{shown(entry.name, 40)} · {entry.stage}"
            if step.wire not in findings.parts:
                words += ": the arrow shows the way of the pull"
            if entry.sha256 in findings.doubtful:
                looks.note("The fit of this photo is doubtful: the line may be off.", "stop")
            st.image(jpeg, caption=words, width="stretch", alt=words)
            return
    looks.note("No fitted photo shows this place: look at the plate itself.")


@st.cache_data(show_spinner=False, max_entries=60)
def _picture(
    job_id: str, revision: int, step: Step, sha256: str, _ctx: Context, _findings: Findings
) -> bytes | None:
    lead = _findings.planned_on.leads_by_id[step.wire]
    points = lead.points_mm
    part = _findings.parts.get(step.wire)
    outlines = cover_outlines(_findings.planned_on, part) if isinstance(part, Cover) else ()
    if step.action == "peel":
        middle, half_mm = np.asarray(step.past, float), PEEL_HALF_MM
    else:
        points = np.concatenate([points, *outlines])
        low, high = points.min(axis=0), points.max(axis=0)
        middle, size = (low + high) / 2, high - low
        half_mm = max(size[1], size[0] * CROP_PX[1] / CROP_PX[0]) / 2 + PULL_MARGIN_MM
    plate = _findings.planned_on.plate
    depth_mm = 0.0 if part is not None else float(np.median(plate.lead_depth_mm(points)))
    crop = crop_of_place(
        SHELF.pixels(_ctx.opened(sha256).token),
        _ctx.job.fits[sha256],
        float(middle[0]),
        float(middle[1]),
        depth_mm,
        half_mm,
        CROP_PX,
    )
    if crop is None:
        return None
    if part is not None:
        for outline in outlines:
            corners = np.round(crop.px_from_plate(outline)).astype(np.int32)
            cv2.polylines(crop.pixels_bgr, [corners], True, (114, 72, 0), 5, cv2.LINE_AA)
        return _jpeg(crop)
    crop = draw_lead(crop, points, "#0072B2", "", beside_mm=(lead.diameter_mm or 2.0) / 2 + 0.8)
    _arrow(crop, points, middle if step.action == "peel" else points[-1])
    return _jpeg(crop)


def _jpeg(crop: Crop) -> bytes | None:
    done, data = cv2.imencode(".jpg", crop.pixels_bgr, [cv2.IMWRITE_JPEG_QUALITY, 88])
    return data.tobytes() if done else None


def _arrow(crop: Crop, points_mm: np.ndarray, at_mm: np.ndarray) -> None:
    """Draw the way of the pull, along the lead towards its free end, into the crop."""
    along = pull_way(points_mm, at_mm) * [1, -1]
    tip = crop.px_from_plate(at_mm)[0]
    whole = np.array_equal(at_mm, points_mm[-1])
    start, end = (tip - along * 70, tip) if whole else (tip, tip + along * 90)
    ends = [tuple(int(v) for v in np.round(one)) for one in (start, end)]
    for colour, wide in (((255, 255, 255), 16), ((0, 94, 213), 9)):
        cv2.arrowedLine(crop.pixels_bgr, *ends, colour, wide, cv2.LINE_AA, tipLength=0.4)


def apart_now(findings: Findings, wire: str) -> list[str]:
    """Leads and parts that are free now and meet the given one nowhere: for a second person."""
    meets = {
        other
        for one in findings.planned_on.crossings
        if wire in (one.a, one.b)
        for other in (one.a, one.b)
    }
    return [
        step.wire
        for step in findings.offered.steps
        if step.action == "pull"
        and step in findings.legal_now
        and step.wire != wire
        and step.wire not in meets
    ]


def _second_person(findings: Findings, step: Step) -> None:
    others = apart_now(findings, step.wire)
    if others:
        tags = "".join(f'<span class="tag">{escape(shown(one))}</span>' for one in others[:6])
        st.html(
            f"<b>A second person may take out meanwhile (they don't meet this one):</b><br>{tags}"
        )
    else:
        st.html("<b>Nothing for a second person meanwhile: all else waits, or meets this one.</b>")
