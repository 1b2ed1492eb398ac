"""Parts from a CSV or XLSX file: the headings, what they are taken for, a look, then taken in."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from mapper.bench import FIELDS, BenchError, Zone
from mapper.bench.part_table import ZONE, Column, Grid, Taken, guess_columns, read_grid, take_rows
from mapper.bench.parts import field_of, words_of_value
from mapper.bench.pins import PIN_WORDS
from mapper.errors import shown
from mapper.ui import looks
from mapper.ui.session import Context

__all__ = ["parts_file"]

OUT = "(left out)"
WORDS = {ZONE: "Zone", **{one.key: one.words for one in FIELDS}, **PIN_WORDS}
MOST_PROBLEMS = 12


def parts_file(ctx: Context, zones: Sequence[Zone]) -> None:
    """The uploader and all that follows from a file."""
    file = st.file_uploader(
        "Table of parts or pins (CSV or XLSX): one row per zone, one heading row",
        type=["csv", "txt", "tsv", "xlsx"],
        key="parts file",
    )
    if file is None:
        st.caption(
            "Headings such as zone, volts, watts, type, junction, length (mm), heater price, "
            "thermocouple price, heater lead time (weeks). Decimal points or commas."
        )
        return
    try:
        grid = read_grid(file.getvalue(), file.name)
        columns = _columns(grid, f"{file.file_id}")
        taken = take_rows(grid, columns, [zone.id for zone in zones])
    except BenchError as error:
        looks.note(f"Nothing was taken in. {shown(error, 300)}", "stop")
        return
    _problems(taken)
    extra = False
    if taken.unknown:
        extra = st.checkbox(
            f"Also add zones that this job does not have: {_names(list(taken.unknown))}",
            value=not zones,
        )
    values = {**taken.values, **(taken.unknown if extra else {})}
    values = {zone: got for zone, got in values.items() if got or zone in taken.unknown}
    _preview(values)
    kept = {zone.id: zone.data for zone in zones}
    changes = {
        f"zone/{zone}": {**kept.get(zone, {}), **got}
        for zone, got in values.items()
        if {**kept.get(zone, {}), **got} != dict(kept.get(zone, {})) or zone not in kept
    }
    if not changes:
        looks.note("All that this file says stands in the table.", "calm")
        return
    if st.button(f"Take in {looks.counted(len(changes), 'zone')}", type="primary") and ctx.edit(
        f"Parts from {shown(file.name, 40)}", changes
    ):
        st.rerun()
    st.caption("Empty cells of the file leave the table as it is. Undo takes all of it back.")


def _columns(grid: Grid, stamp: str) -> list[Column]:
    guessed = guess_columns(grid.header)
    rows = []
    for n, (title, column) in enumerate(zip(grid.header, guessed, strict=True)):
        first = [str(row[n]) for _, row in grid.rows[:3] if row[n] not in (None, "")]
        rows.append(
            {
                "Heading": shown(title),
                "First values": shown(", ".join(first)),
                "Taken for": OUT if column.key is None else WORDS[column.key],
                "Unit": column.unit,
                "Why left out": column.why,
            }
        )
    st.caption("What each heading is taken for. Change it where it is wrong.")
    edited = st.data_editor(
        rows,
        column_config={
            "Taken for": st.column_config.SelectboxColumn(
                "Taken for", options=[OUT, *WORDS.values()], required=True
            )
        },
        disabled=["Heading", "First values", "Unit", "Why left out"],
        hide_index=True,
        width="stretch",
        height="content",
        key=f"parts columns {stamp}",
    )
    key_of = {word: key for key, word in WORDS.items()}
    return [
        Column(key_of.get(row["Taken for"]), column.unit)
        for row, column in zip(edited, guessed, strict=True)
    ]


def _problems(taken: Taken) -> None:
    if not taken.problems:
        return
    lines = "\n".join(
        f"- {looks.plain_markdown(shown(one, 200))}" for one in taken.problems[:MOST_PROBLEMS]
    )
    more = len(taken.problems) - MOST_PROBLEMS
    looks.note(
        f"{looks.counted(len(taken.problems), 'cell')} can't be read and will be left out. Mend "
        "the file, or type them in afterwards."
    )
    st.markdown(lines + (f"\n- and {more} more" if more > 0 else ""))


def _preview(values: dict) -> None:
    keys = [key for key in WORDS if key != ZONE and any(key in got for got in values.values())]
    if not keys:
        return
    rows = [
        {
            "Zone": zone,
            **{
                WORDS[key]: got.get(key, "")
                if key in PIN_WORDS
                else words_of_value(field_of(key).key, got.get(key))
                for key in keys
            },
        }
        for zone, got in values.items()
    ]
    st.caption("What will be taken in:")
    st.dataframe(rows, hide_index=True, width="stretch")


def _names(names: list[str]) -> str:
    more = len(names) - 8
    return ", ".join(shown(name, 20) for name in names[:8]) + (f" and {more}" if more > 0 else "")
