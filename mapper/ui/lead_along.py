"""The crossing desk, one lead all along: does anything lie on it? One answer for many places.

All parts of the lead with an open place are shown at once, laid straight. What a person does not
mark as hidden or lain upon is answered by one press; what was marked stays open. Where no lead
comes out, it is asked how far each may be lifted from its exit: the first mark ends it.
"""

from __future__ import annotations

from collections import Counter
from html import escape
from typing import Any

import cv2
import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.fit.strip import Strip, strip_of_run
from mapper.ui import looks
from mapper.ui.along_places import Along, Part, along_of, changes_of, leads_asked, leads_in_turn
from mapper.ui.asked import hidden_changes, meeting_key
from mapper.ui.crossing_desk import (
    ALONG,
    KEYS,
    Answered,
    Desk,
    along_key,
    take_back,
)
from mapper.ui.crossing_pictures import photos_with
from mapper.ui.findings import Findings
from mapper.ui.lead_along_picture import with_places
from mapper.ui.look_first import look_first, place_mark
from mapper.ui.session import Context, go
from mapper.ui.tiles import SHELF

__all__ = ["NEXT_LEAD", "lead_along", "photo_control"]

HALF_MM = 8.0
PX_PER_MM = 8.0
COLUMNS = 2
ALL_HERE = 0  # among the numbers of the places of a part: all of them
BEST = "best photos"
_LEAD = "lead along"  # session state: the lead that is looked at
NEXT_LEAD = "lead along next"  # the one to look at in the next run; "" the first in turn
_PHOTO = "photo along"
_OTHERS = "leads that can't come out yet"  # session state: they are looked along all the same


def lead_along(ctx: Context, findings: Findings, desk: Desk, wanted_photo: str) -> None:
    """The panel, below the controls of the page; `wanted_photo` as `photo_control` gives it."""
    names = leads_in_turn(findings)
    if not names:
        looks.note("No open place of two leads is left that one look along a lead answers.", "calm")
        return
    now, asked = set(findings.asked.now.leads), set(leads_asked(findings))
    if not asked and not st.session_state.get(_OTHERS):
        _none_now(ctx, findings, desk)
        return
    turn = {key: number for number, key in enumerate(desk.passed, start=1)}
    # passed ones after the others that are asked about, the oldest first
    names.sort(key=lambda name: (name not in asked, turn.get(along_key(name), 0)))
    wanted = st.session_state.pop(NEXT_LEAD, None)
    if wanted in names:
        st.session_state[_LEAD] = wanted
    elif wanted == "" or st.session_state.get(_LEAD) not in names:
        st.session_state[_LEAD] = names[0]
    along = along_of(findings, st.session_state[_LEAD])
    with st.container(gap="small", key="desk"):
        _question(along, along.lead in now)
        if along.to_lift:
            looks.note(
                "No lead lies free all along. Follow this one from its exit and mark the first "
                "place where something lies on it: it may be lifted as far as that.",
                "calm",
            )
        columns = st.columns([3, 2, 2, 2, 2], gap="small", vertical_alignment="bottom")
    # before the pictures, so that a press while these are still drawn is not lost
    _ways_on(ctx, desk, along, names, columns[2:])
    photos, marked = _parts(ctx, findings, along, wanted_photo)
    _answers(ctx, findings, desk, along, photos, marked, columns[:2])
    look_first(_place(along), [KEYS["a"], KEYS["b"]], pictures=len(along.parts))


def _place(along: Along) -> str:
    """What names this question for the guard that makes people look first."""
    return f"{along_key(along.lead)} {len(along.places)}"


def _none_now(ctx: Context, findings: Findings, desk: Desk) -> None:
    """No look along a lead can bring it out now: what to do instead."""
    if findings.asked_now:
        places = looks.counted(len(findings.asked_now), "single place")
        looks.note(f"All that looks along leads can tell is told; {places} can still free one.")
        if st.button("Answer them one by one", type="primary"):
            go("crossings", meeting_key(findings.asked_now[0]))
        return
    steps = findings.steps_now
    first = f"Do what the plan offers ({findings.step_words(steps[0])}), or " if steps else ""
    do = f"{first}uncover more and take a new photo" if steps else "Uncover more, take a new photo"
    looks.note(
        "No look brings another lead out now: each of the others lies under one that stays, or "
        f"can't be seen all along. {do}; then look again.",
        "calm",
    )
    with st.container(horizontal=True, gap="small"):
        if st.button("Go to Pull plan", type="primary"):
            go("plan")
        words = "Their answers bring nothing out now, but put the order on record"
        if st.button("Look along the others too", help=words):
            st.session_state[_OTHERS] = True
            st.rerun()
        still = () if steps else set(map(meeting_key, findings.open_meetings))
        single = [one for one in findings.ordered_meetings if meeting_key(one) in still]
        words = "Where one place shows which of two leads is on top, its answer may free one"
        if single and st.button("Answer open places one by one", help=words):
            go("crossings", meeting_key(single[0]))
        if desk.answered:
            _take_back(ctx, desk, width="content")


