"""What differs between two route maps: as found against as built, or one map and the next.

Both maps are read in the same plate frame. Which of two leads lies on top is compared only where
somebody judged it in both maps; an open crossing says nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import hypot
from typing import Any, Literal

import numpy as np
import shapely

from mapper.errors import shown
from mapper.plate import Drop
from mapper.routes import Crossing, Lead, RouteMap

__all__ = [
    "ChangedLead",
    "CrossingChange",
    "MovedLead",
    "RouteDifference",
    "changed_tables",
    "route_difference",
]

MOVED_MM = 10.0  # less is another lane of the same channel, or tracing
SAME_CROSSING_MM = 25.0  # a crossing moves along with its leads
STEP_MM = 1.0  # routes are compared at places so far apart
THICKNESS_MM = 0.25  # diameters from photos differ by so much without a reason


@dataclass(frozen=True, eq=False)
class MovedLead:
    """A lead that lies elsewhere: by how much at most, over which length, and the stretches
    ((N, 2) arrays in plate mm) of its old and its new route that have no match in the other."""

    id: str
    most_mm: float
    length_mm: float
    old_mm: tuple[np.ndarray, ...]
    new_mm: tuple[np.ndarray, ...]


@dataclass(frozen=True)
class ChangedLead:
    """Something about a lead that changed: its kind, diameter, drop or exit, as words."""

    id: str
    what: Literal["kind", "diameter", "drop", "exit"]
    before: str
    after: str


@dataclass(frozen=True)
class CrossingChange:
    """A crossing that is new, vanished, or has the other lead on top. `over`: the lead on top in
    the newer of the two maps that has the crossing; None where nobody looked."""

    change: Literal["new", "vanished", "other on top"]
    a: str
    b: str
    x_mm: float
    y_mm: float
    over: str | None


@dataclass(frozen=True, eq=False)
class RouteDifference:
    """All differences from a first map to a second one, in a fixed order.

    `gone`, `new`: leads that only the first, or only the second map has. `plate`: what changed
    about drops, channels and exits, in sentences.
    """

    moved: tuple[MovedLead, ...]
    changed: tuple[ChangedLead, ...]
    gone: tuple[str, ...]
    new: tuple[str, ...]
    crossings: tuple[CrossingChange, ...]
    plate: tuple[str, ...]

    @property
    def same(self) -> bool:
        """True when nothing differs."""
        return not any(getattr(self, name) for name in self.__dataclass_fields__)

    def sentences(self) -> list[str]:
        """Each difference as one plain sentence."""
        out = list(self.plate)
        out += [f"{shown(name)} is there no more." for name in self.gone]
        out += [f"{shown(name)} is new." for name in self.new]
        out += [
            f"{shown(one.id)}: {one.what} was {shown(one.before)}, is {shown(one.after)}."
            for one in self.changed
        ]
        out += [
            f"{shown(one.id)} lies elsewhere over {one.length_mm:.0f} mm, by up to "
            f"{one.most_mm:.0f} mm."
            for one in self.moved
        ]
        for one in self.crossings:
            pair = f"{shown(one.a)} and {shown(one.b)}"
            at = f"at ({one.x_mm:.1f}, {one.y_mm:.1f}) mm"
            over = (
                "nobody looked which is on top" if one.over is None else f"{shown(one.over)} on top"
            )
            out.append(
                {
                    "new": f"New crossing of {pair} {at}; {over}.",
                    "vanished": f"The crossing of {pair} {at} is there no more.",
                    "other on top": f"{pair} still cross {at}, now with {over}.",
                }[one.change]
            )
        return out

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""
        return {
            "same": self.same,
            "plate": list(self.plate),
            "gone": list(self.gone),
            "new": list(self.new),
            "changed": [
                {"wire": one.id, "what": one.what, "before": one.before, "after": one.after}
                for one in self.changed
            ],
            "moved": [
                {"wire": one.id, "most_mm": one.most_mm, "length_mm": one.length_mm}
                for one in self.moved
            ],
            "crossings": [
                {
                    "change": one.change,
                    "a": one.a,
                    "b": one.b,
                    "x": one.x_mm,
                    "y": one.y_mm,
                    "over": one.over,
                }
                for one in self.crossings
            ],
        }


def route_difference(
    first: RouteMap, second: RouteMap, moved_mm: float = MOVED_MM
) -> RouteDifference:
    """Return what differs between two route maps.

    A lead has moved where a place of either route has no place of the other within `moved_mm`,
    outside the bore of its drop: how it lies in there is nobody's plan.
    A crossing stays the same when the same two leads truly cross in both maps, within 25 mm.
    Raises ValueError for a `moved_mm` that is not positive.
    """
    if not 0 < moved_mm < float("inf"):
        raise ValueError("moved_mm must be positive and finite")
    old, new = first.leads_by_id, second.leads_by_id
    both = sorted(old.keys() & new.keys())
    drops = [{drop.id: drop for drop in one.plate.drops} for one in (first, second)]
    moved = (_moved(old[name], new[name], moved_mm, drops) for name in both)
    return RouteDifference(
        moved=tuple(one for one in moved if one is not None),
        changed=tuple(change for name in both for change in _changed(old[name], new[name])),
        gone=tuple(sorted(old.keys() - new.keys())),
        new=tuple(sorted(new.keys() - old.keys())),
        crossings=_crossings(first, second),
        plate=_plate(first, second),
    )


def changed_tables(
    before: Mapping[str, Mapping[str, Any]], after: Mapping[str, Mapping[str, Any]], what: str
) -> list[str]:
    """Return, in sentences, what differs between two tables of pins, parts or the like.

    Both map a name to its fields; `what` is what a row is called ("cover"), "" for nothing.
    """
    what = f"{what} " if what else ""
    gone, new = before.keys() - after.keys(), after.keys() - before.keys()
    out = [f"{what}{shown(name)} is there no more." for name in sorted(gone)]
    out += [f"{what}{shown(name)} is new." for name in sorted(new)]
    for name in sorted(before.keys() & after.keys()):
        old, new = before[name], after[name]
        for key in sorted(old.keys() | new.keys()):
            if old.get(key) != new.get(key):
                was, now = (
                    "not entered" if one.get(key) is None else shown(one[key]) for one in (old, new)
                )
                out.append(f"{what}{shown(name)}: {shown(key)} was {was}, is {now}.")
    return [sentence[:1].upper() + sentence[1:] for sentence in out]


def _moved(
    old: Lead, new: Lead, moved_mm: float, drops: Sequence[Mapping[str, Drop]]
) -> MovedLead | None:
    own = [of.get(lead.drop) for of, lead in zip(drops, (old, new), strict=True)]
    bores = [drop for drop in own if drop is not None]
    old_away, new_away = _away(old, new, bores), _away(new, old, bores)
    most = max(float(old_away[1].max()), float(new_away[1].max()))
    if most <= moved_mm:
        return None
    gone, came = _stretches(*old_away, moved_mm), _stretches(*new_away, moved_mm)
    length = max(_length(gone), _length(came))
    return MovedLead(old.id, most, length, gone, came)


def _away(lead: Lead, other: Lead, bores: Sequence[Drop]) -> tuple[np.ndarray, np.ndarray]:
    """Return places along a lead (N, 2) and their distance (N,) from the other route; 0 inside
    the bores."""
    count = max(2, int(np.ceil(lead.length_mm / STEP_MM)) + 1)
    at = lead.point_at_mm(np.linspace(0.0, lead.length_mm, count))
    away_mm = shapely.distance(shapely.points(at), shapely.LineString(other.points_mm))
    for bore in bores:
        from_centre = np.hypot(at[:, 0] - bore.x_mm, at[:, 1] - bore.y_mm)
        away_mm[from_centre <= bore.bore_diameter_mm / 2] = 0.0
    return at, away_mm


def _stretches(at: np.ndarray, away_mm: np.ndarray, moved_mm: float) -> tuple[np.ndarray, ...]:
    """Return the runs of places that lie further away, with one place more at either end."""
    far = np.concatenate([[False], away_mm > moved_mm, [False]])
    edges = np.flatnonzero(far[1:] != far[:-1])
    return tuple(
        at[max(low - 1, 0) : min(high + 1, len(at))]
        for low, high in zip(edges[::2], edges[1::2], strict=True)
    )


def _length(stretches: Sequence[np.ndarray]) -> float:
    return float(sum(np.hypot(*np.diff(one, axis=0).T).sum() for one in stretches))


def _changed(old: Lead, new: Lead) -> list[ChangedLead]:
    out = [
        ChangedLead(old.id, what, getattr(old, what) or "none", getattr(new, what) or "none")
        for what in ("kind", "drop", "exit")
        if getattr(old, what) != getattr(new, what)
    ]
    was, now = old.diameter_mm, new.diameter_mm
    if (was is None) != (now is None) or (was and abs(was - now) > THICKNESS_MM):
        words = ["not known" if one is None else f"{one:.2f} mm" for one in (was, now)]
        out.append(ChangedLead(old.id, "diameter", *words))
    return out


def _crossings(first: RouteMap, second: RouteMap) -> tuple[CrossingChange, ...]:
    old, new = _by_pair(first), _by_pair(second)
    common = first.leads_by_id.keys() & second.leads_by_id.keys()
    out = []
    for pair in sorted(old.keys() | new.keys()):
        left, right = list(old.get(pair, ())), list(new.get(pair, ()))
        near = sorted(
            (hypot(p.x_mm - q.x_mm, p.y_mm - q.y_mm), i, j)
            for i, p in enumerate(left)
            for j, q in enumerate(right)
        )
        used_left: set[int] = set()
        used_right: set[int] = set()
        for distance, i, j in near:
            if distance <= SAME_CROSSING_MM and i not in used_left and j not in used_right:
                used_left.add(i)
                used_right.add(j)
                was, now = _over(left[i]), _over(right[j])
                if None not in (was, now) and was != now:
                    out.append(_change("other on top", right[j]))
        # A crossing of a lead that is gone or new says nothing beyond that.
        if set(pair) <= common:
            out += [_change("vanished", p) for i, p in enumerate(left) if i not in used_left]
            out += [_change("new", q) for j, q in enumerate(right) if j not in used_right]
    return tuple(out)


def _by_pair(route_map: RouteMap) -> dict[tuple[str, str], list[Crossing]]:
    found: dict[tuple[str, str], list[Crossing]] = {}
    for one in route_map.crossings:
        if one.kind == "crossing":
            found.setdefault((one.a, one.b), []).append(one)
    return found


def _over(crossing: Crossing) -> str | None:
    return {"a": crossing.a, "b": crossing.b}.get(crossing.top or "")


def _change(change, crossing: Crossing) -> CrossingChange:
    return CrossingChange(
        change, crossing.a, crossing.b, crossing.x_mm, crossing.y_mm, _over(crossing)
    )


def _plate(first: RouteMap, second: RouteMap) -> tuple[str, ...]:
    out = []
    for word, part in (("drop", "drops"), ("channel", "channels"), ("exit", "exits")):
        old, new = ({one.id: one for one in getattr(m.plate, part)} for m in (first, second))
        for name in sorted(old.keys() | new.keys()):
            if name not in new:
                out.append(f"The plate has no {word} {shown(name)} any more.")
            elif name not in old:
                out.append(f"The plate has a new {word} {shown(name)}.")
            elif old[name] != new[name]:
                out.append(f"{word.capitalize()} {shown(name)} of the plate is drawn otherwise.")
    return tuple(out)
