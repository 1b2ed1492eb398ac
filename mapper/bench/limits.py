"""The limits that verdicts rest on: each has a source, and each can be set anew for a job.

A number that comes from no standard says so. "Secondary copy" means that the standard itself
was not read. A job keeps only what was changed; `None` gives back the value of the source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from mapper.bench.errors import BenchError
from mapper.errors import shown

__all__ = ["CLASSES", "LIMITS", "Limit", "Limits", "class_values"]

COMMON = "common practice, no source"


@dataclass(frozen=True)
class Limit:
    """One limit: what it is, its unit, the value of its source, and bounds for a typed one.

    A share is kept as a fraction (0.05) and shown in per cent.
    """

    key: str
    group: str
    words: str
    unit: str
    value: float
    low: float
    high: float
    source: str


# Largest error of new wire: (least in °C, share of the temperature); the larger counts.
# IEC 60584-1:2013 and ASTM E230, read in a secondary copy.
_IEC_1 = {kind: (1.5, 0.004) for kind in "JKNE"} | {"T": (0.5, 0.004)}
_IEC_2 = {kind: (2.5, 0.0075) for kind in "JKNE"} | {"T": (1.0, 0.0075)}
_ASTM_STANDARD = {kind: (2.2, 0.0075) for kind in "JKN"} | {"E": (1.7, 0.005), "T": (1.0, 0.0075)}
_ASTM_SPECIAL = {kind: (1.1, 0.004) for kind in "JKN"} | {"E": (1.0, 0.004), "T": (0.5, 0.004)}
CLASSES: Mapping[str, Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "IEC 60584-1 class 2": _IEC_2,
        "IEC 60584-1 class 1": _IEC_1,
        "ASTM E230 standard": _ASTM_STANDARD,
        "ASTM E230 special": _ASTM_SPECIAL,
    }
)
CLASS_SOURCE = "IEC 60584-1 class 2, new wire (secondary copy)"


def class_values(name: str) -> dict[str, float]:
    """Limits of one tolerance class as key -> value."""
    values = {}
    for kind, (least_c, share) in CLASSES[name].items():
        values[f"{kind}_least_c"] = least_c
        values[f"{kind}_share"] = share
    return values


def _class_limits() -> list[Limit]:
    group = "Thermocouple classes"
    made = []
    for kind, (least_c, share) in _IEC_2.items():
        words = f"Type {kind}: error up to"
        made.append(Limit(f"{kind}_least_c", group, words, "°C", least_c, 0.1, 50, CLASS_SOURCE))
        words = f"Type {kind}: or this share of the temperature"
        made.append(Limit(f"{kind}_share", group, words, "%", share, 0.0, 0.2, CLASS_SOURCE))
    return made


LIMITS: tuple[Limit, ...] = (
    Limit(
        "power_plus", "Heaters", "Power above the rated power", "%", 0.05, 0.0, 0.5,
        f"{COMMON} for cartridge and coil heaters; IEC 60335-1 clause 10 has the like "
        "(from memory: read it before relying on it)",
    ),
    Limit(
        "power_minus", "Heaters", "Power below the rated power", "%", 0.10, 0.0, 0.5,
        f"{COMMON} for cartridge and coil heaters; IEC 60335-1 clause 10 has the like "
        "(from memory: read it before relying on it)",
    ),
    Limit(
        "short_share", "Heaters", "Called a short below this share of the expected Ω", "%",
        0.1, 0.01, 0.9, "a choice of this tool, no source",
    ),
    Limit(
        "insulation_mohm", "Insulation of heaters", "At least", "MΩ", 1.0, 0.1, 1000,
        "IEC 60364-6: 1 MΩ at 500 V DC for circuits up to 500 V (secondary copy)",
    ),
    Limit(
        "damp_mohm", "Insulation of heaters", "Called damp below", "MΩ", 20.0, 0.1, 10_000,
        f"5 to 20 MΩ is often called healthy in service; {COMMON}",
    ),
    Limit(
        "test_volts", "Insulation of heaters", "Test voltage that the limit is meant for", "V DC",
        500, 50, 1000, "IEC 60364-6: 500 V DC for circuits up to 500 V (secondary copy)",
    ),
    Limit(
        "warm_c", "Insulation of heaters", "Part called warm above", "°C", 40, 20, 200,
        "a choice of this tool, no source; a warm element reads lower than a cold one",
    ),
    Limit(
        "bath_error_c", "Thermocouples", "Error of bath and instrument together", "°C",
        2.0, 0.0, 20, "a choice of this tool, no source: use what your own instruments have",
    ),
    Limit(
        "loop_share", "Thermocouples", "Loop resistance may differ by", "%", 0.10, 0.01, 0.5,
        "resistivities of ASTM MNL 12 against a public nominal table: up to 6 % apart for type J",
    ),
    Limit(
        "loop_short_share", "Thermocouples",
        "Called shorted before the tip below this share of the expected Ω", "%", 0.5, 0.05, 0.9,
        "a choice of this tool, no source",
    ),
    Limit(
        "sheath_mohm", "Thermocouples", "Insulation to the sheath, ungrounded junction, at least",
        "MΩ", 1.0, 0.01, 10_000,
        f"{COMMON}; ASTM E780, E839 and IEC 61515 have tests of it (limits not read)",
    ),
    *_class_limits(),
)  # fmt: skip
_BY_KEY = {limit.key: limit for limit in LIMITS}


@dataclass(frozen=True)
class Limits:
    """All limits of a job; `own` holds those that somebody set anew.

    ``limits["insulation_mohm"]`` is the value that counts.
    """

    own: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Limits:
        """Limits as kept; unknown keys are left alone. Raises BenchError."""
        if not isinstance(mapping, Mapping):
            raise BenchError("The limits of the job are damaged: set them again.")
        own = {}
        for key, limit in _BY_KEY.items():
            value = mapping.get(key)
            if value is None:
                continue
            right = isinstance(value, (int, float)) and not isinstance(value, bool)
            if not right or not math.isfinite(value) or not limit.low <= value <= limit.high:
                scale = 100 if limit.unit == "%" else 1
                raise BenchError(
                    f"{limit.group}, {limit.words}: give a number from {limit.low * scale:g} to "
                    f"{limit.high * scale:g} {limit.unit}."
                )
            own[key] = float(value)
        made = cls(own)
        if made["insulation_mohm"] > made["damp_mohm"]:
            raise BenchError(
                f"Insulation: what is called damp ({made['damp_mohm']:g} MΩ) lies below the least "
                f"that is allowed ({made['insulation_mohm']:g} MΩ): set the one or the other."
            )
        return made

    def __getitem__(self, key: str) -> float:
        return self.own.get(key, _BY_KEY[key].value)

    def source(self, key: str) -> str:
        """Where the value that counts comes from."""
        limit = _BY_KEY[key]
        value = self[key]
        if value == limit.value:
            return limit.source
        for name in CLASSES:
            if class_values(name).get(key) == value:
                return f"{name}, new wire (secondary copy)"
        scale = 100 if limit.unit == "%" else 1
        return f"set for this job; source's value {limit.value * scale:g} {limit.unit}"

    def class_error_c(self, kind: str, at_c: float) -> float:
        """Largest error in °C that the class allows at a temperature."""
        if f"{kind}_least_c" not in _BY_KEY:
            raise BenchError(f"{shown(kind)} is no thermocouple type known here.")
        return max(self[f"{kind}_least_c"], self[f"{kind}_share"] * abs(at_c))

    def class_name(self) -> str | None:
        """The tolerance class that all types stand at, None for a mixture or own values."""
        for name in CLASSES:
            if all(self[key] == value for key, value in class_values(name).items()):
                return name
        return None
