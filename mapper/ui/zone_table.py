"""A table with one row per zone that people type into, kept as one edit that undo takes back."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import streamlit as st

from mapper.bench import BenchError, Zone
from mapper.errors import shown
from mapper.ui import looks
from mapper.ui.held_form import held, submit_key
from mapper.ui.session import Context

__all__ = ["keep_rows", "zone_table"]

MOST_ERRORS = 5


def zone_table(
    ctx: Context,
    zones: Sequence[Zone],
    columns: Mapping[str, str],
    read: Callable[[str, Any, str], Any],
    write: Callable[[str, Any], str],
    name: str,
    choices: Mapping[str, Sequence[str]] | None = None,
) -> None:
    """Show the table and keep what is typed.

    `columns` maps keys of a zone's data to headings. `read(key, cell, where)` gives the value
    (None for empty) or raises BenchError; `write(key, value)` gives the text of a cell.
    """
    rows = [
        {"Zone": zone.id, **{word: write(key, zone.data.get(key)) for key, word in columns.items()}}
        for zone in zones
    ]
    config = {
        word: st.column_config.SelectboxColumn(word, options=list((choices or {})[key]))
        if key in (choices or {})
        else st.column_config.TextColumn(word)
        for key, word in columns.items()
    }
    config["Zone"] = st.column_config.TextColumn("Zone", pinned=True)
    # Kept values that changed draw the table anew, so that it shows what undo brought back.
    stamp = f"{ctx.job_id} {zlib.crc32(repr(rows).encode())}"
    stamp, rows = held(f"{name} table", stamp, rows)
    with st.form(f"{name} table {stamp}", border=False):
        edited = st.data_editor(
            rows,
            column_config=config,
            disabled=["Zone"],
            hide_index=True,
            width="stretch",
            key=f"{name} cells {stamp}",
        )
        kept = st.form_submit_button(
            f"Keep the {name}", type="primary", key=submit_key(f"{name} table", stamp)
        )
    if kept:
        keep_rows(ctx, zones, edited, columns, read, name, rows)


def keep_rows(
    ctx: Context,
    zones: Sequence[Zone],
    rows: Sequence[Mapping[str, Any]],
    columns: Mapping[str, str],
    read: Callable[[str, Any, str], Any],
    name: str,
    shown_rows: Sequence[Mapping[str, Any]] | None = None,
) -> None:
    """Read edited rows and keep them as one edit; with any error nothing is kept.

    `shown_rows`: as the table showed them; cells that are still so are left as they are now.
    """
    changes, errors = {}, []
    by_zone = {row["Zone"]: row for row in rows}
    shown_by_zone = {row["Zone"]: row for row in shown_rows or ()}
    for zone in zones:
        row, was = by_zone.get(zone.id), shown_by_zone.get(zone.id)
        if row is None:  # a zone that another window added meanwhile
            continue
        data = dict(zone.data)
        for key, word in columns.items():
            if was is not None and row.get(word) == was.get(word):
                continue
            try:
                data[key] = read(key, row.get(word), zone.id)
            except BenchError as error:
                errors.append(str(error))
        data = {key: value for key, value in data.items() if value is not None}
        if data != dict(zone.data):
            try:
                Zone.from_mapping(zone.id, data)
            except BenchError as error:
                errors.append(str(error))
            changes[f"zone/{zone.id}"] = data
    if errors:
        more = len(errors) - MOST_ERRORS
        text = " ".join(shown(one, 200) for one in dict.fromkeys(errors[:MOST_ERRORS]))
        looks.note(f"Nothing was kept. {text}" + (f" And {more} more." if more > 0 else ""), "stop")
    elif not changes:
        looks.note("Nothing was changed.", "calm")
    elif ctx.edit(f"{name.capitalize()} of {looks.counted(len(changes), 'zone')}", changes):
        st.rerun()
