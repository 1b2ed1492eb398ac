"""Page "Leads": pick a lead, click along it on a photo, drag what is wrong, go to the next.

Every click is saved as soon as it is drawn. The page works in a fragment, so that a click costs
only the list and the canvas, not the whole page.
"""

from __future__ import annotations

import time
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.records import (
    RENAME_DEPENDS_ON,
    PhotoEntry,
    TracedLead,
    lead_changes,
    rename_changes,
)
from mapper.trace import snap_to_wire
from mapper.ui import (
    jobbar,
    leads_again,
    leads_channels,
    leads_panels,
    leads_tools,
    leads_tracing,
    leads_view,
    looks,
)
from mapper.ui.canvas import Operation, photo_canvas, take_operations
from mapper.ui.leads_list import lead_list
from mapper.ui.leads_tracing import Sight
from mapper.ui.leads_view import LeadRow
from mapper.ui.overlay import frame_of
from mapper.ui.session import LOOK_WORDS, Context, go
from mapper.ui.tiles import SHELF

__all__ = ["render", "show"]

CANVAS, LIST = "leads canvas", "leads list"
CLOSE_UP_MM = 130.0  # width of the view when a drop is looked for
RUN_SECONDS = 0.3  # of work before what is done is shown
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
    giving: bool = False  # the next lead picked takes over the chosen one's line
    doubt: tuple[str, int] | None = None  # the doubtful stretch looked at: lead and number
    message: str = ""
    jump: dict[str, object] | None = None
    jumps: int = 0
    reload: bool = False
    tokens: dict[str, str] = field(default_factory=dict)  # photo token -> sha256


def show() -> None:
    """Draw the page, with the job bar above it."""
    ctx = jobbar.begin("leads")
    if ctx is not None:
        render(ctx)


def render(ctx: Context) -> None:
    """Draw the page for an open job, or say what has to be done before it."""
    if ctx.job.plate is None or not ctx.job.plate.drops:
        _first("Enter the plate with its drops before the leads are traced.", "plate")
    elif not ctx.job.photos:
        _first("Add photos before the leads are traced.", "photos")
    elif not _fitted(ctx):
        _first("Fit at least one photo to the plate before the leads are traced.", "fit")
    else:
        _work(ctx)


def _first(text: str, page: str) -> None:
    looks.note(text, "calm")
    if st.button(f"Go to {jobbar.PAGE_WORDS[page]}", type="primary"):
        go(page)


def _fitted(ctx: Context) -> list[PhotoEntry]:
    """Fitted photos, the latest stage first: there the leads lie bare."""
    return [photo for photo in reversed(ctx.job.photos) if photo.sha256 in ctx.job.fits]


@st.fragment
def _work(ctx: Context) -> None:
    _refresh(ctx)
    state = _state(ctx)
    photos = _fitted(ctx)
    if not photos:  # undone meanwhile
        st.rerun()
    for op in take_operations(LIST):
        state.message = ""
        try:
            _list_operation(ctx, state, op)
        except MapperError as error:
            state.message = shown(error, 220)
    until = time.monotonic() + RUN_SECONDS
    for op in take_operations(CANVAS):
        if time.monotonic() > until:
            break  # draw what is done; the rest comes with the next run
        state.message = ""
        try:
            _canvas_operation(ctx, state, op)
        except MapperError as error:
            state.message = shown(error, 220)
    jobbar.show_saved(ctx)
    left, right = st.columns([1, 3.4], gap="small")
    with right:
        bar = st.container()
        _canvas(ctx, state)  # first: it is what the user waits for
        with bar:
            _bar(ctx, state, photos)
    with left:
        _list(ctx, state)
    if state.reload:  # the job bar above has something new to say; the answer to a click is out
        state.reload = False
        st.rerun()


def _refresh(ctx: Context) -> None:
    """Take in what another window, or undo in the job bar, has changed."""
    if ctx.store.revision(ctx.job_id) != ctx.job.revision:
        ctx.job = ctx.store.job(ctx.job_id)


def _state(ctx: Context) -> PageState:
    """State of this tab; after a reload, lead and photo come back from the address."""
    key = f"{STATE} {ctx.job_id}"
    if key not in st.session_state:
        st.session_state[key] = PageState(
            st.query_params.get(LEAD_PARAM), st.query_params.get(PHOTO_PARAM)
        )
    state = st.session_state[key]
    photos = _fitted(ctx)
    if state.photo not in {photo.sha256 for photo in photos}:
        state.photo = _overview(ctx, photos)
    if state.chosen not in {row.id for row in leads_view.lead_rows(ctx.job)}:
        state.chosen = None
    if state.channel not in {channel.id for channel in ctx.job.plate.channels}:
        state.channel = None
    _to_address(LEAD_PARAM, state.chosen)
    _to_address(PHOTO_PARAM, state.photo)
    return state


