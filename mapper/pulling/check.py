"""Checking an order that somebody proposes, and reading it from a table."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from io import StringIO
from math import isfinite
from pathlib import Path

from mapper.errors import shown
from mapper.pulling.events import Board, State
from mapper.pulling.model import PullError, Step, Violation
from mapper.pulling.past import Done, Item, as_step, depth_of, read_done, replay
from mapper.routes.model import RouteMap

__all__ = ["check_order", "read_order"]

_MAX_ROWS = 100_000


def check_order(
    route_map: RouteMap, order: Iterable[Item], done: Iterable[Done] = ()
) -> list[Violation]:
    """Replay an order and return every break of the peel rule; an empty list means none.

    `order` and `done`: lead ids (pulled), Steps or their dicts; steps count from 1. One entry
    for each meeting that holds the lead. A step that breaks the rule is taken as done after all,
    so each later step is judged on its own. Raises PullError for an item that is no step at
    all, and for a done item that names an unknown lead or place.
    """
    board = Board(route_map.leads, route_map.crossings, route_map.tracing_error_mm)
    state = replay(board, read_done(board, done))
    found: list[Violation] = []
    for number, item in enumerate(order, start=1):
        found += _check_step(state, number, as_step(item))
    return found


def _check_step(state: State, number: int, step: Step) -> list[Violation]:
    board = state.board
    x_mm, y_mm = step.past or (None, None)
    lead = board.index.get(step.wire)
    if lead is None:
        return [Violation(number, step.wire, None, x_mm, y_mm, "unknown lead")]
    if state.out[lead]:
        return [Violation(number, step.wire, None, x_mm, y_mm, "already out")]
    depth: int | None = 0
    if step.past is not None:
        depth = depth_of(board, lead, step.past, state.freed[lead])
        if depth is None:
            return [Violation(number, step.wire, None, x_mm, y_mm, "unknown place")]
        if depth >= state.freed[lead]:
            return [Violation(number, step.wire, None, x_mm, y_mm, "already past")]
    found = [
        Violation(
            number,
            step.wire,
            board.ids[board.lead_of[side ^ 1]],
            *board.place(side),
            "nobody has looked" if board.is_open(side) else "lies under",
        )
        for side in state.holding(lead, depth)
    ]
    if step.past is None:
        state.take_out(lead)
    else:
        state.free(lead, depth)
    return found


def read_order(source: str | Path | bytes) -> list[Step]:
    """Read an order from a table with commas, semicolons or tabs between the columns.

    `source`: a path, the text itself (when it holds a line break or names no file), or bytes
    (UTF-8). Columns: `wire` (each row a pull), or `action, wire, past_x, past_y`; a first
    column with step numbers is left aside. The line with the names of the columns may be left
    out. Raises PullError that names the row.
    """
    rows = _rows(_text(source))
    if not rows:
        raise PullError("the order is empty; give one lead per row")
    header = [cell.strip().lower() for cell in rows[0][1]]
    if "wire" in header:
        columns = {name: i for i, name in enumerate(header) if name}
        rows = rows[1:]
        if not rows:
            raise PullError("the order has a heading and no steps; give one lead per row")
    else:
        columns = _guess_columns([cells for _, cells in rows])
    return [_step(number, cells, columns) for number, cells in rows]


def _text(source: str | Path | bytes) -> str:
    try:
        if isinstance(source, bytes):
            return source.decode("utf-8-sig")
        if isinstance(source, Path):
            return source.read_bytes().decode("utf-8-sig")
        if "\n" not in source and "\r" not in source and len(source) < 1024:
            path = Path(source)
            if "\0" not in source and path.is_file():
                return path.read_bytes().decode("utf-8-sig")
        return source.removeprefix("\ufeff")
    except UnicodeDecodeError:
        raise PullError("the order is not UTF-8 text; save it as CSV in UTF-8") from None
    except OSError as err:
        raise PullError(
            f"the order {shown(source)} cannot be read ({shown(err.strerror)}); check the path"
        ) from None


def _rows(text: str) -> list[tuple[int, list[str]]]:
    """Return (row number from 1, cells) of the rows that hold anything."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    mark = max(",;\t", key=first.count)
    rows = []
    try:
        for cells in (reader := csv.reader(StringIO(text, newline=""), delimiter=mark)):
            if any(cell.strip() for cell in cells):
                rows.append((reader.line_num, cells))
            if len(rows) > _MAX_ROWS:
                raise PullError(f"the order has more than {_MAX_ROWS} rows; give one plate only")
    except csv.Error as err:
        raise PullError(
            f"row {reader.line_num} of the order is not a table row ({shown(err)})"
        ) from None
    return rows


def _guess_columns(rows: list[list[str]]) -> dict[str, int]:
    """Find the columns of a table without names: an optional step number, then our form."""
    numbered = len(rows[0]) > 1 and all(
        row[0].strip() == str(i) for i, row in enumerate(rows, start=1)
    )
    at = 1 if numbered else 0
    with_action = all(
        len(row) > at + 1 and row[at].strip().lower() in ("pull", "peel") for row in rows
    )
    if with_action:
        return {"action": at, "wire": at + 1, "past_x": at + 2, "past_y": at + 3}
    return {"wire": at}


def _step(number: int, cells: list[str], columns: dict[str, int]) -> Step:
    def cell(name: str) -> str:
        at = columns.get(name, len(cells))
        return cells[at].strip() if at < len(cells) else ""

    wire, action = cell("wire"), cell("action").lower() or "pull"
    if not wire:
        raise PullError(f"row {number} of the order names no lead; fill in its wire column")
    if action not in ("pull", "peel"):
        raise PullError(
            f"row {number} of the order has the action {shown(action)}; use pull or peel"
        )
    more = [text for text in cells[columns["wire"] + 1 :] if text.strip()]
    if len(columns) == 1 and more:
        raise PullError(
            f"row {number} of the order has more than a lead in it ({shown(more[0])}); "
            "name the columns action, wire, past_x, past_y"
        )
    if action == "pull":
        return Step("pull", wire)
    try:  # a cell that holds a comma still has it for a decimal mark
        past = (float(cell("past_x").replace(",", ".")), float(cell("past_y").replace(",", ".")))
    except ValueError:
        past = (float("nan"), float("nan"))
    if not (isfinite(past[0]) and isfinite(past[1])):
        raise PullError(
            f"row {number} of the order peels {shown(wire)} without a place; "
            "give past_x and past_y in mm"
        )
    return Step("peel", wire, past)
