"""The height of one lead over the other, from two or more photos, as one more vote on a crossing.

Only photos of good fit take part, and only once every lead of the plate is traced: a lead that
nobody has traced yet could be taken for one of the two.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from mapper.errors import MapperError
from mapper.fit import HeightShift, LeadsInPhoto, PhotoFit, height_shift, seen_middles
from mapper.routes import Crossing, Lead
from mapper.trace import Vote, snap_to_wire
from mapper.ui.crossing_pictures import View, lines_near
from mapper.ui.findings import Findings
from mapper.ui.session import Context
from mapper.ui.tiles import SHELF

__all__ = ["USUAL_DIAMETER_MM", "height_vote", "leads_around", "vote_of_height"]

AROUND_MM = 30.0  # other leads are looked for this far around the place
SEEN_MM = 12.0  # the leads must have been seen this far to both sides
USUAL_DIAMETER_MM = 2.0  # where the job does not say
TRACE_SIGMA_PX = 0.5
MOST_CONFIDENCE = 0.95  # its sigma knows nothing of a lead taken for another


def height_vote(
    ctx: Context, findings: Findings, meeting: Crossing, views: Sequence[View]
) -> Callable[[], Vote] | None:
    """What measures the heights, with all that it needs; None where it can't be measured."""
    good = [view for view in views if not view.doubtful]
    if meeting.kind != "crossing" or meeting.a == meeting.b or len(good) < 2:
        return None
    if ctx.job.missing_leads() or findings.unfinished:
        return None
    place = np.array([meeting.x_mm, meeting.y_mm])
    leads = findings.traced.leads_by_id
    spans = ((meeting.a, meeting.a_span_mm), (meeting.b, meeting.b_span_mm))
    if not all(_seen_around(leads[name], span) for name, span in spans):
        return None
    lines = [lines_near(findings, meeting, side)[1] for side in ("a", "b")]
    wide = [leads[name].diameter_mm or USUAL_DIAMETER_MM for name, _ in spans]
    rest = [lead.points_mm for lead in leads_around(findings, meeting, AROUND_MM)]
    depth_mm = float(findings.traced.plate.lead_depth_mm(place[None])[0])
    photos = [
        (ctx.job.fits[view.entry.sha256], ctx.opened(view.entry.sha256).token) for view in good
    ]

    def measure() -> Vote:
        sights = []
        for fit, token in photos:
            sight = _sight(fit, token, lines, wide, rest, place, depth_mm)
            if sight is not None:
                sights.append(sight)
        found = height_shift(sights, place, depth_mm, trace_sigma_px=TRACE_SIGMA_PX)
        return vote_of_height(found)

    return measure


def leads_around(findings: Findings, meeting: Crossing, reach_mm: float) -> list[Lead]:
    """The other leads that are drawn within about `reach_mm` of the meeting."""
    place = np.array([meeting.x_mm, meeting.y_mm])
    return [
        lead
        for lead in findings.traced.leads
        if lead.id not in (meeting.a, meeting.b)
        and np.hypot(*(_dense(lead) - place).T).min() < reach_mm
    ]


def _sight(
    fit: PhotoFit,
    token: str,
    lines: Sequence[np.ndarray],
    wide: Sequence[float],
    rest: Sequence[np.ndarray],
    place: np.ndarray,
    depth_mm: float,
) -> LeadsInPhoto | None:
    """Where one photo shows the two leads; None where it does not plainly."""
    ground = SHELF.ground(token)

    def snap(xy: tuple[float, float], reach_px: float):
        try:
            return snap_to_wire(ground, xy, reach_px)
        except MapperError:  # beside the photo
            return None

    found = [
        seen_middles(fit, snap, own, place, depth_mm, across, [other, *rest])
        for own, other, across in zip(lines, reversed(lines), wide, strict=True)
    ]
    return None if found[0] is None or found[1] is None else LeadsInPhoto(fit, *found)


def vote_of_height(found: HeightShift | None) -> Vote:
    """The vote of a measured height; it abstains where the photos do not settle it."""
    if found is None or found.top is None:
        return Vote(None, 0.0, "height", "the height from two photos")
    source = (
        f"seen from {found.photos} sides, by its shift "
        f"{abs(found.higher_mm):.1f} ± {found.sigma_mm:.1f} mm higher"
    )
    return Vote(found.top, min(found.confidence, MOST_CONFIDENCE), "height", source)


def _dense(lead: Lead) -> np.ndarray:
    return lead.point_at_mm(np.arange(0.0, lead.length_mm + 4.0, 4.0))


def _seen_around(lead: Lead, span_mm: tuple[float, float]) -> bool:
    """Whether somebody saw the lead on both sides of a place, not necessarily at it."""
    if lead.seen is None:
        return True
    middle = sum(span_mm) / 2
    at = middle + np.array([-SEEN_MM, -SEEN_MM / 2, SEEN_MM / 2, SEEN_MM])
    segment = np.clip(np.searchsorted(lead.arc_mm, at) - 1, 0, len(lead.seen) - 1)
    return all(lead.seen[k] for k in segment)
