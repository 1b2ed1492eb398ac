"""The Fit page's step over all photos: what overlaps is adjusted together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from html import escape
from typing import Any

import cv2
import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.fit import PhotoFit, fit_through, fit_together
from mapper.records import Job, fit_changes, lead_changes, refit_stretches
from mapper.ui import looks
from mapper.ui.session import Context

__all__ = ["adjust", "button", "joint_changes", "outcome_words", "reach", "want", "work"]

THROUGH = 3  # fitted photos that another one is tried through
WORKING = "Adjusting photos together"
_WANTED = "fit joint wanted"  # session state: the next run adjusts
_OUTCOME = "fit joint outcome"  # session state: job, label and revision of the edit, words
LOOK_AGAIN_MM = 1.0  # a fit that a person confirmed and that moves by more is asked about again


def button(ctx: Context) -> None:
    """Offer to adjust all fitted photos together, and say what the last time did."""
    count = len(ctx.job.fits)
    if count < 2:
        return
    if st.button(
        f"Adjust {count} fitted photos together",
        key="adjust together",
        help="Photos that show the same steel hold each other, so that errors do not add up. A fit "
        "is changed only where bores and edges that were left out agree at least as well.",
        width="stretch",
    ):
        want()
        st.rerun()
    _show_outcome(ctx)


def want() -> None:
    """Have the photos adjusted by the next run of the whole page.

    Not in a fragment: a press on Stop inside one would wait for its end.
    """
    st.session_state[_WANTED] = True


def work(ctx: Context) -> None:
    """Adjust the photos where that was asked for; outside of any fragment."""
    if st.session_state.pop(_WANTED, False):
        adjust(ctx)
        st.rerun()


def reach(ctx: Context) -> None:
    """Fit photos that have no fit through others that have one, be these doubtful themselves.

    A close-up may be reached only over another one, so it goes on until nothing more is fitted.
    """
    photos = list(ctx.job.photos)
    tried: set[tuple[str, frozenset[str]]] = set()
    found = True
    while found:
        found = False
        for here, entry in enumerate(photos):
            fits = ctx.job.fits
            if entry.sha256 in fits:
                continue
            there = [(abs(n - here), one) for n, one in enumerate(photos) if one.sha256 in fits]
            near = [one for _, one in sorted(there, key=lambda item: item[0])[:THROUGH]]
            asked = (entry.sha256, frozenset(one.sha256 for one in near))
            if not near or asked in tried:
                continue
            tried.add(asked)
            with st.spinner(f"Fitting {shown(entry.name, 40)} through its neighbours"):
                try:
                    fit = fit_through(
                        ctx.photo(entry.sha256),
                        ctx.job.plate,
                        [(ctx.photo(one.sha256), fits[one.sha256]) for one in near],
                    )
                except MapperError:
                    continue
            clicks = ctx.job.clicks(entry.sha256)
            changes = fit_changes(ctx.job, entry.sha256, fit, clicks)
            found |= ctx.edit(f"Fit {shown(entry.name, 30)}", changes)


def adjust(ctx: Context) -> None:
    """Adjust all fitted photos of the job in one edit, and say what came of it.

    It can be stopped: a press on Stop starts a new run of the page, which ends this one where it
    next tells how far it is; nothing is saved before the end.
    """
    job = ctx.job
    entries = [p for p in job.photos if p.sha256 in job.fits]
    if len(entries) < 2 or job.plate is None:
        return
    st.session_state.pop(_OUTCOME, None)
    place = st.empty()
    with place.container(key="adjusting"):
        bar = st.progress(0.0, text=WORKING)
        st.button("Stop", key="stop adjusting", on_click=_stopped, args=(ctx,), width="stretch")
    greys = []
    for entry in entries:
        photo = ctx.photo(entry.sha256)
        grey = cv2.cvtColor(photo.pixels_bgr, cv2.COLOR_BGR2GRAY)
        greys.append(replace(photo, pixels_bgr=grey))
    fits = fit_together(
        greys,
        [job.fits[entry.sha256] for entry in entries],
        job.plate,
        lambda done, of: bar.progress(
            min(done / max(of, 1), 1.0), text=f"{WORKING}: {done} of {of} steps"
        ),
    )
    place.empty()
    new = {
        entry.sha256: fit
        for entry, fit in zip(entries, fits, strict=True)
        if fit is not job.fits[entry.sha256] and not _same(job.fits[entry.sha256], fit)
    }
    words = [
        (entry.name, outcome_words(job.fits[entry.sha256], fit))
        for entry, fit in zip(entries, fits, strict=True)
    ]
    if not new:
        looks.say("The photos do not hold each other better than they lie: all fits stay.")
        return
    label = f"Adjust {len(new)} photos together"
    if ctx.edit(label, joint_changes(job, new)):
        looks.say(f"{len(new)} of {len(entries)} fits adjusted together; Undo takes it back.")
        st.session_state[_OUTCOME] = (ctx.job_id, label, ctx.job.revision, words)


def _stopped(ctx: Context) -> None:
    # the work may have come to its end before the press arrived: then what it did is told
    if ctx.store.revision(ctx.job_id) == ctx.job.revision and _OUTCOME not in st.session_state:
        looks.say("Stopped: nothing was adjusted, all fits are as they were.")


def outcome_words(before: PhotoFit, after: PhotoFit) -> str:
    """What the step did to one photo, in plain words."""
    if _same(before, after):
        return "stays as it was"
    words = []
    if after.camera is not before.camera:
        words.append(f"moved by {_moved_mm(before, after):.2f} mm at most")
    if after.reasons != before.reasons:
        words.append("now in doubt: " + " ".join(after.reasons[len(before.reasons) :]))
    return "; ".join(words)


def _show_outcome(ctx: Context) -> None:
    """Photo by photo what was done, as long as it is the last thing that was done."""
    job_id, label, revision, words = st.session_state.get(_OUTCOME, ("", "", 0, []))
    if job_id != ctx.job_id or revision != ctx.job.revision or label != ctx.job.undo_label:
        return
    with st.container(border=True, key="adjusted", gap="xsmall"):
        rows = "".join(
            f"<div><b>{escape(shown(name, 30))}</b><br>"
            f'<span class="jb-soft">{escape(text)}</span></div>'
            for name, text in words
        )
        st.html(f"<b>Adjusted together</b>{rows}")
        if st.button("Take it back", key="take back joint", width="stretch"):
            ctx.undo()
            st.rerun()


def _same(before: PhotoFit, after: PhotoFit) -> bool:
    return after.camera is before.camera and after.reasons == before.reasons


def joint_changes(job: Job, fits: Mapping[str, PhotoFit]) -> dict[str, Any]:
    """Changes that keep new fits of several photos, and project the leads on them anew once."""
    changes: dict[str, Any] = {}
    leads = list(job.leads)
    for sha256, fit in fits.items():
        value = {**(job.value(f"fit/{sha256}") or {}), "fit": fit.to_dict()}
        if value.get("confirmed") and not _still_confirmed(job.fits[sha256], fit):
            value["confirmed"] = None
        changes[f"fit/{sha256}"] = value
        leads = refit_stretches(leads, sha256, fit)
    for old, new in zip(job.leads, leads, strict=True):
        if new is not old:
            changes |= lead_changes(new)
    return changes


def _still_confirmed(before: PhotoFit, after: PhotoFit) -> bool:
    """Whether what a person looked at is still what is there."""
    return after.reasons == before.reasons and _moved_mm(before, after) < LOOK_AGAIN_MM


def _moved_mm(before: PhotoFit, after: PhotoFit) -> float:
    """How far the farthest point of the face in a photo moves."""
    share = np.linspace(0.1, 0.9, 5)
    x, y = np.meshgrid(share * before.width_px, share * before.height_px)
    at = np.column_stack((x.ravel(), y.ravel()))
    moved = np.hypot(*(after.plate_from_photo(at) - before.plate_from_photo(at)).T)
    return float(np.nanmax(moved))
