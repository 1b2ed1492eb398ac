"""The errors of a fit in mm, below the photo on the Fit page."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import streamlit as st

from mapper.fit import PhotoFit, fit_advice
from mapper.fit.markers import markers_used
from mapper.plate import Feature
from mapper.records import Job, PhotoEntry
from mapper.ui import fit_clicks, sigma_map

__all__ = ["markers_line", "numbers"]


def numbers(job: Job, entry: PhotoEntry, features: Sequence[Feature]) -> None:
    """The errors in mm: of every click, and of what the fit itself measured."""
    fit = job.fits.get(entry.sha256)
    if fit is None:
        return
    errors = fit_clicks.click_errors(fit, features, job.clicks(entry.sha256))
    left, right = st.columns(2, gap="medium")
    with left:
        sigma_map.show(job.plate, fit)
        for sentence in fit_advice(job.plate, fit):
            st.caption(f"For the next photo: {sentence}")
    with right:
        if errors:
            fit_clicks.click_table(errors)
        markers_line(job, fit)
        _residual_table(fit)


def markers_line(job: Job, fit: PhotoFit) -> None:
    """Which printed markers the fit rests on, and which were not seen or left out."""
    laid = {marker.id for marker in job.plate.markers}
    if not laid:
        return
    used = markers_used(fit)
    numbers = ", ".join(f"{one} ({used[one]:.1f} mm)" for one in sorted(used)) or "none"
    rest = ", ".join(str(one) for one in sorted(laid - set(used)))
    left = f" Not seen, or left out: {rest}." if rest else ""
    st.caption(f"Printed markers found and used, with their largest miss: {numbers}.{left}")


def _residual_table(fit: PhotoFit) -> None:
    residuals = np.asarray(fit.residuals_mm, float)
    if not len(residuals):
        return
    st.markdown(
        f"**Measured on the plate's edges and bores:** "
        f"{np.sqrt(np.mean(residuals**2)):.2f} mm in all, worst {residuals.max():.2f} mm"
    )
    order = np.argsort(-residuals)
    st.dataframe(
        [
            {"at": str(fit.residual_points[i]), "error mm": round(float(residuals[i]), 2)}
            for i in order
        ],
        hide_index=True,
        width="stretch",
        height=220,
    )
