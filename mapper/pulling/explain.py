"""Why a lead can or can't come out now, as a chain down to the meetings behind it."""

from __future__ import annotations

from collections.abc import Iterable

from mapper.errors import shown
from mapper.pulling.events import Board, State
from mapper.pulling.model import PullError
from mapper.pulling.part_model import Nozzle, part_of
from mapper.pulling.past import Done, read_done, replay
from mapper.pulling.words import place_words, under_words
from mapper.routes.model import RouteMap

__all__ = ["explain"]


def explain(route_map: RouteMap, wire: str, done: Iterable[Done] = ()) -> list[str]:
    """Return short sentences; each names what holds the lead of the one before it.

    The chain follows the hold nearest the free end of each lead. It ends at a lead that can be
    moved now, at a place where nobody has looked, or where the leads hold each other. Raises
    PullError for an unknown lead.
    """
    board = Board(route_map.leads, route_map.crossings, route_map.tracing_error_mm)
    state = replay(board, read_done(board, done))
    lead = board.index.get(wire)
    if lead is None:
        raise PullError(f"{shown(wire)} is no lead of this plate; check the id")
    if state.out[lead]:
        return [f"{wire} is out already."]
    return _chain(state, lead)


def _chain(state: State, lead: int) -> list[str]:
    board = state.board
    name = board.ids[lead]
    side = state.held_at(lead)
    if side is None:
        ahead = sum(board.low[s] < state.freed[lead] for s in board.sides_of[lead])
        where = (
            f"nothing that remains lies over it at the {ahead} places where it meets leads"
            if ahead > 1
            else "nothing that remains lies over it"
        )
        return [f"{name} can be {_act(board, lead)} now: {where}."]
    sentences = [f"{name} can't be {_act(board, lead)} now: {under_words(board, side)}."]
    seen = {lead}
    while not board.is_open(side):
        other, need = board.lead_of[side ^ 1], board.low[side ^ 1]
        if other == board.lead_of[side]:
            sentences.append(f"{board.ids[other]} holds itself; pulling would tighten it.")
            return sentences
        holds = state.holding(other, need)
        where = place_words(board.place(side))
        if not holds:
            whole = state.reach(other) == 0
            act = _act(board, other) if whole else f"peeled past {where}"
            sentences.append(f"{board.ids[other]} can be {act} now; do that first.")
            return sentences
        if other in seen:
            sentences.append(f"That comes back to {board.ids[other]}: these leads hold each other.")
            return sentences
        seen.add(other)
        side = holds[0]
        sentences.append(f"{board.ids[other]} is held too: {under_words(board, side)}.")
    sentences.append(f"Look at {place_words(board.place(side))} first.")
    return sentences


def _act(board: Board, lead: int) -> str:
    part = part_of(board.leads[lead])
    if part is None:
        return "pulled"
    return "taken out" if isinstance(part, Nozzle) else "taken off"
