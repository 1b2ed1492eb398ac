"""One zone at the bench: its heater and thermocouple as documented and as measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from mapper.bench.errors import BenchError
from mapper.bench.heaters import Heater, HeaterLimits, HeaterReading, Verdict, judge_heater
from mapper.bench.thermocouples import TYPES, SensorReading, judge_sensor
from mapper.errors import shown

__all__ = ["Zone"]


@dataclass(frozen=True)
class Zone:
    """A zone; `data` holds the values as typed, unknown keys are kept.

    Keys of `data`: volts, watts, elements, ohm, insulation_mohm, meter_leads_ohm for the heater;
    sensor (type letter), loop_ohm, known_c, shown_c, terminals_c for the thermocouple.
    """

    id: str
    data: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def from_mapping(cls, zone: str, data: Mapping[str, Any]) -> Zone:
        """The zone, every value looked at. Raises BenchError with the zone named."""
        if not isinstance(data, Mapping):
            raise BenchError(f"{shown(zone)}: the readings are damaged: enter them again.")
        made = cls(zone, dict(data))
        made.heater, made.heater_reading, made.sensor_reading  # noqa: B018  they look at the values
        if made.sensor not in (None, *TYPES):
            raise BenchError(f"{shown(zone)}: {shown(made.sensor)} is no type: use J, K, N, T, E.")
        return made

    @property
    def heater(self) -> Heater | None:
        return Heater.from_mapping(self.data, self.id)

    @property
    def heater_reading(self) -> HeaterReading:
        return HeaterReading.from_mapping(self.data, self.id)

    @property
    def sensor(self) -> str | None:
        """Type letter of the thermocouple, None when not entered."""
        return self.data.get("sensor")

    @property
    def sensor_reading(self) -> SensorReading:
        return SensorReading.from_mapping(self.data, self.id)

    def heater_verdict(self, limits: HeaterLimits | None = None) -> Verdict:
        return judge_heater(self.heater, self.heater_reading, limits)

    def sensor_verdict(self) -> Verdict:
        got = self.sensor_reading
        if self.sensor is None:
            if got.loop_ohm is None and got.shown_c is None:
                return Verdict("not measured")
            return Verdict("measure again", ("The type of the thermocouple is not entered.",))
        return judge_sensor(self.sensor, got)
