"""The user's own table of connector pins, what is wrong in it, and colours as hints only."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st

from mapper.bench import BenchError, Zone, check_pins
from mapper.bench.pins import COLOUR_CODES, COLOUR_TRAPS, PIN_WORDS, read_spare, typed_pin
from mapper.bench.thermocouples import TYPES
from mapper.errors import shown
from mapper.ui import looks
from mapper.ui.session import Context
from mapper.ui.zone_table import zone_table

__all__ = ["pins_panel"]

SIGNS = {
    "twice": "✗ twice",
    "polarity": "✗ polarity",
    "missing": "○ missing",
    "gap": "? gap",
    "colour": "? colour, a hint",
}


def pins_panel(ctx: Context, zones: Sequence[Zone]) -> None:
    """Draw the table and what is found in it."""
    looks.note(
        "Isolate, lock out and prove dead before a plug is opened or drawn. Never test insulation "
        "with a controller or an instrument on the other end. Local codes and licensed practice "
        "decide."
    )
    if not zones:
        st.caption("No zones yet.")
        return
    data = [(zone.id, zone.data) for zone in zones]
    for one in sorted(
        check_pins(data, ctx.job.spare_pins), key=lambda one: list(SIGNS).index(one.kind)
    ):
        st.markdown(f"**{SIGNS[one.kind]}:** {looks.plain_markdown(one.sentence)}")
    zone_table(ctx, zones, PIN_WORDS, _read, _write, "pins")
    spare = ctx.job.value("pins", {}).get("spare", "")
    with st.form(f"spare {spare}", border=False):
        typed = st.text_input(
            "Pins left free on purpose", spare, placeholder="X1:23, X1:24, X1:40-48"
        )
        kept = st.form_submit_button("Keep the spare pins")
    if kept:
        try:
            read_spare(typed)
        except BenchError as error:
            looks.note(f"Nothing was kept. {shown(error, 300)}", "stop")
        else:
            entry = {**ctx.job.value("pins", {}), "spare": typed.strip()}
            if typed.strip() != spare and ctx.edit("Spare pins", {"pins": entry}):
                st.rerun()
    st.caption("Write plug and pin as X1:7, or the pin alone where there is only one plug.")
    with st.expander("Conductor colours: hints, and their traps"):
        for trap in COLOUR_TRAPS:
            st.markdown(f"- {looks.plain_markdown(trap)}")
        st.dataframe(
            [
                {
                    "Code (+ / −)": code,
                    **{kind: " / ".join(table[kind]) if kind in table else "" for kind in TYPES},
                }
                for code, table in COLOUR_CODES.items()
            ],
            hide_index=True,
            width="stretch",
        )
        st.caption(
            "Read in secondary copies of the standards. In IEC the sheath has the colour of +. In "
            "the US codes thermocouple-grade jackets are brown, and extension jackets have the "
            "colour of the type (black for J)."
        )


def _read(key: str, cell: Any, where: str) -> str | None:
    return typed_pin(cell, f"{where}, {PIN_WORDS[key]}")


def _write(key: str, value: Any) -> str:
    return "" if value is None else str(value)
