"""Page "Hand-over": what is done and what is not, with notes, for the next shift; printable."""

from __future__ import annotations

import uuid
from datetime import datetime
from html import escape

import streamlit as st

from mapper.errors import MapperError, shown
from mapper.records import Job, ShiftNote
from mapper.records.document import key_of
from mapper.ui import jobbar, looks
from mapper.ui.findings import Findings, findings_of
from mapper.ui.handover import Handover, handover_of
from mapper.ui.pull_crops import pull_crops_pdf
from mapper.ui.session import PERSON, Context, set_person
from mapper.ui.sheet_page import file_stem

__all__ = ["handover_html", "show"]

_PRINT_STYLE = """
body { font-family: "Segoe UI", Arial, sans-serif; color: #15212b; max-width: 46rem;
  margin: 1.2rem auto; font-size: 12pt; line-height: 1.4; }
h1 { font-size: 18pt; margin: 0; } h2 { font-size: 13pt; margin: .9rem 0 .2rem;
  border-bottom: 2px solid #15212b; break-after: avoid; }
ul { margin: .2rem 0; padding-left: 1.2rem; } li { break-inside: avoid; }
.note { border: 1.5px solid #15212b; padding: .3rem .6rem; margin: .3rem 0; white-space: pre-wrap;
  break-inside: avoid; }
.small { font-size: 10pt; } @page { size: A4; margin: 15mm; }
"""


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("handover")
    if ctx is None:
        return
    findings = findings_of(ctx.job)
    handover = _handover(findings)
    left, right = st.columns([3, 2], gap="medium")
    with right:
        _notes(ctx)
    with left:
        st.subheader("For the next shift")
        if handover is not None:
            st.download_button(
                "Page to print (HTML)",
                handover_html(ctx.job, handover, datetime.now()),
                f"{file_stem(ctx.job.name)} hand-over.html",
                "text/html",
                type="primary",
                on_click="ignore",
                help="Open it in any browser and print it from there.",
            )
            if findings.offered is not None and findings.leads_left:
                job = ctx.job
                st.download_button(
                    "Pull order with crops (PDF)",
                    lambda: pull_crops_pdf(job),
                    f"{file_stem(job.name)} pull order with crops.pdf",
                    "application/pdf",
                    on_click="ignore",
                    help="Each step with its place on the newest photo, and a box to tick.",
                )
            for heading, lines in handover.parts:
                if lines:
                    rows = "".join(f"<li>{escape(line)}</li>" for line in lines)
                    st.html(f"<h4 style='margin:.2rem 0'>{heading}</h4><ul>{rows}</ul>")
        looks.cautions()


def _handover(findings: Findings) -> Handover | None:
    try:
        return handover_of(findings)
    except MapperError as error:
        looks.note(f"What is held back can't be said now: {shown(error, 300)}", "stop")
        return None


def _notes(ctx: Context) -> None:
    st.subheader("Notes")
    with st.form("note for the next shift", clear_on_submit=True):
        words = st.text_area(
            "A note for the next shift",
            max_chars=1000,
            height=110,
            placeholder="What you saw, what you left open, what is hot or loose",
        )
        by = st.text_input("Your name", ctx.person, max_chars=60)
        kept = st.form_submit_button("Keep the note", type="primary", width="stretch")
    if kept and not words.strip():
        looks.note("Type the note first.")
    elif kept:
        if by.strip() and by.strip() != st.session_state.get(PERSON):
            set_person(by.strip())
        note = ShiftNote("", words.strip(), by.strip(), datetime.now().astimezone())
        if ctx.edit(
            "Note for the next shift", {key_of("note", uuid.uuid4().hex): note.to_mapping()}
        ):
            st.rerun()
    for note in ctx.job.notes:
        with st.container(border=True):
            st.html(
                f"<b>{escape(_signed(note))}</b>"
                f"<div style='white-space:pre-wrap'>{escape(note.text)}</div>"
            )
            if st.button("Strike this note", key=f"strike {note.id}") and ctx.edit(
                "Strike a note", {key_of("note", note.id): None}
            ):
                st.rerun()


def _signed(note: ShiftNote) -> str:
    when = "" if note.at is None else f"{note.at.astimezone():%Y-%m-%d %H:%M}"
    return ", ".join(part for part in (when, note.by or "no name") if part)


def handover_html(job: Job, handover: Handover, made_at: datetime) -> str:
    """Return the hand-over as one page of HTML that any browser prints."""
    name = escape(job.name or "Job without a name")
    body = [f"<h1>Hand-over: {name}</h1><p>{made_at:%Y-%m-%d %H:%M}</p>"]
    if job.notes:
        body.append("<h2>Notes</h2>")
        body += [
            f'<div class="note"><b>{escape(_signed(note))}</b>\n{escape(note.text)}</div>'
            for note in job.notes
        ]
    for heading, lines in handover.parts:
        rows = "".join(f"<li>{escape(line)}</li>" for line in lines) or "<li>Nothing.</li>"
        body.append(f"<h2>{heading}</h2><ul>{rows}</ul>")
    cautions = " ".join(escape(sentence) for sentence in looks.CAUTIONS)
    body.append(f'<h2>Before you touch anything</h2><p class="small">{cautions}</p>')
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f"<title>Hand-over: {name}</title><style>{_PRINT_STYLE}</style></head>"
        f"<body>{''.join(body)}</body></html>"
    )
