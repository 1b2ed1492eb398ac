"""What the user did on the page "Leads", turned into edits of the job or another look at it."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable

from mapper.errors import MapperError, shown
from mapper.records import RENAME_DEPENDS_ON, ExpectedLead, TracedLead, lead_changes, rename_changes
from mapper.ui import (
    leads_again,
    leads_by_hand,
    leads_offers,
    leads_state,
    leads_tools,
    leads_tracing,
    leads_view,
)
from mapper.ui.canvas import Operation
from mapper.ui.leads_sight import Sight
from mapper.ui.leads_state import PageState
from mapper.ui.leads_view import LeadRow
from mapper.ui.session import LOOK_WORDS, Context

__all__ = ["HAND", "REDO", "canvas_operation", "list_operation", "rename"]

OFFER_KEYS = ("1", "2", "3", "q")  # it is the first, second, third lead of its drop; no lead
REDO = "Ctrl+Y"
HAND = "Insert"  # beside Delete; every letter has its meaning already
# They change only what is looked at
PAGE_KEYS = ("n", "o", "i", "v", "p", "d", "a", "j", "w", "c", "g", "t", HAND)


def list_operation(ctx: Context, state: PageState, op: Operation) -> None:
    if op.type == "select" and op.id:
        if state.picking:
            _picked(ctx, state, op)
        else:
            leads_state.choose(ctx, state, op.id)
    elif op.key == "next":
        leads_state.next_untraced(ctx, state)
    elif op.key == "crossing":
        leads_state.next_crossing(ctx, state)
    elif op.key == "all":
        state.only, state.channel = False, None
        state.hidden.clear()
    elif op.key == "only" and state.chosen is None:
        state.message = "Pick a lead in the list or on the photo first; then the others are hidden."
    elif op.key == "only":
        state.only = not state.only
    elif op.key == "hide" and op.id:
        state.hidden ^= {op.id}


def _picked(ctx: Context, state: PageState, op: Operation) -> None:
    """Another lead was picked: it takes over the chosen one's line, or is joined to its end."""
    picking, state.picking = state.picking, ""
    rows = {row.id: row for row in leads_view.lead_rows(ctx.job)}
    old, new = rows.get(state.chosen), rows.get(op.id)
    if old is None or old.lead is None or new is None:
        return
    if picking == "join":
        changes = leads_tools.join_changes(ctx.job, old.lead, new.begun())
        label, stays = f"Join {shown(old.id, 40)} and {shown(new.id, 40)}", old.id
    elif new.state != "missing" and new.id != old.id and state.swap != new.id:
        state.picking, state.swap = picking, new.id
        state.message = (
            f"{shown(new.id, 40)} has a line already. Pick it once more to swap the two lines; V "
            "to leave them."
        )
        return
    else:
        changes = leads_tools.given_to(ctx.job, old.lead, new.id, new.kind, new.drop)
        word = "Make" if new.state == "missing" else "Swap"
        label, stays = f"{word} {shown(old.id, 40)} {shown(new.id, 40)}", new.id
    if ctx.edit(label, changes, uid=op.uid, depends_on=("plate", "lead", "judged", "done")):
        state.chosen = stays
    state.reload = True


def _keep_unseen(ctx: Context, state: PageState, op: Operation) -> None:
    """The run looked at again stays unseen; on to the next one."""
    look, lead = state.look, next((x for x in ctx.job.leads if x.id == state.look.lead), None)
    if lead is None or look not in leads_again.second_looks(ctx.job):
        state.look = None
        raise MapperError("That run has changed meanwhile; press W for the next one.")
    label = f"Leave a run of {shown(lead.id, 40)} unseen"
    if ctx.edit(label, lead_changes(leads_again.left_unseen(lead, look)), uid=op.uid):
        state.look = None
        leads_state.next_look(ctx, state)
        if state.look is None:
            state.told = "It stays unseen. No other buried run lies on a newer photo."
    state.reload = True


def canvas_operation(ctx: Context, state: PageState, op: Operation) -> None:
    rows = leads_view.lead_rows(ctx.job)
    chosen = next((row for row in rows if row.id == state.chosen), None)
    waiting = leads_offers.open_offers(state.search, ctx.job)
    if op.type == "key" and op.key in OFFER_KEYS and waiting:
        _answer_offer(ctx, state, op, waiting[0])
    elif op.type in ("undo", "redo") or op.key in ("z", REDO):
        _undo(ctx, state, op)
    elif op.type == "select" and op.kind == "pane":
        if op.id in ctx.job.fits:
            state.photo = op.id
    elif op.type == "select" and op.kind == "line":
        if state.picking and op.id in {row.id for row in rows}:
            _picked(ctx, state, op)
        elif op.id in {row.id for row in rows}:
            state.chosen = op.id
        # a stretch of the chosen lead: nothing to do, the keys act on what is pointed at
    elif op.type == "key" and op.key == "k" and state.look is not None:
        _keep_unseen(ctx, state, op)
    elif op.type == "key" and op.key in PAGE_KEYS:
        _page_key(ctx, state, op)
    elif chosen is not None:
        _edit_chosen(ctx, state, op, chosen)


