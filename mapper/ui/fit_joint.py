"""The Fit page's step over all photos: what overlaps is adjusted together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.fit import PhotoFit, fit_through, fit_together
from mapper.records import Job, fit_changes, lead_changes, refit_stretches
from mapper.ui import looks
from mapper.ui.session import Context

__all__ = ["adjust", "button", "joint_changes", "reach"]

THROUGH = 3  # fitted photos that another one is tried through
LOOK_AGAIN_MM = 1.0  # a fit that a person confirmed and that moves by more is asked about again


def button(ctx: Context) -> None:
    """Offer to adjust all fitted photos together."""
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
    """Adjust all fitted photos of the job in one edit, and say what came of it."""
    job = ctx.job
    entries = [p for p in job.photos if p.sha256 in job.fits]
    if len(entries) < 2 or job.plate is None:
        return
    bar = st.progress(0.0, text="Adjusting photos together")
    greys = []
    for entry in entries:
        photo = ctx.photo(entry.sha256)
        grey = cv2.cvtColor(photo.pixels_bgr, cv2.COLOR_BGR2GRAY)
        greys.append(replace(photo, pixels_bgr=grey))
    fits = fit_together(
        greys,
        [job.fits[entry.sha256] for entry in entries],
        job.plate,
        lambda done, of: bar.progress(done / max(of, 1), text="Adjusting photos together"),
    )
    bar.empty()
    new = {
        entry.sha256: fit
        for entry, fit in zip(entries, fits, strict=True)
        if fit is not job.fits[entry.sha256] and not _same(job.fits[entry.sha256], fit)
    }
    if not new:
        looks.say("The photos do not hold each other better than they lie: all fits stay.")
    elif ctx.edit(f"Adjust {len(new)} photos together", joint_changes(job, new)):
        looks.say(f"{len(new)} of {len(entries)} fits adjusted together; Undo takes it back.")


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
    if after.reasons != before.reasons:
        return False
    share = np.linspace(0.1, 0.9, 5)
    x, y = np.meshgrid(share * before.width_px, share * before.height_px)
    at = np.column_stack((x.ravel(), y.ravel()))
    moved = np.hypot(*(after.plate_from_photo(at) - before.plate_from_photo(at)).T)
    return bool(np.nanmax(moved) < LOOK_AGAIN_MM)
