"""The list of leads, drop by drop, as a small component: pick, hide, next untraced."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

import streamlit as st

from mapper.ui.canvas.component import acknowledgement

__all__ = ["ListedDrop", "ListedLead", "lead_list"]


@dataclass(frozen=True)
class ListedLead:
    """A button of the list. `state` is "traced", "unfinished" or "missing"; `pale`: not drawn."""

    id: str
    word: str
    state: str
    color: str
    dashed: bool
    selected: bool
    pale: bool = False


@dataclass(frozen=True)
class ListedDrop:
    """A row of the list."""

    name: str
    leads: tuple[ListedLead, ...]
    hidden: bool = False


def _asset(name: str) -> str:
    return files("mapper.ui.canvas").joinpath(name).read_text(encoding="utf-8")


_STORE = "const STORE = (globalThis.plateWireMapperList ??= { logs: new Map() });"
_mount = st.components.v2.component(
    "plate_wire_mapper_lead_list",
    html='<div class="root"></div>',
    css=_asset("list.css"),
    js="\n".join([_STORE, *(_asset(f"{name}.js") for name in ("operations", "elements", "list"))]),
)


def lead_list(
    key: str,
    drops: Sequence[ListedDrop],
    summary: str,
    buttons: Sequence[tuple[str, str, bool]] = (),
) -> None:
    """Draw the list; what the user does comes through `take_operations(key)`.

    `buttons`: (name, word, pressed) above the list. Operations: `select` with the lead's id;
    `key` with the button's name, or "hide" with the drop's name as id.
    """
    data = {
        "key": key,
        "groups": [
            {"name": drop.name, "hidden": drop.hidden, "leads": [vars(one) for one in drop.leads]}
            for drop in drops
        ],
        "summary": summary,
        "buttons": [list(button) for button in buttons],
        "ack": acknowledgement(key),
    }
    _mount(key=key, data=data, on_ops_change=_noted)


def _noted() -> None:
    """Streamlit keeps a state value only for a name with a callback; nothing else to do."""