def _overview(ctx: Context, photos: list[PhotoEntry]) -> str | None:
    """The photo of the latest stage that shows the most drops."""
    latest = [photo for photo in photos if photo.stage == photos[0].stage]
    places = np.array([(drop.x_mm, drop.y_mm) for drop in ctx.job.plate.drops])

    def shown(photo: PhotoEntry) -> int:
        sight = _sight(ctx, photo.sha256)
        return sum(sight.shows(px) for px in sight.photo_from_mm(places, 0.0))

    return max(latest, key=shown).sha256 if latest else None


def _to_address(name: str, value: str | None) -> None:
    if st.query_params.get(name) != value:
        if value is None:
            del st.query_params[name]
        else:
            st.query_params[name] = value


def _sight(ctx: Context, sha256: str) -> Sight:
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


# ---- above and beside the canvas


def _bar(ctx: Context, state: PageState, photos: list[PhotoEntry]) -> None:
    by_hash = {photo.sha256: photo for photo in photos}

    def words(sha256: str) -> str:
        doubt = "" if ctx.job.fits[sha256].verdict == "good" else " · doubtful fit"
        return f"{by_hash[sha256].stage} · {by_hash[sha256].name}{doubt}"

    widget = f"leads photo {ctx.job_id}"
    if st.session_state.get(widget) != state.photo:
        st.session_state[widget] = state.photo
    with st.container(horizontal=True, vertical_alignment="center"):
        st.selectbox(
            "Photo",
            list(by_hash),
            key=widget,
            format_func=words,
            label_visibility="collapsed",
            on_change=lambda: setattr(state, "photo", st.session_state[widget]),
        )
        if ctx.job.plate.channels:
            leads_panels.channel_box(
                ctx, state.channel, lambda channel: setattr(state, "channel", channel)
            )
        st.toggle("Drawing", value=True, key="leads drawing")
        leads_panels.progress(ctx)
        leads_panels.second_looks(ctx, lambda look: _look_again(ctx, state, look))
        chosen = next((one for one in ctx.job.leads if one.id == state.chosen), None)
        if chosen is not None and chosen.to_lead() is not None:
            leads_panels.rename_box(ctx, chosen, lambda new: _rename(ctx, state, chosen.id, new))
    fit = ctx.job.fits[state.photo]
    if fit.verdict != "good":
        reason = f" {fit.reasons[0]}" if fit.reasons else ""
        looks.note(f"The fit of this photo is doubtful: leads may land beside.{reason}")


def _look_again(ctx: Context, state: PageState, look: leads_again.SecondLook) -> None:
    """Go to a buried run on the newer photo."""
    _refresh(ctx)
    if look not in leads_again.second_looks(ctx.job):
        state.message = "That run has changed meanwhile; look in the list again."
        return
    lead = next(one for one in ctx.job.leads if one.id == look.lead)
    state.chosen, state.photo = lead.id, look.photo
    fit = ctx.job.fits[look.photo]
    points = leads_again.run_points_px(fit, ctx.job.plate, lead.stretches[look.index])
    _jump(state, lead.id, points)
    state.message = (
        f"{shown(lead.id, 40)}: the dotted line was buried. Where the lead lies bare now, drag "
        "the line onto it: it is traced anew. Where not, leave it."
    )


def _rename(ctx: Context, state: PageState, old: str, new: str) -> None:
    """Give a lead another name, with all that names it, as one edit."""
    new = unicodedata.normalize("NFC", new).strip()
    try:
        _refresh(ctx)
        changes = rename_changes(ctx.job, old, new)
    except MapperError as error:
        state.message = shown(error, 220)
        return
    label = f"Rename {shown(old, 40)} {shown(new, 40)}"
    if ctx.edit(label, changes, depends_on=RENAME_DEPENDS_ON):
        state.chosen, state.message = new, ""
    state.reload = True


def _list(ctx: Context, state: PageState) -> None:
    rows = leads_view.lead_rows(ctx.job)
    count = leads_view.counts(rows)
    summary = f"{count['traced']} of {len(rows)} traced"
    if count["unfinished"]:
        summary += f", {count['unfinished']} not finished"
    lead_list(
        LIST,
        leads_view.listed_drops(ctx.job, rows, state.chosen, state.hidden),
        summary,
        [
            ("next", "Next untraced", False),
            ("all", "Show all", not (state.only or state.hidden or state.channel)),
            ("only", "Only this", state.only),
        ],
    )


