"""Page "Fit": put every photo on the plate, by itself or by a few clicks, with the error in mm."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from html import escape
from typing import Any

import streamlit as st

from mapper.errors import MapperError, shown
from mapper.fit import (
    FitFailed,
    FitHints,
    PhotoFit,
    asks_for_the_side,
    fit_photo,
)
from mapper.plate import Plate, plate_features
from mapper.records import Job, PhotoEntry
from mapper.ui import fit_joint, fit_numbers, fit_points, fit_question, jobbar, looks, sigma_map
from mapper.ui.session import Context, go

__all__ = ["fit_state", "show"]

THROUGH = 3  # fitted photos that help to fit another one
_PHOTO = "fit photo"  # session state: hash of the photo shown


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("fit")
    if ctx is None:
        return
    job = ctx.job
    if job.plate is None or not job.photos:
        what = "plate" if job.plate is None else "photos"
        looks.note(f"There is nothing to fit yet: the job has no {what}.", "calm")
        if st.button(f"Go to {what.capitalize()}", type="primary"):
            go(what)
        return
    fit_joint.work(ctx)
    _work(ctx)


@st.fragment
def _work(ctx: Context) -> None:
    """List and photo: a click runs this part alone; the bar above follows once it is answered."""
    ctx.renew()
    job = ctx.job
    if job.plate is None or not job.photos:  # taken away meanwhile
        st.rerun()
    left, right = st.columns([1, 3], gap="medium")
    with left:
        _list(ctx)
    with right:
        entry = next((p for p in job.photos if p.sha256 == st.session_state.get(_PHOTO)), None)
        _one(ctx, entry or job.photos[0])
    if ctx.job.revision != job.revision:
        st.rerun()


# --- states ---------------------------------------------------------------------------------


def fit_state(job: Job, sha256: str) -> tuple[str, str]:
    """State of a photo's fit: a key of `looks.STATES`, and its words."""
    fit = job.fits.get(sha256)
    if fit is None:
        return "missing", "not fitted"
    if fit.verdict == "good":
        return "good", "good"
    confirmed = job.value(f"fit/{sha256}", {}).get("confirmed")
    if confirmed:
        by = confirmed.get("by") or "somebody"
        return "doubtful", f"doubtful, used by {shown(by, 24)}"
    return "doubtful", "doubtful: look at it"


# --- the list -------------------------------------------------------------------------------


def _list(ctx: Context) -> None:
    job = ctx.job
    st.subheader("Photos")
    todo = [p for p in job.photos if not _settled(job, p.sha256)]
    if st.button(
        f"Fit all ({len(todo)} to do)" if todo else "All photos are fitted",
        type="primary",
        disabled=not todo,
        width="stretch",
    ):
        _fit_all(ctx, todo)
        st.rerun()
    fit_joint.button(ctx)
    shown_now = st.session_state.get(_PHOTO) or job.photos[0].sha256
    for entry in job.photos:
        state, words = fit_state(job, entry.sha256)
        with st.container(gap="xxsmall"):
            st.button(
                shown(entry.name, 34),
                key=f"show {entry.sha256}",
                type="primary" if entry.sha256 == shown_now else "secondary",
                width="stretch",
                on_click=_choose,
                args=(entry.sha256,),
            )
            st.html(
                f'{looks.badge(state, words)} <span class="jb-soft">{escape(entry.stage)}</span>'
            )


def _choose(sha256: str) -> None:
    st.session_state[_PHOTO] = sha256


def _settled(job: Job, sha256: str) -> bool:
    """Whether a photo's fit is good, or a person said that it is to be used."""
    confirmed = job.value(f"fit/{sha256}", {}).get("confirmed")
    return fit_state(job, sha256)[0] == "good" or bool(sha256 in job.fits and confirmed)


def _fit_all(ctx: Context, todo: Sequence[PhotoEntry]) -> None:
    """Fit what has no good fit: on its own, then through others; then adjust all together."""
    bar = st.progress(0.0, text="Fitting")
    left = list(todo)
    for part in (0, 1):
        for number, entry in enumerate(list(left)):
            done = (part + number / max(len(left), 1)) / 2
            bar.progress(min(done, 1.0), text=f"Fitting {shown(entry.name, 40)}")
            fitted = () if part == 0 else _helpers(ctx, entry)
            if part == 1 and not fitted:
                continue
            _fit_one(ctx, entry, FitHints(fitted=fitted) if fitted else None)
        left = [p for p in left if fit_state(ctx.job, p.sha256)[0] != "good"]
    bar.empty()
    fit_joint.reach(ctx)
    fit_joint.want()


def _helpers(ctx: Context, entry: PhotoEntry) -> tuple[Any, ...]:
    """Photos with a good fit, the nearest in the order of stages first."""
    photos = list(ctx.job.photos)
    here = photos.index(entry)
    good = [
        (abs(number - here), other)
        for number, other in enumerate(photos)
        if other.sha256 != entry.sha256 and fit_state(ctx.job, other.sha256)[0] == "good"
    ]
    nearest = sorted(good, key=lambda item: item[0])[:THROUGH]
    return tuple((ctx.photo(p.sha256), ctx.job.fits[p.sha256]) for _, p in nearest)


