"""How places and holds are said."""

from __future__ import annotations

from mapper.pulling.events import Board

__all__ = ["place_words", "under_words"]


def place_words(place_mm: tuple[float, float]) -> str:
    """Return "(120, 60.5)": plate millimetres, no more digits than a person can use."""
    return "({}, {})".format(*(f"{round(value, 1) + 0.0:g}" for value in place_mm))


def under_words(board: Board, side: int) -> str:
    """Say what a waiting side waits for."""
    lower, upper = board.ids[board.lead_of[side]], board.ids[board.lead_of[side ^ 1]]
    where = place_words(board.place(side))
    if board.is_open(side):
        if lower == upper:
            return f"{lower} meets itself at {where}, and nobody has looked which pass is on top"
        return f"{lower} and {upper} meet at {where}, and nobody has looked which is on top"
    if lower == upper:
        return f"{lower} lies under its own pass nearer the drop at {where}"
    return f"{upper} lies over {lower} at {where}"
