"""A lead, or what is left of one that broke: its stretch, its ids, places on its route."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from mapper.pulling.events import SAME_PLACE_MM
from mapper.pulling.model import Place
from mapper.pulling.past import SAME_MEETING_MM
from mapper.routes.model import Lead

__all__ = [
    "BREAK_ERROR_MM",
    "REACHED_MM",
    "Piece",
    "break_mm",
    "clipped_mm",
    "cut_lead",
    "nearest_mm",
    "piece_ids",
]

REACHED_MM = 2.0  # further than two tracings of one lead differ where nothing has changed
BREAK_ERROR_MM = 5.0  # how well somebody can say where on its route a lead broke
_MAX_ID = 64  # of the route-map file


@dataclass
class Piece:
    """A lead or piece of one. All lengths are arc lengths of the traced lead, from its drop."""

    lead: Lead
    low_mm: float
    high_mm: float
    freed_mm: float = inf  # free from here to the free end
    out: bool = False

    def is_past(self, span_mm: tuple[float, float]) -> bool:
        return self.out or span_mm[0] >= self.freed_mm - SAME_PLACE_MM


def piece_ids(wire: str, taken: Iterable[str] = ()) -> tuple[str, str]:
    """Return the ids of the drop-side and the exit-side piece of a broken lead.

    At most 64 characters; a name that has to be cut short, or is `taken`, gets a mark of the
    whole id so that two leads never share a piece.
    """
    taken = set(taken)
    found = []
    for side in (" (drop side)", " (exit side)"):
        name, salt = wire + side, ""
        while len(name) > _MAX_ID or name in taken:
            mark = hashlib.sha256((wire + salt).encode("utf-8", "replace")).hexdigest()[:6]
            name = f"{wire[: _MAX_ID - len(side) - 7]}~{mark}{side}"
            salt += "+"
        found.append(name)
    return found[0], found[1]


def clipped_mm(span_mm: tuple[float, float], part: Piece) -> tuple[float, float]:
    return max(span_mm[0], part.low_mm), min(span_mm[1], part.high_mm)


def break_mm(lead: Lead, place: Place, part: Piece | None = None) -> tuple[float, float] | None:
    """Return the stretch of a lead in which it may have broken, as arc lengths from its drop.

    All of the lead that is as near to the place as its nearest point, give or take the error
    of saying where; where it passes there twice, everything between. None if it is not near.
    """
    points = np.asarray(lead.points_mm) - np.asarray(place)
    start, step = points[:-1], np.diff(points, axis=0)
    size = np.hypot(*step.T)
    unit = step / np.where(size > 0, size, 1.0)[:, None]
    foot = -(start * unit).sum(axis=1)  # where each segment's line is nearest, from its start
    low_mm = np.zeros(len(size)) if part is None else np.maximum(part.low_mm - lead.arc_mm[:-1], 0)
    high_mm = size if part is None else np.minimum(part.high_mm - lead.arc_mm[:-1], size)
    kept = low_mm <= high_mm
    near = np.clip(foot, low_mm, np.maximum(high_mm, low_mm))
    distance = np.where(kept, np.hypot(*(start + near[:, None] * unit).T), inf)
    nearest = float(distance.min())
    if nearest > BREAK_ERROR_MM:
        return None
    off_line = np.hypot(*(start + foot[:, None] * unit).T)
    reach = np.sqrt(np.maximum((nearest + BREAK_ERROR_MM) ** 2 - off_line**2, 0.0))
    inside = kept & (distance <= nearest + BREAK_ERROR_MM)
    arc = lead.arc_mm[:-1]
    first = np.clip(foot - reach, low_mm, high_mm) + arc
    last = np.clip(foot + reach, low_mm, high_mm) + arc
    return float(first[inside].min()), float(last[inside].max())


def nearest_mm(piece: Piece, place: Place) -> float | None:
    """Return where a lead is nearest to a place, as arc length from its drop; of several places
    as near, the one nearest its free end. None if it is not near at all."""
    lead = piece.lead
    start, step = lead.points_mm[:-1] - np.asarray(place), np.diff(lead.points_mm, axis=0)
    size = np.hypot(*step.T)
    unit = step / np.where(size > 0, size, 1.0)[:, None]
    along = np.clip(-(start * unit).sum(axis=1), 0.0, size)
    distance = np.hypot(*(start + along[:, None] * unit).T)
    arc = lead.arc_mm[:-1] + along
    distance[(arc < piece.low_mm - REACHED_MM) | (arc > piece.high_mm + REACHED_MM)] = inf
    if distance.min() > REACHED_MM:
        return None
    return float(arc[distance <= distance.min() + SAME_MEETING_MM].max())


def cut_lead(wire: str, piece: Piece) -> Lead:
    lead = piece.lead
    if wire == lead.id:
        return lead
    low, high = max(piece.low_mm, 0.0), min(piece.high_mm, lead.length_mm)
    inner = (lead.arc_mm > low) & (lead.arc_mm < high)
    ends = lead.point_at_mm(np.array([low, high]))
    middles = (np.concatenate([[low], lead.arc_mm[inner]]) + [*lead.arc_mm[inner], high]) / 2
    segments = np.clip(np.searchsorted(lead.arc_mm, middles) - 1, 0, len(lead.arc_mm) - 2)
    seen = None if lead.seen is None else tuple(lead.seen[k] for k in segments)
    points = np.concatenate([ends[:1], lead.points_mm[inner], ends[1:]])
    return replace(lead, id=wire, points_mm=points, seen=seen)
