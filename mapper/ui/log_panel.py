"""The teardown log on a page: every event in its order, put-backs, breaks; overrides stay seen.

The judgements stand in the same list. Those that were overruled, and marks that were taken
back, come from the job's history: nothing is kept twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape

import streamlit as st

from mapper.errors import shown
from mapper.pulling.words import place_words
from mapper.records import DoneStep, EditRecord, Job, JudgedEntry
from mapper.ui import looks
from mapper.ui.findings import Findings
from mapper.ui.marking import break_form, moved_leads, put_back
from mapper.ui.session import Context

__all__ = ["LogLine", "contradiction_notes", "log_lines", "log_panel", "override_notes"]

LINES = 12  # newest lines, with their buttons; the rest stands in a plain list
OVERRIDES = 5
CONTRADICTIONS = 3  # told in full; the step at hand must stay in sight
BEFORE = 3  # overruled judgements named in one line
_STYLE = """<style>
.log { border-left: 6px solid #c9cfd4; padding: .1rem .7rem; margin: .1rem 0; }
.log.over { border-color: #a32200; background: #fdeae4; }
.log .at { color: #4a5661; font-size: .92rem; }
</style>"""


@dataclass(frozen=True)
class LogLine:
    """One line of the log. `what`: pulled, peeled, broke, put back, took off, judged, overruled
    or taken back; `reason`: as typed; `override`: it was taken although it was not free."""

    at: datetime | None
    by: str
    what: str
    words: str
    wire: str = ""
    reason: str = ""
    override: bool = False


def log_lines(job: Job, history: Sequence[EditRecord] = ()) -> tuple[LogLine, ...]:
    """All events of a job, oldest first; lines without a time come where the log has them."""
    lines = [_done_line(step) for step in job.done]
    lines += [LogLine(one.at, one.by, "judged", _judged_words(one)) for one in job.judged]
    lines += _from_history(job, history)
    start = datetime.min.replace(tzinfo=UTC)
    order: list[tuple[datetime, int, LogLine]] = []
    last = start
    for number, line in enumerate(lines):
        if number == len(job.done):
            last = start
        # a tick never goes before the one ahead of it, whatever the clocks said
        at = _aware(line.at) or last
        last = max(last, at) if number < len(job.done) else start
        order.append((last if number < len(job.done) else at, number, line))
    return tuple(line for *_, line in sorted(order, key=lambda item: item[:2]))


def _aware(at: datetime | None) -> datetime | None:
    return at if at is None or at.tzinfo is not None else at.replace(tzinfo=UTC)


def _done_line(step: DoneStep) -> LogLine:
    place = "" if step.past is None else f" {place_words(step.past)}"
    what, words = {
        "pull": ("pulled", f"{step.wire} out"),
        "peel": ("peeled", f"{step.wire} peeled to just past{place}"),
        "broke": ("broke", f"{step.wire} broke at{place}"),
        "put back": ("put back", f"{step.wire} put back"),
        "took off": ("took off", f"{step.wire} off"),
    }[step.action]
    override = bool(step.reason) and step.action in ("pull", "peel", "took off")
    return LogLine(step.at, step.by, what, words, step.wire, step.reason, override)


def _judged_words(one: JudgedEntry) -> str:
    said = {"a": f"{one.a} on top", "b": f"{one.b} on top", "apart": "apart"}.get(one.top, "open")
    return f"{one.a} / {one.b} at {place_words((one.x_mm, one.y_mm))}: {said}"


def _from_history(job: Job, history: Sequence[EditRecord]) -> list[LogLine]:
    """Judgements that were overruled, the overruling, and marks that were taken back.

    What an edit removed decides, not what it was called.
    """
    lines = []
    for edit in history:
        if edit.state != "live":
            if any(key.startswith("done/") for key in edit.keys):
                lines.append(LogLine(edit.at, edit.by, "taken back", edit.label))
            continue
        old = [
            JudgedEntry.from_mapping(key.partition("/")[2], value)
            for key, value in edit.removed.items()
            if key.startswith("judged/")
        ]
        for one in old:
            lines.append(LogLine(one.at, one.by, "judged", f"{_judged_words(one)}; not any more"))
        if old:
            before = "; ".join(_judged_words(one) for one in old[:BEFORE])
            before += f" and {len(old) - BEFORE} more" if len(old) > BEFORE else ""
            words = f"{edit.label} (before: {before})"
            lines.append(LogLine(edit.at, edit.by, "overruled", words))
    return lines


def contradiction_notes(findings: Findings) -> None:
    """Say, always in sight, what in the log does not fit the map; many of them in a list."""
    told = findings.contradictions
    for sentence in told[:CONTRADICTIONS]:
        looks.note(sentence, "stop")
    rest = told[CONTRADICTIONS:]
    if rest:
        with st.expander(f"✕ {len(rest)} more of what in the log does not fit the map"):
            for sentence in rest:
                st.html(f"<div>{escape(sentence)}</div>")


def override_notes(findings: Findings) -> None:
    """Say, always in sight, what was taken although it was not free."""
    lines = [line for line in map(_done_line, findings.job.done) if line.override]
    for line in lines[-OVERRIDES:]:
        looks.note(f"{_said(line)}, although it was not free: {line.reason}", "stop")
    if len(lines) > OVERRIDES:
        looks.note(f"{len(lines) - OVERRIDES} earlier ones stand in the teardown log.", "stop")


def _said(line: LogLine) -> str:
    at = f"{line.at.astimezone():%d.%m. %H:%M} " if line.at else ""
    return f"{at}{shown(line.words, 300)}" + (f", {shown(line.by, 40)}" if line.by else "")


def _html(line: LogLine) -> str:
    at = f"{line.at.astimezone():%d.%m. %H:%M}" if line.at else "no time"
    by = f", {escape(shown(line.by, 40))}" if line.by else ""
    reason = escape(shown(line.reason, 200))
    if line.override:
        reason = f" <b>✕ not free then: {reason}</b>"
    elif reason:
        reason = f" ({reason})"
    return (
        f'<div class="log {"over" if line.override else ""}"><span class="at">{at}{by}</span> '
        f"<b>{line.what}</b> {escape(shown(line.words, 300))}{reason}</div>"
    )


@st.cache_resource(show_spinner=False, max_entries=6)
def _lines(job_id: str, revision: int, _ctx: Context) -> tuple[LogLine, ...]:
    return log_lines(_ctx.job, _ctx.store.history(job_id))


def log_panel(ctx: Context, findings: Findings) -> None:
    """The log with its buttons; nothing is shown while nothing has happened."""
    if findings.planned_on is None:
        return
    lines = _lines(ctx.job_id, ctx.job.revision, ctx)
    moved = moved_leads(findings)
    st.html(_STYLE)
    with st.expander(f"Teardown log ({len(lines)})", expanded=bool(moved)):
        with_button: set[str] = set()
        for number, line in enumerate(reversed(lines[-LINES:])):
            text, button = st.columns([4, 1], gap="small", vertical_alignment="center")
            text.html(_html(line))
            if line.wire in moved and line.wire not in with_button:
                with_button.add(line.wire)
                if button.button("Put back", key=f"back {number} {line.wire}", width="stretch"):
                    put_back(ctx, line.wire)
                    st.rerun()
        others = [wire for wire in moved if wire not in with_button]
        if others:
            wire = st.selectbox("Put back another", others, key="put back lead")
            if st.button("Put back", key="put back other"):
                put_back(ctx, wire)
                st.rerun()
        if len(lines) > LINES:
            with st.popover(f"{len(lines) - LINES} earlier lines"):
                st.html("".join(_html(line) for line in reversed(lines[:-LINES])))
        if ctx.job.done:
            st.caption("A wrong mark is taken back with Undo.")
    _broke(ctx, findings)


def _broke(ctx: Context, findings: Findings) -> None:
    there = findings.leads_left
    if not there:
        return
    with st.expander("It broke"):
        wire = st.selectbox("Lead", there, key="broken lead")
        if break_form(ctx, findings, wire, "log"):
            st.rerun()
