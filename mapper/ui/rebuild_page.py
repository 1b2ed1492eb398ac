"""Page "Rebuild": plan the next wiring, fix leads to channels, keep what was laid."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import datetime
from html import escape

import streamlit as st

from mapper.bench import PinExits
from mapper.errors import shown
from mapper.plate import Plate
from mapper.rebuild import RebuildPlan, RebuildSettings, WantedLead, plan_rebuild
from mapper.records import RebuildEntry, as_built_of, pin_exits, wanted_leads
from mapper.sheets import PAPERS_MM, rebuild_sheet_pdf
from mapper.ui import jobbar, looks
from mapper.ui.as_built_panel import as_built_panel
from mapper.ui.connector_panel import connector_panel, pins_of
from mapper.ui.rebuild_picture import FILL_STEPS, OVER, rebuild_svg
from mapper.ui.session import Context, go
from mapper.ui.sheet_page import file_stem

__all__ = ["install_csv", "planned", "show"]

ALL = "all leads"
CAUTION = (
    "The plan knows channels, not heat: keep leads away from moving parts, sharp edges and places "
    "hotter than their insulation allows, and follow the makers' rules for bending. Check "
    "insulation and every zone on its own before anything is energised; local codes and licensed "
    "practice decide."
)


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("rebuild")
    if ctx is None:
        return
    plate = ctx.job.plate
    if plate is None:
        looks.note("There is no plate yet, so there is nothing to wire.", "calm")
        if st.button("Go to Plate", type="primary"):
            go("plate")
        return
    entry, wanted = ctx.job.rebuild, wanted_leads(ctx.job)
    if not wanted:
        looks.note("The plate has no drops, so there are no leads to lay.", "calm")
        if st.button("Go to Plate", type="primary"):
            go("plate")
        return
    plan, by_pins = planned(plate, wanted, entry.settings), pin_exits(ctx.job)
    left, right = st.columns([2, 3], gap="medium")
    with left:
        st.subheader("The next wiring")
        _verdict(ctx, plan, by_pins)
        connector_panel(ctx, plate, by_pins)
        _settings(ctx, entry)
        _wishes(ctx, plate, entry, wanted)
    with right:
        _picture(plate, plan)
    if plan.status == "planned":
        _install(ctx, plate, plan, by_pins)
    as_built_panel(ctx)


@st.cache_resource(show_spinner="Planning the wiring", max_entries=8)
def _planned(key: str, _plate: Plate, _wanted: list, _settings: RebuildSettings) -> RebuildPlan:
    return plan_rebuild(_plate, _wanted, _settings)


def planned(plate: Plate, wanted: list[WantedLead], settings: RebuildSettings) -> RebuildPlan:
    """The plan, from the cache while nothing it rests on has changed."""
    return _planned(f"{plate!r}|{wanted!r}|{settings!r}", plate, wanted, settings)


def _verdict(ctx: Context, plan: RebuildPlan, by_pins: PinExits) -> None:
    if plan.status != "planned":
        looks.note(plan.bottleneck.words, "stop")
        sure = (
            "This is proved: no routing gets round it."
            if plan.bottleneck.proven
            else "This is what the search found; it is no proof."
        )
        st.caption(sure)
        own = [lead for lead in plan.bottleneck.leads if lead not in ctx.job.rebuild.exits]
        for sentence in [by_pins.because[lead] for lead in own if lead in by_pins.because][:3]:
            st.caption(looks.plain_markdown(sentence))
        if st.button("Change the channels on the page Plate"):
            go("plate")
        return
    count = sum(meeting.kind == "crossing" for meeting in plan.found)
    if plan.note:
        looks.note(plan.note)
    crossings = "no crossing" if not count else looks.counted(count, "crossing")
    fullest = max(plan.fills, key=lambda fill: fill.share)
    st.html(
        f'<div class="band calm" role="note"><b>✓</b>&ensp;{len(plan.leads)} leads, {crossings}. '
        "Laid in this order, no lead locks another: pulled the other way round each comes out "
        f"whole. Fullest: channel {escape(shown(fullest.channel))} at {fullest.share:.0%} "
        f"of {fullest.limit:.0%}.</div>"
    )
    first = ctx.job.as_built is None
    words = "Lay it like this: keep as as-built" if first else "Keep this plan as as-built instead"
    if st.button(words, type="primary" if first else "secondary", width="stretch"):
        _accept(ctx, plan)


def _accept(ctx: Context, plan: RebuildPlan) -> None:
    built = as_built_of(plan, ctx.person, datetime.now().astimezone())
    if ctx.edit("Keep the rebuild plan as as-built", {"as-built": built.to_mapping()}):
        looks.say(
            "Kept as as-built. Correct it at the end of this page where it was laid otherwise.",
            "calm",
        )
        st.rerun()


def _settings(ctx: Context, entry: RebuildEntry) -> None:
    own = entry.settings
    with st.form("rebuild settings"):
        first, second = st.columns(2)
        fill = first.number_input(
            "Fill limit %",
            1.0,
            100.0,
            own.fill_limit * 100,
            5.0,
            format="%g",
            help="How much of a channel's width x depth the leads may take. 40 % is what NFPA 70 "
            "chapter 9 table 1 allows for more than two conductors in a conduit.",
        )
        bend = second.number_input(
            "Bend radius mm",
            0.0,
            200.0,
            own.bend_radius_mm,
            1.0,
            format="%g",
            help="The least radius that the maker of the leads allows.",
        )
        slack = first.number_input("Slack %", 0.0, 100.0, own.slack_share * 100, 1.0, format="%g")
        tail = second.number_input(
            "Tail to the terminal mm", 0.0, 10_000.0, own.tail_mm, 50.0, format="%g"
        )
        heater = first.number_input(
            "Heater lead mm",
            0.5,
            20.0,
            entry.diameter_mm("heater"),
            0.1,
            format="%g",
            help="Thickness of leads for which nobody entered one of their own.",
        )
        sensor = second.number_input(
            "Thermocouple lead mm", 0.5, 20.0, entry.diameter_mm("thermocouple"), 0.1, format="%g"
        )
        if not st.form_submit_button("Plan with these", width="stretch"):
            return
    settings = replace(
        own, fill_limit=fill / 100, bend_radius_mm=bend, slack_share=slack / 100, tail_mm=tail
    )
    typed = {"heater": heater, "thermocouple": sensor}
    changed_mm = {kind: mm for kind, mm in typed.items() if mm != entry.diameter_mm(kind)}
    diameters = {**entry.diameters_mm, **changed_mm}
    changed = replace(entry, settings=settings, diameters_mm=diameters)
    if changed != entry and ctx.edit("Rebuild settings", {"rebuild": changed.to_mapping()}):
        st.rerun()


def _wishes(ctx: Context, plate: Plate, entry: RebuildEntry, wanted: list[WantedLead]) -> None:
    with st.expander(
        f"Fix a lead to a channel or exit ({len(entry.channels) + len(entry.exits)} fixed)",
        expanded=bool(entry.channels or entry.exits),
    ):
        ways = {f"channel {one.id}": ("channels", one.id) for one in plate.channels}
        ways |= {f"exit {one.id}": ("exits", one.id) for one in plate.exits}
        first, second = st.columns(2)
        lead = first.selectbox("Lead", [one.id for one in wanted], key="rebuild lead")
        way = second.selectbox("has to run through", list(ways), key="rebuild way")
        if way is not None and st.button("Fix it and plan again", width="stretch"):
            part, name = ways[way]
            kept = {**getattr(entry, part), lead: name}
            _wish(ctx, replace(entry, **{part: kept}), f"Fix {lead} to {way}")
        for part, word in (("channels", "channel"), ("exits", "exit")):
            for name, where in sorted(getattr(entry, part).items()):
                if st.button(f"Free {name} from {word} {where}", key=f"free {part} {name}"):
                    rest = {k: v for k, v in getattr(entry, part).items() if k != name}
                    _wish(ctx, replace(entry, **{part: rest}), f"Free {name} from {word} {where}")


def _wish(ctx: Context, entry: RebuildEntry, label: str) -> None:
    if ctx.edit(label, {"rebuild": entry.to_mapping()}):
        st.rerun()


def _picture(plate: Plate, plan: RebuildPlan) -> None:
    names = [one.lead.id for one in plan.leads]
    bold = ALL
    if names:
        bold = st.selectbox("Show", [ALL, *names], key="rebuild bold", label_visibility="collapsed")
    st.image(
        rebuild_svg(plate, plan, () if bold in (ALL, None) else (bold,)),
        width="stretch",
        alt="The planned wiring with the fill of each channel",
    )
    steps = "".join(
        f'<span style="background:{colour};border:1px solid #15212b;padding:0 .5rem">&nbsp;</span>'
        f"&nbsp;up to {most:.0%} of the limit&emsp;"
        for most, colour in FILL_STEPS
    )
    st.html(f"{steps}<span style='background:{OVER};padding:0 .5rem'>&nbsp;</span>&nbsp;over it, !")


def _install(ctx: Context, plate: Plate, plan: RebuildPlan, by_pins: PinExits) -> None:
    st.subheader("Order of laying")
    looks.note(CAUTION)
    st.caption(
        "Each lead goes on top of what lies there already. Cut lengths count the route, the slack "
        "and the tail, rounded up to 10 mm. Nothing is cut before the first lead was tried."
    )
    st.dataframe(
        [
            {
                "No.": one.number,
                "Lead": one.lead.id,
                "Drop": one.lead.drop,
                "Through": " › ".join(one.channels),
                "Exit": one.lead.exit,
                **({"Pins": pins_of(by_pins, one.lead.id)} if by_pins.pins else {}),
                "Cut mm": one.cut_length_mm,
            }
            for one in plan.leads
        ],
        hide_index=True,
        width="stretch",
        height=min(36 * (len(plan.leads) + 1), 420),
        column_config={
            "No.": st.column_config.NumberColumn(width="small"),
            "Through": st.column_config.TextColumn(width="large"),
            "Cut mm": st.column_config.NumberColumn(format="%d"),
        },
    )
    stem = file_stem(ctx.job.name)
    left, right = st.columns(2)
    left.download_button(
        "Order and cut lengths (CSV)",
        install_csv(plan, by_pins),
        f"{stem} install order.csv",
        "text/csv",
        on_click="ignore",
        width="stretch",
    )
    paper = right.segmented_control(
        "Paper", list(PAPERS_MM), default="A4", required=True, key="rebuild paper"
    )
    title = ctx.job.name or "Job without a name"
    right.download_button(
        "Rebuild sheet to print (PDF)",
        rebuild_sheet_pdf(plate, plan, title, datetime.now().astimezone(), paper),
        f"{stem} rebuild sheet.pdf",
        "application/pdf",
        on_click="ignore",
        width="stretch",
    )


def install_csv(plan: RebuildPlan, by_pins: PinExits | None = None) -> bytes:
    """The install order as a table: number, wire, drop, exit, channels, cut_length_mm, pins."""
    by_pins = by_pins or PinExits()
    table = io.StringIO()
    writer = csv.writer(table)
    writer.writerow(["number", "wire", "drop", "exit", "channels", "cut_length_mm", "pins"])
    for one in plan.leads:
        names = (one.lead.id, one.lead.drop, one.lead.exit, " ".join(one.channels))
        cells = [_harmless(name) for name in names]
        pins = _harmless(pins_of(by_pins, one.lead.id))
        writer.writerow([one.number, *cells, f"{one.cut_length_mm:g}", pins])
    return table.getvalue().encode("utf-8-sig")


def _harmless(name: str) -> str:
    """A name that a spreadsheet would take for a formula gets an apostrophe."""
    return f"'{name}" if name[:1] in "=+-@\t" else name
