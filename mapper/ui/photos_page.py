"""Page "Photos": take photos in, say at once what is wrong with them, set their stages."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import PurePath
from typing import Any

import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.fit import fit_advice
from mapper.photos import Photo, guess_stages, load_photo, quality, thumbnail
from mapper.photos.load import MAX_FILE_MB, MAX_MEGAPIXELS
from mapper.records import Job, PhotoEntry
from mapper.ui import jobbar, looks
from mapper.ui.crops import photo_scale_px_per_mm
from mapper.ui.marker_panel import marker_sheet_panel
from mapper.ui.overlay import drawing_lines
from mapper.ui.session import Context

__all__ = ["BY_HAND", "advice_on", "entry_of", "intake_changes", "show", "stage_choices"]

BY_HAND = "stage_by_hand"  # key in a photo's entry: a person set the stage, so no guess moves it
COLUMNS = 4
THUMBNAIL_PX = 480
_INTAKE = "photo intake"  # session state: counts up, so that the uploader is empty afterwards


def show() -> None:
    """Draw the page."""
    ctx = jobbar.begin("photos")
    if ctx is None:
        return
    st.subheader("Photos")
    _intake(ctx)
    marker_sheet_panel()
    if not ctx.job.photos:
        looks.note(
            "No photos yet. Take the whole plate from straight above first, then closer ones of "
            "each channel; every stage of the melt-off helps.",
            "calm",
        )
        return
    photos = ctx.job.photos
    for start in range(0, len(photos), COLUMNS):
        row = st.columns(COLUMNS, gap="medium")
        for column, entry in zip(row, photos[start : start + COLUMNS], strict=False):
            with column, st.container(border=True, gap="xsmall"):
                _card(ctx, entry)


def _intake(ctx: Context) -> None:
    number = st.session_state.get(_INTAKE, 0)
    files = st.file_uploader(
        f"Drop photos here, many at once: JPEG, PNG or HEIC, up to {MAX_FILE_MB} MB and "
        f"{MAX_MEGAPIXELS} megapixels each. The originals are kept untouched.",
        accept_multiple_files=True,
        max_upload_size=MAX_FILE_MB,
        key=f"photos in {number}",
    )
    if not files:
        return
    bar = st.progress(0.0, text="Reading the photos")
    good: list[Photo] = []
    have = {photo.sha256 for photo in ctx.job.photos}
    for index, file in enumerate(files):
        bar.progress(index / len(files), text=f"{index + 1} of {len(files)}: {shown(file.name)}")
        try:
            photo = _take_in(ctx, file)
        except MapperError as error:
            looks.say(shown(error, 300), "stop")
            continue
        if photo.sha256 in have:
            looks.say(f"{shown(file.name)} is in the job already; it is kept once.", "calm")
            continue
        have.add(photo.sha256)
        good.append(photo)
    bar.empty()
    if good:
        count = f"{len(good)} photos" if len(good) > 1 else shown(good[0].name)
        if ctx.edit(f"Add {count}", intake_changes(ctx.job, [entry_of(p) for p in good])):
            looks.say(f"Added {count}.", "calm")
    st.session_state[_INTAKE] = number + 1
    st.rerun()


def _take_in(ctx: Context, file: Any) -> Photo:
    """Check one uploaded file, keep its original, and let its pixels go again."""
    data = file.getvalue()
    photo = load_photo(data, file.name)
    ctx.store.add_photo(data, PurePath(file.name).suffix or ".bin")
    _small(photo.sha256, lambda: photo)
    _advice(photo.sha256, None, None, None, lambda: photo)
    return replace(photo, pixels_bgr=photo.pixels_bgr[:1, :1])


def entry_of(photo: Photo) -> PhotoEntry:
    """The job's entry of a photo; its stage is guessed later."""
    return PhotoEntry(
        sha256=photo.sha256,
        name=photo.name[:200],
        stage="before",
        taken_at=photo.taken_at,
        focal35_mm=photo.focal35_mm,
        width_px=photo.width_px,
        height_px=photo.height_px,
    )


def intake_changes(job: Job, new: Sequence[PhotoEntry]) -> dict[str, Any]:
    """Changes that add photos and guess the stages anew, except those that a person set."""
    values = {entry.sha256: job.value(f"photo/{entry.sha256}") for entry in job.photos}
    entries = [*job.photos, *new]
    entries.sort(key=lambda one: (one.taken_at is None, str(one.taken_at or ""), one.name))
    changes: dict[str, Any] = {}
    for entry, stage in zip(entries, guess_stages(entries), strict=True):
        value = values.get(entry.sha256)
        if value is None:
            changes[f"photo/{entry.sha256}"] = replace(entry, stage=stage).to_mapping()
        elif not value.get(BY_HAND) and value["stage"] != stage:
            changes[f"photo/{entry.sha256}"] = {**value, "stage": stage}
    return changes


