"""Page "Salvage": verdicts counted, the order list, and cleaning in-house beside sending out."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import streamlit as st

from mapper.bench import BenchError
from mapper.bench.parts import number_words, typed_number
from mapper.bench.salvage import (
    COST_WORDS,
    PART_NAMES,
    WORDS,
    Comparison,
    Costs,
    OrderLine,
    PartVerdict,
    compare_costs,
    counts,
    longest_days,
    order_lines,
    part_verdicts,
    total_price,
)
from mapper.errors import shown
from mapper.records import Job, broken_leads, leads_not_there
from mapper.sheets import PAPERS_MM, order_list_csv, order_list_xlsx, salvage_sheet_pdf
from mapper.sheets.salvage_sheet import SALVAGE_CAUTION, comparison_rows, money
from mapper.ui import jobbar, looks
from mapper.ui.session import Context, go
from mapper.ui.sheet_page import file_stem

__all__ = ["show"]

INVENTED = "The numbers of this demo job are invented."
XLSX_KIND = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("salvage")
    if ctx is None:
        return
    st.subheader("Salvage: what goes back in, what is ordered, what it costs")
    job = ctx.job
    if not job.zones:
        looks.note("The zones come from the drops of the plate, and there is no plate yet.", "calm")
        if st.button("Go to Plate", type="primary"):
            go("plate")
        return
    looks.note(SALVAGE_CAUTION)
    parts = part_verdicts(job.zones, job.limits, broken_leads(job), leads_not_there(job))
    comparison = compare_costs(parts, job.costs)
    _counted(parts)
    _order(job, parts)
    st.subheader("In-house beside sending out")
    left, right = st.columns([2, 3], gap="large")
    with left:
        _costs(ctx)
    with right:
        _compared(comparison)
    _downloads(job, parts, comparison)


def _counted(parts: tuple[PartVerdict, ...]) -> None:
    marks = dict(zip(WORDS, "✓≈?–✗", strict=True))
    for part, found in counts(parts).items():
        words = ", ".join(f"{marks[word]} {number} {word}" for word, number in found.items())
        st.markdown(f"**{PART_NAMES[part]}s:** {words}")
    undecided = [one for one in parts if one.open]
    if undecided:
        left, right = st.columns([4, 1], vertical_alignment="center")
        left.caption(
            f"{looks.counted(len(undecided), 'part')} undecided. They count as used again at the "
            "low end of the costs and as replaced at the high end."
        )
        if right.button("Go to Readings", width="stretch"):
            go("readings")
    broken = [f"{one.zone} {PART_NAMES[one.part].lower()}" for one in parts if one.broken]
    if broken:
        st.markdown("**Lead broke during teardown:** " + looks.plain_markdown(", ".join(broken)))


def _order(job: Job, parts: tuple[PartVerdict, ...]) -> None:
    st.subheader("Order list")
    also = st.checkbox("Also list the undecided parts", key="also undecided")
    lines = order_lines(parts, also_open=also)
    if not lines:
        st.caption("Nothing to order by the verdicts so far.")
        return
    st.dataframe(
        [
            {
                "Part": PART_NAMES[line.part],
                "Quantity": line.quantity,
                "What": line.text,
                "Zones": ", ".join(line.zones),
                "Price each": _or_unknown(line.price),
                "Price": _or_unknown(line.total),
                "Days": "not entered" if line.days is None else f"{line.days:g}",
            }
            for line in lines
        ],
        hide_index=True,
        width="stretch",
    )
    total, longest = total_price(lines), longest_days(lines)
    days = "not known" if longest is None else f"{longest:g} days"
    st.markdown(f"**Together {money(total)}; longest lead time {days}.**")
    if total is None or longest is None:
        left, right = st.columns([4, 1], vertical_alignment="center")
        left.caption("A price or lead time is missing. Enter it on the page Parts.")
        if right.button("Go to Parts", width="stretch"):
            go("parts")
    _order_files(file_stem(job.name), lines)


def _or_unknown(value: float | None) -> str:
    return "not entered" if value is None else money(value)


def _order_files(stem: str, lines: tuple[OrderLine, ...]) -> None:
    with st.container(horizontal=True):
        st.download_button(
            "Order list (CSV)", order_list_csv(lines), f"{stem} order.csv", "text/csv",
            on_click="ignore",
        )  # fmt: skip
        st.download_button(
            "Order list (XLSX)", order_list_xlsx(lines), f"{stem} order.xlsx", XLSX_KIND,
            on_click="ignore",
        )  # fmt: skip


def _costs(ctx: Context) -> None:
    costs = ctx.job.costs
    if ctx.job.about.get("demo"):
        st.caption(INVENTED)
    kept = ctx.job.value("costs", {})
    with st.form(f"costs {sorted(kept.items())}", border=True):
        st.caption("All numbers are your own; one currency throughout. Empty is not counted.")
        typed: dict[str, str] = {}
        columns = st.columns(2)
        for n, (key, (words, _, _)) in enumerate(COST_WORDS.items()):
            value = getattr(costs, key)
            typed[key] = columns[n % 2].text_input(
                words, "" if value is None else number_words(value)
            )
        has_parts = st.checkbox(
            "The quote includes new parts throughout", value=costs.quote_has_parts
        )
        sent = st.form_submit_button("Keep these numbers", type="primary")
    if not sent:
        return
    try:
        entry: dict[str, Any] = {
            **{key: value for key, value in kept.items() if key not in COST_WORDS},
            **{
                key: typed_number(text, COST_WORDS[key][0])
                for key, text in typed.items()
                if text.strip()
            },
            "quote_has_parts": has_parts,
        }
        Costs.from_mapping(entry)
    except BenchError as error:
        looks.note(f"Nothing was kept. {shown(error, 300)}", "stop")
        return
    if entry == kept:
        looks.note("Nothing was changed.", "calm")
    elif ctx.edit("Costs", {"costs": entry}):
        st.rerun()


def _compared(comparison: Comparison) -> None:
    st.dataframe(
        [
            {"": what, "In-house": own, "Sent out": out}
            for what, own, out in comparison_rows(comparison)
        ],
        hide_index=True,
        width="stretch",
        column_config={"": st.column_config.TextColumn("", width="medium")},
    )
    for text in comparison.missing:
        st.markdown(f"- Missing: {looks.plain_markdown(text)}")
    st.caption(
        "In-house = hours × rate + parts to replace + share of consumables. Sent out = quote + "
        "freight, and the same parts when the quote has none. "
        + (
            "Days without the mould are counted at their cost; parts are ordered at once, so the "
            "longer of the work and the lead time counts. "
            if comparison.downtime_counted
            else "Downtime is not counted in money. "
        )
        + "Break-even: the share of the value of all parts that has to be fit for re-use for both "
        "ways to cost the same."
    )


def _downloads(job: Job, parts: tuple[PartVerdict, ...], comparison: Comparison) -> None:
    paper = st.segmented_control(
        "Paper", list(PAPERS_MM), default="A4", required=True, key="salvage paper"
    )
    made = salvage_sheet_pdf(
        job.name or "Job without a name",
        parts,
        job.costs,
        comparison,
        datetime.now(),
        INVENTED if job.about.get("demo") else "",
        paper,
    )
    st.download_button(
        "Salvage sheet with order list and costs (PDF)",
        made,
        f"{file_stem(job.name)} salvage.pdf",
        "application/pdf",
        type="primary",
        on_click="ignore",
    )
