"""Routes of the leads and the places where they meet."""

from mapper.routes.model import Crossing, Judged, Lead, RouteMap

__all__ = ["Crossing", "Judged", "Lead", "RouteMap"]