def stage_choices(photos: Sequence[PhotoEntry]) -> list[str]:
    """The stages a photo can be given: one more round than there is so far."""
    rounds = [0]
    for photo in photos:
        word, _, number = photo.stage.partition(" ")
        if word == "during" and number.isdecimal():
            rounds.append(int(number))
    during = [f"during {number}" for number in range(1, max(rounds) + 2)]
    return ["before", *during, "cleared", "rebuilt"]


def _card(ctx: Context, entry: PhotoEntry) -> None:
    job = ctx.job
    fit = job.fits.get(entry.sha256)
    advice: tuple[str, ...] | None = None
    try:
        small = _small(entry.sha256, lambda: ctx.photo(entry.sha256))
        st.image(small, width="stretch", alt=shown(entry.name))
        advice = advice_on(ctx, entry)
    except MapperError as error:
        looks.note(shown(error, 300), "stop")
    size = f"{(entry.width_px or 0) * (entry.height_px or 0) / 1e6:.1f} megapixels"
    when = f"{entry.taken_at:%Y-%m-%d %H:%M}" if entry.taken_at else "no time"
    st.markdown(f"**{looks.plain_markdown(shown(entry.name, 40))}**")
    st.caption(f"{when} · {size}")
    state = "missing" if fit is None else fit.verdict
    st.html(looks.badge(state, "not fitted" if fit is None else f"fit {fit.verdict}"))
    choices = stage_choices(job.photos)
    if entry.stage not in choices:
        choices.append(entry.stage)
    stage = st.selectbox(
        "Stage",
        choices,
        index=choices.index(entry.stage),
        key=f"stage {entry.sha256} {entry.stage}",
    )
    if stage != entry.stage:
        value = {**job.value(f"photo/{entry.sha256}"), "stage": stage, BY_HAND: True}
        ctx.edit(f"Stage of {shown(entry.name, 30)}", {f"photo/{entry.sha256}": value})
        st.rerun()
    if advice == ():
        st.caption("Sharp and well lit enough.")
    for sentence in advice or ():
        looks.note(sentence)
    if st.button("Remove", key=f"remove {entry.sha256}", icon=":material/delete:"):
        _remove(ctx, entry)


def _remove(ctx: Context, entry: PhotoEntry) -> None:
    changes: dict[str, Any] = {f"photo/{entry.sha256}": None}
    if ctx.job.value(f"fit/{entry.sha256}") is not None:
        changes[f"fit/{entry.sha256}"] = None
    if ctx.edit(f"Remove {shown(entry.name, 30)}", changes):
        traced = [
            lead.id
            for lead in ctx.job.leads
            if any(s.photo == entry.sha256 for s in lead.stretches)
        ]
        kept = f" What was traced on it ({len(traced)} leads) stays." if traced else ""
        looks.say(f"{shown(entry.name, 40)} is removed; Undo brings it back.{kept}", "calm")
    st.rerun()


def advice_on(ctx: Context, entry: PhotoEntry) -> tuple[str, ...]:
    """What to change in a photo: by the photo, and by its fit once there is one."""
    job, sha256 = ctx.job, entry.sha256

    def load() -> Photo:
        return ctx.photo(sha256)

    fit, plate = job.fits.get(sha256), job.plate
    if fit is None or plate is None:
        return _advice(sha256, None, None, None, load)
    thinnest = min((x.diameter_mm for x in job.thick_leads if x.diameter_mm), default=None)
    px_per_mm = None
    if plate.drops:
        px_per_mm = min(photo_scale_px_per_mm(fit, d.x_mm, d.y_mm, 0.0) for d in plate.drops)
    on_photo = np.asarray(drawing_lines(plate, fit)[0].points_px, float)  # the outline
    polygon = None
    if np.isfinite(on_photo).all():
        polygon = tuple(map(tuple, np.rint(on_photo).astype(int).tolist()))
    by_photo = _advice(sha256, px_per_mm, thinnest, polygon, load)
    return (*by_photo, *fit_advice(plate, fit, lead_known=None not in (px_per_mm, thinnest)))


@st.cache_data(show_spinner=False, max_entries=400)
def _small(sha256: str, _load: Callable[[], Photo]) -> bytes:
    return thumbnail(_load(), THUMBNAIL_PX)


@st.cache_data(show_spinner="Looking at the photo", max_entries=800)
def _advice(
    sha256: str,
    px_per_mm: float | None,
    thinnest_lead_mm: float | None,
    plate_polygon_px: tuple[tuple[int, int], ...] | None,
    _load: Callable[[], Photo],
) -> tuple[str, ...]:
    polygon = None if plate_polygon_px is None else np.array(plate_polygon_px)
    return tuple(quality(_load(), px_per_mm, thinnest_lead_mm, polygon).advice)
