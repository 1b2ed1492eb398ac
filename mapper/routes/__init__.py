"""Routes of the leads and the places where they meet."""

from mapper.routes.meeting import find_crossings
from mapper.routes.model import (
    TRACING_ERROR_MM,
    Crossing,
    Judged,
    Lead,
    RouteMap,
    with_judgement,
)

__all__ = [
    "TRACING_ERROR_MM",
    "Crossing",
    "Judged",
    "Lead",
    "RouteMap",
    "find_crossings",
    "with_judgement",
]
