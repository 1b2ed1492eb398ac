"""Which connector a lead ends in, by the pin table, and so by which exit it has to leave."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from mapper.bench.errors import BenchError
from mapper.bench.pins import plain_pin
from mapper.errors import shown

__all__ = [
    "LEAD_PINS",
    "PinExits",
    "connector_of",
    "connectors_in",
    "exits_by_pins",
    "read_connectors",
    "shown_connector",
]

LEAD_PINS: Mapping[str, tuple[str, str]] = {
    "heater": ("heater_pin_1", "heater_pin_2"),
    "thermocouple": ("sensor_pin_plus", "sensor_pin_minus"),
}


@dataclass(frozen=True)
class PinExits:
    """What the pin table says of the exits.

    `exits`: lead id -> exit by which its connector leaves the plate. `pins`: lead id -> its pins
    as entered. `because`: lead id -> a sentence on where its exit comes from. `conflicts`:
    sentences on what contradicts itself; such leads are in no `exits`.
    """

    exits: Mapping[str, str] = field(default_factory=dict)
    pins: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    because: Mapping[str, str] = field(default_factory=dict)
    conflicts: tuple[str, ...] = ()


def connector_of(pin: str) -> str:
    """The connector of a pin: "X1" of "x1 : 07", "" of a pin that names none."""
    return plain_pin(pin).rpartition(":")[0]


def shown_connector(connector: str) -> str:
    """A connector as it is called in a sentence."""
    return f"connector {shown(connector)}" if connector else "the connector without a name"


def connectors_in(zones: Iterable[tuple[str, Mapping[str, Any]]]) -> dict[str, int]:
    """Connector -> how many pins of the table are on it; `zones` gives (zone id, its data)."""
    found: dict[str, int] = {}
    for _, data in zones:
        for keys in LEAD_PINS.values():
            for key in keys:
                if data.get(key):
                    name = connector_of(data[key])
                    found[name] = found.get(name, 0) + 1
    return dict(sorted(found.items()))


def read_connectors(value: Any) -> dict[str, str]:
    """Connector -> exit as kept in a job; several connectors may belong to one exit.

    Raises BenchError when it is none.
    """
    if value is None:
        return {}
    if not isinstance(value, Mapping) or not all(
        isinstance(one, str) for pair in value.items() for one in pair
    ):
        raise BenchError("The exits of the connectors are damaged: choose them again.")
    return {plain_pin(connector): exit_ for connector, exit_ in value.items() if exit_}


def exits_by_pins(
    leads: Iterable[tuple[str, str]],
    zones: Mapping[str, Mapping[str, Any]],
    exit_of: Mapping[str, str],
    exits: Iterable[str],
) -> PinExits:
    """Return by which exit each lead has to leave, as far as the pin table says so.

    `leads` gives (lead id, kind); the zone of `Z07-H` is `Z07`. `zones`: zone id -> its data.
    `exit_of`: connector -> exit, as `read_connectors` gives it. `exits`: those of the plate.
    A lead without pins, or whose connectors have no exit yet, is not bound.
    """
    known = set(exits)
    found: dict[str, str] = {}
    pins_of: dict[str, tuple[str, ...]] = {}
    because: dict[str, str] = {}
    conflicts = [
        f"Exit {shown(exit_)} of {shown_connector(name)} is not on the plate: choose another exit "
        "for it."
        for name, exit_ in sorted(exit_of.items())
        if exit_ not in known
    ]
    for lead, kind in leads:
        data = zones.get(lead.rpartition("-")[0], {})
        pins = tuple(data[key] for key in LEAD_PINS.get(kind, ()) if data.get(key))
        if not pins:
            continue
        pins_of[lead] = pins
        at = {pin: exit_of.get(connector_of(pin)) for pin in pins}
        ways = sorted({exit_ for exit_ in at.values() if exit_ in known})
        if len(ways) > 1:
            where = " and ".join(
                f"pin {shown(pin)} is on {shown_connector(connector_of(pin))} at exit {shown(way)}"
                for pin, way in at.items()
                if way in known
            )
            conflicts.append(
                f"{shown(lead)} can't leave by two exits: {where}. Mend the pin table or the "
                "exits of the connectors; until then it may leave by any exit."
            )
        elif ways:
            found[lead] = ways[0]
            on = [pin for pin, way in at.items() if way == ways[0]]
            word = "pin" if len(on) == 1 else "pins"
            because[lead] = (
                f"{shown(lead)} has to leave by exit {shown(ways[0])}, since {word} "
                f"{' and '.join(map(shown, on))} {'is' if len(on) == 1 else 'are'} on "
                f"{' and '.join(sorted({shown_connector(connector_of(pin)) for pin in on}))}."
            )
    return PinExits(found, pins_of, because, tuple(conflicts))
