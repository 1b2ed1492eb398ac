"""What a tab of the page "Leads" looks at: the lead, the photo, the place; and going there."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field

import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.records import PhotoEntry
from mapper.routes import Crossing
from mapper.trace import snap_to_wire
from mapper.ui import leads_again, leads_channels, leads_tools, leads_tracing, leads_view
from mapper.ui.findings import findings_of, meeting_key
from mapper.ui.leads_offers import Search, open_offers
from mapper.ui.leads_sight import Sight
from mapper.ui.leads_view import LeadRow
from mapper.ui.session import Context
from mapper.ui.tiles import SHELF

__all__ = [
    "PageState",
    "choose",
    "fitted",
    "flip",
    "jump_to",
    "look_again",
    "look_at_channel",
    "next_crossing",
    "next_doubt",
    "next_look",
    "next_untraced",
    "only_channel",
    "open_crossing",
    "refresh",
    "show_offer",
    "sight_if_fitted",
    "sight_of",
    "state_of",
    "take_up",
]

CLOSE_UP_MM = 130.0  # width of the view when a drop is looked for
CROSSING_MM = 60.0  # the same for a crossing
CHANNEL_ROOM_MM = 25.0  # round a channel that is looked at
STATE = "leads page"
LEAD_PARAM, PHOTO_PARAM = "lead", "photo"


@dataclass
class PageState:
    """What this browser tab looks at; nothing here is work that could be lost."""

    chosen: str | None = None
    photo: str | None = None
    hidden: set[str] = field(default_factory=set)
    only: bool = False
    channel: str | None = None  # the only channel whose leads are drawn
    # What the next lead picked is for: "give" it the chosen one's line, "join" it to the chosen
    picking: str = ""
    by_hand: str | None = None  # the lead that is drawn by hand now, as long as it is chosen
    swap: str | None = None  # the lead that was picked for the line and has one of its own
    meeting: str | None = None  # key of the open crossing looked at
    leave: bool = False  # for the crossing desk, with that crossing
    look: leads_again.SecondLook | None = None  # the buried run that is looked at again
    doubt: tuple[str, int] | None = None  # the doubtful stretch looked at: lead and number
    beside: bool = False  # other photos of the place are shown beside
    search: Search | None = None  # leads looked for without a click
    message: str = ""  # a warning
    told: str = ""  # what to do now, or that there is nothing to do
    jump: dict[str, object] | None = None
    jumps: int = 0
    reload: bool = False
    tokens: dict[str, str] = field(default_factory=dict)  # photo token -> sha256

    def hush(self) -> None:
        """What was said is over: something else was done."""
        self.message = self.told = ""


def fitted(ctx: Context) -> list[PhotoEntry]:
    """Fitted photos, the latest stage first: there the leads lie bare."""
    return [photo for photo in reversed(ctx.job.photos) if photo.sha256 in ctx.job.fits]


def refresh(ctx: Context) -> None:
    """Take in what another window, or undo in the job bar, has changed."""
    ctx.renew()


def state_of(ctx: Context) -> PageState:
    """State of this tab; after a reload, lead and photo come back from the address."""
    key = f"{STATE} {ctx.job_id}"
    if key not in st.session_state:
        st.session_state[key] = PageState(
            st.query_params.get(LEAD_PARAM), st.query_params.get(PHOTO_PARAM)
        )
    state = st.session_state[key]
    photos = fitted(ctx)
    if state.photo not in {photo.sha256 for photo in photos}:
        state.photo = _overview(ctx, photos)
    if state.chosen not in {row.id for row in leads_view.lead_rows(ctx.job)}:
        state.chosen = None
    if state.look is not None and state.look.lead != state.chosen:
        state.look = None  # another lead was taken up
    if state.channel not in {channel.id for channel in ctx.job.plate.channels}:
        state.channel = None
    if state.by_hand != state.chosen:
        state.by_hand = None
    _to_address(LEAD_PARAM, state.chosen)
    _to_address(PHOTO_PARAM, state.photo)
    return state


def _overview(ctx: Context, photos: list[PhotoEntry]) -> str | None:
    """The photo of the latest stage that shows the most drops."""
    latest = [photo for photo in photos if photo.stage == photos[0].stage]
    places = np.array([(drop.x_mm, drop.y_mm) for drop in ctx.job.plate.drops])

    def shown(photo: PhotoEntry) -> int:
        sight = sight_of(ctx, photo.sha256)
        return sum(sight.shows(px) for px in sight.photo_from_mm(places, 0.0))

    return max(latest, key=shown).sha256 if latest else None


def _to_address(name: str, value: str | None) -> None:
    if st.query_params.get(name) != value:
        if value is None:
            del st.query_params[name]
        else:
            st.query_params[name] = value


def sight_of(ctx: Context, sha256: str) -> Sight:
    opened = ctx.opened(sha256)
    return Sight(
        sha256,
        ctx.job.fits[sha256],
        ctx.job.plate,
        opened.width_px,
        opened.height_px,
        lambda start, end: SHELF.traced(opened.token, start, end),
        lambda click, reach: snap_to_wire(SHELF.ground(opened.token), click, reach),
    )


def sight_if_fitted(ctx: Context, sha256: str) -> Sight | None:
    """`sight_of` a photo of the job; None where it is not, or no longer, fitted."""
    here = sha256 in ctx.job.fits and sha256 in {photo.sha256 for photo in ctx.job.photos}
    return sight_of(ctx, sha256) if here else None


def _place_mm(ctx: Context, row: LeadRow) -> tuple[float, float] | None:
    """Where work on a lead goes on: at its end so far, or at its drop."""
    ends = [] if row.lead is None else leads_tracing.joints(row.lead)
    if ends and row.state == "unfinished":
        return ends[-1].mm
    drop = next((one for one in ctx.job.plate.drops if one.id == row.drop), None)
    if drop is not None:
        return (drop.x_mm, drop.y_mm)
    return ends[0].mm if ends else None


def take_up(ctx: Context, state: PageState, row: LeadRow) -> None:
    """Make a lead the chosen one, on a photo that shows where work on it goes on."""
    state.chosen = row.id
    place = _place_mm(ctx, row)
    if place is not None:
        _to_photo_with(ctx, state, place)
    _look_at(ctx, state, row)


def _to_photo_with(ctx: Context, state: PageState, place_mm: tuple[float, float]) -> None:
    """Stay on the photo that is shown if the place lies in it, else the latest one with it."""
    at_mm = np.array([place_mm])
    photos = [state.photo, *(one.sha256 for one in fitted(ctx) if one.sha256 != state.photo)]
    sights = (sight_of(ctx, sha256) for sha256 in photos)
    shows = (one for one in sights if one.shows(one.photo_from_mm(at_mm, 0.0)[0]))
    state.photo = next(shows, sight_of(ctx, state.photo)).sha256


def choose(ctx: Context, state: PageState, lead_id: str) -> None:
    """Choose a lead and bring into sight where work on it goes on."""
    row = next((one for one in leads_view.lead_rows(ctx.job) if one.id == lead_id), None)
    if row is None:
        return
    take_up(ctx, state, row)


def _look_at(ctx: Context, state: PageState, row: LeadRow) -> None:
    sight = sight_of(ctx, state.photo)
    if row.lead is not None and row.state == "traced":
        points = np.vstack([sight.photo_from_stretch(one) for one in row.lead.stretches])
    else:
        middle = _place_mm(ctx, row)
        if middle is None:
            return
        points = _square_px(sight, middle, CLOSE_UP_MM)
    jump_to(state, row.id, points)


def _square_px(sight: Sight, middle_mm: tuple[float, float], side_mm: float) -> np.ndarray:
    half = side_mm / 2
    corners = np.array([[dx, dy] for dx in (-half, half) for dy in (-half, half)]) + middle_mm
    return sight.photo_from_mm(corners, 0.0)


def jump_to(state: PageState, name: str, points_px: np.ndarray, asked: bool = True) -> None:
    """Have the canvas show the box round some places of the photo; `asked` by a press, after
    which a hand may have gone on with the photo."""
    box = [*points_px.min(axis=0), *points_px.max(axis=0)]
    if np.isfinite(box).all():
        state.jumps += 1
        state.jump = {"id": f"{state.jumps} {name}", "box": [float(v) for v in box], "asked": asked}


def next_untraced(ctx: Context, state: PageState) -> None:
    row = leads_view.next_untraced(leads_view.lead_rows(ctx.job), state.chosen)
    if row is None:
        state.told = "Every lead is traced. Go on with the crossings."
    else:
        take_up(ctx, state, row)


def only_channel(
    ctx: Context, state: PageState, sha256: str, at_px: tuple[float, float] | None
) -> None:
    """Show the leads of the channel that is pointed at on that photo and of no other."""
    place = None
    if at_px is not None and sha256 in ctx.job.fits:
        with suppress(MapperError):  # beside the plate
            place = sight_of(ctx, sha256).plate_from_line(np.array([at_px]))[0][0]
    channel = None if place is None else leads_channels.channel_at(ctx.job.plate, place)
    if channel is None:
        state.message = "Point at a channel, or tap it, and press I: only its leads are shown then."
    else:
        state.channel = channel


def look_at_channel(ctx: Context, state: PageState, channel_id: str | None) -> None:
    """Show only the leads of a channel picked by its name (None: all), and where it is."""
    state.channel = channel_id
    state.hush()
    channel = next((one for one in ctx.job.plate.channels if one.id == channel_id), None)
    if channel is not None:
        points_mm = np.array(channel.points_mm, dtype=float)
        _to_photo_with(ctx, state, tuple(points_mm.mean(axis=0)))
        low, high = points_mm.min(axis=0) - CHANNEL_ROOM_MM, points_mm.max(axis=0) + CHANNEL_ROOM_MM
        corners = np.array([(x, y) for x in (low[0], high[0]) for y in (low[1], high[1])])
        jump_to(state, f"channel {channel_id}", sight_of(ctx, state.photo).photo_from_mm(corners))


def open_crossing(ctx: Context, state: PageState) -> Crossing | None:
    """The crossing that is looked at, as long as nobody has judged it."""
    meetings = findings_of(ctx.job).open_meetings if state.meeting else ()
    return next((one for one in meetings if meeting_key(one) == state.meeting), None)


def next_crossing(ctx: Context, state: PageState) -> None:
    """Go to the next crossing that nobody has judged, those that hold most leads back first."""
    findings = findings_of(ctx.job)
    still = {meeting_key(one) for one in findings.open_meetings}
    waiting = [one for one in findings.ordered_meetings if meeting_key(one) in still]
    if not waiting:
        state.meeting = None
        state.told = "No crossing of traced leads is open."
        return
    keys = [meeting_key(one) for one in waiting]
    meeting = waiting[(keys.index(state.meeting) + 1) % len(keys) if state.meeting in keys else 0]
    place = (meeting.x_mm, meeting.y_mm)
    state.meeting, state.chosen, state.picking = meeting_key(meeting), None, ""
    state.channel = None
    state.hidden.clear()
    _to_photo_with(ctx, state, place)
    points = _square_px(sight_of(ctx, state.photo), place, CROSSING_MM)
    jump_to(state, state.meeting, points)


def flip(ctx: Context, state: PageState, sha256: str, near_px: tuple[float, float] | None) -> None:
    """Show the next photo; where a place of photo `sha256` is looked at, the next that has it."""
    order = [photo.sha256 for photo in fitted(ctx)]
    at = order.index(state.photo)
    others = [*order[at + 1 :], *order[:at]]
    if near_px is not None and sha256 in ctx.job.fits:
        try:
            place_mm, depth_mm = sight_of(ctx, sha256).plate_from_line(np.array([near_px]))
        except MapperError:  # beside the plate
            pass
        else:
            sights = [sight_of(ctx, one) for one in others]
            px = [one.photo_from_mm(place_mm, depth_mm)[0] for one in sights]
            others = [one.sha256 for one, at in zip(sights, px, strict=True) if one.shows(at)]
    if others:
        state.photo = others[0]
    else:
        state.message = "No other fitted photo shows this place. 0 for the whole photo, then P."


def next_doubt(ctx: Context, state: PageState) -> None:
    """Go to the next stretch that the tracer was unsure of, on the photo it was traced on."""
    rows = [row for row in leads_view.lead_rows(ctx.job) if row.lead is not None]
    found = leads_tools.doubts(row.lead for row in rows)
    if not found:
        state.doubt = None
        state.told = "No stretch is in doubt."
        return
    order = {row.id: i for i, row in enumerate(rows)}
    last = state.doubt if state.doubt and state.doubt[0] == state.chosen else (state.chosen, -1)
    after = (order.get(last[0], -1), last[1])
    lead, index = next((one for one in found if (order[one[0].id], one[1]) > after), found[0])
    stretch = lead.stretches[index]
    state.chosen, state.doubt = lead.id, (lead.id, index)
    if stretch.photo in ctx.job.fits:
        state.photo = stretch.photo
    points = sight_of(ctx, state.photo).photo_from_stretch(stretch)
    jump_to(state, lead.id, points)
    state.told = (
        f"{shown(lead.id, 40)}: the tracer was unsure of the thin line marked ?. "
        "Y when it is right; otherwise drag it."
    )


def look_again(ctx: Context, state: PageState, look: leads_again.SecondLook) -> None:
    """Go to a buried run on the newer photo."""
    refresh(ctx)
    if look not in leads_again.second_looks(ctx.job):
        state.message = "That run has changed meanwhile; look in the list again."
        return
    lead = next(one for one in ctx.job.leads if one.id == look.lead)
    state.chosen, state.photo, state.look = lead.id, look.photo, look
    fit = ctx.job.fits[look.photo]
    points = leads_again.run_points_px(fit, ctx.job.plate, lead.stretches[look.index])
    jump_to(state, lead.id, points)
    state.told = (
        f"{shown(lead.id, 40)}: the dotted line was buried. Where the lead lies bare now, drag "
        "the line onto it: it is traced anew. Where not, press K: it stays unseen."
    )


def next_look(ctx: Context, state: PageState) -> None:
    """Go to the next buried run that a newer photo has in it, going round."""
    looks = leads_again.second_looks(ctx.job)
    if not looks:
        state.look = None
        state.told = "No buried run lies on a newer photo."
        return
    at = looks.index(state.look) + 1 if state.look in looks else 0
    look_again(ctx, state, looks[at % len(looks)])


def show_offer(ctx: Context, state: PageState) -> None:
    """Bring the next offered lead into sight."""
    waiting = open_offers(state.search, ctx.job)
    if waiting:
        _, offer, _ = waiting[0]
        state.photo, state.chosen, state.picking = offer.photo, None, ""
        sight = sight_of(ctx, offer.photo)
        drop = next(one for one in ctx.job.plate.drops if one.id == offer.drop)
        pocket = _square_px(sight, (drop.x_mm, drop.y_mm), drop.bore_diameter_mm)
        seen = np.vstack([offer.trace.points, pocket])  # with its pocket, to tell whose it is
        jump_to(state, f"offer {waiting[0][0]}", seen, asked=False)
