"""The first field of what a button opened takes the keys, so that no mouse is needed."""

from __future__ import annotations

from importlib.resources import files

import streamlit as st

__all__ = ["focus_first"]

_mount = st.components.v2.component(
    "plate_wire_mapper_focus_first",
    html='<div class="root"></div>',
    js=files("mapper.ui.canvas").joinpath("focus_first.js").read_text(encoding="utf-8"),
)


def focus_first(key: str) -> None:
    """Give the keys to the first field of the open panel, also when its fields are drawn anew; to
    be drawn at the panel's end.
    """
    _mount(key=key)
