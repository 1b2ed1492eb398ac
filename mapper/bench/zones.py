"""One zone at the bench: its heater and thermocouple as documented and as measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from mapper.bench.conductors import area_mm2
from mapper.bench.errors import BenchError
from mapper.bench.heaters import Heater, HeaterReading, Verdict, judge_heater
from mapper.bench.limits import Limits
from mapper.bench.parts import PART_KEYS, check_part, field_of
from mapper.bench.pins import PIN_KEYS, typed_pin
from mapper.bench.thermocouples import SensorPart, SensorReading, judge_sensor
from mapper.errors import shown

__all__ = ["Zone"]


@dataclass(frozen=True)
class Zone:
    """A zone; `data` holds the values as typed, unknown keys are kept.

    Keys of `data`: what is documented (`mapper.bench.parts.PART_KEYS`), the pins
    (`mapper.bench.pins.PIN_KEYS`); ohm, insulation_mohm, test_volts, part_c, meter_leads_ohm
    read on the heater; loop_ohm, sheath_mohm, known_c, shown_c, known2_c, shown2_c, head_c,
    terminals_c, sensor_leads_ohm read on the thermocouple.
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
        for key in PART_KEYS:
            if data.get(key) is not None:
                check_part(key, data[key], f"{shown(zone)}, {field_of(key).words}")
        for key in PIN_KEYS:
            if typed_pin(data.get(key), zone) != data.get(key):
                raise BenchError(f"{shown(zone)}: a pin is damaged: enter it again.")
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
    def sensor_part(self) -> SensorPart:
        """Junction, size and length of the thermocouple, as far as they are entered."""
        size = self.data.get("sensor_wire")
        return SensorPart(
            self.data.get("junction"),
            None if size is None else area_mm2(size),
            self.data.get("sensor_length_m"),
        )

    @property
    def sensor_reading(self) -> SensorReading:
        leads_ohm = self.data.get("sensor_leads_ohm")
        return SensorReading.from_mapping({**self.data, "meter_leads_ohm": leads_ohm}, self.id)

    def heater_verdict(self, limits: Limits | None = None) -> Verdict:
        return judge_heater(self.heater, self.heater_reading, limits)

    def sensor_verdict(self, limits: Limits | None = None) -> Verdict:
        got = self.sensor_reading
        if self.sensor is None:
            if got.empty:
                return Verdict("not measured")
            return Verdict("measure again", ("The type of the thermocouple is not entered.",))
        return judge_sensor(self.sensor, got, limits, self.sensor_part)
