"""Pull order: what can come out now, what holds the rest, and the check of an order."""

from mapper.pulling.check import check_order, read_order
from mapper.pulling.explain import explain
from mapper.pulling.model import (
    LockedSet,
    LookAt,
    PullError,
    PullPlan,
    Release,
    SafeNow,
    Step,
    Violation,
)
from mapper.pulling.plan import plan_meetings, plan_pull, safe_now, whole_lead_cycles

__all__ = [
    "LockedSet",
    "LookAt",
    "PullError",
    "PullPlan",
    "Release",
    "SafeNow",
    "Step",
    "Violation",
    "check_order",
    "explain",
    "plan_meetings",
    "plan_pull",
    "read_order",
    "safe_now",
    "whole_lead_cycles",
]
