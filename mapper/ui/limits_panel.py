"""The limits of this job, each with its source, and the way back to the source's value."""

from __future__ import annotations

import zlib

import streamlit as st

from mapper.bench import LIMITS, BenchError, Limit, Limits
from mapper.bench.limits import CLASSES, class_values
from mapper.bench.parts import number_words, typed_number
from mapper.errors import shown
from mapper.ui import looks
from mapper.ui.session import Context

__all__ = ["limits_panel"]


def limits_panel(ctx: Context) -> None:
    """Draw the table of limits."""
    limits = ctx.job.limits
    looks.note(
        "Limits set here count for this job only. Local codes and the maker's papers go before "
        "them; a limit that is met does not say that a part may be energised."
    )
    _changed(ctx, limits)
    _class(ctx, limits)
    rows = [
        {
            "What": f"{one.group}: {one.words}",
            "Value": number_words(_shown_value(one, limits[one.key])),
            "Unit": one.unit,
            "Source": limits.source(one.key),
        }
        for one in LIMITS
    ]
    stamp = f"{ctx.job_id} {zlib.crc32(repr(rows).encode())}"
    with st.form(f"limits {stamp}", border=False):
        edited = st.data_editor(
            rows,
            column_config={
                "What": st.column_config.TextColumn("What", width="large"),
                "Value": st.column_config.TextColumn("Value", width="small"),
                "Unit": st.column_config.TextColumn("Unit", width="small"),
                "Source": st.column_config.TextColumn("Source", width="large"),
            },
            disabled=["What", "Unit", "Source"],
            hide_index=True,
            width="stretch",
            height="content",
            key=f"limits cells {stamp}",
        )
        kept = st.form_submit_button("Keep the limits", type="primary")
    st.caption("An empty value goes back to the value of the source.")
    if kept:
        _keep(ctx, [row.get("Value") for row in edited])


def _shown_value(limit: Limit, value: float) -> float:
    return float(f"{value * 100:.12g}") if limit.unit == "%" else value


def _keep(ctx: Context, cells: list) -> None:
    own = {}
    try:
        for one, cell in zip(LIMITS, cells, strict=True):
            text = "" if cell is None else str(cell).strip().removesuffix("%").strip()
            if not text:
                continue
            value = typed_number(text, f"{one.group}, {one.words}")
            value = float(f"{value / 100 if one.unit == '%' else value:.12g}")
            if value != one.value:
                own[one.key] = value
        Limits.from_mapping(own)
    except BenchError as error:
        looks.note(f"Nothing was kept. {shown(error, 300)}", "stop")
        return
    _set(ctx, "Limits", own)


def _set(ctx: Context, label: str, own: dict[str, float]) -> None:
    before = ctx.job.value("limits", {})
    known = {one.key for one in LIMITS}
    entry = {**{key: value for key, value in before.items() if key not in known}, **own}
    if entry == before:
        looks.note("Nothing was changed.", "calm")
    elif ctx.edit(label, {"limits": entry or None}):
        st.rerun()


def _changed(ctx: Context, limits: Limits) -> None:
    """What was set anew, each with its way back."""
    if not limits.own:
        st.caption("All limits stand at the values of their sources.")
        return
    st.markdown(f"**Set anew for this job: {len(limits.own)}**")
    if len(limits.own) > 1 and st.button("All back to the values of their sources"):
        _set(ctx, "Limits back to their sources", {})
    for one in LIMITS:
        if one.key in limits.own:
            left, right = st.columns([3, 1], vertical_alignment="center")
            now = f"{_shown_value(one, limits[one.key]):.6g} {one.unit}"
            left.markdown(looks.plain_markdown(f"{one.group}: {one.words}: {now}"))
            back = f"Back to {_shown_value(one, one.value):.6g} {one.unit}"
            if right.button(back, key=f"back {one.key}", width="stretch"):
                own = {key: value for key, value in limits.own.items() if key != one.key}
                _set(ctx, f"Back to the source: {one.words}", own)


def _class(ctx: Context, limits: Limits) -> None:
    name = limits.class_name()
    left, right = st.columns([3, 1], vertical_alignment="bottom")
    chosen = left.selectbox(
        "Tolerance class of the thermocouples",
        list(CLASSES),
        index=None if name is None else list(CLASSES).index(name),
        placeholder="values of your own",
    )
    if right.button("Set all types to this class", disabled=chosen in (None, name)):
        values = {**dict(limits.own), **class_values(chosen)}
        sources = {one.key: one.value for one in LIMITS}
        own = {key: value for key, value in values.items() if value != sources[key]}
        _set(ctx, f"Class: {chosen}", own)
