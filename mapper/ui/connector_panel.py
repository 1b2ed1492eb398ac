"""Which exit each connector of the pin table is at, and what that means for the next wiring."""

from __future__ import annotations

import streamlit as st

from mapper.bench import PinExits, connectors_in
from mapper.bench.pins import plain_pin
from mapper.plate import Plate
from mapper.ui import looks
from mapper.ui.held_form import held, submit_key
from mapper.ui.session import Context, go

__all__ = ["connector_panel", "pins_of"]

FREE = "not said: any exit"
MOST = 6  # conflicts shown before the rest is folded away


def pins_of(found: PinExits, lead: str) -> str:
    """The pins of a lead as one cell of a table; "" where none is entered."""
    return " ".join(found.pins.get(lead, ()))


def connector_panel(ctx: Context, plate: Plate, found: PinExits) -> None:
    """Tell what contradicts itself, and let a person say the exit of each connector.

    Nothing is shown without a pin table.
    """
    for sentence in found.conflicts[:MOST]:
        looks.note(sentence)
    if found.conflicts[MOST:]:
        with st.expander(f"{looks.counted(len(found.conflicts) - MOST, 'more conflict')}"):
            for sentence in found.conflicts[MOST:]:
                st.markdown(looks.plain_markdown(sentence))
    there = connectors_in((zone.id, zone.data) for zone in ctx.job.zones)
    if not there or not plate.exits:
        return
    kept = ctx.job.connectors
    said = sum(name in kept for name in there)
    with st.expander(
        f"Connectors and their exits ({said} of {len(there)} said)", expanded=not said
    ):
        st.caption(
            "The leads of a connector leave by its exit. One exit may carry several connectors. "
            "A lead fixed by hand goes where it is fixed."
        )
        names = [exit_.id for exit_ in plate.exits]
        stamp, kept = held("connectors", f"{ctx.job_id} {ctx.job.revision}", kept)
        with st.form(f"connectors {stamp}", border=False):
            chosen = {
                name: st.selectbox(
                    f"{name or 'Pins without a connector'} ({looks.counted(count, 'pin')})",
                    [FREE, *names],
                    index=_first(names, kept.get(name), name),
                    key=f"connector {name} {stamp}",
                )
                for name, count in there.items()
            }
            keep = st.form_submit_button(
                "Keep these exits", width="stretch", key=submit_key("connectors", stamp)
            )
        if any(name not in kept and _first(names, None, name) for name in there):
            st.caption("An exit of the same name is put in already: look, then keep it.")
        if keep:
            _keep(ctx, {**kept, **chosen})
        if st.button("Change the pins on the page Parts", width="stretch"):
            go("parts")


def _first(exits: list[str], kept: str | None, connector: str) -> int:
    """What a field shows first: what is kept, else an exit of the connector's own name."""
    if kept is not None:
        return exits.index(kept) + 1 if kept in exits else 0
    return next((k for k, name in enumerate(exits, 1) if plain_pin(name) == connector), 0)


def _keep(ctx: Context, chosen: dict[str, str]) -> None:
    said = {name: exit_ for name, exit_ in chosen.items() if exit_ != FREE}
    if said == ctx.job.connectors:
        return
    entry = {**ctx.job.value("pins", {}), "connectors": said}
    if ctx.edit("Exits of the connectors", {"pins": entry}, depends_on=("plate",)):
        st.rerun()