def _fit_one(ctx: Context, entry: PhotoEntry, hints: FitHints | None) -> bool:
    """Fit one photo and save it; a worse answer than the one at hand is not taken."""
    try:
        fit = fit_photo(ctx.photo(entry.sha256), ctx.job.plate, hints)
    except FitFailed as error:
        fit_points.note_failure(entry.sha256, str(error))
        return False
    except MapperError as error:
        fit_points.note_failure(entry.sha256, str(error))
        return False
    fit_points.note_failure(entry.sha256, None)
    old = ctx.job.fits.get(entry.sha256)
    if old is not None and fit.verdict != "good" and hints is None:
        return False
    changes = fit_points.with_fit(ctx.job, entry.sha256, fit, ctx.job.clicks(entry.sha256))
    return ctx.edit(f"Fit {shown(entry.name, 30)}", changes)


# --- one photo ------------------------------------------------------------------------------


def _one(ctx: Context, entry: PhotoEntry) -> None:
    job = ctx.job
    features = plate_features(job.plate)
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        state, words = fit_state(job, entry.sha256)
        st.html(f"<b>{escape(shown(entry.name, 50))}</b> &ensp;{looks.badge(state, words)}")
        by_hand = st.toggle("Set points by hand", key=f"by hand {entry.sha256}")
        if st.button("Fit by itself", key="fit alone"):
            with st.spinner("Fitting"):
                _fit_one(ctx, entry, None)
            st.rerun()
        if _helpers_there(job, entry) and st.button("Fit through another photo"):
            with st.spinner("Fitting"):
                _fit_one(ctx, entry, FitHints(fitted=_helpers(ctx, entry)))
            st.rerun()
        if entry.sha256 in job.fits and st.button("Remove the fit"):
            value = {**job.value(f"fit/{entry.sha256}"), "fit": None, "confirmed": None}
            ctx.edit(f"Remove the fit of {shown(entry.name, 30)}", {f"fit/{entry.sha256}": value})
            st.rerun()
    waiting = fit_points.take(ctx, entry)
    looks.show_said()
    # While points are set, nothing that changes its height stands above the canvas: the next
    # click must not land beside its place.
    if by_hand:
        fit_points.next_click(ctx.job, entry, features)
    else:
        _verdict(ctx, entry, by_hand)
    fit_points.canvas(ctx, entry, features, by_hand, waiting)
    if waiting is not None:  # the points are on the photo: what takes long comes after that
        with st.spinner("Fitting the whole photo from your points"):
            fit_points.finish(ctx, entry, waiting)
        st.rerun()
    if by_hand:
        _verdict(ctx, entry, by_hand)
    fit_numbers.numbers(ctx.job, entry, features)


def _helpers_there(job: Job, entry: PhotoEntry) -> bool:
    return any(
        fit_state(job, other.sha256)[0] == "good"
        for other in job.photos
        if other.sha256 != entry.sha256
    )


def _verdict(ctx: Context, entry: PhotoEntry, by_hand: bool) -> None:
    """Say in words what the fit is worth, and ask for a look where it is doubtful."""
    job = ctx.job
    fit = job.fits.get(entry.sha256)
    failed = fit_points.why_failed(entry.sha256)
    if failed and fit is None:
        looks.note(f"Not fitted: {shown(failed, 300)}", "stop")
    elif failed:
        looks.note(f"The last try failed: {shown(failed, 300)} The fit from before stays.", "stop")
    if fit is None:
        if not failed and not by_hand:
            looks.note(
                "Not fitted yet. Let it be fitted by itself, or set at least four points on "
                "corners and bores by hand.",
                "calm",
            )
        return
    sigma = _sigma_words(job.plate, fit)
    if fit.verdict == "good":
        st.caption(f"Fitted by {fit.method}. {sigma} The drawing should lie on every visible bore.")
        return
    confirmed = job.value(f"fit/{entry.sha256}", {}).get("confirmed")
    if not confirmed and not by_hand and fit_question.ask(ctx, entry, f"by hand {entry.sha256}"):
        return
    reasons = " ".join(fit.reasons) or "The tool is not sure."
    looks.note(f"Doubtful: {reasons} {sigma}")
    if asks_for_the_side(fit) and st.button("Check the side of the drawing on the page Plate"):
        go("plate")
    if confirmed:
        return
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown("Does the drawing lie on the bores and edges everywhere?")
        if st.button("Yes, use this fit"):
            confirmed = {"by": ctx.person, "at": datetime.now(UTC).isoformat()}
            value = {**job.value(f"fit/{entry.sha256}"), "confirmed": confirmed}
            ctx.edit(
                f"Use the doubtful fit of {shown(entry.name, 24)}", {f"fit/{entry.sha256}": value}
            )
            st.rerun()


def _sigma_words(plate: Plate, fit: PhotoFit) -> str:
    words = sigma_map.worst_words(sigma_map.drop_errors(plate, fit))
    return f"Expected error: {words}." if words else ""