def _question(along: Along, may_come_out: bool) -> None:
    name = looks.plain_markdown(along.lead)
    places = f"{looks.counted(len(along.places), 'open place')}, numbered in the pictures"
    if along.to_lift:
        st.subheader(f"How far may {name} be lifted?")
        words = [
            f"{places} from the exit inwards",
            "where you see the lead without a break, nothing lies on it",
        ]
    else:
        st.subheader(f"Does anything lie on {name}?")
        words = [
            "it may come out if nothing does"
            if may_come_out
            else "it can't come out yet, whatever is answered",
            places,
            "follow the lead from end to end: where you see it without a break, nothing lies on it",
        ]
    if along.unseen:
        words.append(
            f"{looks.counted(len(along.unseen), 'more place')} where it was not seen: open still"
        )
    st.html(f'<span class="jb-soft" {place_mark(_place(along))}>{escape(" · ".join(words))}</span>')


def _ways_on(ctx: Context, desk: Desk, along: Along, names: list[str], columns: Any) -> None:
    """To another lead without an answer, and back."""
    with columns[0]:
        if st.button(
            "Another lead",
            key=f"pass {along.lead}",
            shortcut=KEYS["pass"],
            help="Leave this one open and look at the next",
            width="stretch",
        ):
            _pass(desk, along.lead)
            desk.answered.append(Answered(along_key(along.lead), None))
            st.rerun()
    with columns[1]:
        _take_back(ctx, desk)
    with columns[2]:
        st.selectbox("Lead", names, key=_LEAD, label_visibility="collapsed")


def _take_back(ctx: Context, desk: Desk, width: str = "stretch") -> None:
    if st.button(
        "Take back",
        key="take back",
        shortcut=KEYS["take back"],
        disabled=not desk.answered,
        width=width,
    ):
        key = take_back(ctx, desk)
        if key is not None and key.startswith(ALONG):
            st.session_state[NEXT_LEAD] = key.removeprefix(ALONG)
        st.rerun()


def _answers(
    ctx: Context,
    findings: Findings,
    desk: Desk,
    along: Along,
    photos: dict[int, str | None],
    marked: set[int],
    columns: Any,
) -> None:
    """`photos`: the places by their number, with the photo that shows each; `marked`: those where
    something lies on the lead, or that can't be seen."""
    name = looks.plain_markdown(along.lead)
    free = along.free_of(marked)
    with columns[0]:
        words = f"Nothing {'else ' if marked and not along.to_lift else ''}lies on {name}"
        if along.to_lift and marked:
            words += f" from its exit to place {min(marked)}"
        pressed = st.button(
            f"{words}: answer {looks.counted(len(free), 'place')}",
            key=f"answer {_place(along)}",
            type="primary",
            shortcut=KEYS["a"],
            disabled=not free,
            width="stretch",
        )
    with columns[1]:
        words = (
            "Nothing is answered. This lead is asked about again when one that meets it is out, or "
            "with a new photo. Mark the places in the pictures to say where."
        )
        hidden = st.button(
            "Something lies on it",
            key=f"answer something {_place(along)}",
            shortcut=KEYS["b"],
            help=words,
            disabled=along.to_lift and not marked,
            width="stretch",
        )
    if pressed or hidden:
        shown_on = {n: photos[n] for n in free}
        _answered(ctx, findings, desk, along, shown_on, marked, pressed)
        st.rerun()


def _pass(desk: Desk, lead: str) -> None:
    """On to the next lead; this one comes again after all others."""
    key = along_key(lead)
    desk.passed = [*(one for one in desk.passed if one != key), key]
    st.session_state[NEXT_LEAD] = ""


