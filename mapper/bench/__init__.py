"""Bench tests: what the readings of heaters and thermocouples mean for re-use."""

from mapper.bench.errors import BenchError
from mapper.bench.heaters import (
    Heater,
    HeaterLimits,
    HeaterReading,
    Verdict,
    expected_ohm,
    judge_heater,
    power_at,
)
from mapper.bench.thermocouples import TYPES, SensorReading, emf_mv, judge_sensor, temp_c
from mapper.bench.values import kept_number, reading
from mapper.bench.zones import Zone

__all__ = [
    "TYPES",
    "BenchError",
    "Heater",
    "HeaterLimits",
    "HeaterReading",
    "SensorReading",
    "Verdict",
    "Zone",
    "emf_mv",
    "expected_ohm",
    "judge_heater",
    "judge_sensor",
    "kept_number",
    "power_at",
    "reading",
    "temp_c",
]
