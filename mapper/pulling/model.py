"""What a pull plan and the check of an order are made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from mapper.errors import MapperError, shown

__all__ = [
    "Freed",
    "LockedSet",
    "LookAt",
    "Place",
    "PullError",
    "PullPlan",
    "Release",
    "SafeNow",
    "Step",
    "Violation",
]

Place = tuple[float, float]  # plate millimetres


class PullError(MapperError):
    """An order, a log entry or a set of meetings that cannot be followed, and why."""


@dataclass(frozen=True)
class Step:
    """One act: draw a lead out ("pull"), or lift it to just past a place ("peel").

    `past`: plate millimetres of the meeting that the lead is lifted past; None for a pull.
    """

    action: Literal["pull", "peel"]
    wire: str
    past: Place | None = None

    def to_dict(self) -> dict[str, Any]:
        if self.past is None:
            return {"action": self.action, "wire": self.wire}
        return {"action": self.action, "wire": self.wire, "past": list(self.past)}


@dataclass(frozen=True)
class Freed:
    """A lead that hangs free from its free end down to a place, as the teardown log gives it.

    `down_to_mm`: arc length from its drop; everything from there outwards has been freed.
    """

    wire: str
    down_to_mm: float


@dataclass(frozen=True)
class LookAt:
    """An open meeting that holds leads back.

    `frees`: how many more leads could come out after the better answer, nothing else
    changed; `sure`: how many more come out whatever the answer is. Both are exact.
    """

    a: str
    b: str
    x_mm: float
    y_mm: float
    frees: int
    sure: int
    kind: str

    def to_dict(self) -> dict[str, Any]:
        return {"a": self.a, "b": self.b, "x": self.x_mm, "y": self.y_mm, "frees": self.frees}


@dataclass(frozen=True)
class Release:
    """One way to release a locked set. `places` are plate millimetres.

    `way`: "look again" (a judgement may be wrong), "thread back" (draw a free end back under
    the other lead), "cut" (cut and replace `wires`; `cost` is their sum, and `least` says that
    no cheaper set of leads undoes every lock of the set).
    """

    way: Literal["look again", "thread back", "cut"]
    wires: tuple[str, ...]
    places: tuple[Place, ...]
    words: str
    cost: float | None = None
    least: bool | None = None

    def to_dict(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "way": self.way,
            "wires": list(self.wires),
            "crossings": [list(place) for place in self.places],
            "words": self.words,
        }
        if self.way == "cut":
            out |= {"cost": self.cost, "least": self.least}
        return out


@dataclass(frozen=True)
class LockedSet:
    """Leads that hold each other: one strongly connected part of the judged events.

    `cycle`: one short way round in words. `held`: leads that are not in the set and cannot
    come out before it is released.
    """

    wires: tuple[str, ...]
    crossings: tuple[Place, ...]
    cycle: str
    release: tuple[Release, ...]
    held: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        return {
            "wires": list(self.wires),
            "crossings": [list(place) for place in self.crossings],
            "release": [release.to_dict() for release in self.release],
        }


@dataclass(frozen=True)
class PullPlan:
    """What can be done now, in order, and what holds the rest back.

    `stops_lower_bound`: no plan that brings the same leads out has fewer steps than this.
    `left`: the leads that stay in the plate after the last step.
    """

    status: Literal["complete", "needs-a-look", "locked"]
    steps: tuple[Step, ...]
    look_at: tuple[LookAt, ...] = ()
    locked: tuple[LockedSet, ...] = ()
    stops_lower_bound: int = 0
    left: tuple[str, ...] = ()

    @property
    def is_fewest(self) -> bool:
        """True when it is proved that no plan needs fewer steps."""
        return len(self.steps) == self.stops_lower_bound

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain JSON types, in the form of the exchange format."""
        return {
            "status": self.status,
            "steps": [step.to_dict() for step in self.steps],
            "look_at": [look.to_dict() for look in self.look_at],
            "locked": [locked.to_dict() for locked in self.locked],
        }


@dataclass(frozen=True)
class Violation:
    """A step of somebody's order that breaks the rule. `step` counts from 1.

    `over`: the lead that lies over `wire` at (`x_mm`, `y_mm`), or the other lead of an open
    meeting; None where the step itself makes no sense (`reason` says how).
    """

    step: int
    wire: str
    over: str | None
    x_mm: float | None
    y_mm: float | None
    reason: Literal[
        "lies under",
        "nobody has looked",
        "unknown lead",
        "unknown place",
        "already out",
        "already past",
    ]

    def to_dict(self) -> dict[str, Any]:
        return {
            "step": self.step,
            "wire": self.wire,
            "over": self.over,
            "x": self.x_mm,
            "y": self.y_mm,
            "reason": self.reason,
        }

    def sentence(self) -> str:
        """The finding in plain words."""
        at = "" if self.x_mm is None else f" at ({self.x_mm:.1f}, {self.y_mm:.1f}) mm"
        wire = shown(self.wire)
        other = "its own other pass" if self.over == self.wire else shown(self.over)
        what = {
            "lies under": f"{wire} still lies under {other}{at}.",
            "nobody has looked": f"{wire} meets {other}{at}; nobody has looked which is on top.",
            "unknown lead": f"{wire} is no lead of this plate.",
            "unknown place": f"{wire} meets no other lead{at}.",
            "already out": f"{wire} is out already.",
            "already past": f"{wire} has been freed past that place already.",
        }[self.reason]
        return f"Step {self.step}: {what}"


@dataclass(frozen=True)
class SafeNow:
    """`pull`: leads that nothing holds, each on its own. `held`: for each other lead that
    remains, the meeting nearest its free end that holds it, as (other lead, x, y, reason)."""

    pull: tuple[str, ...]
    held: dict[str, tuple[str, float, float, str]]
