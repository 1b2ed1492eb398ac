"""Page "Warm-up": watch a heater's rise, when it will be warm, and what must not get too hot."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

import altair as alt
import numpy as np
import streamlit as st

from mapper.bench import BenchError
from mapper.bench.resins import (
    INSULATION,
    RESINS,
    UNKNOWN_INSULATION,
    UNKNOWN_RESIN,
    Resin,
    air_advice,
)
from mapper.bench.warmup import Rise, WarmUp, fit_rise, read_warm_up, warnings_for
from mapper.errors import shown
from mapper.ui import jobbar, looks
from mapper.ui.session import Context

__all__ = ["show"]

CAUTIONS = (
    "Hot parts, molten plastic and fumes: extraction running before the heat, face shield, heat "
    "gloves and sleeves, no open flame, nobody leaves while it heats. Read the resin's safety data "
    "sheet first.",
    "A heater outside its controller takes a temporary supply with the right protection: qualified "
    "people only. Isolate and lock out before a lead is touched.",
    "What stands here is advice from a few readings of one place; another place may be hotter. "
    "Local codes and licensed practice override it.",
)
CURVE_POINTS = 120
MOST_DRAWN = 800
NEW = "New warm-up"
BY_HAND = "set by hand"
NOT_KNOWN = UNKNOWN_INSULATION.name
_CHOSEN = "warm-up shown"


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("warmup")
    if ctx is None:
        return
    st.subheader("Warm-up: free a heater or a lead by warming the plastic")
    looks.note(" ".join(CAUTIONS))
    names = sorted(ctx.job.names("warmup"), reverse=True)
    kept = {name: WarmUp.from_dict(ctx.job.value(f"warmup/{name}", {})) for name in names}
    chosen = _choose(names, kept)
    if chosen is None:
        _begin(ctx, names)
    else:
        _watch(ctx, chosen, kept[chosen])
    _air(kept.get(chosen) if chosen else None)
    _table()


def _choose(names: list[str], kept: dict[str, WarmUp]) -> str | None:
    if not names:
        return None
    words = {name: f"{int(name)}: {shown(kept[name].name or 'no name', 40)}" for name in names}
    picked = st.selectbox(
        "Warm-up", [*names, NEW], format_func=lambda name: words.get(name, name), key=_CHOSEN
    )
    return None if picked == NEW else picked


def _resin_of(job_resin: str) -> Resin:
    plain = job_resin.strip().casefold()
    for name, resin in RESINS.items():
        head = name.split(" ")[0].casefold()
        words = plain.replace("-", " ").replace("/", " ").split()
        if plain and (head in words or (head == "pom" and "acetal" in words)):
            return resin
    return UNKNOWN_RESIN


def _begin(ctx: Context, names: list[str]) -> None:
    resins = [UNKNOWN_RESIN.name, *RESINS]
    guess = _resin_of(str(ctx.job.about.get("resin", "")))
    first, second = st.columns(2)
    name = first.text_input("What is heated", placeholder="drop 7", max_chars=60)
    resin_name = second.selectbox(
        "Resin", resins, index=resins.index(guess.name) if guess.name in resins else 0
    )
    resin = RESINS.get(resin_name, UNKNOWN_RESIN)
    if resin.caution:
        looks.note(resin.caution, "stop")
    first, second, third = st.columns(3)
    insulation = first.selectbox("Lead insulation", [NOT_KNOWN, *INSULATION, BY_HAND])
    known = UNKNOWN_INSULATION if insulation == NOT_KNOWN else INSULATION.get(insulation)
    # The key holds what the value came from, so that another choice brings its own value.
    rating_c = second.number_input(
        "Insulation bears °C", 40.0, 1200.0, float(known.rating_c) if known else 200.0, 5.0,
        key=f"rating {insulation}",
    )  # fmt: skip
    stop_c = third.number_input(
        "Resin not over °C", 40.0, 600.0, float(resin.stop_c), 5.0, key=f"stop {resin_name}"
    )
    highest = min(rating_c, stop_c)
    target_c = st.number_input(
        "Target °C", 30.0, 600.0, float(min(resin.flows_c, highest)), 5.0, key=f"to {resin_name}"
    )
    st.caption(
        f"{resin.name}: flows up to {resin.flows_c:g} °C ({resin.flows_source}); falls apart from "
        f"{resin.stop_c:g} °C ({resin.stop_source}). Insulation: "
        f"{known.source if known else BY_HAND}."
    )
    if target_c >= highest:
        looks.note(
            f"The target is at or over the limit of {highest:.0f} °C: choose a lower one.", "stop"
        )
    for sentence in air_advice(target_c, resin, rating_c)[-1:]:
        looks.note(sentence, "")
    if st.button("Start this warm-up", type="primary", disabled=target_c >= highest):
        made = WarmUp(
            name, (), target_c, resin_name, stop_c, rating_c,
            {"insulation": insulation, "by": ctx.person},
        )  # fmt: skip
        number = f"{max((int(n) for n in names), default=0) + 1:04d}"
        if ctx.edit(f"Warm-up of {name or 'a part'}", {f"warmup/{number}": made.to_dict()}):
            st.session_state.pop(_CHOSEN, None)
            st.rerun()


def _watch(ctx: Context, name: str, warm: WarmUp) -> None:
    resin = RESINS.get(warm.resin, UNKNOWN_RESIN)
    if resin.caution:
        looks.note(resin.caution, "stop")
    rise = fit_rise(warm.points, warm.target_c)
    limits = _limits(warm, resin)
    stops = [
        text for value, what in limits for text in warnings_for(warm.points, rise, value, what)
    ]
    for sentence in stops:
        looks.note(sentence, "stop")
    left, right = st.columns([1, 2], gap="medium")
    with left:
        _log(ctx, name, warm)
    with right:
        kind = "calm" if rise.known else ""
        looks.note(rise.text if warm.points else "No reading yet.", kind)
        if warm.points:
            st.altair_chart(_chart(warm, rise, limits), width="stretch")
            st.caption(
                "95 % ranges, for constant power and one mass that warms (first-order rise). Where "
                "the plate behind draws heat, or melting takes it, the end comes later."
            )


def _limits(warm: WarmUp, resin: Resin) -> list[tuple[float, str]]:
    out = []
    if warm.rating_c is not None:
        out.append((warm.rating_c, "the lead insulation"))
    stop_c = resin.stop_c if warm.stop_c is None else warm.stop_c
    return [*out, (stop_c, f"the resin, {resin.name}")]


def _log(ctx: Context, name: str, warm: WarmUp) -> None:
    with st.form("reading now", clear_on_submit=True, border=False):
        temp_c = st.number_input("Reads now, °C", -50.0, 1500.0, None, 1.0, format="%g")
        pressed = st.form_submit_button("Log it", type="primary", width="stretch")
    if pressed and temp_c is not None:
        now = datetime.now(UTC)
        extra = dict(warm.extra)
        began = extra.get("began")
        if not warm.points or not isinstance(began, str):
            began = extra["began"] = now.isoformat()
        seconds = _seconds_since(began, now)
        if warm.points and seconds < warm.points[-1][0]:
            looks.note("The clock ran backwards: set it right and log again.", "stop")
            return
        points = (*warm.points, (round(seconds, 1), float(temp_c)))
        made = WarmUp.from_dict({**warm.to_dict(), **extra, "points": points})
        if ctx.edit(f"Warm-up: {temp_c:g} °C", {f"warmup/{name}": made.to_dict()}):
            st.rerun()
    if warm.points:
        at_s, last_c = warm.points[-1]
        st.markdown(
            f"Last: **{last_c:.1f} °C** after {at_s / 60:.1f} min; target {warm.target_c:g} °C"
        )
    with st.expander("From a file, or with times typed"):
        _other_ways(ctx, name, warm)


def _other_ways(ctx: Context, name: str, warm: WarmUp) -> None:
    file = st.file_uploader("Log (CSV: time and temperature)", type=["csv", "txt", "tsv", "log"])
    column = st.text_input("Column of the sensor (empty: the first)", max_chars=60)
    typed = st.text_area(
        "Or one reading a line: minutes, °C", height=110, placeholder="0 23\n2 41\n4 58"
    )
    if not st.button("Take these readings instead"):
        return
    try:
        if file is not None:
            points = read_warm_up(file.getvalue(), column.strip() or None)
        else:
            points = typed_points(typed)
        made = WarmUp.from_dict({**warm.to_dict(), "points": points})
    except BenchError as error:
        looks.note(f"Nothing was kept. {shown(error, 300)}", "stop")
        return
    label = f"Warm-up: {looks.counted(len(points), 'reading')}"
    if ctx.edit(label, {f"warmup/{name}": made.to_dict()}):
        st.rerun()


def typed_points(text: str) -> tuple[tuple[float, float], ...]:
    """Read lines of minutes and °C, with points or commas as decimals, sorted by time.

    Raises BenchError with the line that can't be read.
    """
    points = []
    for number, line in enumerate(text.splitlines(), 1):
        cells = line.replace(";", " ").replace("\t", " ").split()
        if not cells:
            continue
        try:
            minutes, temp_c = (float(cell.rstrip(",").replace(",", ".")) for cell in cells)
        except ValueError:
            minutes = temp_c = math.nan
        if not (math.isfinite(minutes) and math.isfinite(temp_c)):
            raise BenchError(f"Line {number}: {shown(line)} is not minutes and °C, such as '2 41'.")
        points.append((60 * minutes, temp_c))
    if not points:
        raise BenchError("No reading is entered: add a file or type some lines.")
    return tuple(sorted(points))


def _seconds_since(began: str, now: datetime) -> float:
    try:
        return (now - datetime.fromisoformat(began)).total_seconds()
    except (TypeError, ValueError):
        return 0.0


def _chart(warm: WarmUp, rise: Rise, limits: list[tuple[float, str]]) -> Any:
    first_s = warm.points[0][0]
    thin = warm.points[:: len(warm.points) // MOST_DRAWN + 1]
    read = [{"min": (t - first_s) / 60, "°C": c} for t, c in thin]
    until_s = max(warm.points[-1][0] - first_s, 60.0) * 1.5
    top_c = max(*(c for _, c in warm.points), warm.target_c)
    lines = [(warm.target_c, f"target {warm.target_c:g} °C", "#00533c")]
    lines += [(c, f"limit of {what}, {c:g} °C", "#8a1c00") for c, what in limits]
    layers = []
    for value, text, ink in lines:
        if value > top_c * 1.6 + 40:
            continue  # far above all that is drawn
        row = [{"°C": value, "text": text, "min": 0.0}]
        data = alt.Data(values=row)
        layers.append(
            alt.Chart(data).mark_rule(strokeDash=[6, 4], strokeWidth=2, color=ink).encode(y="°C:Q")
        )
        layers.append(
            alt.Chart(data)
            .mark_text(align="left", dx=6, dy=-7, color=ink, fontSize=13, fontWeight=600)
            .encode(x="min:Q", y="°C:Q", text="text:N")
        )
    if rise.tau_s is not None:
        at_s = np.linspace(0, until_s, CURVE_POINTS)
        curve = [
            {"min": float(t) / 60, "°C": float(c)}
            for t, c in zip(at_s, rise.at_c(at_s), strict=True)
        ]
        layers.append(
            alt.Chart(alt.Data(values=curve))
            .mark_line(color="#0072b2", strokeWidth=2)
            .encode(x="min:Q", y="°C:Q")
        )
    layers.append(
        alt.Chart(alt.Data(values=read))
        .mark_point(filled=True, size=55, color="#15212b")
        .encode(x=alt.X("min:Q", title="minutes"), y=alt.Y("°C:Q", title="°C"))
    )
    return alt.layer(*layers).properties(height=340)


def _air(warm: WarmUp | None) -> None:
    with st.expander("Hot air: how hot may it be?"):
        first, second, third = st.columns(3)
        air_c = first.number_input("Air at the blower °C", 20.0, 800.0, 200.0, 10.0)
        names = [UNKNOWN_RESIN.name, *RESINS]
        resin_name = second.selectbox(
            "Resin", names, index=names.index(warm.resin) if warm and warm.resin in names else 0,
            key="resin of the air",
        )  # fmt: skip
        names = [NOT_KNOWN, *INSULATION]
        kept = "" if warm is None else str(warm.extra.get("insulation", ""))
        insulation = third.selectbox(
            "Insulation", names, index=names.index(kept) if kept in names else 0,
            key=f"insulation of the air {kept}",
        )  # fmt: skip
        resin = RESINS.get(resin_name, UNKNOWN_RESIN)
        rating_c = INSULATION.get(insulation, UNKNOWN_INSULATION).rating_c
        said = air_advice(air_c, resin, rating_c)
        for sentence in said:
            looks.note(sentence, "stop")
        if resin.caution:
            looks.note(resin.caution, "stop")
        if not said:
            looks.note(
                f"{air_c:.0f} °C is under the {rating_c:.0f} °C of the insulation and the "
                f"{resin.stop_c:.0f} °C of the resin. Measure the air where it meets the lead.",
                "calm",
            )


def _table() -> None:
    with st.expander("Resins: where they flow, where they fall apart"):
        rows = [
            {
                "Resin": one.name,
                "Flows up to °C": one.flows_c,
                "Falls apart from °C": one.stop_c,
                "Mind": ("✕ " if one.caution else "") + one.fume,
                "Source of the first": one.flows_source,
                "Source of the second": one.stop_source,
            }
            for one in RESINS.values()
        ]
        st.dataframe(rows, hide_index=True, width="stretch")
        for one in RESINS.values():
            if one.caution:
                looks.note(f"{one.name}: {one.caution}", "stop")
        st.caption(
            "Bands from tables, ± 10 K at best; flame retardants, fillers and colours change them. "
            "The limits of each warm-up are yours to set."
        )
