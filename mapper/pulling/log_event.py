"""One entry of the teardown log, made from whatever record or mapping holds it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from math import isfinite
from typing import Any

from mapper.errors import shown
from mapper.pulling.model import Place, PullError

__all__ = ["ACTIONS", "LogEvent", "as_event"]

ACTIONS = ("pull", "peel", "broke", "put back", "took off")


@dataclass(frozen=True)
class LogEvent:
    """One thing that happened. `past`: place in plate mm that it was peeled past, or where it
    broke. `reached`: place on its route down to which a peel freed it, as it was traced then
    (`reached_place`). `reason`: why it was done although the rule forbade it, or how it came to
    it."""

    action: str
    wire: str
    past: Place | None = None
    at: datetime | None = None
    by: str = ""
    reason: str = ""
    reached: Place | None = None


def as_event(item: Any) -> LogEvent:
    if not isinstance(item, LogEvent):
        get = item.get if isinstance(item, Mapping) else lambda key: getattr(item, key, None)
        item = LogEvent(
            get("action"),
            get("wire"),
            get("past"),
            get("at"),
            get("by") or "",
            get("reason") or "",
            get("reached"),
        )
    if item.action not in ACTIONS:
        raise PullError(
            f"{shown(item.action)} is not an event of the log; use {', '.join(ACTIONS)}"
        )
    if not isinstance(item.wire, str):
        raise PullError(f"an event of the log ({item.action}) names no lead; give its id")
    return replace(item, past=_as_place(item.past), reached=_as_place(item.reached))


def _as_place(value: Any) -> Place | None:
    """Return two finite numbers, or None for anything else."""
    try:
        x, y = (float(number) for number in value)
    except (TypeError, ValueError):
        return None
    return (x, y) if isfinite(x) and isfinite(y) else None
