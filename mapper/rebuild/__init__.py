"""The next wiring: planned routes that do not lock, and what differs between two route maps."""

from mapper.rebuild.model import (
    Bottleneck,
    Fill,
    PlannedLead,
    RebuildError,
    RebuildPlan,
    RebuildSettings,
    WantedLead,
)
from mapper.rebuild.plan import plan_rebuild

__all__ = [
    "Bottleneck",
    "Fill",
    "PlannedLead",
    "RebuildError",
    "RebuildPlan",
    "RebuildSettings",
    "WantedLead",
    "plan_rebuild",
]
