"""Nobody answers a place unseen: answers that come before it is on the screen are held back.

The browser judges it by its own clock. The server's would not do: on a slow laptop a place is
drawn long after the server has sent it, and a key pressed twice would answer the next one.
"""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256
from importlib.resources import files

import streamlit as st

__all__ = ["look_first", "place_mark"]

LEAST_LOOK_MS = 400  # an answer sooner than this after the place came was meant for the one before

_CSS = """
.root:not(:empty) {
  position: fixed; left: 50%; bottom: 1.5rem; transform: translateX(-50%); z-index: 1000;
  max-width: 90vw; padding: 0.8rem 1.2rem; pointer-events: none;
  font-size: 1.05rem; color: #3d2600; background: #fff4dc;
  border: 2px solid #8a4b00; border-radius: 8px;
}
"""
_mount = st.components.v2.component(
    "plate_wire_mapper_look_first",
    html='<div class="root" role="status"></div>',
    css=_CSS,
    js=files("mapper.ui.canvas").joinpath("look_first.js").read_text(encoding="utf-8"),
)


def place_mark(place: str) -> str:
    """Attribute for the words of the question, which says to the guard what is asked."""
    return f'data-place="{_mark(place)}"'


def _mark(place: str) -> str:
    """Letters and figures only: the browser's cleaner drops attributes that look like markup."""
    return sha256(place.encode("utf-8", "replace")).hexdigest()


def look_first(place: str, keys: Sequence[str], pictures: int = 1) -> None:
    """Guard the answers of a place; to be drawn after its pictures.

    `place`: as in `place_mark`. `keys`: those that answer it. Buttons whose key begins with
    "answer " are guarded as well. Several pictures take longer to see.
    """
    data = {"place": _mark(place), "keys": list(keys), "least_look_ms": LEAST_LOOK_MS * pictures}
    _mount(key="look first", data=data)
