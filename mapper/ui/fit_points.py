"""Points set by hand on the Fit page: drawn at once, saved together with the fit they make."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import streamlit as st

from mapper.errors import MapperError, shown
from mapper.fit import Click, FitFailed, FitHints, PhotoFit, fit_photo, quick_fit
from mapper.photos import Photo
from mapper.plate import Feature, Plate
from mapper.records import Job, PhotoEntry, fit_changes
from mapper.ui import fit_clicks
from mapper.ui.canvas import Line, Operation, photo_canvas, take_operations
from mapper.ui.overlay import drawing_lines, drop_markers
from mapper.ui.session import Context

__all__ = [
    "Waiting",
    "canvas",
    "finish",
    "keeps_fit",
    "next_click",
    "note_failure",
    "take",
    "why_failed",
    "with_fit",
]

MIN_CLICKS = 4
CANVAS = "fit"
BELOW_PX = 70  # left under the photo for how well it fits
_FAILED = "fit failed"  # session state: hash -> why it could not be fitted
_NEXT = "fit next click"
WHICH = "which? (let the tool find out)"
WORDS = {"point": "Set", "move": "Move", "remove": "Remove"}


@dataclass(frozen=True, eq=False)
class Waiting:
    """Points whose fit is still to be made; the canvas is told when they are saved."""

    operations: Iterator[Operation]
    uid: str
    label: str
    clicks: list[dict[str, Any]]


def why_failed(sha256: str) -> str | None:
    """Why the last try to fit a photo failed; None when it did not."""
    return st.session_state.get(_FAILED, {}).get(sha256)


def note_failure(sha256: str, why: str | None) -> None:
    """Keep why a photo could not be fitted, or that it could."""
    failed = dict(st.session_state.get(_FAILED, {}))
    if why is None:
        failed.pop(sha256, None)
    else:
        failed[sha256] = why
    st.session_state[_FAILED] = failed


def with_fit(job: Job, sha256: str, fit: PhotoFit | None, clicks: Sequence[Any]) -> dict[str, Any]:
    """Changes that keep a new fit; without one, the fit at hand stays and only clicks change."""
    if fit is not None:
        return fit_changes(job, sha256, fit, clicks)
    value = job.value(f"fit/{sha256}") or {"fit": None}
    return {f"fit/{sha256}": {**value, "clicks": list(clicks)}}


def keeps_fit(plate: Plate, fit: PhotoFit | None, clicks: Sequence[dict[str, Any]]) -> bool:
    """Whether points change nothing: a good fit rests on edges, and all of them agree with it."""
    if fit is None or fit.verdict != "good" or not clicks:
        return False
    try:
        quick = quick_fit(plate, fit, _hints(clicks).clicks)
    except FitFailed:
        return False
    return quick is not None and bool((quick.misses_mm <= fit_clicks.BAD_CLICK_MM).all())


def _hints(clicks: Sequence[dict[str, Any]]) -> FitHints:
    return FitHints(clicks=tuple(Click(c["x"], c["y"], c.get("feature")) for c in clicks))


def next_click(job: Job, entry: PhotoEntry, features: Sequence[Feature]) -> None:
    """Ask what the next click is on, and say how many are needed."""
    clicks = job.clicks(entry.sha256)
    left, right = st.columns([2, 3], vertical_alignment="center")
    with left:
        used = {click.get("feature") for click in clicks}
        choices = ["", *(f.id for f in features if f.id not in used)]
        words = {f.id: _feature_words(f) for f in features}
        if st.session_state.get(_NEXT) not in choices:
            st.session_state[_NEXT] = ""
        st.selectbox(
            "The next click is on",
            choices,
            key=_NEXT,
            label_visibility="collapsed",
            format_func=lambda name: f"next click: {words.get(name, WHICH)}",
        )
    with right:
        more = MIN_CLICKS - len(clicks)
        text = (
            f"{more} more point{'s' if more > 1 else ''}: corners of the face and middles of bores."
            if more > 0
            else "Each further point makes it surer. Drag a point, or press Delete on it."
        )
        st.caption(text)


def _feature_words(feature: Feature) -> str:
    if feature.kind == "corner":
        return f"{feature.id} ({feature.x_mm:.0f}, {feature.y_mm:.0f})"
    return f"middle of {'bore' if feature.kind == 'drop' else 'hole'} {feature.id}"


def take(ctx: Context, entry: PhotoEntry) -> Waiting | None:
    """Do what the canvas asks: set, move or remove points.

    Points that need no new fit are saved here. The first that needs one is handed back, and is
    not acknowledged yet: it is drawn first, and `finish` saves it with its fit as one edit.
    """
    operations = take_operations(CANVAS)
    for operation in operations:
        clicks = ctx.job.clicks(entry.sha256)
        changed = fit_clicks.clicks_after(clicks, operation, st.session_state.get(_NEXT) or None)
        if changed is None:
            continue
        label = f"{WORDS[operation.type]} a point on {shown(entry.name, 30)}"
        kept = keeps_fit(ctx.job.plate, ctx.job.fits.get(entry.sha256), changed)
        if len(changed) >= MIN_CLICKS and not kept:
            return Waiting(operations, operation.uid, label, changed)
        if kept:
            note_failure(entry.sha256, None)
        ctx.edit(label, with_fit(ctx.job, entry.sha256, None, changed), uid=operation.uid)
    return None


def finish(ctx: Context, entry: PhotoEntry, waiting: Waiting) -> None:
    """Fit the photo from the points and save both."""
    fit = None
    try:
        plain = [(c["x"], c["y"], c.get("feature")) for c in waiting.clicks]
        found = _fitted(entry.sha256, ctx.job.plate.to_mapping(), plain, _source(ctx, entry))
        fit = PhotoFit.from_dict(found)
        note_failure(entry.sha256, None)
    except MapperError as error:
        note_failure(entry.sha256, str(error))
    changes = with_fit(ctx.job, entry.sha256, fit, waiting.clicks)
    ctx.edit(waiting.label, changes, uid=waiting.uid)
    next(waiting.operations, None)  # acknowledges it; one that follows waits for the next run


def _source(ctx: Context, entry: PhotoEntry) -> Callable[[], Photo]:
    return lambda: ctx.photo(entry.sha256)


@st.cache_data(show_spinner=False, max_entries=30)
def _fitted(
    sha256: str, plate: dict[str, Any], clicks: list[Any], _photo: Callable[[], Photo]
) -> dict[str, Any]:
    """The fit from clicks; kept, as a run that the next click broke off asks again."""
    hints = FitHints(clicks=tuple(Click(*one) for one in clicks))
    return fit_photo(_photo(), Plate.from_mapping(plate), hints).to_dict()


def canvas(
    ctx: Context,
    entry: PhotoEntry,
    features: Sequence[Feature],
    by_hand: bool,
    waiting: Waiting | None,
) -> None:
    """Draw the photo with the drawing and the points; waiting ones as the clicks alone put them."""
    job = ctx.job
    fit = job.fits.get(entry.sha256)
    clicks = job.clicks(entry.sha256) if waiting is None else waiting.clicks
    if waiting is not None and fit is not None:
        try:
            quick = quick_fit(job.plate, fit, _hints(clicks).clicks)
        except FitFailed:
            quick = None
        fit = fit if quick is None else quick.fit
    lines: list[Line] = []
    markers = []
    errors = []
    opened = ctx.opened(entry.sha256)
    if fit is not None:
        lines = drawing_lines(job.plate, fit, doubtful=fit.verdict != "good")
        markers = drop_markers(job.plate, fit)
        errors = fit_clicks.click_errors(fit, features, clicks)
        lines += fit_clicks.miss_lines(fit, clicks, errors)
    photo_canvas(
        CANVAS,
        opened,
        lines=lines,
        markers=markers,
        handles=fit_clicks.click_handles(clicks, errors),
        tool="point" if by_hand else "look",
        hint="Click corners of the face and middles of bores." if by_hand else "",
        height="window",
        room_below_px=BELOW_PX,
        drag_preview=fit_clicks.watch_drags(opened.token, job.plate, fit, clicks),
    )
