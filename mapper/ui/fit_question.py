"""The one question that settles a fit with two possible answers: two pictures, two buttons."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import cv2
import numpy as np
import streamlit as st

from mapper.errors import shown
from mapper.fit import PhotoFit, Telling, one_question, rival_fit, telling_feature
from mapper.photos import Photo
from mapper.plate import Plate
from mapper.records import Job, PhotoEntry, fit_changes
from mapper.ui import looks
from mapper.ui.overlay import drawing_lines, ring_px
from mapper.ui.session import Context

__all__ = ["ask", "chosen_changes", "picture_of"]

PICTURE_PX = (620, 400)
AROUND = 3.2  # half the height of a picture, in sizes of the feature
LEAST_AROUND = 0.045  # of the photo's long side
LINE_BGR, TELLING_BGR = (233, 180, 86), (0, 159, 230)
NAMES = ("A", "B")
_UNSURE = "fit question unsure"  # session state: hashes of photos nobody here can tell


def ask(ctx: Context, entry: PhotoEntry, by_hand_key: str) -> bool:
    """Ask which of two answers is right, where nothing else is in doubt; False if not asked.

    `by_hand_key` is the session key of the switch that lets points be set by hand.
    """
    job = ctx.job
    fit = job.fits.get(entry.sha256)
    if fit is None or job.plate is None or not one_question(fit):
        return False
    telling = _telling(entry.sha256, job.plate.to_mapping(), fit.to_dict(), _source(ctx, entry))
    if telling is None:
        return False
    if entry.sha256 in st.session_state.get(_UNSURE, ()):
        _when_unsure(entry, telling, by_hand_key)
        return True
    what = _words(telling)
    looks.note(f"This photo fits the plate in two ways. {what[0]}", "")
    pictures = _pictures(
        entry.sha256, job.plate.to_mapping(), fit.to_dict(), telling, _source(ctx, entry)
    )
    columns = st.columns([3, 3, 2], gap="medium", vertical_alignment="bottom")
    for name, picture, column in zip(NAMES, pictures, columns, strict=False):
        with column:
            st.image(picture, width="stretch", alt=f"Answer {name}", channels="BGR")
            st.button(
                f"{name}: {what[1]}",
                key=f"answer {name} {entry.sha256}",
                type="primary",
                width="stretch",
                on_click=looks.guarded(_answer),
                args=(ctx, entry, name == "B"),
            )
    with columns[2]:
        st.caption("The orange line is where each answer puts it. Look at the steel, not the line.")
        st.button(
            "I can't tell",
            key=f"answer none {entry.sha256}",
            width="stretch",
            on_click=_unsure,
            args=(entry.sha256, True),
        )
    return True


def chosen_changes(
    job: Job, photo: Photo, sha256: str, by: str, rival: bool, at: datetime
) -> dict[str, Any]:
    """Changes that keep the answer a person chose as a confirmed fit.

    With `rival` the other answer is taken, refined on the photo. MapperError when it can't be.
    """
    fit = job.fits[sha256]
    confirmed = {"by": by, "at": at.isoformat()}
    if not rival:
        return {f"fit/{sha256}": {**job.value(f"fit/{sha256}"), "confirmed": confirmed}}
    changes = fit_changes(job, sha256, rival_fit(photo, job.plate, fit), job.clicks(sha256))
    changes[f"fit/{sha256}"]["confirmed"] = confirmed
    return changes


def picture_of(pixels_bgr: np.ndarray, plate: Plate, fit: PhotoFit, telling: Telling) -> np.ndarray:
    """Crop (H, W, 3) of the photo around where a fit puts a feature, with the drawing on it."""
    height, width = pixels_bgr.shape[:2]
    middle = fit.photo_from_plate([[telling.x_mm, telling.y_mm]])[0]
    rim = ring_px(fit, telling.x_mm, telling.y_mm, 2 * telling.reach_mm)
    half = max(AROUND * float(np.hypot(*(rim - middle).T).max()), LEAST_AROUND * max(height, width))
    wide, high = PICTURE_PX
    zoom = high / (2 * half)
    shift = np.array([wide / 2, high / 2]) - zoom * middle
    matrix = np.array([[zoom, 0, shift[0]], [0, zoom, shift[1]]])
    flags = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
    picture = cv2.warpAffine(pixels_bgr, matrix, PICTURE_PX, flags=flags, borderValue=(60, 60, 60))
    lines = [line.points_px for line in drawing_lines(plate, fit) if "channel" not in line.id]
    closed = [np.vstack((points, points[:1])) for points in lines]
    _draw(picture, closed, zoom, shift, LINE_BGR, 1)
    _draw(picture, [np.vstack((rim, rim[:1]))], zoom, shift, TELLING_BGR, 3)
    return picture


def _draw(picture, paths_px, zoom: float, shift, colour, thickness: int) -> None:
    for path in paths_px:
        at = np.asarray(path, float) * zoom + shift
        at = np.clip(at[np.isfinite(at).all(axis=1)], -20000, 20000)
        points = np.rint(at * 8).astype(np.int32).reshape(-1, 1, 2)
        cv2.polylines(picture, [points], False, colour, thickness, cv2.LINE_AA, shift=3)


def _words(telling: Telling) -> tuple[str, str]:
    """The question, and the words of an answer."""
    if telling.kind in ("drop", "hole"):
        kind = "bore" if telling.kind == "drop" else "hole"
        name = f"{kind} {shown(telling.name, 24)}"
        return (
            f"Where is {name} in the steel: inside the orange ring of A, or of B?",
            f"{name} is here",
        )
    edge = "the edge of a channel" if telling.kind == "channel" else "the edge of the plate"
    return f"Where does {edge} run through the orange ring: in A, or in B?", "the edge is here"


def _answer(ctx: Context, entry: PhotoEntry, rival: bool) -> None:
    changes = chosen_changes(
        ctx.job, ctx.photo(entry.sha256), entry.sha256, ctx.person, rival, datetime.now(UTC)
    )
    label = f"Choose where {shown(entry.name, 30)} lies"
    ctx.edit(label, changes, depends_on=["plate"])


def _unsure(sha256: str, unsure: bool) -> None:
    before = set(st.session_state.get(_UNSURE, ()))
    st.session_state[_UNSURE] = before | {sha256} if unsure else before - {sha256}


def _when_unsure(entry: PhotoEntry, telling: Telling, by_hand_key: str) -> None:
    free = (
        f"with {'bore' if telling.kind == 'drop' else 'hole'} {shown(telling.name, 24)} in sight "
        "and free of plastic"
        if telling.kind in ("drop", "hole")
        else "of the whole plate"
    )
    looks.note(
        "Nobody could tell where this photo lies, so do not trust what is traced on it. One point "
        f"whose number you know settles it, or another photo {free}."
    )
    with st.container(horizontal=True):
        st.button(
            "Set one point by hand",
            key=f"one point {entry.sha256}",
            type="primary",
            on_click=_set_by_hand,
            args=(by_hand_key,),
        )
        st.button(
            "Show the two pictures again",
            key=f"ask again {entry.sha256}",
            on_click=_unsure,
            args=(entry.sha256, False),
        )


def _set_by_hand(by_hand_key: str) -> None:
    st.session_state[by_hand_key] = True


def _source(ctx: Context, entry: PhotoEntry) -> Callable[[], Photo]:
    return lambda: ctx.photo(entry.sha256)


@st.cache_data(show_spinner="Looking for what tells the two answers apart", max_entries=50)
def _telling(
    sha256: str, plate: dict[str, Any], fit: dict[str, Any], _photo: Callable[[], Photo]
) -> Telling | None:
    return telling_feature(_photo(), Plate.from_mapping(plate), PhotoFit.from_dict(fit))


@st.cache_data(show_spinner=False, max_entries=20)
def _pictures(
    sha256: str,
    plate: dict[str, Any],
    fit: dict[str, Any],
    _telling: Telling,
    _photo: Callable[[], Photo],
) -> tuple[np.ndarray, ...]:
    drawing, first = Plate.from_mapping(plate), PhotoFit.from_dict(fit)
    pixels = _photo().pixels_bgr
    second = replace(first, camera=first.rival)
    return tuple(picture_of(pixels, drawing, one, _telling) for one in (first, second))
