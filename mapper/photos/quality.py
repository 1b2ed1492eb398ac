"""Is a photo good enough to trace leads on? Said at once, while the camera is still in hand."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from mapper.photos.model import Photo
from mapper.photos.sharpness import edge_blur, tile_sharpness

__all__ = ["Quality", "clipped_shares", "quality"]

TILE_ROWS, TILE_COLUMNS = 6, 8
BRIGHT, DARK = 250, 5  # of 255; common practice, no source
MAX_BURNT_SHARE = 0.02  # of the plate; common practice, no source
MAX_BLACK_SHARE = 0.02  # of the plate; common practice, no source
MAX_BLACK_SHARE_FRAME = 0.25  # of a whole frame, which may show a dark bench around the plate
MIN_LEAD_PX = 3.0  # the thinnest lead must be this wide for its two edges to be told apart
# Blurred with a sigma of a third of its width, a lead keeps about 80 % of its contrast and
# still parts from its neighbour; much more and two leads flow into one.
MAX_BLUR_PER_LEAD = 0.35
MIN_BLUR_LIMIT_PX = 1.5  # a phone's own sharpness at full size
MAX_BLUR_PER_DIAGONAL = 0.0007  # when the lead's width in the photo is not known
MAX_SOFT_TILES = 0.3  # of the tiles with edges; soft shadows make a few
ALL_SOFT_TILES = 0.75  # from here on it is the whole photo
SHAKE_RATIO = 2.0  # widest to narrowest edge direction in one tile
MIN_PIXELS = 3_000_000  # below, and without camera data, a photo was shrunk on its way
OTHER_SIDE = {"left": "right", "right": "left", "upper": "lower", "lower": "upper"}


@dataclass(frozen=True, eq=False)
class Quality:
    """What was measured on a photo, and `advice`: plain sentences, empty when it is good.

    `sharpness` is the median over tiles of the variance of the Laplacian at one working
    width: compare it only between photos of the same subject. `blur_tiles_px` (6, 8) is the
    sigma of edges per tile, in the direction where they are widest, `blur_px` the median of
    that; NaN where there are too few clear edges. `burnt_share` and `black_share` are of the
    plate's area when its outline is known, otherwise of the frame. `thinnest_lead_px` is None
    when the scale or the lead's diameter is not known.
    """

    sharpness: float
    blur_px: float
    blur_limit_px: float
    blur_tiles_px: np.ndarray
    shaken: bool
    burnt_share: float
    black_share: float
    thinnest_lead_px: float | None
    advice: tuple[str, ...]


def quality(
    photo: Photo,
    px_per_mm: float | None = None,
    thinnest_lead_mm: float | None = None,
    plate_polygon_px: np.ndarray | None = None,
) -> Quality:
    """Measure blur, exposure and resolution of `photo`.

    `px_per_mm` is the coarsest scale on the plate, as a fit knows it. `plate_polygon_px` (N, 2)
    limits the measurements to the plate.
    """
    grey = cv2.cvtColor(photo.pixels_bgr, cv2.COLOR_BGR2GRAY)
    mask = None if plate_polygon_px is None else _polygon_mask(plate_polygon_px, grey.shape)
    lead_px = None
    if px_per_mm is not None and thinnest_lead_mm is not None:
        lead_px = px_per_mm * thinnest_lead_mm
    widest, narrowest = _edge_widths(edge_blur(grey, TILE_ROWS, TILE_COLUMNS, mask))
    known = widest[np.isfinite(widest)]
    limit = _blur_limit_px(photo, lead_px)
    soft = np.nan_to_num(widest) > limit
    too_soft = bool(soft.sum() > MAX_SOFT_TILES * len(known))
    smeared = soft & (widest > SHAKE_RATIO * narrowest)
    shaken = bool(too_soft and 2 * smeared.sum() > soft.sum())
    blur_px = float(np.median(known)) if len(known) else float("nan")
    burnt, black = clipped_shares(grey, mask)
    advice = [
        *_blur_advice(soft if too_soft else None, len(known), blur_px, limit, shaken),
        *_exposure_advice(burnt, black, None if mask is None else _burnt_side(grey, mask)),
        *_size_advice(photo, lead_px, thinnest_lead_mm),
    ]
    return Quality(
        sharpness=float(np.median(tile_sharpness(grey, TILE_ROWS, TILE_COLUMNS))),
        blur_px=blur_px,
        blur_limit_px=limit,
        blur_tiles_px=widest,
        shaken=shaken,
        burnt_share=burnt,
        black_share=black,
        thinnest_lead_px=lead_px,
        advice=tuple(advice),
    )


def clipped_shares(grey: np.ndarray, mask: np.ndarray | None = None) -> tuple[float, float]:
    """Return the shares (0 to 1) of burnt-out (>= 250) and black (<= 5) pixels of `grey`."""
    values = grey if mask is None else grey[mask.astype(bool)]
    if not values.size:
        return 0.0, 0.0
    return float(np.mean(values >= BRIGHT)), float(np.mean(values <= DARK))


def _polygon_mask(polygon_px: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    mask = np.zeros(shape, np.uint8)
    # far corners of a close-up lie outside; keep them within what the fill can count in
    corners = np.clip(np.rint(np.asarray(polygon_px, float)), -30_000, 30_000).astype(np.int32)
    cv2.fillPoly(mask, [corners.reshape(-1, 1, 2)], 1)
    return mask


def _blur_limit_px(photo: Photo, lead_px: float | None) -> float:
    if lead_px is not None:
        return max(MIN_BLUR_LIMIT_PX, MAX_BLUR_PER_LEAD * lead_px)
    return max(
        MIN_BLUR_LIMIT_PX, MAX_BLUR_PER_DIAGONAL * float(np.hypot(photo.width_px, photo.height_px))
    )


def _edge_widths(by_direction_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the widest and the narrowest direction per tile; NaN for a tile without edges."""
    unknown = ~np.isfinite(by_direction_px)
    widest = np.where(unknown, -np.inf, by_direction_px).max(axis=2)
    narrowest = np.where(unknown, np.inf, by_direction_px).min(axis=2)
    return (
        np.where(np.isfinite(widest), widest, np.nan),
        np.where(np.isfinite(narrowest), narrowest, np.nan),
    )


