"""Routes of the leads, the places where they meet, and the route-map file."""

from mapper.routes.document import (
    RouteMapError,
    route_map_from_mapping,
    route_map_to_mapping,
)
from mapper.routes.file import read_route_map, write_route_map
from mapper.routes.meeting import find_crossings
from mapper.routes.model import (
    TRACING_ERROR_MM,
    Crossing,
    Judged,
    Lead,
    RouteMap,
    with_judged,
    with_judgement,
)
from mapper.routes.rests import crossing_reach_mm

__all__ = [
    "TRACING_ERROR_MM",
    "Crossing",
    "Judged",
    "Lead",
    "RouteMap",
    "RouteMapError",
    "crossing_reach_mm",
    "find_crossings",
    "read_route_map",
    "route_map_from_mapping",
    "route_map_to_mapping",
    "with_judged",
    "with_judgement",
    "write_route_map",
]
