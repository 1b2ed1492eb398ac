"""The pictures of a meeting: crops of the photos that show it, with both leads.

All crops lie the way the plate is drawn, so each lead runs in one direction in all of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
import streamlit as st

from mapper.errors import MapperError, shown
from mapper.records import PhotoEntry
from mapper.routes import Crossing, Lead
from mapper.ui import looks
from mapper.ui.crops import Crop, crop_of_place, draw_lead, photo_scale_px_per_mm, tag_place
from mapper.ui.findings import Findings, meeting_key
from mapper.ui.session import Context
from mapper.ui.tiles import SHELF

__all__ = [
    "COLOURS",
    "View",
    "first_picture",
    "lead_words",
    "lines_near",
    "looked_at",
    "photos_that_show",
    "photos_with",
    "picture_controls",
    "pictures",
    "stamp_of",
]

COLOURS = {"a": "#0072b2", "b": "#d55e00"}  # Okabe & Ito; b is dashed as well
CROP_PX = (600, 440)
LARGE_PX = (1200, 560)  # with the answers above it, its middle is in a low window
MARGIN_MM = 12.0  # what is shown around the stretch that takes part
MAX_HALF_MM = 60.0
ZOOMS = {"Close": 0.55, "Normal": 1.0, "Wide": 2.0}
REACH_MM = 80.0  # how far the lines are drawn along the leads from the meeting
PHOTOS_AT_ONCE = 3
LINES = ("beside", "on the wire", "off")
_LOOKED = "photo looked at"  # session state: (key of the meeting, sha256) shown large


@dataclass(frozen=True)
class View:
    """One photo that shows the meeting, with its scale there."""

    entry: PhotoEntry
    px_per_mm: float
    doubtful: bool


def lead_words(meeting: Crossing, side: str) -> str:
    """How one side of a meeting is called; for a lead that meets itself by its pass."""
    if meeting.a != meeting.b:
        return meeting.a if side == "a" else meeting.b
    return f"{meeting.a}, pass nearer the {'drop' if side == 'a' else 'exit'}"


def photos_that_show(ctx: Context, findings: Findings, meeting: Crossing) -> list[View]:
    """Fitted photos in which the place lies, the most telling first."""
    return photos_with(ctx, findings, meeting.x_mm, meeting.y_mm)


def photos_with(ctx: Context, findings: Findings, x_mm: float, y_mm: float) -> list[View]:
    """Fitted photos in which a place of the plate lies, the most telling first."""
    plate = findings.traced.plate
    depth_mm = float(plate.lead_depth_mm(np.array([[x_mm, y_mm]]))[0])
    views = []
    for entry in ctx.job.photos:
        fit = ctx.job.fits.get(entry.sha256)
        if fit is None or not entry.width_px or not entry.height_px:
            continue
        x, y = np.asarray(fit.photo_from_plate([[x_mm, y_mm]], depth_mm))[0]
        if not (0 <= x < entry.width_px and 0 <= y < entry.height_px):
            continue
        scale = photo_scale_px_per_mm(fit, x_mm, y_mm, depth_mm)
        views.append(View(entry, scale, fit.verdict != "good"))
    views.sort(key=_worth, reverse=True)
    return views


def _worth(view: View) -> tuple[bool, float, float]:
    """How much a photo is likely to show: fine scale, and little plastic left."""
    cleared = {"before": 0.4, "during": 0.7, "rebuilt": 0.5}
    share = cleared.get(view.entry.stage.partition(" ")[0], 1.0)
    return (not view.doubtful, view.px_per_mm * share, view.px_per_mm)


def looked_at(meeting: Crossing, views: list[View]) -> View | None:
    """The photo of the meeting that somebody chose to see large."""
    key, sha256 = st.session_state.get(_LOOKED, ("", ""))
    if key != meeting_key(meeting):
        return None
    return next((view for view in views if view.entry.sha256 == sha256), None)


def picture_controls(more: Callable[[], None]) -> tuple[float, str]:
    """How the pictures are shown: enlargement, and the lines on them; `more` draws further
    controls in the same row."""
    with st.container(horizontal=True, vertical_alignment="center", gap="medium"):
        more()
        zoom = st.segmented_control(
            "Enlarge",
            list(ZOOMS),
            default="Normal",
            required=True,
            key="crop zoom",
            label_visibility="collapsed",
        )
        lines = st.segmented_control(
            "Lines",
            LINES,
            default="beside",
            required=True,
            key="crop lines",
            label_visibility="collapsed",
            format_func=lambda name: f"lines {name}",
        )
    return ZOOMS[zoom], lines


def pictures(
    ctx: Context,
    findings: Findings,
    meeting: Crossing,
    zoom: float,
    lines: str,
    beside: Callable[[], None],
) -> None:
    """Show the photos of the meeting; `beside` draws what stands after the last of them."""
    views = photos_that_show(ctx, findings, meeting)
    if not views:
        looks.note("No fitted photo shows this place. Add or fit one, or leave it open.")
        with st.columns(PHOTOS_AT_ONCE, gap="small")[0]:
            beside()
        return
    span = max(
        meeting.a_span_mm[1] - meeting.a_span_mm[0], meeting.b_span_mm[1] - meeting.b_span_mm[0]
    )
    half_mm = min(span / 2 + MARGIN_MM, MAX_HALF_MM) * zoom
    large = looked_at(meeting, views)
    if large is not None:
        picture, back = st.columns([5, 1], gap="small")
        with picture:
            _picture(ctx, findings, meeting, large, half_mm, lines, LARGE_PX)
        with back:
            if st.button("Back to all photos", key="all photos", width="stretch"):
                st.session_state.pop(_LOOKED)
                st.rerun()
            beside()
        return
    columns = st.columns(PHOTOS_AT_ONCE, gap="small")
    for number, view in enumerate(views):
        with columns[number % PHOTOS_AT_ONCE]:
            _picture(ctx, findings, meeting, view, half_mm, lines)
            words = "Your answer is then kept with this photo"
            if st.button("Show it large", key=f"large {number}", help=words):
                st.session_state[_LOOKED] = (meeting_key(meeting), view.entry.sha256)
                st.rerun()
    with columns[len(views) % PHOTOS_AT_ONCE]:
        beside()


def _picture(
    ctx: Context,
    findings: Findings,
    meeting: Crossing,
    view: View,
    half_mm: float,
    lines: str,
    size_px: tuple[int, int] = CROP_PX,
) -> None:
    entry = view.entry
    caption = f"{shown(entry.name, 40)} · {entry.stage} · {view.px_per_mm:.1f} px per mm"
    if view.doubtful:
        caption += " · doubtful fit: the place may be off"
    try:
        jpeg = _crop_jpeg(
            stamp_of(ctx, meeting, entry.sha256),
            entry.sha256,
            half_mm,
            lines,
            size_px,
            ctx,
            findings,
            meeting,
        )
    except MapperError as error:
        looks.note(shown(error, 300), "stop")
        return
    if jpeg is not None:
        st.image(jpeg, caption=caption, width="stretch", alt=caption)


def first_picture(ctx: Context, findings: Findings, meeting: Crossing) -> tuple[str, bytes] | None:
    """The most telling photo of a meeting: (sha256, jpeg of the place); None without one."""
    for view in photos_that_show(ctx, findings, meeting):
        span = max(high - low for low, high in (meeting.a_span_mm, meeting.b_span_mm))
        half_mm = min(span / 2 + MARGIN_MM, MAX_HALF_MM)
        key, sha256 = stamp_of(ctx, meeting, view.entry.sha256), view.entry.sha256
        jpeg = _crop_jpeg(key, sha256, half_mm, "beside", CROP_PX, ctx, findings, meeting)
        if jpeg is not None:
            return sha256, jpeg
    return None


@st.cache_data(show_spinner=False, max_entries=300)
def _crop_jpeg(
    stamp: int,
    sha256: str,
    half_mm: float,
    lines: str,
    size_px: tuple[int, int],
    _ctx: Context,
    _findings: Findings,
    _meeting: Crossing,
) -> bytes | None:
    crop = _crop(_ctx, _findings, _meeting, sha256, half_mm, size_px)
    if crop is None:
        return None
    if lines != "off":
        crop = _with_lines(crop, _findings, _meeting, lines == "beside")
    done, data = cv2.imencode(".jpg", crop.pixels_bgr, [cv2.IMWRITE_JPEG_QUALITY, 90])
    return data.tobytes() if done else None


def stamp_of(ctx: Context, meeting: Crossing, sha256: str) -> int:
    """Changes whenever anything changes that a crop of the meeting shows."""
    texts = ctx.job.texts
    keys = ("plate", f"fit/{sha256}", f"lead/{meeting.a}", f"lead/{meeting.b}")
    return hash((meeting_key(meeting), *(texts.get(key) for key in keys)))


def _crop(
    ctx: Context,
    findings: Findings,
    meeting: Crossing,
    sha256: str,
    half_mm: float,
    size_px: tuple[int, int] = CROP_PX,
) -> Crop | None:
    depth_mm = findings.traced.plate.lead_depth_mm(np.array([[meeting.x_mm, meeting.y_mm]]))
    pixels = SHELF.pixels(ctx.opened(sha256).token)
    return crop_of_place(
        pixels,
        ctx.job.fits[sha256],
        meeting.x_mm,
        meeting.y_mm,
        float(depth_mm[0]),
        half_mm,
        size_px,
    )


def _with_lines(crop: Crop, findings: Findings, meeting: Crossing, beside: bool) -> Crop:
    taken: list[tuple[float, float]] = []
    for side in ("a", "b"):
        lead, line = lines_near(findings, meeting, side)
        gap_mm = (lead.diameter_mm or 2.0) / 2 + 0.6 if beside else 0.0
        crop = draw_lead(
            crop,
            line,
            COLOURS[side],
            side.upper(),
            dashed=side == "b",
            beside_mm=gap_mm,
            keep_clear=taken,
        )
        place = tag_place(crop, line)
        taken += [] if place is None else [place]
    return crop


def lines_near(findings: Findings, meeting: Crossing, side: str) -> tuple[Lead, np.ndarray]:
    """A lead of the meeting and the stretch of it around the meeting, (N, 2) plate mm."""
    name, span = (meeting.a, meeting.a_span_mm) if side == "a" else (meeting.b, meeting.b_span_mm)
    lead = findings.traced.leads_by_id[name]
    low, high = max(0.0, span[0] - REACH_MM), min(lead.length_mm, span[1] + REACH_MM)
    if meeting.a == meeting.b:  # the two passes must not run into each other
        middle = (meeting.a_span_mm[1] + meeting.b_span_mm[0]) / 2
        low, high = (low, min(high, middle)) if side == "a" else (max(low, middle), high)
    inside = (lead.arc_mm > low) & (lead.arc_mm < high)
    ends = lead.point_at_mm(np.array([low, high]))
    return lead, np.concatenate([ends[:1], lead.points_mm[inside], ends[1:]])
