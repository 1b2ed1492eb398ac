"""Page "Readings": heaters and thermocouples on the bench, and what their readings mean."""

from __future__ import annotations

import zlib
from typing import Any

import streamlit as st

from mapper.bench import (
    TYPES,
    BenchError,
    Limits,
    Verdict,
    Zone,
    emf_mv,
    expected_ohm,
    kept_number,
    power_at,
    reading,
)
from mapper.bench.parts import number_words, typed_number
from mapper.bench.thermocouples import temp_from_terminals_c
from mapper.errors import shown
from mapper.ui import jobbar, looks
from mapper.ui.session import Context, go

__all__ = ["show"]

CAUTIONS = (
    "Isolate, lock out and prove dead before any lead is measured. Hot parts burn; let the plate "
    "cool.",
    "Never test insulation with a controller or an instrument connected; discharge the part after "
    "the test.",
    "Drying out under current takes a temporary supply with the right protection: qualified "
    "people only.",
    "These verdicts are advice on re-use. Local codes and licensed practice decide what may be "
    "energised.",
)
MARKS = {
    "reuse": "✓ reuse",
    "dry out": "≈ dry out, test again",
    "measure again": "? measure again",
    "replace": "✗ replace",
    "not measured": "– not measured",
}
HEATER_COLUMNS = {
    "volts": "Volts",
    "watts": "Watts of the zone",
    "elements": "Elements in parallel",
    "meter_leads_ohm": "Meter leads Ω",
    "ohm": "Reads Ω",
    "insulation_mohm": "Insulation MΩ",
    "test_volts": "Test V DC",
    "part_c": "Part °C",
}
SENSOR_COLUMNS = {
    "sensor": "Type",
    "sensor_leads_ohm": "Meter leads Ω",
    "loop_ohm": "Loop Ω",
    "sheath_mohm": "To sheath MΩ",
    "terminals_c": "Terminals °C",
    "known_c": "Bath °C",
    "shown_c": "Shows °C",
    "known2_c": "Bath 2 °C",
    "shown2_c": "Shows 2 °C",
    "head_c": "Head °C",
}
TYPED = ("ohm", "insulation_mohm", "loop_ohm", "sheath_mohm")  # a number, or OL


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("readings")
    if ctx is None:
        return
    st.subheader("Heaters and thermocouples on the bench")
    zones = ctx.job.zones
    if not zones:
        looks.note("The zones come from the drops of the plate, and there is no plate yet.", "calm")
        if st.button("Go to Plate", type="primary"):
            go("plate")
        return
    looks.note(" ".join(CAUTIONS))
    limits = ctx.job.limits
    by_heater = [zone.heater_verdict(limits) for zone in zones]
    by_sensor = [zone.sensor_verdict(limits) for zone in zones]
    st.markdown(_counted(Heaters=by_heater, Thermocouples=by_sensor))
    heaters, sensors = st.tabs(["Heaters", "Thermocouples"])
    with heaters:
        _all_the_same(ctx, zones)
        _table(ctx, zones, by_heater, HEATER_COLUMNS, "heater")
        st.caption(_heater_sources(limits))
        _other_voltage(zones)
    with sensors:
        _table(ctx, zones, by_sensor, SENSOR_COLUMNS, "sensor")
        st.caption(_sensor_sources(limits))
        _millivolts()


def _counted(**verdicts: list[Verdict]) -> str:
    parts = []
    for word, found in verdicts.items():
        words = [verdict.word for verdict in found]
        counts = [f"{words.count(one)} {MARKS[one][2:]}" for one in MARKS if one in words]
        parts.append(f"**{word}:** " + ", ".join(counts))
    return " &emsp; ".join(parts)


def _heater_sources(limits: Limits) -> str:
    plus, minus = limits["power_plus"], limits["power_minus"]
    return (
        f"Resistance from V²/W with power +{plus:.3g} / -{minus:.3g} of the rated one "
        f"({limits.source('power_minus')}). Insulation at least {limits['insulation_mohm']:g} MΩ "
        f"({limits.source('insulation_mohm')}); below {limits['damp_mohm']:g} MΩ called damp "
        f"({limits.source('damp_mohm')}). Type OL where the meter shows an open circuit. Limits "
        "are set on the page Parts."
    )


def _other_voltage(zones: tuple[Zone, ...]) -> None:
    """What the heaters make on another voltage: for drying out, or on a wrong supply."""
    documented = {(one.volts, one.watts): one for zone in zones if (one := zone.heater) is not None}
    with st.expander("Power on another voltage (for drying out, say)"):
        if not documented:
            st.caption("Enter volts and watts first.")
            return
        volts = st.number_input("Volts of the supply", 1.0, 1000.0, 120.0)
        for heater in documented.values():
            watts = power_at(heater, volts)
            st.markdown(
                f"{heater.watts:g} W at {heater.volts:g} V make **{watts:.0f} W** at {volts:g} V, "
                f"{watts / heater.watts:.0%} of the rated power."
            )
            if volts > heater.volts:
                looks.note(
                    f"{volts:g} V is more than the heater is rated for: it would burn out.", "stop"
                )
        st.caption(
            "P = P_rated × (V / V_rated)², the resistance being constant: half the voltage makes a "
            "quarter of the power. A supply that switches full waves on and off still puts the "
            "full voltage on damp insulation. A temporary supply takes the right protection and "
            "qualified people; local codes and licensed practice decide."
        )


