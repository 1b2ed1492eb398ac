"""Pull order: what can come out now, what holds the rest, and the check of an order."""

from mapper.pulling.check import check_order, read_order
from mapper.pulling.explain import explain
from mapper.pulling.log import (
    BREAK_ERROR_MM,
    LogEvent,
    LogReading,
    contradictions,
    piece_ids,
    reached_place,
    read_log,
    refusals,
)
from mapper.pulling.model import (
    Freed,
    LockedSet,
    LookAt,
    PullError,
    PullPlan,
    Release,
    SafeNow,
    Step,
    Violation,
)
from mapper.pulling.parts import (
    ChannelStretch,
    Cover,
    Heater,
    Nozzle,
    PartsPlan,
    PartStep,
    plan_parts,
)
from mapper.pulling.plan import plan_meetings, plan_pull, safe_now, whole_lead_cycles

__all__ = [
    "BREAK_ERROR_MM",
    "ChannelStretch",
    "Cover",
    "Freed",
    "Heater",
    "LockedSet",
    "LogEvent",
    "LogReading",
    "LookAt",
    "Nozzle",
    "PartStep",
    "PartsPlan",
    "PullError",
    "PullPlan",
    "Release",
    "SafeNow",
    "Step",
    "Violation",
    "check_order",
    "contradictions",
    "explain",
    "piece_ids",
    "plan_meetings",
    "plan_parts",
    "plan_pull",
    "reached_place",
    "read_log",
    "read_order",
    "refusals",
    "safe_now",
    "whole_lead_cycles",
]
