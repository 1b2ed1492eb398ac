"""Forms that keep what was typed when another window changes the job meanwhile.

A form shows what is kept, so its name holds a stamp of that: what undo brings back draws it anew.
But a form that has just been sent off has to be drawn once more as it was, or what was typed in
it would vanish without a word.
"""

from __future__ import annotations

from typing import Any

import streamlit as st

__all__ = ["held", "submit_key"]


def submit_key(name: str, stamp: str) -> str:
    """Key of the button that sends the form off."""
    return f"send {name} {stamp}"


def held(name: str, stamp: str, shown: Any) -> tuple[str, Any]:
    """Return (stamp, what is shown) that the form is to be drawn with in this run.

    `stamp` says which state of the job the form would show now, `shown` what it is filled with.
    """
    key = f"form {name}"
    before = st.session_state.get(key)
    if before is not None and st.session_state.get(submit_key(name, before[0])):
        return before
    st.session_state[key] = (stamp, shown)
    return stamp, shown