def _blur_advice(
    soft: np.ndarray | None, known: int, blur_px: float, limit: float, shaken: bool
) -> list[str]:
    """`soft` is the mask of blurred tiles when they are too many, `known` counts those measured."""
    if not known:
        return ["No clear edge can be found: the photo is far out of focus or shows a plain area."]
    if soft is None:
        return []
    if shaken:
        return [
            "The photo is smeared in one direction: "
            "rest the camera on something or add light, and take it again."
        ]
    if soft.sum() > ALL_SOFT_TILES * known:
        return [
            f"The photo is blurred (edges {blur_px:.1f} px wide, limit {limit:.1f}): "
            "tap on the plate to focus, hold still, and take it again."
        ]
    return [
        f"{_side(soft)} of the photo is blurred: "
        "hold the camera flatter over the plate, or take that part again."
    ]


def _side(soft: np.ndarray) -> str:
    """Name the part of the picture where most of the soft tiles lie."""
    rows, columns = np.nonzero(soft)
    down = rows.mean() / (soft.shape[0] - 1) - 0.5
    right = columns.mean() / (soft.shape[1] - 1) - 0.5
    if max(abs(down), abs(right)) < 0.15:
        return "Much"
    if abs(right) >= abs(down):
        return "The right part" if right > 0 else "The left part"
    return "The lower part" if down > 0 else "The upper part"


def _burnt_side(grey: np.ndarray, mask: np.ndarray) -> str:
    """Part of the plate, as seen in the photo, that is burnt out: "left", "upper", or ""."""
    rows, columns = np.nonzero(mask)
    if not rows.size:
        return ""
    window = np.s_[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
    burnt = ((grey[window] >= BRIGHT) & (mask[window] > 0)).astype(np.float32)
    y, x = np.mgrid[0:TILE_ROWS, 0:TILE_COLUMNS]
    share = cv2.resize(burnt, (TILE_COLUMNS, TILE_ROWS), interpolation=cv2.INTER_AREA)
    if share.sum() <= 0:
        return ""
    right = float((share * x).sum() / share.sum() / (TILE_COLUMNS - 1) - 0.5)
    down = float((share * y).sum() / share.sum() / (TILE_ROWS - 1) - 0.5)
    if max(abs(right), abs(down)) < 0.12:
        return ""
    if abs(right) >= abs(down):
        return "right" if right > 0 else "left"
    return "lower" if down > 0 else "upper"


def _exposure_advice(burnt: float, black: float, burnt_side: str | None) -> list[str]:
    """`burnt_side` is None when the photo is not known to show a plate."""
    where = "photo" if burnt_side is None else "plate"
    advice = []
    if burnt > MAX_BURNT_SHARE:
        if burnt_side:
            advice.append(
                f"{burnt:.0%} of the plate is burnt out, most of it in the {burnt_side} part: move "
                f"the lamp to the {OTHER_SIDE[burnt_side]} side, flat over the plate, or shade it."
            )
        else:
            advice.append(
                f"{burnt:.0%} of the {where} is burnt out: move the lamp to the side or shade it, "
                "so that bare steel does not glare."
            )
    if black > (MAX_BLACK_SHARE_FRAME if burnt_side is None else MAX_BLACK_SHARE):
        advice.append(f"{black:.0%} of the {where} is black: add light into the channels.")
    return advice


def _size_advice(photo: Photo, lead_px: float | None, thinnest_lead_mm: float | None) -> list[str]:
    if lead_px is not None:
        if lead_px >= MIN_LEAD_PX:
            return []
        return [
            f"The thinnest lead ({thinnest_lead_mm:g} mm) is only {lead_px:.1f} px wide, and "
            f"{MIN_LEAD_PX:g} px are needed: go closer, or take the plate in parts."
        ]
    untouched = photo.taken_at is not None or photo.focal35_mm is not None
    if photo.width_px * photo.height_px < MIN_PIXELS and not untouched:
        return [
            f"The photo has only {photo.width_px} x {photo.height_px} pixels and no camera data: "
            "if a messenger shrank it, copy the original from the phone."
        ]
    return []
