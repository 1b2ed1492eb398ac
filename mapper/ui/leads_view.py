"""What the leads page draws: leads on the photo, points to drag, the rows of the list."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import shapely

from mapper.records import ExpectedLead, Job, TracedLead
from mapper.routes import Crossing
from mapper.ui.canvas import UNSEEN_DASH, Handle, LeadStyle, Line, Marker, lead_style
from mapper.ui.leads_list import ListedDrop, ListedLead
from mapper.ui.leads_sight import Sight
from mapper.ui.leads_tools import doubtful
from mapper.ui.leads_tracing import joints, stretch_id
from mapper.ui.overlay import drawing_lines, drop_markers

__all__ = [
    "LeadRow",
    "channel_line",
    "chosen_handles",
    "chosen_lines",
    "counts",
    "lead_rows",
    "listed_drops",
    "meeting_marker",
    "meeting_ring",
    "next_untraced",
    "offered_line",
    "other_lines",
    "plate_layer",
    "stroke",
]

OTHERS = "other"
RING_MM = 6.0  # round an open crossing in the photos beside
KEPT_LEADS = 2048  # leads times photos whose picture is kept; a lead's takes about 10 kB
EDGE_STEP_MM = 8.0  # long straight edges are cut up, so that lens distortion shows in them
DOUBT_WIDTH = 2.0  # thin and without a rim: the tracer was unsure
STATES = ("missing", "unfinished", "traced")


@dataclass(frozen=True)
class _Keyed:
    """Something that is the same when its key is; lets results be kept by text."""

    key: tuple[str, ...]
    value: Any = field(compare=False)


@dataclass(frozen=True)
class LeadRow:
    """A lead that is there or should be. `lead` is None while nobody has begun it."""

    id: str
    kind: str
    drop: str
    word: str
    state: str  # "traced", "unfinished", "missing"
    style: LeadStyle
    lead: TracedLead | None

    def begun(self) -> TracedLead:
        """The lead, or a new one to begin with."""
        return self.lead or TracedLead(id=self.id, kind=self.kind, drop=self.drop)


@lru_cache(maxsize=4)
def lead_rows(job: Job) -> tuple[LeadRow, ...]:
    """Expected leads drop by drop, then those that nobody expected."""
    order = {drop.id: i for i, drop in enumerate(job.plate.drops)} if job.plate else {}
    here = {lead.id: lead for lead in job.leads}
    # A lead from a file may have another name than the expected one of its drop and kind.
    missing = {one.id for one in job.missing_leads()}
    expected = [one for one in job.expected_leads() if one.id in here or one.id in missing]
    known = {one.id for one in expected}
    more = [ExpectedLead(one.id, one.kind, one.drop) for one in job.leads if one.id not in known]
    rows = []
    for one in sorted([*expected, *more], key=lambda one: order.get(one.drop, len(order))):
        lead = here.get(one.id)
        state = "missing"
        if lead is not None and lead.stretches:
            state = "traced" if lead.finished else "unfinished"
        word = one.id.rpartition("-")[2] if one.id in known else one.id
        style = lead_style(order.get(one.drop, len(order)), one.kind)
        rows.append(LeadRow(one.id, one.kind, one.drop, word[:9], state, style, lead))
    return tuple(rows)


def listed_drops(
    job: Job,
    rows: Iterable[LeadRow],
    chosen: str | None,
    hidden: Iterable[str],
    left_out: Collection[str] = (),
) -> list[ListedDrop]:
    """Rows of the list: one per drop of the plate, with its leads; pale: not drawn now."""
    hidden = set(hidden)
    drops = {drop.id for drop in job.plate.drops} if job.plate else set()
    of_drop: dict[str, list[ListedLead]] = {}
    for row in rows:
        name = row.drop if row.drop in drops else OTHERS
        button = ListedLead(
            row.id,
            row.word,
            row.state,
            row.style.color,
            bool(row.style.dash),
            row.id == chosen,
            pale=row.id != chosen and row.id in left_out,
        )
        of_drop.setdefault(name, []).append(button)
    return [ListedDrop(name, tuple(leads), name in hidden) for name, leads in of_drop.items()]


def next_untraced(rows: Sequence[LeadRow], after: str | None) -> LeadRow | None:
    """The next lead that is not finished, going round from the chosen one."""
    start = next((i for i, row in enumerate(rows) if row.id == after), -1) + 1
    for row in (*rows[start:], *rows[:start]):
        if row.state != "traced" and row.id != after:
            return row
    return None


def other_lines(
    job: Job,
    sight: Sight,
    chosen: str | None,
    hidden: Iterable[str],
    pick: bool,
    left_out: Collection[str] = (),
) -> list[Line]:
    """All leads but the chosen one: runs that were seen in their style, others dotted.

    Leads of the `hidden` drops, and the leads `left_out`, are not drawn.
    """
    hidden = set(hidden)
    on_photo = (job.texts[f"fit/{sight.sha256}"], job.texts["plate"], sight.sha256)
    lines = []
    for row in lead_rows(job):
        if row.lead is None or row.id == chosen:
            continue
        if row.drop in hidden or row.id in left_out:
            continue
        tagged = False
        key = (job.texts[f"lead/{row.id}"], *on_photo)
        for number, (points_px, look) in enumerate(_runs(_Keyed(key, (sight, row.lead)))):
            dash = UNSEEN_DASH if look == "unseen" else row.style.dash
            tag = "" if tagged or look != "sure" else row.id
            tagged = tagged or bool(tag)
            doubt = look == "doubtful"
            lines.append(
                Line(
                    f"{row.id} {number}" if not pick else row.id,
                    points_px,
                    color=row.style.color,
                    width=DOUBT_WIDTH if doubt else 2.5,
                    dash=dash,
                    tag=f"{row.id} ?" if doubt else tag,
                    alpha=0.9,
                    halo=not doubt,
                    pick=pick,
                )
            )
    return lines


@lru_cache(maxsize=KEPT_LEADS)
def _runs(lead_on_photo: _Keyed) -> list[tuple[np.ndarray, str]]:
    """Neighbouring stretches of a lead that are alike, as one line each, in photo pixels.

    Alike: all "sure", all "doubtful" or all "unseen".
    """
    sight, lead = lead_on_photo.value
    runs: list[tuple[list[np.ndarray], str]] = []
    for stretch in lead.stretches:
        points = sight.photo_from_stretch(stretch)
        look = "unseen" if not stretch.seen else "doubtful" if doubtful(stretch) else "sure"
        if runs and runs[-1][1] == look:
            runs[-1][0].append(points)
        else:
            start = [runs[-1][0][-1][-1:]] if runs else []
            runs.append(([*start, points], look))
    return [(np.vstack(parts), look) for parts, look in runs]


def plate_layer(job: Job, sight: Sight) -> tuple[list[Line], list[Marker]]:
    """The plate drawing as the fit lays it on the photo, and the numbers of the drops."""
    key = (job.texts[f"fit/{sight.sha256}"], job.texts["plate"])
    return _plate_layer(_Keyed(key, sight))


@lru_cache(maxsize=16)
def _plate_layer(on_photo: _Keyed) -> tuple[list[Line], list[Marker]]:
    sight = on_photo.value
    doubtful = sight.fit.verdict != "good"
    lines = drawing_lines(sight.plate, sight.fit, alpha=0.55, doubtful=doubtful)
    return lines, drop_markers(sight.plate, sight.fit)


def channel_line(sight: Sight, channel_id: str) -> Line:
    """The edges of the one channel whose leads are shown, with its name."""
    channel = next(one for one in sight.plate.channels if one.id == channel_id)
    edges = shapely.buffer(
        shapely.segmentize(shapely.LineString(channel.points_mm), EDGE_STEP_MM),
        channel.width_mm / 2 + 1.0,
        quad_segs=4,
    ).exterior
    points = sight.photo_from_mm(shapely.get_coordinates(edges), 0.0)
    return Line(
        f"channel shown {channel.id}",
        points,
        color="#ffffff",
        width=2.5,
        dash=(10.0, 5.0),
        tag=f"only {channel.id}",
    )


def chosen_lines(sight: Sight, row: LeadRow) -> list[Line]:
    """The chosen lead, a line per stretch, so that each can be pointed at and grabbed."""
    if row.lead is None or len(joints(row.lead)) < 2:
        return []
    lines = []
    for index, stretch in enumerate(row.lead.stretches):
        doubt = doubtful(stretch)
        tag = f"{row.id} ?" if doubt else row.id if index == 0 else ""
        lines.append(
            Line(
                stretch_id(row.lead, index),
                sight.photo_from_stretch(stretch),
                color=row.style.color,
                width=DOUBT_WIDTH if doubt else 4.0,
                dash=row.style.dash if stretch.seen else UNSEEN_DASH,
                tag=tag,
                halo=not doubt,
                pick=True,
                drag=True,
            )
        )
    return lines


def offered_line(points_px: np.ndarray) -> Line:
    """A line that is offered and nobody has accepted: white, with the wire in sight between."""
    return Line("offer", points_px, color="#ffffff", width=3.5, dash=(8, 16), tag="offered")


def meeting_marker(sight: Sight, meeting: Crossing) -> Marker:
    """A ring round an open crossing that is looked at."""
    x, y = sight.photo_from_mm(np.array([(meeting.x_mm, meeting.y_mm)]))[0]
    tag = f"{meeting.a} / {meeting.b} ?"
    return Marker("meeting", float(x), float(y), size=26.0, tag=tag, strong=True)


def meeting_ring(sight: Sight, meeting: Crossing) -> Line:
    """The same ring as a line, for the photos beside."""
    angle = np.linspace(0, 2 * np.pi, 33)
    ring_mm = RING_MM * np.column_stack([np.cos(angle), np.sin(angle)])
    middle_mm = np.array([(meeting.x_mm, meeting.y_mm)])
    depth_mm = float(sight.plate.lead_depth_mm(middle_mm)[0])  # where the leads lie that meet
    points = sight.photo_from_mm(middle_mm + ring_mm, np.full(len(ring_mm), depth_mm))
    return Line("meeting", points, color="#ffffff", width=3.0)


def stroke(row: LeadRow) -> Line:
    """How a line of the chosen lead looks that Python has not drawn yet."""
    return Line("ahead", [], color=row.style.color, width=4.0, dash=row.style.dash)


def chosen_handles(sight: Sight, row: LeadRow) -> list[Handle]:
    """Points of the chosen lead that can be dragged; those beside the photo are left out."""
    if row.lead is None:
        return []
    handles = []
    for joint in joints(row.lead):
        if joint.photo == sight.sha256 and joint.px is not None:
            x, y = joint.px
        else:
            x, y = sight.photo_from_mm(np.array([joint.mm]), joint.depth_mm)[0]
        if sight.shows((x, y)):
            handles.append(Handle(joint.id, float(x), float(y)))
    return handles


def counts(rows: Iterable[LeadRow]) -> Mapping[str, int]:
    """How many leads are in each state."""
    found = dict.fromkeys(STATES, 0)
    for row in rows:
        found[row.state] += 1
    return found
