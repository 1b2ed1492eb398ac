"""The parts that leads lie under or hang on: covers and clips, nozzles, heaters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from mapper.pulling.model import Place
from mapper.routes.model import Lead

__all__ = ["ChannelStretch", "Cover", "Heater", "Nozzle", "Part", "PartLead", "part_of"]


@dataclass(frozen=True)
class ChannelStretch:
    """A stretch of a channel, as arc lengths in mm along its centre line."""

    channel: str
    from_mm: float
    to_mm: float


@dataclass(frozen=True)
class Cover:
    """A cover or clip over one or more stretches of channels, or over a polygon (plate mm,
    3 corners up)."""

    id: str
    over: ChannelStretch | tuple[ChannelStretch, ...] | tuple[Place, ...]


@dataclass(frozen=True)
class Nozzle:
    """The nozzle of a drop, and how its thermocouple leaves."""

    drop: str
    thermocouple: Literal["with the nozzle", "at the front"] = "with the nozzle"

    @property
    def id(self) -> str:
        return f"nozzle {self.drop}"


@dataclass(frozen=True)
class Heater:
    """The heater of a drop."""

    drop: str

    @property
    def id(self) -> str:
        return f"heater {self.drop}"


Part = Cover | Nozzle | Heater


@dataclass(frozen=True, eq=False)
class PartLead(Lead):
    """A part as it takes part in the rule: a lead of no length that others wait for."""

    part: Part | None = None


def part_of(lead: Lead | None) -> Part | None:
    """Return the part that a lead of a map made by `with_parts` stands for; None for a lead."""
    return lead.part if isinstance(lead, PartLead) else None
