"""An order of one's own: put together step by step or typed, and checked at once."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from html import escape

import streamlit as st

from mapper.errors import MapperError, shown
from mapper.pulling import PullError, Step, check_order, read_order
from mapper.ui import looks
from mapper.ui.findings import Findings
from mapper.ui.marking import untraced_words

__all__ = ["faults_of", "order_csv", "order_from_text", "own_order"]

MAX_ORDER_MB = 2
ROWS = 10  # steps with their buttons at once
_STEPS = "steps of my own order"  # session state: (job id, steps)
_FROM = "first step shown of my own order"
_WORDS = {"wire", "action", "pull", "peel"}


def order_from_text(text: str) -> list[Step]:
    """Read "Z03-H, Z05-T", one lead per line, or a table as `read_order` takes it.

    Raises PullError for what is neither.
    """
    cells = [cell.strip() for cell in re.split(r"[,;\t\r\n]+", text)]
    try:
        return read_order(text.strip() + "\n")
    except PullError:
        if any(cell.lower() in _WORDS for cell in cells):
            raise
    wires = [cell for cell in cells if cell]
    if not wires:
        raise PullError("the order is empty; give one lead per row")
    return [Step("pull", wire) for wire in wires]


def order_csv(steps: Sequence[Step]) -> str:
    """The steps as a table that `read_order` and `mapper check` read."""
    out = io.StringIO()
    table = csv.writer(out)
    table.writerow(["action", "wire", "past_x", "past_y"])
    for step in steps:
        table.writerow([step.action, step.wire, *(step.past or ("", ""))])
    return out.getvalue()


def faults_of(findings: Findings, steps: Sequence[Step]) -> dict[int, list[str]]:
    """What is wrong with each step, by its number from 1: over whom the lead lies, and where."""
    faults: dict[int, list[str]] = {}
    for one in check_order(findings.planned_on, steps, findings.done):
        faults.setdefault(one.step, []).append(one.sentence())
    for number, step in enumerate(steps, start=1):
        if step.wire in findings.untraced and number not in faults:
            faults[number] = [f"Step {number}: {untraced_words(step.wire)}"]
    return faults


def own_order(findings: Findings) -> None:
    """The panel; the order is kept in this browser tab, per job."""
    with st.expander("An order of my own"):
        steps = _kept(findings)
        _start(findings)
        _typed(findings)
        _add(findings, steps)
        if steps:
            _checked(findings, steps)


def _kept(findings: Findings) -> list[Step]:
    job_id, steps = st.session_state.get(_STEPS, ("", []))
    return list(steps) if job_id == findings.job.id else []


def _keep(findings: Findings, steps: Sequence[Step], show: int | None = None) -> None:
    st.session_state[_STEPS] = (findings.job.id, list(steps))
    if show is not None:
        st.session_state[_FROM] = max(0, show) // ROWS * ROWS


def _start(findings: Findings) -> None:
    plan, empty = st.columns(2, gap="small")
    if plan.button("Start from the plan", width="stretch"):
        _keep(findings, findings.offered.steps, 0)
        st.rerun()
    if empty.button("Start empty", width="stretch"):
        _keep(findings, [], 0)
        st.rerun()


def _typed(findings: Findings) -> None:
    text = st.text_area(
        "or type it: one lead per line, or with commas",
        key="own order",
        height=80,
        max_chars=200_000,
        placeholder="Z03-H, Z05-T",
    )
    file = st.file_uploader(
        "or a table (CSV: wire, or action, wire, past_x, past_y)",
        type=["csv", "txt"],
        max_upload_size=MAX_ORDER_MB,
        key="own order file",
    )
    if not st.button("Check the order", type="primary"):
        return
    if file is None and not text.strip():
        looks.note("Type an order or choose a file first.")
        return
    try:
        order = read_order(file.getvalue()) if file is not None else order_from_text(text)
    except MapperError as error:
        looks.note(shown(error, 300), "stop")
        return
    _keep(findings, order, 0)
    st.rerun()


def _add(findings: Findings, steps: list[Step]) -> None:
    named = {step.wire for step in steps if step.action == "pull"}
    left = [
        one.id
        for one in findings.planned_on.leads
        if one.id not in findings.out and one.id not in named
    ]
    if not left:
        return
    lead, how, add = st.columns([2, 2, 1], gap="small", vertical_alignment="bottom")
    wire = lead.selectbox(
        "Next lead or part" if findings.parts else "Next lead", left, key="own next lead"
    )
    places = {"take it out": None} | {
        f"peel past {one.b if one.a == wire else one.a} at ({one.x_mm:.0f}, {one.y_mm:.0f})": (
            one.x_mm,
            one.y_mm,
        )
        for one in findings.drawn.crossings
        if wire in (one.a, one.b)
    }
    chosen = how.selectbox("Step", list(places), key=f"own next step {wire}")
    if add.button("Add", key="own add", width="stretch"):
        past = places[chosen]
        step = Step("pull", wire) if past is None else Step("peel", wire, past)
        _keep(findings, [*steps, step], len(steps))
        st.rerun()


def _checked(findings: Findings, steps: list[Step]) -> None:
    try:
        faults = faults_of(findings, steps)
    except MapperError as error:
        looks.note(shown(error, 300), "stop")
        return
    if not faults:
        looks.note(
            f"No step of these {len(steps)} pulls a lead from under another, as far as the "
            "job knows.",
            "calm",
        )
    else:
        numbers = ", ".join(str(number) for number in list(faults)[:12])
        more = " ..." if len(faults) > 12 else ""
        looks.note(
            f"{looks.counted(len(faults), 'step')} of {len(steps)} must not be done as "
            f"ordered: {numbers}{more}",
            "stop",
        )
    first = min(int(st.session_state.get(_FROM, 0)), (len(steps) - 1) // ROWS * ROWS)
    if len(steps) > ROWS:
        _pages(steps, faults, first)
    for at in range(first, min(first + ROWS, len(steps))):
        _row(findings, steps, at, faults.get(at + 1, []))
    st.download_button(
        "Save this order (CSV)", order_csv(steps), "my-order.csv", "text/csv", key="own csv"
    )


def _pages(steps: list[Step], faults: dict[int, list[str]], first: int) -> None:
    back, wrong, ahead = st.columns(3, gap="small")
    to = None
    if back.button("Earlier steps", disabled=first == 0, width="stretch"):
        to = first - ROWS
    if wrong.button("To the next wrong step", disabled=not faults, width="stretch"):
        later = [number for number in faults if number > first + ROWS]
        to = (later[0] if later else min(faults)) - 1
    if ahead.button("Later steps", disabled=first + ROWS >= len(steps), width="stretch"):
        to = first + ROWS
    if to is not None:
        st.session_state[_FROM] = max(0, to) // ROWS * ROWS
        st.rerun()


def _row(findings: Findings, steps: list[Step], at: int, faults: list[str]) -> None:
    text, up, down, out = st.columns([5, 1, 1, 1], gap="small", vertical_alignment="center")
    mark = '<b style="color:#a32200">✕</b>' if faults else "&ensp;"
    text.html(f"{mark} <b>{at + 1}</b>&ensp;{escape(shown(findings.step_words(steps[at]), 120))}")
    moved = list(steps)
    if up.button("▲", key=f"own up {at}", disabled=at == 0, help="Earlier", width="stretch"):
        moved[at - 1], moved[at] = moved[at], moved[at - 1]
        _keep(findings, moved, at - 1)
        st.rerun()
    last = at + 1 == len(steps)
    if down.button("▼", key=f"own down {at}", disabled=last, help="Later", width="stretch"):
        moved[at + 1], moved[at] = moved[at], moved[at + 1]
        _keep(findings, moved, at + 1)
        st.rerun()
    if out.button("✕", key=f"own drop {at}", help="Take it out of the order", width="stretch"):
        _keep(findings, moved[:at] + moved[at + 1 :], at - 1)
        st.rerun()
    for sentence in faults[:6]:
        looks.note(sentence, "stop")
    if len(faults) > 6:
        looks.note(f"and {len(faults) - 6} more places.", "stop")