def _canvas(ctx: Context, state: PageState) -> None:
    opened = ctx.opened(state.photo)
    state.tokens[opened.token] = state.photo
    sight = _sight(ctx, state.photo)
    SHELF.warm(opened.token, sight.rehearsal())
    rows = leads_view.lead_rows(ctx.job)
    chosen = next((row for row in rows if row.id == state.chosen), None)
    tracing = chosen is not None and chosen.state != "traced"
    lines, markers = [], []
    if st.session_state.get("leads drawing", True):
        drawing, markers = leads_view.plate_layer(ctx.job, sight)
        lines += drawing
    if not (state.only and chosen is not None):
        left_out = leads_channels.hidden_outside(ctx.job, state.channel)
        lines += leads_view.other_lines(
            ctx.job, sight, state.chosen, state.hidden, pick=not tracing, left_out=left_out
        )
    handles = []
    tail = None
    if chosen is not None:
        lines += leads_view.chosen_lines(sight, chosen)
        handles = leads_view.chosen_handles(sight, chosen)
        if tracing and chosen.lead is not None:
            tail = _tail(sight, chosen.lead)
    photo_canvas(
        CANVAS,
        opened,
        lines=lines,
        markers=markers,
        handles=handles,
        tool="trace" if tracing else "look",
        height="window",
        hint=state.message or _hint(chosen, state.giving),
        alert=bool(state.message),
        keys=_keys(chosen, state, len(_fitted(ctx))),
        undo=True,
        snap_reach_px=sight.reach_px if tracing else 0.0,
        tail=tail,
        stroke=None if chosen is None else leads_view.stroke(chosen),
        place=f"{ctx.job_id} {state.photo}",
        plate_from_photo=frame_of(sight.fit, opened.width_px, opened.height_px),
        look_at=state.jump,
    )


def _tail(sight: Sight, lead: TracedLead) -> tuple[float, float] | None:
    ends = leads_tracing.joints(lead)
    if not ends:
        return None
    end = ends[-1]
    if end.photo == sight.sha256 and end.px is not None:
        return end.px
    x, y = sight.photo_from_mm(np.array([end.mm]), end.depth_mm)[0]
    return (float(x), float(y)) if sight.shows((x, y)) else None


def _hint(chosen: LeadRow | None, giving: bool) -> str:
    if chosen is None:
        return "Pick a lead in the list or on the photo, or press N for the next untraced one."
    name = shown(chosen.id, 40)
    if giving:
        return f"Pick the lead that the line of {name} really is; V to leave it as it is."
    if chosen.state == "missing":
        return f"{name}: click where it leaves the nozzle of {shown(chosen.drop, 40)}."
    if chosen.state == "unfinished":
        return (
            f"{name}: click further along the lead; the line follows it (with Shift: straight). "
            "F when it leaves the plate."
        )
    exit_name = shown(chosen.lead.exit or "the exit", 40)
    return f"{name} is traced to {exit_name}. Drag a point or the line to mend it; N for the next."


def _keys(chosen: LeadRow | None, state: PageState, photos: int) -> dict[str, str]:
    keys = {"n": "next"}
    if chosen is not None:
        if chosen.lead is not None and len(leads_tracing.joints(chosen.lead)) > 1:
            keys |= {"u": "unseen", "s": "straight", "b": "by channel"}
            keys["f"] = "go on with it" if chosen.state == "traced" else "finish"
            keys |= {"x": "cut here", "a": "is another lead"}
            if leads_tools.doubts([chosen.lead]):
                keys["y"] = "this is right"
        keys["o"] = "all leads" if state.only else "only this"
        keys["v"] = "let go"
    keys |= {"d": "next doubtful", "z": "undo"}
    if photos > 1:
        keys["p"] = "next photo"
    return keys


# ---- what the user did


def _list_operation(ctx: Context, state: PageState, op: Operation) -> None:
    if op.type == "select" and op.id:
        if state.giving:
            _give(ctx, state, op)
        else:
            _choose(ctx, state, op.id)
    elif op.key == "next":
        _next(ctx, state)
    elif op.key == "all":
        state.only, state.channel = False, None
        state.hidden.clear()
    elif op.key == "only":
        state.only = not state.only
    elif op.key == "hide" and op.id:
        state.hidden ^= {op.id}


