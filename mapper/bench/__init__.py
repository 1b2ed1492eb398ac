"""Bench tests: what the readings of heaters and thermocouples mean for re-use."""

from mapper.bench.conductors import area_mm2, awg_diameter_mm, loop_ohm
from mapper.bench.connectors import PinExits, connectors_in, exits_by_pins, read_connectors
from mapper.bench.errors import BenchError
from mapper.bench.heaters import (
    Heater,
    HeaterReading,
    Verdict,
    expected_ohm,
    judge_heater,
    power_at,
)
from mapper.bench.limits import LIMITS, Limit, Limits
from mapper.bench.parts import FIELDS, lead_costs, part_of
from mapper.bench.pins import PinFinding, check_pins
from mapper.bench.thermocouples import (
    TYPES,
    SensorPart,
    SensorReading,
    emf_mv,
    judge_sensor,
    temp_c,
)
from mapper.bench.values import kept_number, reading
from mapper.bench.zones import Zone

__all__ = [
    "FIELDS",
    "LIMITS",
    "TYPES",
    "BenchError",
    "Heater",
    "HeaterReading",
    "Limit",
    "Limits",
    "PinExits",
    "PinFinding",
    "SensorPart",
    "SensorReading",
    "Verdict",
    "Zone",
    "area_mm2",
    "awg_diameter_mm",
    "check_pins",
    "connectors_in",
    "emf_mv",
    "exits_by_pins",
    "expected_ohm",
    "judge_heater",
    "judge_sensor",
    "kept_number",
    "lead_costs",
    "loop_ohm",
    "part_of",
    "power_at",
    "read_connectors",
    "reading",
    "temp_c",
]
