"""The next wiring: planned routes that do not lock, and what differs between two route maps."""

from mapper.rebuild.choices import LeadWay, lead_ways
from mapper.rebuild.difference import (
    ChangedLead,
    CrossingChange,
    MovedLead,
    RouteDifference,
    changed_tables,
    route_difference,
)
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
from mapper.rebuild.same_plate import why_not_comparable

__all__ = [
    "Bottleneck",
    "ChangedLead",
    "CrossingChange",
    "Fill",
    "LeadWay",
    "MovedLead",
    "PlannedLead",
    "RebuildError",
    "RebuildPlan",
    "RebuildSettings",
    "RouteDifference",
    "WantedLead",
    "changed_tables",
    "lead_ways",
    "plan_rebuild",
    "route_difference",
    "why_not_comparable",
]
