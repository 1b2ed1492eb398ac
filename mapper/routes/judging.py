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
        for meeting in meetings:
            top = _top_of(meeting, listed, meetings, leads) if listed else None
            result.append(meeting if top is None else _judged_as(meeting, top))
    return tuple(result)


def _pair(a: str, b: str) -> tuple[str, str]:
    return (a, b) if a <= b else (b, a)


def _judged_as(meeting: Crossing, top: Top) -> Crossing:
    fields = {name: getattr(meeting, name) for name in meeting.__dataclass_fields__}
    return Crossing(**{**fields, "top": top})


def _top_of(
    meeting: Crossing,
    listed: Sequence[Judged],
    meetings: Sequence[Crossing],
    leads: Mapping[str, Lead],
) -> Top:
    others = [other for other in meetings if other is not meeting]
    near: list[tuple[float, Top]] = []
    for one in listed:
        distance = place_distance_mm(meeting, one.x_mm, one.y_mm, leads)
        if distance > JUDGED_WITHIN_MM + _SAME_MM:
            continue
        if any(
            place_distance_mm(other, one.x_mm, one.y_mm, leads) <= distance + slack
            for other in others
            for slack in [_yields_mm(meeting, other)]
        ):
            continue
        near.append((distance, one.top if one.a == meeting.a else _SWAPPED[one.top]))
    if not near:
        return None
    least = min(distance for distance, _ in near)
    tops = {top for distance, top in near if distance <= least + _SAME_MM}
    top = tops.pop() if len(tops) == 1 else None
    return None if top == "apart" and meeting.kind == "crossing" else top


def _yields_mm(meeting: Crossing, other: Crossing) -> float:
    """A judgement serves only the meeting nearest to it; where a crossing and a touching place
    or run are equally near, it is the crossing's."""
    return _SAME_MM if meeting.kind != "crossing" and other.kind == "crossing" else -_SAME_MM


def place_distance_mm(
    meeting: Crossing, x_mm: float, y_mm: float, leads: Mapping[str, Lead]
) -> float:
    """Distance from a place to a meeting: to the place that names it, or for a meeting that is
    a stretch to the nearest place of that stretch on either lead."""
    distance = float(np.hypot(meeting.x_mm - x_mm, meeting.y_mm - y_mm))
    for name, span in ((meeting.a, meeting.a_span_mm), (meeting.b, meeting.b_span_mm)):
        if span[1] > span[0]:
            stretch = _stretch(leads[name], span)
            distance = min(distance, _polyline_distance(stretch, np.array([x_mm, y_mm])))
    return distance


def _stretch(lead: Lead, span: tuple[float, float]) -> np.ndarray:
    inside = (lead.arc_mm > span[0]) & (lead.arc_mm < span[1])
    ends = lead.point_at_mm(np.array(span))
    return np.concatenate([ends[:1], lead.points_mm[inside], ends[1:]])


def _polyline_distance(line: np.ndarray, point: np.ndarray) -> float:
    step = np.diff(line, axis=0)
    size = (step * step).sum(axis=1)
    share = ((point - line[:-1]) * step).sum(axis=1) / np.where(size > 0, size, 1.0)
    foot = line[:-1] + np.clip(share, 0.0, 1.0)[:, None] * step
    return float(np.hypot(*(foot - point).T).min())


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
