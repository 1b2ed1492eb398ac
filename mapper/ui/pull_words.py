"""How hard the lead at hand may be pulled, under the card of the step."""

from __future__ import annotations

from html import escape

import streamlit as st

from mapper.bench import BenchError, area_mm2
from mapper.bench.pull_force import FRICTION, pull_guide
from mapper.pulling import Step
from mapper.ui.findings import Findings
from mapper.ui.session import Context

__all__ = ["pull_words"]


def pull_words(ctx: Context, findings: Findings, step: Step) -> None:
    """Show the pull advice of a step that may be done now; nothing for parts and for leads whose
    route nobody traced."""
    lead = findings.planned_on.leads_by_id.get(step.wire)
    if (
        lead is None
        or step.wire in findings.parts
        or step not in findings.legal_now
        or step.wire in ctx.job.provisional_ids()
    ):
        return
    guide = pull_guide(lead.points_mm, _area_mm2(ctx, step.wire, lead.kind), FRICTION)
    text = guide.text if step.action == "pull" else f"Lift it out; do not pull. {guide.limit_text}"
    st.html(
        f'<div style="font-size:1.25rem;font-weight:600">{escape(text)}</div>'
        "<div>If it holds, stop: it is frozen or caught.</div>"
        f'<details class="jb-soft"><summary>What this assumes</summary>'
        f"{escape('; '.join(guide.assumed))}.</details>"
    )


def _area_mm2(ctx: Context, wire: str, kind: str) -> float | None:
    """Conductor size of the lead from the parts table, None when it is not entered."""
    zone = ctx.job.value(f"zone/{wire.rpartition('-')[0]}", {})
    size = zone.get("sensor_wire" if kind == "thermocouple" else "heater_wire")
    try:
        return area_mm2(size) if isinstance(size, str) else None
    except BenchError:
        return None