def _answer_offer(
    ctx: Context,
    state: PageState,
    op: Operation,
    waiting: tuple[int, leads_offers.Offer, list[ExpectedLead]],
) -> None:
    """The offered line is one of its drop's leads, or it is none."""
    number, offer, may_be = waiting
    if op.key == "q":
        state.search.refused.append((offer, ctx.job.revision))
    else:
        which = int(op.key) - 1
        if which >= len(may_be):
            return
        lead = may_be[which]
        sight = leads_state.sight_of(ctx, offer.photo)
        changes = lead_changes(leads_offers.accepted(offer, lead, sight))
        read = ("plate", f"fit/{offer.photo}")
        if ctx.edit(f"Accept {shown(lead.id, 40)}", changes, uid=op.uid, depends_on=read):
            state.search.accepted[number] = lead.id
        state.reload = True
    leads_state.show_offer(ctx, state)
    if not leads_offers.open_offers(state.search, ctx.job):
        state.told = "That was the last lead offered. N goes to the next one that is not traced."


def _undo(ctx: Context, state: PageState, op: Operation) -> None:
    redo = op.type == "redo" or op.key == REDO
    refused = [] if state.search is None else state.search.refused
    if not redo and refused and refused[-1][1] == ctx.job.revision:
        refused.pop()  # the last thing done was to refuse an offer
        leads_state.show_offer(ctx, state)
        return
    if (ctx.job.redo_label if redo else ctx.job.undo_label) is None:
        state.told = "There is nothing to redo." if redo else "Nothing to undo."
        return
    if ctx.look_only:
        state.message = LOOK_WORDS
        return
    if ctx.redo(op.uid) if redo else ctx.undo(op.uid):
        leads_state.show_offer(ctx, state)
    state.reload = True  # what can be undone and done again has changed in the job bar


def _page_key(ctx: Context, state: PageState, op: Operation) -> None:
    """Keys that change only what is looked at."""
    key = op.key
    if key == "n":
        leads_state.next_untraced(ctx, state)
    elif key == "o":
        state.only = not state.only
    elif key == "i":
        if state.channel is not None:
            state.channel = None
        else:
            at = (op.x_px, op.y_px) if op.x_px is not None and op.y_px is not None else None
            leads_state.only_channel(ctx, state, state.tokens.get(op.photo, state.photo), at)
    elif key == "v":
        if state.picking:
            state.picking = ""
        else:
            state.chosen, state.only = None, False
    elif key == "d":
        leads_state.next_doubt(ctx, state)
    elif key == HAND:
        state.by_hand = None if state.by_hand else state.chosen
    elif key == "c":
        state.beside = not state.beside
    elif key == "w":
        leads_state.next_look(ctx, state)
    elif key == "g":
        leads_state.next_crossing(ctx, state)
    elif key == "t":
        state.leave = leads_state.open_crossing(ctx, state) is not None
    elif key in ("a", "j"):
        state.picking = "" if state.chosen is None else "give" if key == "a" else "join"
        state.swap = None
    else:
        leads_state.flip(ctx, state, state.tokens.get(op.photo, state.photo), op.near_px)


def _edit_chosen(ctx: Context, state: PageState, op: Operation, row: LeadRow) -> None:
    """One step on the chosen lead, saved at once."""
    sha256 = state.tokens.get(op.photo, state.photo)
    if sha256 not in ctx.job.fits:
        raise MapperError("This photo is no longer fitted; fit it again or take another one.")
    sight = leads_state.sight_of(ctx, sha256)
    lead = row.begun()
    name = shown(lead.id, 40)
    at = (op.x_px, op.y_px) if op.x_px is not None and op.y_px is not None else None
    stretch = op.id if op.kind == "line" else None
    if op.type == "key" and stretch in {lead.id for lead in ctx.job.leads}:
        raise MapperError(
            f"That is {shown(stretch, 40)}, and the keys act on {name}: point at the line of "
            f"{name}, or pick {shown(stretch, 40)} first."
        )
    steps: dict[str, tuple[str, Callable[[], TracedLead]]] = {
        "point": (f"Trace {name}", lambda: leads_tracing.extend(lead, sight, at, op.shift)),
        "move": (f"Move a point of {name}", lambda: leads_tracing.move(lead, sight, op.id, at)),
        "insert": (
            f"Put a point into {name}",
            lambda: leads_tracing.insert(lead, sight, op.id, at),
        ),
        "remove": (f"Remove a point of {name}", lambda: leads_tracing.remove(lead, sight, op.id)),
        "Delete": (f"Remove a point of {name}", lambda: _without_point(lead, sight, op)),
        "u": (f"Mark a run of {name}", lambda: leads_tracing.set_seen(lead, stretch)),
        "s": (
            f"Straighten a run of {name}",
            lambda: leads_tracing.straighten(lead, sight, stretch),
        ),
        "b": (
            f"Lay {name} along the channel",
            lambda: leads_tracing.bridge(lead, sight.plate, stretch),
        ),
        "stroke": (
            f"Draw {name} by hand",
            lambda: leads_by_hand.drawn(lead, sight, op.points_px),
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


def _without_point(lead: TracedLead, sight: Sight, op: Operation) -> TracedLead:
    if op.kind != "handle" or op.id is None:
        raise MapperError("Point at the square point to take out, or tap it, then press Delete.")
    return leads_tracing.remove(lead, sight, op.id)


def rename(ctx: Context, state: PageState, old: str, new: str) -> None:
    """Give a lead another name, with all that names it, as one edit."""
    new = unicodedata.normalize("NFC", new).strip()
    try:
        leads_state.refresh(ctx)
        changes = rename_changes(ctx.job, old, new)
    except MapperError as error:
        state.message = shown(error, 220)
        return
    label = f"Rename {shown(old, 40)} {shown(new, 40)}"
    if ctx.edit(label, changes, depends_on=RENAME_DEPENDS_ON):
        state.chosen = new
        state.hush()
    state.reload = True
