"""Pull order: what can come out now, what holds the rest, and the check of an order."""

from mapper.pulling.check import check_order, read_order
from mapper.pulling.explain import explain
from mapper.pulling.lift import Lift, LookToLift, lifts, looks_to_lift
from mapper.pulling.log import contradictions, reached_place, read_log, refusals
from mapper.pulling.log_event import LogEvent
from mapper.pulling.log_reader import LogReading
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
from mapper.pulling.now import LooksNow, MayBeFree, looks_now, seen_at, seen_over
from mapper.pulling.part_model import ChannelStretch, Cover, Heater, Nozzle, Part, PartLead, part_of
from mapper.pulling.parts import (
    PartsPlan,
    PartStep,
    cover_outlines,
    leads_only,
    plan_parts,
    thermocouples_with,
    with_parts,
)
from mapper.pulling.pieces import BREAK_ERROR_MM, piece_ids
from mapper.pulling.plan import plan_meetings, plan_pull, safe_now, whole_lead_cycles

__all__ = [
    "BREAK_ERROR_MM",
    "ChannelStretch",
    "Cover",
    "Freed",
    "Heater",
    "Lift",
    "LockedSet",
    "LogEvent",
    "LogReading",
    "LookAt",
    "LookToLift",
    "LooksNow",
    "MayBeFree",
    "Nozzle",
    "Part",
    "PartLead",
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
    "cover_outlines",
    "explain",
    "leads_only",
    "lifts",
    "looks_now",
    "looks_to_lift",
    "part_of",
    "piece_ids",
    "plan_meetings",
    "plan_parts",
    "plan_pull",
    "reached_place",
    "read_log",
    "read_order",
    "refusals",
    "safe_now",
    "seen_at",
    "seen_over",
    "thermocouples_with",
    "whole_lead_cycles",
    "with_parts",
]
