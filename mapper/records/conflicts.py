"""What is told when somebody else changed what an edit was made from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from mapper.errors import shown
from mapper.records.errors import EditConflict

__all__ = ["conflict_of"]


def conflict_of(label: str, changes: Mapping[str, Any], stale: tuple[str, ...]) -> EditConflict:
    words = {"lead": "lead ", "photo": "a photo", "fit": "the fit of a photo"}
    words |= {"judged": "a judgement", "done": "the teardown log"}
    words |= {"cover": "a cover", "takeout": "what is taken out of a drop"}
    named = []
    for key in stale:
        kind, _, name = key.partition("/")
        word = words.get(kind, f"the {kind}")
        named.append(word + shown(name) if kind == "lead" else word)
    named = list(dict.fromkeys(named))
    what = named[0] if named else "the job"
    if len(named) > 1:
        what += f" and {len(named) - 1} more"
    return EditConflict(
        f"Another window has changed {what} in the meantime, so this was not saved: "
        "look at the job as it is now, then do it again.",
        label,
        changes,
        stale,
    )
