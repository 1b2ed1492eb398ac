"""Which leads a plate must have: one per drop and kind, and which of them nobody traced."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from mapper.plate import Plate
from mapper.records.document import Settings
from mapper.records.leads import MAX_ID_LENGTH, TracedLead

__all__ = ["ExpectedLead", "expected_leads", "missing_leads"]

KIND_OF_SUFFIX = {"H": "heater", "T": "thermocouple"}
_NUMBERED = re.compile(r"[^0-9]*([0-9]+)\Z")


@dataclass(frozen=True)
class ExpectedLead:
    """A lead that a drop must have."""

    id: str
    kind: str
    drop: str


def expected_leads(plate: Plate, settings: Settings) -> tuple[ExpectedLead, ...]:
    """Return the leads of every drop, in the order of the drops: D07 -> Z07-H, Z07-T.

    A zone takes the number of its drop; where the drops' names give no unique numbers it
    takes the whole name, and where that is too long, the place of the drop in the list.
    """
    suffixes = tuple(dict.fromkeys(settings.leads_per_drop))
    room = MAX_ID_LENGTH - max((len(suffix) for suffix in suffixes), default=0) - 1
    expected = []
    for drop, zone in zip(
        plate.drops, _zones([drop.id for drop in plate.drops], room), strict=True
    ):
        for suffix in suffixes:
            lead = ExpectedLead(f"{zone}-{suffix}", KIND_OF_SUFFIX.get(suffix, "other"), drop.id)
            if lead.id not in settings.not_there:
                expected.append(lead)
    return tuple(expected)


def _zones(drops: Sequence[str], room: int) -> list[str]:
    found = [_NUMBERED.match(drop) for drop in drops]
    schemes = (
        [f"Z{match[1]}" if match else "" for match in found],
        [f"Z{drop}" for drop in drops],
    )
    for zones in schemes:
        if all(0 < len(zone) <= room for zone in zones) and len(set(zones)) == len(zones):
            return zones
    return [f"Z{i:02d}" for i in range(1, len(drops) + 1)]


def missing_leads(
    expected: Iterable[ExpectedLead], traced: Iterable[TracedLead]
) -> tuple[ExpectedLead, ...]:
    """Return the expected leads of which no route is traced.

    A lead counts for the expected one of its name, else for one of its drop and kind that
    no other lead counts for: routes that come from a file may be named in another way.
    """
    expected = tuple(expected)
    names = {lead.id for lead in expected}
    begun = [lead for lead in traced if lead.to_lead() is not None]
    here = {lead.id for lead in begun}
    others = [(lead.drop, lead.kind) for lead in begun if lead.id not in names]
    missing = []
    for lead in expected:
        if lead.id in here:
            continue
        if (lead.drop, lead.kind) in others:
            others.remove((lead.drop, lead.kind))
        else:
            missing.append(lead)
    return tuple(missing)
