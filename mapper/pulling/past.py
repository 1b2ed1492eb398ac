"""Steps as people write them, matched to leads and meetings; what has been done already."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import hypot, isfinite
from typing import Any

from mapper.errors import shown
from mapper.pulling.events import Board, State
from mapper.pulling.model import Freed, Place, PullError, Step
from mapper.pulling.words import place_words

__all__ = [
    "SAME_MEETING_MM",
    "Done",
    "Item",
    "as_step",
    "depth_of",
    "named_step",
    "read_done",
    "replay",
]

Item = str | Step | Mapping[str, Any]
Done = Item | Freed  # what has been done may also come from a log that was read

SAME_MEETING_MM = 1.0  # as far as a judgement in a file may lie from its meeting
_EXACT_MM = 1e-6


def as_step(item: Item) -> Step:
    """Return a lead id, a Step, or {"action", "wire", "past"} as a Step. Raises PullError."""
    if isinstance(item, Step):
        if item.action not in ("pull", "peel") or (item.past is None) != (item.action == "pull"):
            raise PullError(
                f"{shown(item.action)} of {shown(item.wire)} is not a step of an order; "
                "pull a lead, or peel it past a place"
            )
        return item
    if isinstance(item, str):
        return Step("pull", item)
    if not isinstance(item, Mapping):
        raise PullError(f"{shown(item)} is not a step; name a lead, or give action and wire")
    action, wire, past = item.get("action", "pull"), item.get("wire"), item.get("past")
    if action not in ("pull", "peel"):
        raise PullError(f"{shown(action)} is not an action; use pull or peel")
    if not isinstance(wire, str):
        raise PullError(f"a {action} names no lead; give its id as wire")
    if action == "pull":
        return Step("pull", wire)
    try:
        x, y = (float(value) for value in past)
    except (TypeError, ValueError):
        x = y = float("nan")
    if not (isfinite(x) and isfinite(y)):
        raise PullError(f"the peel of {shown(wire)} needs a place as past, two numbers in mm")
    return Step("peel", wire, (x, y))


def depth_of(board: Board, lead: int, past: Place, freed: int | None = None) -> int | None:
    """Return the number down to which a peel past a place frees a lead; None if unknown.

    `freed`: how far the lead has been freed before (None: not at all). The place is the nearest
    meeting of the lead within `SAME_MEETING_MM`. Where the lead has several meetings at that
    very place (it passes there twice), the one meant is the first that it is not yet past, so
    that less is taken as free, not more.
    """
    distance = {
        side: hypot(x - past[0], y - past[1])
        for side in board.sides_of[lead]
        for x, y in (board.place(side),)
    }
    nearest = min(distance.values(), default=SAME_MEETING_MM + 1)
    if nearest > SAME_MEETING_MM:
        return None
    depths = sorted({board.low[s] for s, d in distance.items() if d <= nearest + _EXACT_MM})
    ahead = [depth for depth in depths if freed is None or depth < freed]
    return ahead[-1] if ahead else depths[0]


def named_step(board: Board, lead: int, depth: int, was: int) -> Step:
    """Return the step that frees a lead from one number down to another; a peel is named by a
    meeting whose span on the lead ends at its depth.

    Rather by one that lies under the lead, and at a place that the lead passes once.
    """
    if depth == 0:
        return Step("pull", board.ids[lead])
    places = [board.place(s) for s in board.serves[lead] if board.low[s] == depth]
    clear = [p for p in places if depth_of(board, lead, p, was) == depth]
    return Step("peel", board.ids[lead], (clear or places)[0])


def read_done(board: Board, done: Iterable[Done]) -> list[tuple[int, Place | float | None]]:
    """Return what has been done as (lead, how far): None for a pull, else the place that it was
    peeled past, or the arc length down to which it is free.

    Raises PullError for an unknown lead, and for a place where the lead meets nothing.
    """
    acts: list[tuple[int, Place | float | None]] = []
    for item in done:
        step = item if isinstance(item, Freed) else as_step(item)
        lead = board.index.get(step.wire)
        if lead is None:
            raise PullError(
                f"{shown(step.wire)} is marked as done but is no lead of this plate; check the id"
            )
        if isinstance(step, Freed):
            acts.append((lead, float(step.down_to_mm)))
            continue
        if step.past is not None and depth_of(board, lead, step.past) is None:
            raise PullError(
                f"{shown(step.wire)} is marked as peeled past {place_words(step.past)}, "
                "but it meets nothing there; check the place"
            )
        acts.append((lead, step.past))
    return acts


def replay(board: Board, acts: Iterable[tuple[int, Place | float | None]]) -> State:
    """Return the state after what has been done, right or wrong."""
    state = State(board)
    for lead, how_far in acts:
        if isinstance(how_far, float):
            state.free(lead, board.number_at(lead, how_far))
            continue
        depth = None if how_far is None else depth_of(board, lead, how_far, state.freed[lead])
        if depth is None:
            state.take_out(lead)
        else:
            state.free(lead, depth)
    return state
