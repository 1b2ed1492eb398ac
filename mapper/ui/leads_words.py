"""What the page "Leads" says in the photo: what to do next, and which keys do something now."""

from __future__ import annotations

from mapper.errors import shown
from mapper.records import ExpectedLead
from mapper.routes import Crossing
from mapper.ui import (
    leads_again,
    leads_channels,
    leads_state,
    leads_steps,
    leads_tools,
    leads_tracing,
)
from mapper.ui.leads_offers import Offer
from mapper.ui.leads_state import PageState
from mapper.ui.leads_view import LeadRow, lead_rows, next_untraced
from mapper.ui.session import Context

__all__ = ["KEY_LIST", "hint", "keys", "offer_hint", "offer_keys"]

# Every key of the page, for the list in the canvas; the buttons show those that do something now.
KEY_LIST = {
    "n": "next lead that is not traced",
    "d": "next stretch in doubt",
    "g": "next crossing that nobody has judged",
    "t": "judge that crossing",
    "w": "next buried run to look at again",
    "k": "that run stays unseen",
    "u": "unseen or seen: the run under the pointer, else the last",
    "s": "straight or traced, the same run",
    "b": "by the channel, unseen, the same run",
    "y": "the run in doubt is right",
    "Insert": "draw along the lead by hand, or stop it; with Shift held a drag draws at once",
    "x": "cut under the pointer",
    "f": "finish, or go on with it",
    "j": "join another piece",
    "a": "the line is another lead",
    "o": "only this lead",
    "i": "only the leads of the channel under the pointer",
    "v": "let go",
    "p": "flip to the next photo of the place",
    "c": "photos side by side",
    "1, 2, 3": "an offered line is this lead",
    "q": "an offered line is no lead",
}
NAMED = 6  # leads named in the sentence about a channel


def hint(ctx: Context, state: PageState, chosen: LeadRow | None, meeting: Crossing | None) -> str:
    picking = state.picking
    if chosen is None and meeting is not None:
        pair = f"{shown(meeting.a, 40)} and {shown(meeting.b, 40)}"
        return f"Nobody has judged {pair} here. T to judge it, G for the next one."
    if chosen is None and state.channel is not None:
        leads = leads_channels.leads_in(ctx.job, state.channel)
        named = ", ".join(shown(one, 20) for one in leads[:NAMED]) or "none that is traced"
        more = f" and {len(leads) - NAMED} more" if len(leads) > NAMED else ""
        return f"Only leads in {shown(state.channel, 30)}: {named}{more}. I shows all again."
    if chosen is None and state.search is not None and state.search.offers is None:
        return "Looking for leads on this photo. Go on tracing meanwhile; what is found is shown."
    if chosen is None:
        return "Pick a lead in the list or on the photo, or press N for the next untraced one."
    name = shown(chosen.id, 40)
    if picking == "join":
        return f"Pick the piece that goes on from the end of {name}; V to leave it."
    if picking:
        return f"Pick the lead that the line of {name} really is; V to leave it as it is."
    if state.by_hand == chosen.id:
        line = "the pocket to the exit" if chosen.state == "missing" else "its line to its line"
        return (
            f"{name}: draw along the lead, from {line}; what lay between is replaced. Two fingers "
            "or the wheel move the photo. Insert ends it."
        )
    if chosen.state == "missing":
        return f"{name}: click where it leaves the nozzle of {shown(chosen.drop, 40)}."
    if chosen.state == "unfinished":
        return (
            f"{name}: click further along the lead; the line follows it (with Shift: straight). "
            "F when it leaves the plate."
        )
    exit_name = shown(chosen.lead.exit or "the exit", 40)
    onward = "N for the next."
    if next_untraced(lead_rows(ctx.job), chosen.id) is None:
        onward = "Every lead is traced: G for the next open crossing."
    return (
        f"{name} is traced to {exit_name}. To mend it, drag a point or the line, or draw over it "
        f"with Shift held. {onward}"
    )


def offer_hint(waiting: list[tuple[int, Offer, list[ExpectedLead]]]) -> str:
    _, offer, _ = waiting[0]
    more = f" {len(waiting) - 1} more after it." if len(waiting) > 1 else ""
    return (
        f"Offered: the white line from {shown(offer.drop, 40)} to {shown(offer.exit, 40)}. "
        f"Follow it with your eyes from end to end: is it one lead, and which? H hides it.{more}"
    )


def offer_keys(may_be: list[ExpectedLead]) -> dict[str, str]:
    keys = {str(i): f"yes, {shown(one.id, 20)}" for i, one in enumerate(may_be[:3], 1)}
    return keys | {"q": "no, not one lead"}


def keys(ctx: Context, chosen: LeadRow | None, state: PageState) -> dict[str, str]:
    """Keys that do something now, those needed most often first: on a low photo only one row of
    them is open."""
    job = ctx.job
    keys: dict[str, str] = {}
    drawn = chosen is not None and chosen.lead is not None
    drawn = drawn and len(leads_tracing.joints(chosen.lead)) > 1
    if leads_state.open_crossing(ctx, state) is not None:
        keys["t"] = "judge it"
    if drawn and leads_tools.doubts([chosen.lead]):
        keys["y"] = "this is right"
    if state.look is not None:
        keys["k"] = "stays unseen"
    if drawn and chosen.state == "unfinished":
        keys["f"] = "finish"
    keys |= {"n": "next", "z": "undo"}
    if job.redo_label is not None:
        keys[leads_steps.REDO] = "redo"
    if chosen is not None:
        keys[leads_steps.HAND] = "stop drawing" if state.by_hand else "draw by hand"
    if drawn:
        keys |= {"u": "unseen", "x": "cut here"}
    if chosen is None:
        keys["g"] = "next crossing"
    else:
        keys |= {"o": "all leads" if state.only else "only this", "v": "let go"}
    if job.plate.channels:
        keys["i"] = "one channel" if state.channel is None else "all channels"
    if len(job.fits) > 1:
        keys["p"] = "next photo"
        keys["c"] = "one photo" if state.beside else "side by side"
    if drawn:
        keys |= {"s": "straight", "b": "by channel", "Delete": "remove point"}
        keys["a"] = "is another lead"
        if chosen.state == "unfinished":
            keys["j"] = "join a piece"
        else:
            keys["f"] = "go on with it"
    keys["d"] = "next doubtful"
    keys["g"] = "next crossing"
    if leads_again.second_looks(job):
        keys["w"] = "next to look at again"
    return keys