def _answered(
    ctx: Context,
    findings: Findings,
    desk: Desk,
    along: Along,
    free: dict[int, str | None],
    numbers: set[int],
    nothing: bool,
) -> None:
    """Keep that nothing lies on the lead at the places that are free (`nothing`), and that
    something does at those of these numbers; without one it may be at any of them."""
    if nothing and not along.to_lift:  # as far as what is marked reaches nobody sees the lead
        numbers = set(range(1, len(along.places) + 1)) - set(free)
    marked = [(one, None) for n, one in enumerate(along.places, start=1) if n in numbers]
    looked_at = [(along.places[n - 1], photo) for n, photo in sorted(free.items())]
    somewhere = False
    if nothing:
        label = f"Nothing on {along.lead} at {looks.counted(len(looked_at), 'place')}"
    else:
        label = f"Something lies on {along.lead}"
        looked_at, somewhere = [], not marked
        marked = marked or [(one, None) for one in along.places]
    try:
        changes = changes_of(ctx.job, along, looked_at, ctx.person)
    except MapperError as error:
        looks.say(shown(error, 300), "stop")
        return
    changes |= hidden_changes(findings, along.lead, marked, ctx.person, somewhere=somewhere)
    if ctx.edit(label, changes, depends_on=("lead", "plate")):
        _pass(desk, along.lead)
        desk.answered.append(Answered(along_key(along.lead), label))


def _parts(
    ctx: Context, findings: Findings, along: Along, wanted: str
) -> tuple[dict[int, str | None], set[int]]:
    """The pictures; returns the places by their number with the photo that shows each, and those
    that are marked or on no photo."""
    photos: dict[int, str | None] = {}
    hidden: set[int] = set()
    columns = st.columns(COLUMNS, gap="small")
    for at, part in enumerate(along.parts):
        with columns[at % COLUMNS]:
            photo = _picture(ctx, findings, along, part, wanted)
            for number in part.numbers:
                photos.setdefault(number, None)
                photos[number] = photos[number] or photo
                if photo is None:
                    hidden.add(number)
            pressed = st.pills(
                "Something lies on it here, or it can't be seen",
                part.numbers if len(part.numbers) == 1 else (*part.numbers, ALL_HERE),
                selection_mode="multi",
                key=f"hidden {along.lead} {len(along.places)} {at}",
                format_func=lambda n: (
                    "all of these" if n == ALL_HERE else f"{n}  {along.other(along.places[n - 1])}"
                ),
            )
            hidden |= set(part.numbers if ALL_HERE in pressed else pressed)
    return photos, hidden


def photo_control(ctx: Context) -> str:
    """Which photo the parts are shown on: one of the job's, by its hash, or the best of each."""
    fitted = {one.sha256: one for one in ctx.job.photos if one.sha256 in ctx.job.fits}
    stages = Counter(one.stage for one in fitted.values())

    def words(one: str) -> str:
        if one == BEST:
            return one
        photo = fitted[one]
        return shown(photo.stage if stages[photo.stage] == 1 else photo.name, 24)

    return st.segmented_control(
        "Photo",
        [BEST, *fitted],
        default=BEST,
        required=True,
        key=_PHOTO,
        label_visibility="collapsed",
        format_func=words,
    )


def _picture(ctx: Context, findings: Findings, along: Along, part: Part, wanted: str) -> str | None:
    """Draw one part; the photo that shows it, or None."""
    lead = findings.traced.leads_by_id[along.lead]
    middle = lead.point_at_mm((part.low_mm + part.high_mm) / 2)
    views = photos_with(ctx, findings, float(middle[0]), float(middle[1]))
    for view in sorted(views, key=lambda one: one.entry.sha256 != wanted):
        if wanted != BEST and view.entry.sha256 != wanted:
            break
        strip = _strip(ctx, findings, along, part, view.entry.sha256)
        if strip.shown < 1.0:
            continue
        picture = with_places(strip, lead, along, part)
        done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 90])
        if done:
            words = f"{shown(view.entry.name, 40)} · {part.low_mm:.0f} to {part.high_mm:.0f} mm"
            st.image(data.tobytes(), caption=words, width="stretch", alt=words)
            return view.entry.sha256
    looks.note("No fitted photo of these shows this part from end to end.")
    return None


def _strip(ctx: Context, findings: Findings, along: Along, part: Part, sha256: str) -> Strip:
    lead = findings.traced.leads_by_id[along.lead]
    middle = lead.point_at_mm(np.array([(part.low_mm + part.high_mm) / 2]))
    return strip_of_run(
        SHELF.pixels(ctx.opened(sha256).token),
        ctx.job.fits[sha256],
        lead.points_mm,
        (part.low_mm, part.high_mm),
        float(findings.traced.plate.lead_depth_mm(middle)[0]),
        HALF_MM,
        PX_PER_MM,
    )
