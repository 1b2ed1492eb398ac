"""`trace_between`: a lead's centre line between clicks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mapper.trace.ground import Ground, Layer, as_ground, layer_for_width
from mapper.trace.model import Trace, TraceError
from mapper.trace.refine import smooth_line
from mapper.trace.search import colour_cost, find_way, link_costs
from mapper.trace.snap import agree, candidates_at, checked_point

__all__ = ["trace_between"]

SNAP_REACH = 0.004  # of the photo's longer side: how far a click may be off
MIN_SNAP_REACH_PX = 6.0
BLIND_WIDTH_PX = 6.0


def trace_between(
    image_or_ground: np.ndarray | Ground,
    start_xy: object,
    end_xy: object,
    via: Sequence[object] = (),
) -> Trace:
    """Centre line of the lead from `start_xy` to `end_xy` through the clicks `via`, in turn.

    `image_or_ground`: BGR uint8 (H, W, 3), or what `prepare` made of it. Points are photo
    pixels. The line always reaches from click to click; where nothing shows a lead it is a
    guess of low confidence (see `Trace`). Raises TraceError for unusable input.
    """
    ground = as_ground(image_or_ground)
    clicks = [checked_point(ground, start_xy, "start")]
    clicks += [checked_point(ground, p, f"click {i + 2}") for i, p in enumerate(via)]
    clicks.append(checked_point(ground, end_xy, "end"))
    if np.hypot(*(clicks[0] - clicks[-1])) < 1.0 and len(clicks) == 2:
        raise TraceError("Start and end are the same place; click two places on the lead.")
    reach = max(MIN_SNAP_REACH_PX, SNAP_REACH * max(ground.width_px, ground.height_px))
    seen = agree([candidates_at(ground, p, reach) for p in clicks])
    snaps = [s for s in seen if s is not None]
    if not snaps:
        return _blind(clicks)
    width_px = float(np.median([s.width_px for s in snaps]))
    layer = ground.layer(layer_for_width(width_px))
    places = np.array([p if s is None else s.xy_px for p, s in zip(clicks, seen, strict=True)])
    colours = np.array([s.colour for s in snaps])
    cost = link_costs(layer, colours, width_px)
    way = find_way(layer, cost, layer.from_photo(places))
    if len(way.states) < 2:
        return _blind(clicks)
    return _as_trace(layer, way.states, colours, places, width_px)


def _as_trace(
    layer: Layer, states: np.ndarray, colours: np.ndarray, places: np.ndarray, width_px: float
) -> Trace:
    elements = layer.elements
    index = states >> 1
    own = 1 - colour_cost(elements.colour[index], colours) / 1.2
    sure = own * (1 - np.exp(-elements.contrast[index] / 4.0))
    xy = layer.to_photo(elements.xy[index])
    return smooth_line(xy, sure, width_px)


def _blind(clicks: Sequence[np.ndarray]) -> Trace:
    """Straight from click to click, without any belief in it."""
    points = [clicks[0]]
    for p in clicks[1:]:
        if np.hypot(*(p - points[-1])) > 0:
            points.append(p)
    return Trace(np.array(points), np.zeros(len(points) - 1))
