"""What a rebuild plan is made of: settings, wanted leads, planned leads, fills, bottleneck."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from mapper.errors import MapperError, shown
from mapper.routes import Crossing, Lead, RouteMap
from mapper.routes.lead import LeadKind

__all__ = [
    "Bottleneck",
    "Fill",
    "PlannedLead",
    "RebuildError",
    "RebuildPlan",
    "RebuildSettings",
    "WantedLead",
]


class RebuildError(MapperError):
    """A wiring that can't even be asked for: an unknown drop, channel or exit, a bad setting."""


@dataclass(frozen=True)
class RebuildSettings:
    """What bounds the wiring. All lengths in mm.

    `fill_limit`: share of a channel's cross section (width x depth) that leads may take. 0.40 is
    what NFPA 70 chapter 9 table 1 allows for more than two conductors in a conduit; a milled
    channel is no conduit, so the shop decides.
    `bend_radius_mm`: the least radius a lead may be bent to; the maker of the lead says it.
    `clearance_mm`: kept between leads side by side where the channel has room.
    `slack_share`: added to the length of the route; `tail_mm`: from the exit to the terminal.
    `past_bore_mm`: a way through another drop's bore counts as so much longer, since a lead that
    passes over a pocket comes out before that nozzle.
    `crossing_mm`: a crossing of two leads counts as so much length.
    """

    fill_limit: float = 0.40
    bend_radius_mm: float = 10.0
    clearance_mm: float = 0.3
    slack_share: float = 0.05
    tail_mm: float = 300.0
    past_bore_mm: float = 20.0
    crossing_mm: float = 500.0

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, (int, float)):
                raise RebuildError(f"The rebuild setting {name} should be a number.")
            if not math.isfinite(value) or value < 0:
                raise RebuildError(f"The rebuild setting {name} should not be below 0.")
        if not 0 < self.fill_limit <= 1:
            raise RebuildError("The fill limit should be above 0 and at most 100 %.")


@dataclass(frozen=True)
class WantedLead:
    """A lead to be laid. `exit` and `channel`: where it has to leave or run, None for anywhere."""

    id: str
    kind: LeadKind
    drop: str
    diameter_mm: float
    exit: str | None = None
    channel: str | None = None

    def __post_init__(self) -> None:
        if not 0 < self.diameter_mm < math.inf:
            raise RebuildError(f"{shown(self.id)} needs a diameter above 0 mm: enter it.")


@dataclass(frozen=True, eq=False)
class PlannedLead:
    """A lead as planned: its route, the channels it runs through, and the length to cut.

    `number` is its place in the install order, from 1: it lies on top of every lead of a lower
    number wherever the two meet.
    """

    number: int
    lead: Lead
    channels: tuple[str, ...]
    cut_length_mm: float


@dataclass(frozen=True)
class Fill:
    """How full a stretch of channel is. `limit` is the fill limit; above it, it does not fit."""

    channel: str
    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    leads: int
    share: float
    limit: float


@dataclass(frozen=True)
class Bottleneck:
    """Where the wiring fails. `channels` may be empty; `words` says it in full sentences.

    `proven`: no routing at all gets through (a minimum cut, or a lead without any way).
    """

    words: str
    channels: tuple[str, ...] = ()
    leads: tuple[str, ...] = ()
    proven: bool = False


@dataclass(frozen=True, eq=False)
class RebuildPlan:
    """The planned wiring, or why there is none.

    `leads` in install order. `crossings`: pairs of leads that truly cross, as planned in the
    junctions; `find_crossings` on `route_map` finds the same pairs, else `note` says so (channels
    that lie over each other leave no room to draw lanes true). `length_mm` is the sum along
    the centre lines and of what bores on the way cost; no wiring that keeps the leads of a drop
    together as this one does is shorter than `length_bound_mm`. `fills` lists every stretch that
    a lead runs through; for a plan that does not fit, as the least over-filled wiring has it.
    """

    status: Literal["planned", "does not fit"]
    settings: RebuildSettings
    leads: tuple[PlannedLead, ...] = ()
    crossings: tuple[tuple[str, str], ...] = ()
    fills: tuple[Fill, ...] = ()
    route_map: RouteMap | None = None
    length_mm: float = 0.0
    length_bound_mm: float = 0.0
    bottleneck: Bottleneck | None = None
    note: str = ""

    @property
    def found(self) -> tuple[Crossing, ...]:
        """All meetings of the planned routes with their planned judgement."""
        return () if self.route_map is None else self.route_map.crossings

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types, without the routes (those are the route map's)."""
        return {
            "status": self.status,
            "install": [
                {
                    "number": one.number,
                    "wire": one.lead.id,
                    "drop": one.lead.drop,
                    "exit": one.lead.exit,
                    "channels": list(one.channels),
                    "cut_length_mm": one.cut_length_mm,
                }
                for one in self.leads
            ],
            "crossings": [list(pair) for pair in self.crossings],
            "fill": [
                {"channel": one.channel, "leads": one.leads, "share": one.share}
                for one in self.fills
            ],
            "length_mm": self.length_mm,
            "length_bound_mm": self.length_bound_mm,
            "bottleneck": None if self.bottleneck is None else self.bottleneck.words,
        }