def _millivolts() -> None:
    """Millivolts to degrees and back, for whoever has a plain millivolt meter."""
    with st.expander("Millivolts to °C, and back"):
        first, second, third, fourth = st.columns(4)
        kind = first.selectbox("Type of thermocouple", list(TYPES), key="mv type")
        terminals_c = second.number_input("Terminals at °C", -20.0, 60.0, 23.0, key="mv terminals")
        mv = third.number_input("Millivolts read", -10.0, 80.0, 0.0, 0.1, "%.3f", key="mv read")
        tip_c = fourth.number_input("Or: tip at °C", -20.0, 750.0, 100.0, key="mv tip")
        try:
            st.markdown(
                f"{mv:.3f} mV: the tip is at **{temp_from_terminals_c(kind, mv, terminals_c):.1f} "
                "°C**."
            )
            should_mv = emf_mv(kind, tip_c) - emf_mv(kind, terminals_c)
            st.markdown(f"Tip at {tip_c:g} °C: the meter reads **{should_mv:.3f} mV**.")
        except BenchError as error:
            looks.note(shown(error, 300), "calm")
        st.caption(
            "ITS-90 reference functions (NIST Monograph 175, IEC 60584-1). Millivolts are added, "
            "never degrees."
        )


def _sensor_sources(limits: Limits) -> str:
    name = limits.class_name() or "limits set for this job"
    return (
        "Read each thermocouple in one or two baths of known temperature, well above that of the "
        "terminals, with the input set to its type. Head: where sensor and extension meet, when "
        "read through an extension; with the head warm, one crossed at both ends shows. Loop "
        "resistance is held against length and wire size from the page Parts. "
        f"Limits: {name} and {limits['bath_error_c']:g} °C for bath and instrument "
        f"({limits.source('bath_error_c')})."
    )


def _all_the_same(ctx: Context, zones: tuple[Zone, ...]) -> None:
    with (
        st.expander("All heaters are the same"),
        st.form("same heaters", border=False),
    ):
        first, second, third = st.columns(3)
        volts = first.number_input("Volts", 1.0, 1000.0, 240.0)
        watts = second.number_input("Watts of the zone", 1.0, 100_000.0, 250.0)
        elements = third.number_input("Elements in parallel", 1, 12, 1)
        nominal, low, high = expected_ohm(
            Zone("", {"volts": volts, "watts": watts, "elements": elements}).heater,
            ctx.job.limits,
        )
        st.caption(f"Expected: {nominal:.1f} Ω, from {low:.1f} to {high:.1f} Ω.")
        if not st.form_submit_button("Enter this for every zone", type="primary"):
            return
    same = {"volts": volts, "watts": watts, "elements": elements}
    changes = {f"zone/{zone.id}": {**zone.data, **same} for zone in zones}
    if ctx.edit("All heaters the same", changes):
        st.rerun()


def _table(
    ctx: Context,
    zones: tuple[Zone, ...],
    verdicts: list[Verdict],
    columns: dict[str, str],
    part: str,
) -> None:
    rows = [
        {
            "Zone": zone.id,
            "Verdict": MARKS[verdict.word],
            **{word: _cell(key, zone.data.get(key)) for key, word in columns.items()},
            "Why": " ".join(verdict.reasons),
        }
        for zone, verdict in zip(zones, verdicts, strict=True)
    ]
    settings: dict[str, Any] = {
        word: st.column_config.SelectboxColumn(word, options=list(TYPES))
        if key == "sensor"
        else st.column_config.TextColumn(word)
        for key, word in columns.items()
    }
    settings["Why"] = st.column_config.TextColumn("Why", width="large")
    # Kept values that changed draw the table anew, so that it shows what undo brought back; an
    # edit elsewhere leaves alone what is typed here.
    stamp = f"{ctx.job_id} {zlib.crc32(repr(rows).encode())}"
    with st.form(f"{part} table {stamp}", border=False):
        edited = st.data_editor(
            rows,
            column_config=settings,
            disabled=["Zone", "Verdict", "Why"],
            hide_index=True,
            width="stretch",
            key=f"{part} cells {stamp}",
        )
        kept = st.form_submit_button("Keep the readings and judge them", type="primary")
    for zone, verdict in zip(zones, verdicts, strict=True):
        if verdict.word not in ("reuse", "not measured"):
            why = looks.plain_markdown(" ".join(verdict.reasons))
            st.markdown(f"**{looks.plain_markdown(zone.id)}** {MARKS[verdict.word]}: {why}")
    if kept:
        _keep(ctx, zones, edited, columns, part)


def _keep(
    ctx: Context, zones: tuple[Zone, ...], rows: list[dict], columns: dict[str, str], part: str
) -> None:
    changes = {}
    try:
        for zone, row in zip(zones, rows, strict=True):
            data = dict(zone.data)
            for key, word in columns.items():
                value = row.get(word)
                if key in TYPED:
                    value = kept_number(reading(value, f"{zone.id}, {word}"))
                elif key != "sensor":
                    text = "" if value is None else str(value).strip()
                    value = typed_number(text, f"{zone.id}, {word}") if text else None
                data[key] = value
            data = {key: value for key, value in data.items() if value is not None}
            if data != dict(zone.data):
                Zone.from_mapping(zone.id, data)
                changes[f"zone/{zone.id}"] = data
    except BenchError as error:
        looks.note(f"Nothing was kept. {shown(error, 300)}", "stop")
        return
    if not changes:
        looks.note("Nothing was changed.", "calm")
    elif ctx.edit(f"Readings of {len(changes)} {part}s", changes):
        st.rerun()


def _cell(key: str, value: Any) -> Any:
    if key == "sensor":
        return value
    return "" if value is None else "OL" if value == "open" else number_words(value)
