"""Page "Parts": what is built into every zone, its connector pins, and the limits of verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st

from mapper.bench import FIELDS, BenchError, Zone, part_of
from mapper.bench.parts import INSULATIONS, field_of, typed_value, with_ratings, words_of_value
from mapper.bench.pins import PIN_KEYS
from mapper.errors import shown
from mapper.ui import jobbar, looks
from mapper.ui.limits_panel import limits_panel
from mapper.ui.parts_file import parts_file
from mapper.ui.pins_panel import pins_panel
from mapper.ui.session import Context, go
from mapper.ui.zone_table import zone_table

__all__ = ["show"]

MAX_ZONE = 40


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("parts")
    if ctx is None:
        return
    st.subheader("Parts of every zone")
    zones = ctx.job.zones
    if not zones:
        looks.note(
            "The zones come from the drops of the plate, and there is no plate yet. A table of "
            "parts can bring its own zones.",
            "calm",
        )
        if st.button("Go to Plate"):
            go("plate")
    heaters, sensors, fill, pins, limits = st.tabs(
        ["Heaters", "Thermocouples", "Fill in", "Connector pins", "Limits"]
    )
    with heaters:
        _part_table(ctx, zones, "heater")
    with sensors:
        _part_table(ctx, zones, "sensor")
    with fill:
        st.markdown("**From a file**")
        parts_file(ctx, zones)
        if zones:
            _from_job(ctx, zones)
            _same(ctx, zones)
        _more_zones(ctx, zones)
    with pins:
        pins_panel(ctx, zones)
    with limits:
        limits_panel(ctx)


def _part_table(ctx: Context, zones: Sequence[Zone], part: str) -> None:
    if not zones:
        st.caption("No zones yet.")
        return
    fields = [one for one in FIELDS if one.part == part]
    drop = {"heater": "Heater ", "sensor": "Sensor "}[part]
    words = {one.key: one.words.removeprefix(drop) for one in fields}
    words = {key: word[0].upper() + word[1:] for key, word in words.items()}
    choices = {one.key: ["", *one.choices] for one in fields if one.kind == "choice"}
    name = {"heater": "heater parts", "sensor": "thermocouple parts"}[part]
    zone_table(ctx, zones, words, typed_value, words_of_value, name, choices)
    st.caption(
        "Sizes: 24 AWG, 0.5 mm (diameter), 0.22 mm² or 7x0.2 mm. Prices are plain numbers of one "
        "currency. Length is one way, from the tip to the terminals. The page Readings judges by "
        "these."
    )
    if part == "heater":
        st.caption(
            "Read volts and watts off the part or its papers. With the plate wired, isolate, lock "
            "out and prove dead before looking behind covers."
        )
    with st.expander("What insulation stands (°C, continuous), and who says so"):
        st.dataframe(
            [
                {"Insulation": word, "°C": rating, "Source": source}
                for word, (rating, source) in INSULATIONS.items()
            ],
            hide_index=True,
            width="stretch",
        )
        st.caption("A maker's sheet of your own lead goes before this list.")
        filled = {f"zone/{zone.id}": with_ratings(zone.data) for zone in zones}
        kept = {f"zone/{zone.id}": dict(zone.data) for zone in zones}
        changes = {key: data for key, data in filled.items() if data != kept[key]}
        if st.button(
            f"Fill empty ratings from this list ({looks.counted(len(changes), 'zone')})",
            key=f"ratings {part}",
            disabled=not changes,
        ) and ctx.edit("Insulation ratings by material", changes):
            st.rerun()


def _same(ctx: Context, zones: Sequence[Zone]) -> None:
    with (
        st.expander("All the same: enter something for every zone at once"),
        st.form("same parts", border=False),
    ):
        st.caption("Only what is filled in is entered; the rest of the table stays.")
        typed: dict[str, Any] = {}
        columns = st.columns(4)
        for n, one in enumerate(FIELDS):
            place = columns[n % 4]
            if one.kind == "choice":
                typed[one.key] = place.selectbox(one.words, ["", *one.choices])
            else:
                typed[one.key] = place.text_input(one.words)
        if not st.form_submit_button("Enter this for every zone", type="primary"):
            return
    try:
        read = {key: typed_value(key, cell, "All zones") for key, cell in typed.items()}
    except BenchError as error:
        looks.note(f"Nothing was entered. {shown(error, 300)}", "stop")
        return
    same = {key: value for key, value in read.items() if value is not None}
    changes = {f"zone/{zone.id}": {**zone.data, **same} for zone in zones}
    if not same:
        looks.note("Nothing was filled in.", "calm")
    elif ctx.edit(f"All the same: {', '.join(field_of(key).words for key in same)}", changes):
        st.rerun()


def _from_job(ctx: Context, zones: Sequence[Zone]) -> None:
    others = {one.id: one for one in ctx.store.jobs() if one.id != ctx.job_id}
    with st.expander("From an earlier job"):
        if not others:
            st.caption("There is no other job in this archive.")
            return
        chosen = st.selectbox(
            "Job",
            list(others),
            index=None,
            placeholder="Choose a job",
            format_func=lambda id: (
                f"{shown(others[id].name or 'Job without a name')} "
                f"({others[id].changed_at.astimezone():%Y-%m-%d})"
            ),
        )
        with_pins = st.checkbox("Connector pins too", value=True)
        if chosen is None:
            return
        there = {zone.id: zone for zone in ctx.store.job(chosen).zones}
        changes = {}
        for zone in zones:
            if zone.id in there:
                got = part_of(there[zone.id].data)
                if with_pins:
                    data = there[zone.id].data
                    got |= {key: data[key] for key in PIN_KEYS if data.get(key)}
                if got and {**zone.data, **got} != dict(zone.data):
                    changes[f"zone/{zone.id}"] = {**zone.data, **got}
        st.caption(
            f"{len(changes)} of {len(zones)} zones of this job have a zone of the same name there "
            "that says something new. Readings are not taken over."
        )
        if st.button(
            f"Take in the parts of {looks.counted(len(changes), 'zone')}",
            disabled=not changes,
            type="primary",
        ) and ctx.edit(f"Parts from {shown(others[chosen].name or 'another job', 40)}", changes):
            st.rerun()


def _more_zones(ctx: Context, zones: Sequence[Zone]) -> None:
    """Zones that no drop has (a manifold's), added and taken out."""
    of_drops = {one.id.rpartition("-")[0] for one in ctx.job.expected_leads()}
    extra = [zone.id for zone in zones if zone.id not in of_drops]
    with st.expander("Zones beyond the drops (a manifold's, say)"):
        with st.form("add zone", border=False, clear_on_submit=True):
            name = st.text_input("Name of the zone", max_chars=MAX_ZONE).strip()
            added = st.form_submit_button("Add this zone")
        if added and name and name in {zone.id for zone in zones}:
            looks.note(f"{shown(name)} is there already.", "calm")
        elif added and name and ctx.edit(f"Add zone {shown(name)}", {f"zone/{name}": {}}):
            st.rerun()
        if extra:
            gone = st.selectbox("Zone", extra)
            if st.button("Take this zone out") and ctx.edit(
                f"Take out zone {gone}", {f"zone/{gone}": None}
            ):
                st.rerun()
