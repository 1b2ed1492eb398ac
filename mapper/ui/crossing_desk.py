"""What the crossing desk remembers in a browser tab: which places were passed over, what was
answered (to take it back by one key), and what is still to be checked against the photos.

Nothing here outlives the tab; the answers themselves are in the job.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import streamlit as st

from mapper.routes import Crossing
from mapper.ui import looks
from mapper.ui.asked import ALONG, meeting_key
from mapper.ui.session import Context

__all__ = [
    "ALONG",
    "KEYS",
    "Answered",
    "Desk",
    "along_key",
    "desk_of",
    "in_turn",
    "take_back",
]

# Neighbours on the number row and on the number pad, so that one hand is enough.
KEYS = {"a": "1", "b": "2", "apart": "3", "pass": "4", "take back": "5", "tool": "6"}
_DESK = "crossing desk"  # session state


@dataclass(frozen=True)
class Answered:
    """An answer given here: key of the meeting (or of a lead all along), the edit's label (None:
    passed over)."""

    key: str
    label: str | None


@dataclass
class Desk:
    """The memory of one job's desk in one browser tab. Keys are those of `meeting_key`."""

    job_id: str
    passed: list[str] = field(default_factory=list)  # "can't tell", in the order of passing
    answered: list[Answered] = field(default_factory=list)
    to_check: list[str] = field(default_factory=list)  # answered, not yet held against the photos
    otherwise: dict[str, str] = field(default_factory=dict)  # key -> how the photos disagree
    asked: str | None = None  # the meeting for which the tool was asked


def desk_of(job_id: str) -> Desk:
    """The desk of the open job; a new one when another job was opened."""
    desk = st.session_state.get(_DESK)
    if not isinstance(desk, Desk) or desk.job_id != job_id:
        desk = st.session_state[_DESK] = Desk(job_id)
    return desk


def in_turn(meetings: Sequence[Crossing], passed: Sequence[str]) -> list[Crossing]:
    """Meetings in their order, but those passed over last, the longest ago first."""
    turn = {key: number for number, key in enumerate(passed, start=1)}
    return sorted(meetings, key=lambda one: turn.get(meeting_key(one), 0))


def along_key(lead: str) -> str:
    """What names an answer for a lead all along, as `meeting_key` names a meeting."""
    return f"{ALONG}{lead}"


def take_back(ctx: Context, desk: Desk) -> str | None:
    """Take back the last answer given here; returns the key of its meeting to show it again."""
    if not desk.answered:
        return None
    last = desk.answered[-1]
    if last.label is None:
        desk.passed = [key for key in desk.passed if key != last.key]
    elif ctx.job.undo_label != last.label:
        looks.say(
            "Something else was changed since your last answer, so it is not taken back here: "
            "find the crossing under Judged and answer it again."
        )
        desk.answered.clear()
        return None
    elif not ctx.undo():
        return None
    desk.answered.pop()
    desk.to_check = [key for key in desk.to_check if key != last.key]
    desk.otherwise.pop(last.key, None)
    return last.key
