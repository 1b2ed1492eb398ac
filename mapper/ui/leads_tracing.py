"""Editing a traced lead by clicks on a photo: pure steps, from one lead to the next.

Words. *joint*: an end of a stretch, where the user may drag; the lead's joints run from the
drop to the exit. Every function returns a new lead and leaves the old one as it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import shapely

from mapper.errors import MapperError
from mapper.plate import Drop, Exit, Plate
from mapper.records import Stretch, TracedLead
from mapper.trace import BURIED
from mapper.ui.leads_bridging import bridged, length_mm, tuples
from mapper.ui.leads_sight import Pixel, Sight

__all__ = [
    "Joint",
    "begin",
    "bridge",
    "exit_at",
    "extend",
    "find_stretch",
    "finish",
    "insert",
    "joints",
    "move",
    "remove",
    "set_seen",
    "settled",
    "straighten",
    "stretch_id",
    "thinned",
]

SHORT_RUN_MM = 4.0  # shorter runs are not told apart from what lies around them
BRIDGE_FROM_MM = 8.0  # shorter buried runs stay as the tracer guessed them
LINE_ERROR_PX = 0.35  # by how much a stored line may differ from the traced one
EXIT_REACH_MM = 14.0
STARTS_BURIED_MM = 12.0  # first click further than this from the pocket: the start is buried


@dataclass(frozen=True)
class Joint:
    """An end of a stretch. `id` says where it lies, so it outlives edits elsewhere."""

    id: str
    x_mm: float
    y_mm: float
    photo: str | None
    px: Pixel | None
    depth_mm: float | None

    @property
    def mm(self) -> tuple[float, float]:
        return (self.x_mm, self.y_mm)


def joints(lead: TracedLead) -> list[Joint]:
    """Joints of the lead, from the drop to the exit; one more than stretches (or one, or none)."""
    stretches = [one for one in lead.stretches if one.points_mm]
    if not stretches:
        return []
    found = [_joint(stretches[0], 0)]
    if not _is_start(lead):
        found += [_joint(one, -1) for one in stretches]
    counts: dict[str, int] = {}
    named = []
    for joint in found:  # a lead that passes the same place twice
        count = counts[joint.id] = counts.get(joint.id, 0) + 1
        named.append(joint if count == 1 else replace(joint, id=f"{joint.id}#{count}"))
    return named


def _joint(stretch: Stretch, at: int) -> Joint:
    x_mm, y_mm = stretch.points_mm[at]
    px = None if stretch.points_px is None else stretch.points_px[at]
    depth = stretch.depth_mm
    depth = depth[at] if isinstance(depth, tuple) else depth
    return Joint(f"{x_mm:.2f},{y_mm:.2f}", x_mm, y_mm, stretch.photo, px, depth)


def _is_start(lead: TracedLead) -> bool:
    """Whether the lead is nothing but its first click."""
    return len(lead.stretches) == 1 and len(lead.stretches[0].points_mm) == 1


def stretch_id(lead: TracedLead, index: int) -> str:
    """Name of a stretch by its ends, so that it outlives edits elsewhere."""
    ends = joints(lead)
    return f"{ends[index].id} {ends[index + 1].id}"


def begin(lead: TracedLead, sight: Sight, click_px: Pixel) -> TracedLead:
    """The first click. Where the start is still buried, the run from the drop is put in, unseen.

    Raises MapperError for a click in the pocket of another drop.
    """
    drop = next((one for one in sight.plate.drops if one.id == lead.drop), None)
    px = sight.snapped(click_px)
    mm, depth = sight.plate_from_line(np.array([px]))
    here = (float(mm[0, 0]), float(mm[0, 1]))
    for other in sight.plate.drops:
        if other.id != lead.drop and _far_mm(other, here) < 0.45 * other.bore_diameter_mm:
            raise MapperError(
                f"{lead.id} starts at {lead.drop}, and this is the pocket of {other.id}: "
                "click at the right pocket, or pick another lead."
            )
    start = Stretch((here,), True, sight.sha256, (px,), (float(depth[0]),))
    if drop is None or _far_mm(drop, here) < drop.bore_diameter_mm / 2 + STARTS_BURIED_MM:
        return replace(lead, stretches=(start,))
    buried = bridged(sight.plate, (drop.x_mm, drop.y_mm), here)
    return replace(lead, stretches=(buried,))


def extend(lead: TracedLead, sight: Sight, click_px: Pixel, straight: bool = False) -> TracedLead:
    """One more click along the lead: the line from its end so far follows the wire."""
    if not lead.stretches:
        return begin(lead, sight, click_px)
    if lead.finished:
        raise MapperError(f"{lead.id} is finished; press F to go on with it.")
    end = joints(lead)[-1]
    new = _between(sight, end, click_px, None, straight)
    old = () if _is_start(lead) else lead.stretches
    return settled(replace(lead, stretches=(*old, *new)), sight.plate)


def move(lead: TracedLead, sight: Sight, joint_id: str, to_px: Pixel) -> TracedLead:
    """Drag a joint: the stretches on both sides of it are traced anew."""
    ends, at = _find_joint(lead, joint_id)
    if _is_start(lead):
        return begin(replace(lead, stretches=()), sight, to_px)
    before, after = list(lead.stretches[: max(0, at - 1)]), list(lead.stretches[at + 1 :])
    place = _placed(sight, to_px)
    left = _kept_kind(sight, lead, at - 1, ends[at - 1], place) if at > 0 else []
    if left:
        place = _joint(left[-1], -1)
    right = _kept_kind(sight, lead, at, place, ends[at + 1]) if at < len(ends) - 1 else []
    return replace(lead, stretches=(*before, *left, *right, *after))


def insert(lead: TracedLead, sight: Sight, stretch: str, at_px: Pixel) -> TracedLead:
    """Put a joint into a stretch: both halves are traced anew."""
    index = find_stretch(lead, stretch)
    ends = joints(lead)
    left = _between(sight, ends[index], at_px, None)
    right = _between(sight, _joint(left[-1], -1), None, ends[index + 1])
    stretches = (*lead.stretches[:index], *left, *right, *lead.stretches[index + 1 :])
    return replace(lead, stretches=stretches)


def remove(lead: TracedLead, sight: Sight, joint_id: str) -> TracedLead:
    """Take a joint out; between its neighbours the lead is traced anew."""
    ends, at = _find_joint(lead, joint_id)
    if len(ends) <= 2 and at == 0 or _is_start(lead):
        return replace(lead, stretches=(), finished=False)
    if at == 0:
        return replace(lead, stretches=lead.stretches[1:])
    if at == len(ends) - 1:
        kept = lead.stretches[:-1]
        if not kept:
            first = lead.stretches[0]
            px = None if first.points_px is None else first.points_px[:1]
            depth = first.depth_mm[:1] if isinstance(first.depth_mm, tuple) else first.depth_mm
            kept = (replace(first, points_mm=first.points_mm[:1], points_px=px, depth_mm=depth),)
        return replace(lead, stretches=kept, finished=False)
    new = _between(sight, ends[at - 1], None, ends[at + 1])
    stretches = (*lead.stretches[: at - 1], *new, *lead.stretches[at + 1 :])
    return replace(lead, stretches=stretches)


def set_seen(lead: TracedLead, stretch: str | None, seen: bool | None = None) -> TracedLead:
    """Mark a stretch (None: the last one) seen or unseen; `seen` None turns it over."""
    index = find_stretch(lead, stretch)
    one = lead.stretches[index]
    return _with(lead, index, [replace(one, seen=not one.seen if seen is None else seen)])


def straighten(lead: TracedLead, sight: Sight, stretch: str | None) -> TracedLead:
    """Make a stretch (None: the last one) a straight line, or trace it again if it is one."""
    index = find_stretch(lead, stretch)
    one, ends = lead.stretches[index], joints(lead)
    straight = len(one.points_mm) == 2 and one.photo is not None
    new = _between(sight, ends[index], None, ends[index + 1], straight=not straight)
    return _with(lead, index, new)


def bridge(lead: TracedLead, plate: Plate, stretch: str | None) -> TracedLead:
    """Lay a stretch (None: the last one) along the channels, unseen."""
    index = find_stretch(lead, stretch)
    ends = joints(lead)
    return _with(lead, index, [bridged(plate, ends[index].mm, ends[index + 1].mm)])


def finish(lead: TracedLead, plate: Plate) -> TracedLead:
    """Call the lead finished, with the rest to the nearest exit along the channels, unseen.

    A finished lead is opened again. Raises MapperError when there is nothing to finish.
    """
    if lead.finished:
        return replace(lead, finished=False)
    if not lead.stretches or _is_start(lead):
        raise MapperError(f"{lead.id} has no line yet; click along it first.")
    if not plate.exits:
        raise MapperError("The plate has no exit; draw one on the plate page.")
    end = joints(lead)[-1]
    exit_ = min(plate.exits, key=lambda one: math.dist((one.x_mm, one.y_mm), end.mm))
    stretches = lead.stretches
    if math.dist((exit_.x_mm, exit_.y_mm), end.mm) > EXIT_REACH_MM:
        stretches = (*stretches, bridged(plate, end.mm, (exit_.x_mm, exit_.y_mm)))
    return replace(lead, stretches=stretches, exit=exit_.id, finished=True)


def exit_at(plate: Plate, mm: tuple[float, float]) -> Exit | None:
    """The exit that a lead ending there leaves by: one close by, or the nearest from outside."""
    if not plate.exits:
        return None
    nearest = min(plate.exits, key=lambda one: math.dist((one.x_mm, one.y_mm), mm))
    far = math.dist((nearest.x_mm, nearest.y_mm), mm)
    outside = not shapely.Polygon(plate.outline_mm).contains(shapely.Point(mm))
    return nearest if far <= (6 * EXIT_REACH_MM if outside else EXIT_REACH_MM) else None


# ---- steps


def _far_mm(drop: Drop, mm: tuple[float, float]) -> float:
    return math.dist((drop.x_mm, drop.y_mm), mm)


def _find_joint(lead: TracedLead, joint_id: str) -> tuple[list[Joint], int]:
    ends = joints(lead)
    for at, joint in enumerate(ends):
        if joint.id == joint_id:
            return ends, at
    raise MapperError("That point is no longer there; take hold of it again.")


def find_stretch(lead: TracedLead, stretch: str | None) -> int:
    """Index of a stretch by its name (None: the last). Raises MapperError where it is gone."""
    if not lead.stretches or _is_start(lead):
        raise MapperError(f"{lead.id} has no line yet; click along it first.")
    if stretch is None:
        return len(lead.stretches) - 1
    for index in range(len(lead.stretches)):
        if stretch_id(lead, index) == stretch:
            return index
    raise MapperError("That stretch is no longer there; point at it again.")


def _with(lead: TracedLead, index: int, new: Sequence[Stretch]) -> TracedLead:
    stretches = (*lead.stretches[:index], *new, *lead.stretches[index + 1 :])
    return replace(lead, stretches=stretches)


def _placed(sight: Sight, click_px: Pixel) -> Joint:
    """A click as a joint, on the lead under it."""
    px = sight.snapped(click_px)
    mm, depth = sight.plate_from_line(np.array([px]))
    x_mm, y_mm = (float(v) for v in mm[0])
    return Joint("", x_mm, y_mm, sight.sha256, px, float(depth[0]))


def _kept_kind(
    sight: Sight, lead: TracedLead, index: int, start: Joint, end: Joint
) -> list[Stretch]:
    """A stretch with new ends, made the way the old one was: straight, bridged or traced."""
    old = lead.stretches[index]
    if old.photo is None and not old.seen:
        return [bridged(sight.plate, start.mm, end.mm)]
    straight = old.photo is not None and len(old.points_mm) == 2
    new = _between(sight, start, None, end, straight=straight)
    return new if old.seen else [replace(one, seen=False) for one in new]


def _on_photo(sight: Sight, joint: Joint) -> Pixel:
    if joint.photo == sight.sha256 and joint.px is not None:
        return joint.px
    x, y = sight.photo_from_mm(np.array([joint.mm]), joint.depth_mm)[0]
    return (float(x), float(y))


def _between(
    sight: Sight,
    start: Joint,
    click_px: Pixel | None,
    end: Joint | None,
    straight: bool = False,
) -> list[Stretch]:
    """Stretches from a joint to a click, or to another joint, along the wire between them."""
    start_px = _on_photo(sight, start)
    end_px = click_px if end is None else _on_photo(sight, end)
    if not sight.shows(start_px) or not sight.shows(end_px):
        if end is not None:
            return [bridged(sight.plate, start.mm, end.mm)]
        place = _placed(sight, click_px)  # the last place lies outside this photo
        return [bridged(sight.plate, start.mm, place.mm)]
    if straight:
        if end is None:
            end_px = sight.snapped(end_px)
        points_px, confidence = np.array([start_px, end_px]), np.ones(1)
    else:
        trace = sight.trace(start_px, end_px)
        points_px, confidence = np.asarray(trace.points), np.asarray(trace.confidence)
        points_px, confidence = _anchored(points_px, confidence, start_px, end_px if end else None)
    points_mm, depth_mm = sight.plate_from_line(points_px)
    # The line keeps its own millimetres; only its very ends are tied to what they join.
    points_mm[0] = start.mm
    if end is not None:
        points_mm[-1] = end.mm
    pieces = []
    for first, last, seen in _runs(points_mm, confidence):
        part = slice(first, last + 1)
        run_mm = length_mm(points_mm[part])
        if not seen and run_mm >= BRIDGE_FROM_MM:
            ends_mm = [(float(x), float(y)) for x, y in points_mm[[first, last]]]
            pieces.append(bridged(sight.plate, *ends_mm))
            continue
        keep = thinned(points_px[part])
        pieces.append(
            Stretch(
                points_mm=tuples(points_mm[part][keep]),
                seen=seen,
                photo=sight.sha256,
                points_px=tuples(points_px[part][keep]),
                depth_mm=tuple(round(float(d), 3) for d in depth_mm[part][keep]),
                confidence=round(float(np.mean(confidence[first:last])), 3),
            )
        )
    return pieces


def _anchored(
    points: np.ndarray, confidence: np.ndarray, start_px: Pixel, end_px: Pixel | None
) -> tuple[np.ndarray, np.ndarray]:
    """Tie a traced line to the joints it runs between, which lie a little beside it."""
    if math.dist(points[0], start_px) > 1e-6:
        if math.dist(points[0], start_px) <= 3:
            points = points.copy()
            points[0] = start_px
        else:
            points = np.vstack([[start_px], points])
            confidence = np.concatenate([confidence[:1], confidence])
    if end_px is not None and math.dist(points[-1], end_px) > 1e-6:
        if math.dist(points[-1], end_px) <= 3:
            points = points.copy()
            points[-1] = end_px
        else:
            points = np.vstack([points, [end_px]])
            confidence = np.concatenate([confidence, confidence[-1:]])
    return points, confidence


def _runs(points_mm: np.ndarray, confidence: np.ndarray) -> list[tuple[int, int, bool]]:
    """(first point, last point, seen) of runs; short ones are taken into their neighbours."""
    step_mm = np.hypot(*np.diff(points_mm, axis=0).T)
    seen = confidence >= BURIED
    if not seen.any() or seen.all():
        return [(0, len(points_mm) - 1, bool(seen.all()))]
    for value in (True, False):  # first seen islands in buried runs, then buried islands
        changes = np.flatnonzero(np.diff(seen.astype(int))) + 1
        bounds = np.concatenate([[0], changes, [len(seen)]])
        for a, b in zip(bounds[:-1], bounds[1:], strict=True):
            at_end = a == 0 or b == len(seen)
            if seen[a] == value and not at_end and step_mm[a:b].sum() < SHORT_RUN_MM:
                seen[a:b] = not value
    changes = np.flatnonzero(np.diff(seen.astype(int))) + 1
    bounds = np.concatenate([[0], changes, [len(seen)]])
    return [(int(a), int(b), bool(seen[a])) for a, b in zip(bounds[:-1], bounds[1:], strict=True)]


def settled(lead: TracedLead, plate: Plate) -> TracedLead:
    """Finish a lead whose end has come to an exit; what hangs out of the plate is cut off."""
    end = joints(lead)[-1]
    exit_ = exit_at(plate, end.mm)
    if exit_ is None:
        return lead
    last = lead.stretches[-1]
    outside = shapely.Polygon(plate.outline_mm).buffer(2.0)
    points = np.array(last.points_mm)
    inside = shapely.contains_xy(outside, points)
    if inside[0] and not inside[-1]:
        cut = int(np.flatnonzero(~inside)[0]) + 1  # one point outside stays
        if cut >= 2:
            px, depth = last.points_px, last.depth_mm
            last = replace(
                last,
                points_mm=last.points_mm[:cut],
                points_px=None if px is None else px[:cut],
                depth_mm=depth[:cut] if isinstance(depth, tuple) else depth,
            )
    stretches = (*lead.stretches[:-1], last)
    return replace(lead, stretches=stretches, exit=exit_.id, finished=True)


def thinned(points_px: np.ndarray) -> np.ndarray:
    """Indices of the points that are needed to draw a line; ends always."""
    if len(points_px) <= 2:
        return np.arange(len(points_px))
    line = np.asarray(points_px, dtype=np.float32).reshape(-1, 1, 2)
    kept = cv2.approxPolyDP(line, LINE_ERROR_PX, False).reshape(-1, 2)
    indices, at = [], 0
    flat = line.reshape(-1, 2)
    for point in kept:
        while at < len(flat) and not np.array_equal(flat[at], point):
            at += 1
        if at == len(flat):
            return np.arange(len(points_px))
        indices.append(at)
        at += 1
    return np.unique([0, *indices, len(points_px) - 1])