def _give(ctx: Context, state: PageState, op: Operation) -> None:
    """Give the line of the chosen lead to the lead that was picked."""
    state.giving = False
    rows = {row.id: row for row in leads_view.lead_rows(ctx.job)}
    old, new = rows.get(state.chosen), rows.get(op.id)
    if old is None or old.lead is None or new is None:
        return
    changes = leads_tools.given_to(old.lead, new.id, new.kind, new.drop, ctx.job.leads)
    label = f"Make {shown(old.id, 40)} {shown(new.id, 40)}"
    if ctx.edit(label, changes, uid=op.uid, depends_on=("plate",)):
        state.chosen = new.id
    state.reload = True


def _choose(ctx: Context, state: PageState, lead_id: str) -> None:
    """Choose a lead and bring into sight where work on it goes on."""
    row = next((one for one in leads_view.lead_rows(ctx.job) if one.id == lead_id), None)
    if row is None:
        return
    _take_up(ctx, state, row)


def _take_up(ctx: Context, state: PageState, row: LeadRow) -> None:
    """Make a lead the chosen one, on a photo that shows where work on it goes on."""
    state.chosen = row.id
    place = _place_mm(ctx, row)
    if place is not None:
        at_mm = np.array([place])
        photos = [state.photo, *(one.sha256 for one in _fitted(ctx) if one.sha256 != state.photo)]
        sights = (_sight(ctx, sha256) for sha256 in photos)
        shows = (one for one in sights if one.shows(one.photo_from_mm(at_mm, 0.0)[0]))
        state.photo = next(shows, _sight(ctx, state.photo)).sha256
    _look_at(ctx, state, row)


def _place_mm(ctx: Context, row: LeadRow) -> tuple[float, float] | None:
    """Where work on a lead goes on: at its end so far, or at its drop."""
    ends = [] if row.lead is None else leads_tracing.joints(row.lead)
    if ends and row.state == "unfinished":
        return ends[-1].mm
    drop = next((one for one in ctx.job.plate.drops if one.id == row.drop), None)
    if drop is not None:
        return (drop.x_mm, drop.y_mm)
    return ends[0].mm if ends else None


def _look_at(ctx: Context, state: PageState, row: LeadRow) -> None:
    sight = _sight(ctx, state.photo)
    if row.lead is not None and row.state == "traced":
        points = np.vstack([sight.photo_from_stretch(one) for one in row.lead.stretches])
    else:
        middle = _place_mm(ctx, row)
        if middle is None:
            return
        half = CLOSE_UP_MM / 2
        corners = np.array([[dx, dy] for dx in (-half, half) for dy in (-half, half)]) + middle
        points = sight.photo_from_mm(corners, 0.0)
    _jump(state, row.id, points)


def _jump(state: PageState, name: str, points_px: np.ndarray) -> None:
    """Have the canvas show the box round some places of the photo."""
    box = [*points_px.min(axis=0), *points_px.max(axis=0)]
    if np.isfinite(box).all():
        state.jumps += 1
        state.jump = {"id": f"{state.jumps} {name}", "box": [float(v) for v in box]}


def _next(ctx: Context, state: PageState) -> None:
    row = leads_view.next_untraced(leads_view.lead_rows(ctx.job), state.chosen)
    if row is None:
        state.message = "Every lead is traced. Go on with the crossings."
    else:
        _take_up(ctx, state, row)


def _next_doubt(ctx: Context, state: PageState) -> None:
    """Go to the next stretch that the tracer was unsure of, on the photo it was traced on."""
    rows = [row for row in leads_view.lead_rows(ctx.job) if row.lead is not None]
    found = leads_tools.doubts(row.lead for row in rows)
    if not found:
        state.doubt = None
        state.message = "No stretch is in doubt."
        return
    order = {row.id: i for i, row in enumerate(rows)}
    last = state.doubt if state.doubt and state.doubt[0] == state.chosen else (state.chosen, -1)
    after = (order.get(last[0], -1), last[1])
    lead, index = next((one for one in found if (order[one[0].id], one[1]) > after), found[0])
    stretch = lead.stretches[index]
    state.chosen, state.doubt = lead.id, (lead.id, index)
    if stretch.photo in ctx.job.fits:
        state.photo = stretch.photo
    points = _sight(ctx, state.photo).photo_from_stretch(stretch)
    _jump(state, lead.id, points)
    state.message = (
        f"{shown(lead.id, 40)}: the tracer was unsure of the thin line marked ?. "
        "Y when it is right; otherwise drag it."
    )


