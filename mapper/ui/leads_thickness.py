"""How thick the leads are: entered once for all of a kind, and for a lead that differs from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from html import escape
from typing import Any

import streamlit as st

from mapper.errors import shown
from mapper.records import Job, RecordsError, TracedLead, thickness_changes
from mapper.records.thickness import (
    ASSUMED,
    ENTERED,
    FROM_FILE,
    KIND,
    known_by,
    read_diameter_mm,
    thickest_mm,
)
from mapper.ui import looks
from mapper.ui.focus_first import focus_first
from mapper.ui.held_form import held, submit_key
from mapper.ui.leads_sight import Sight
from mapper.ui.leads_width import CLEARLY, width_on_photos_mm
from mapper.ui.session import Context

__all__ = ["thickness_box"]

KINDS = {"heater": "heater leads", "thermocouple": "thermocouple leads", "other": "other leads"}
FORM = "thickness"
LOOKED_AT = 6  # leads of a kind that are compared with the photos
NAMED = 4


def thickness_box(
    ctx: Context, sight_of: Callable[[str], Sight | None], chosen: str | None = None
) -> None:
    """Draw the button that opens the form; `chosen`: a lead that may differ from its kind."""
    job = ctx.job
    words = "Thickness ?" if _open_kinds(job) else "Thickness"
    panel = st.popover(words, key="leads thickness", on_change="rerun")
    if not panel.open:
        return
    lead = next((one for one in job.leads if one.id == chosen and one.stretches), None)
    with panel:
        _form(ctx, _kinds(job), lead)
        _too_thin(ctx, sight_of, chosen)


def _kinds(job: Job) -> tuple[str, ...]:
    """The kinds of leads that the job has or waits for."""
    here = {one.kind for one in (*job.leads, *job.expected_leads())}
    return tuple(kind for kind in KINDS if kind in here)


@lru_cache(maxsize=4)
def _open_kinds(job: Job) -> tuple[str, ...]:
    """Kinds with leads whose thickness nobody entered."""
    return tuple(k for k in _kinds(job) if _entered(job, k) is None and _without_own(job, k))


def _entered(job: Job, kind: str) -> float | None:
    return job.settings.diameters_mm.get(kind)


def _without_own(job: Job, kind: str) -> int:
    """How many leads of a kind have no thickness of their own."""
    drawn = sum(one.kind == kind and one.diameter_mm is None for one in job.leads)
    here = {one.id for one in job.leads}
    return drawn + sum(one.kind == kind and one.id not in here for one in job.missing_leads())


def _form(ctx: Context, kinds: tuple[str, ...], lead: TracedLead | None) -> None:
    job = ctx.job
    shown_mm: dict[str, float | None] = {kind: _entered(job, kind) for kind in kinds}
    shown_mm[""] = None if lead is None else lead.diameter_mm
    # The name holds what is kept, so that undo, and another lead, draw the fields anew.
    stamp = f"{ctx.job_id} {'' if lead is None else lead.id} {shown_mm}"
    stamp, shown_mm = held(FORM, stamp, shown_mm)
    with st.form(f"{FORM} {stamp}", border=False):
        st.markdown("**How thick the leads are, insulation and all**")
        typed: dict[str, str] = {}
        for column, kind in zip(st.columns(len(kinds)), kinds, strict=True):
            with column:
                typed[kind] = _field(f"All {KINDS[kind]}, mm", f"{kind} {stamp}", shown_mm[kind])
                st.html(_of_kind(job, kind))
        if lead is not None:
            typed[""] = _field("Only the picked lead, mm", f"one {stamp}", shown_mm[""])
            st.html(_of_lead(job, lead))
        answer = st.container()  # above the button, where it is in sight
        kept = st.form_submit_button(
            "Keep the thickness", type="primary", width="stretch", key=submit_key(FORM, stamp)
        )
    if kept:
        with answer:
            _keep(ctx, typed, shown_mm, lead)
    differs = "" if lead is not None else " One that differs: pick it on the page Leads first."
    st.caption(f"When unsure, the thicker value. An empty field takes it back.{differs}")
    focus_first("thickness focus")


def _field(label: str, key: str, value_mm: float | None) -> str:
    value = "" if value_mm is None else f"{value_mm:g}"
    return st.text_input(label, value, max_chars=20, key=f"{FORM} {key}", placeholder="like 2.5")


def _keep(
    ctx: Context,
    typed: Mapping[str, str],
    shown_mm: Mapping[str, float | None],
    lead: TracedLead | None,
) -> None:
    read: dict[str, Any] = {}
    try:
        for key, text in typed.items():
            value_mm = read_diameter_mm(text)
            if value_mm != shown_mm[key]:  # what nobody touched stays as it is now
                read[key] = value_mm
        of_lead = {lead.id: read.pop("")} if "" in read else {}
        changes = thickness_changes(ctx.job, read, of_lead)
    except RecordsError as error:
        looks.note(f"Nothing was kept. {shown(error, 200)}", "stop")
        return
    words = [KINDS[kind] for kind in read] + [shown(name, 30) for name in of_lead]
    if not changes:
        looks.note("Nothing was changed.", "calm")
    elif ctx.edit(f"Thickness of {' and '.join(words)}", changes):
        st.rerun()


def _badge(known: str, value_mm: float) -> str:
    """Entered, from a file or assumed, told by a word and a sign."""
    words = {
        ENTERED: f"entered: {value_mm:g} mm",
        KIND: f"entered: {value_mm:g} mm",
        FROM_FILE: f"from the file: {value_mm:g} mm",
        ASSUMED: f"assumed: {value_mm:g} mm",
    }
    state = {ENTERED: "good", KIND: "good", FROM_FILE: "missing", ASSUMED: "doubtful"}
    return looks.badge(state[known], words[known])


def _of_kind(job: Job, kind: str) -> str:
    """What counts for the leads of a kind now, and those that have a thickness of their own."""
    value_mm = _entered(job, kind)
    without = _without_own(job, kind)
    if value_mm is not None:
        said = _badge(KIND, value_mm)
    elif not without:
        said = ""
    else:
        said = _badge(ASSUMED, thickest_mm(job.leads)[kind])
        said += f" nobody entered it, {looks.counted(without, 'lead')}"
    own = [one for one in job.leads if one.kind == kind and one.diameter_mm is not None]
    if own:
        said += f"<div>{_listed(job, own)}</div>"
    return f'<div class="jb-soft">{said}</div>'


def _listed(job: Job, own: list[TracedLead]) -> str:
    from_file = [one for one in own if known_by(one, one.kind, {}) == FROM_FILE]
    entered = [one for one in own if known_by(one, one.kind, {}) == ENTERED]
    parts = []
    for word, leads in (("Entered for it", entered), ("From the file", from_file)):
        if len(leads) > NAMED:
            low, high = (f(one.diameter_mm for one in leads) for f in (min, max))
            span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
            parts.append(f"{word}: {looks.counted(len(leads), 'lead')}, {span} mm.")
        elif leads:
            listed = (f"{escape(shown(x.id, 30))} {x.diameter_mm:g}" for x in leads)
            parts.append(f"{word}: {', '.join(listed)} mm.")
    return " ".join(parts)


def _of_lead(job: Job, lead: TracedLead) -> str:
    known = known_by(lead, lead.kind, job.settings.diameters_mm)
    said = f"empty, so it counts as all {KINDS[lead.kind]} do"
    if known in (ENTERED, FROM_FILE):
        said = _badge(known, lead.diameter_mm)
    return f'<div class="jb-soft"><b>{escape(shown(lead.id, 30))}</b>: {said}</div>'


def _too_thin(ctx: Context, sight_of: Callable[[str], Sight | None], chosen: str | None) -> None:
    """Say which leads look clearly thicker on the photos than was entered."""
    leads = sorted(_to_compare(ctx.job), key=lambda one: one.id != chosen)
    for lead in leads[: 2 * LOOKED_AT]:  # a look takes time
        entered_mm = lead.diameter_mm
        key = "|".join(
            [ctx.job.texts[f"lead/{lead.id}"], ctx.job.texts["plate"]]
            + [ctx.job.texts.get(f"fit/{one.photo}", "") for one in lead.stretches]
        )
        width_mm = _width_mm(key, lambda lead=lead: width_on_photos_mm(lead, sight_of))
        if width_mm is not None and width_mm > CLEARLY * entered_mm:
            looks.note(
                f"{shown(lead.id, 30)} looks clearly thicker on the photos than the "
                f"{entered_mm:g} mm entered. Measure it again; when unsure, the thicker value."
            )


def _to_compare(job: Job) -> list[TracedLead]:
    """Leads whose thickness a person entered; of a kind a few, spread over the plate."""
    entered_mm = job.settings.diameters_mm
    own = [one for one in job.leads if known_by(one, one.kind, entered_mm) == ENTERED]
    for kind in entered_mm:
        like = [
            thick
            for one, thick in zip(job.leads, job.thick_leads, strict=True)
            if one.kind == kind and known_by(one, kind, entered_mm) == KIND
            if any(part.seen and part.photo is not None for part in one.stretches)
        ]
        own += like[:: max(1, -(-len(like) // LOOKED_AT))]
    return own


@st.cache_data(show_spinner="Looking at the photos", max_entries=400)
def _width_mm(key: str, _measure: Callable[[], float | None]) -> float | None:
    return _measure()
