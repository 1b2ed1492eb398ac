"""Which judgement belongs to which meeting.

The tool finds all meetings itself; what the file lists are judgements at places. A found
meeting takes the judgement of the nearest listed one of the same pair, within 1 mm of the
place that names it. Anything unclear stays open, because an open meeting holds both leads back
and a wrong judgement would let one go too early.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby

import numpy as np

from mapper.routes.lead import Crossing, Judged, Lead, Top

__all__ = ["JUDGED_WITHIN_MM", "apply_judgements", "place_distance_mm", "truly_crosses_at"]

JUDGED_WITHIN_MM = 1.0  # design: a judgement holds for the nearest meeting within 1 mm
_SAME_MM = 1e-9  # distances closer than this count as equal

_SWAPPED = {"a": "b", "b": "a", "apart": "apart", None: None}


def apply_judgements(
    found: Sequence[Crossing], judged: Sequence[Judged], leads: Mapping[str, Lead]
) -> tuple[Crossing, ...]:
    """Return `found` in its order, each with the judgement that belongs to it.

    A judgement serves only the meeting of its pair that lies nearest to it: what somebody saw at
    one place says nothing about the next one, however close. A touching place or shared run
    takes a judgement that lies anywhere along it too, but never one that lies as near to a true
    crossing of the pair. Two judgements equally near that differ leave the meeting open, and so
    does "apart" at a true crossing.
    """
    by_pair: dict[tuple[str, str], list[Judged]] = {}
    for one in judged:
        by_pair.setdefault(_pair(one.a, one.b), []).append(one)
    result = []
    for pair, group in groupby(found, key=lambda meeting: _pair(meeting.a, meeting.b)):
        meetings = list(group)
        listed = by_pair.get(pair, [])
        tops = _tops_of(meetings, listed, leads) if listed else [None] * len(meetings)
        result += [
            meeting if top is None else _judged_as(meeting, top)
            for meeting, top in zip(meetings, tops, strict=True)
        ]
    return tuple(result)


def _pair(a: str, b: str) -> tuple[str, str]:
    return (a, b) if a <= b else (b, a)


def _judged_as(meeting: Crossing, top: Top) -> Crossing:
    fields = {name: getattr(meeting, name) for name in meeting.__dataclass_fields__}
    return Crossing(**{**fields, "top": top})


def _tops_of(
    meetings: Sequence[Crossing], listed: Sequence[Judged], leads: Mapping[str, Lead]
) -> list[Top]:
    """What is judged of each meeting of a pair."""
    places = np.array([(one.x_mm, one.y_mm) for one in listed], dtype=float).reshape(-1, 2)
    # one row for each meeting, one column for each judgement
    distance = np.array([_distances_mm(meeting, places, leads) for meeting in meetings])
    within = distance <= JUDGED_WITHIN_MM + _SAME_MM
    crosses = np.array([meeting.kind == "crossing" for meeting in meetings])
    tops: list[Top] = [None] * len(meetings)
    for row in np.flatnonzero(within.any(axis=1)).tolist():
        # a judgement serves only the meeting nearest to it; where a crossing and a touching place
        # or run are equally near, it is the crossing's
        slack = np.where(crosses & ~crosses[row], _SAME_MM, -_SAME_MM)
        slack[row] = -np.inf
        own = within[row] & ~(distance <= distance[row] + slack[:, None]).any(axis=0)
        near = [
            (distance[row, k], one.top if one.a == meetings[row].a else _SWAPPED[one.top])
            for k, one in enumerate(listed)
            if own[k]
        ]
        tops[row] = _nearest_top(near, meetings[row]) if near else None
    return tops


def _nearest_top(near: Sequence[tuple[float, Top]], meeting: Crossing) -> Top:
    least = min(distance for distance, _ in near)
    tops = {top for distance, top in near if distance <= least + _SAME_MM}
    top = tops.pop() if len(tops) == 1 else None
    return None if top == "apart" and meeting.kind == "crossing" else top


def place_distance_mm(
    meeting: Crossing, x_mm: float, y_mm: float, leads: Mapping[str, Lead]
) -> float:
    """Distance from a place to a meeting: to the place that names it, or for a meeting that is
    a stretch to the nearest place of that stretch on either lead."""
    return float(_distances_mm(meeting, np.array([[x_mm, y_mm]], dtype=float), leads)[0])


def _distances_mm(meeting: Crossing, places: np.ndarray, leads: Mapping[str, Lead]) -> np.ndarray:
    """The same for places (N, 2) -> (N,)."""
    distance = np.hypot(*(places - (meeting.x_mm, meeting.y_mm)).T)
    for name, span in ((meeting.a, meeting.a_span_mm), (meeting.b, meeting.b_span_mm)):
        if span[1] > span[0]:
            distance = np.minimum(
                distance, _polyline_distances(_stretch(leads[name], span), places)
            )
    return distance


def _stretch(lead: Lead, span: tuple[float, float]) -> np.ndarray:
    inside = (lead.arc_mm > span[0]) & (lead.arc_mm < span[1])
    ends = lead.point_at_mm(np.array(span))
    return np.concatenate([ends[:1], lead.points_mm[inside], ends[1:]])


def _polyline_distances(line: np.ndarray, points: np.ndarray) -> np.ndarray:
    step = np.diff(line, axis=0)
    size = (step * step).sum(axis=1)
    from_start = points[:, None] - line[:-1]
    share = (from_start * step).sum(axis=2) / np.where(size > 0, size, 1.0)
    off = np.clip(share, 0.0, 1.0)[:, :, None] * step - from_start
    return np.hypot(off[:, :, 0], off[:, :, 1]).min(axis=1)


def truly_crosses_at(found: Sequence[Crossing], one: Judged, leads: Mapping[str, Lead]) -> bool:
    """Whether the nearest meeting of the pair within 1 mm of a judgement is a true crossing."""
    pair = _pair(one.a, one.b)
    near = [
        (place_distance_mm(meeting, one.x_mm, one.y_mm, leads), meeting.kind)
        for meeting in found
        if _pair(meeting.a, meeting.b) == pair
    ]
    near = [item for item in near if item[0] <= JUDGED_WITHIN_MM + _SAME_MM]
    least = min((distance for distance, _ in near), default=0.0)
    return any(kind == "crossing" for distance, kind in near if distance <= least + _SAME_MM)