def _canvas_operation(ctx: Context, state: PageState, op: Operation) -> None:
    rows = leads_view.lead_rows(ctx.job)
    chosen = next((row for row in rows if row.id == state.chosen), None)
    if op.type in ("undo", "redo") or op.key == "z":
        _undo(ctx, state, op)
    elif op.type == "select" and op.kind == "line":
        if state.giving and op.id in {row.id for row in rows}:
            _give(ctx, state, op)
        elif op.id in {row.id for row in rows}:
            state.chosen = op.id
        # a stretch of the chosen lead: nothing to do, the keys act on what is pointed at
    elif op.type == "key" and op.key in ("n", "o", "v", "p", "d", "a"):
        _page_key(ctx, state, op.key)
    elif chosen is not None:
        _edit_chosen(ctx, state, op, chosen)


def _undo(ctx: Context, state: PageState, op: Operation) -> None:
    label = ctx.job.redo_label if op.type == "redo" else ctx.job.undo_label
    if label is None:
        state.message = "There is nothing to redo." if op.type == "redo" else "Nothing to undo."
        return
    if ctx.look_only:
        state.message = LOOK_WORDS
        return
    if op.type == "redo":
        ctx.store.redo(ctx.job_id, uid=op.uid, by=ctx.person)
    else:
        ctx.store.undo(ctx.job_id, uid=op.uid, by=ctx.person)
    ctx.job = ctx.store.job(ctx.job_id)
    state.reload = True  # what can be undone and done again has changed in the job bar


def _page_key(ctx: Context, state: PageState, key: str) -> None:
    """Keys that change only what is looked at."""
    if key == "n":
        _next(ctx, state)
    elif key == "o":
        state.only = not state.only
    elif key == "v":
        if state.giving:
            state.giving = False
        else:
            state.chosen, state.only = None, False
    elif key == "d":
        _next_doubt(ctx, state)
    elif key == "a":
        state.giving = state.chosen is not None
    else:
        order = [photo.sha256 for photo in _fitted(ctx)]
        state.photo = order[(order.index(state.photo) + 1) % len(order)]


def _edit_chosen(ctx: Context, state: PageState, op: Operation, row: LeadRow) -> None:
    """One step on the chosen lead, saved at once."""
    sha256 = state.tokens.get(op.photo, state.photo)
    if sha256 not in ctx.job.fits:
        raise MapperError("This photo is no longer fitted; fit it again or take another one.")
    sight = _sight(ctx, sha256)
    lead = row.begun()
    name = shown(lead.id, 40)
    at = (op.x_px, op.y_px) if op.x_px is not None and op.y_px is not None else None
    stretch = op.id if op.kind == "line" else None
    steps: dict[str, tuple[str, Callable[[], TracedLead]]] = {
        "point": (f"Trace {name}", lambda: leads_tracing.extend(lead, sight, at, op.shift)),
        "move": (f"Move a point of {name}", lambda: leads_tracing.move(lead, sight, op.id, at)),
        "insert": (
            f"Put a point into {name}",
            lambda: leads_tracing.insert(lead, sight, op.id, at),
        ),
        "remove": (f"Remove a point of {name}", lambda: leads_tracing.remove(lead, sight, op.id)),
        "u": (f"Mark a run of {name}", lambda: leads_tracing.set_seen(lead, stretch)),
        "s": (
            f"Straighten a run of {name}",
            lambda: leads_tracing.straighten(lead, sight, stretch),
        ),
        "b": (
            f"Lay {name} along the channel",
            lambda: leads_tracing.bridge(lead, sight.plate, stretch),
        ),
        "x": (f"Cut {name}", lambda: leads_tools.cut(lead, sight, stretch, at)),
        "y": (f"Confirm a run of {name}", lambda: leads_tools.confirm(lead, stretch)),
        "f": (f"Finish {name}", lambda: leads_tracing.finish(lead, sight.plate)),
    }
    step = steps.get(op.key if op.type == "key" else op.type)
    if step is None:
        return
    label, act = step
    new = act()
    if new.stretches or row.lead is None:
        changes = lead_changes(new)
    else:
        changes = dict.fromkeys(lead_changes(new))  # nothing is left of it
    read = ("plate", f"fit/{sha256}")
    buttons_change = ctx.job.undo_label is None or ctx.job.redo_label is not None
    saved = ctx.edit(label, changes, uid=op.uid, depends_on=read)
    if not saved or buttons_change or new.finished != lead.finished:
        state.reload = True
