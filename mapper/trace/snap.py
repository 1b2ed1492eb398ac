"""From a click to the lead beneath it: place on its centre line, width and colour."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from mapper.trace.evidence import (
    NOMINAL_WIDTH_PX,
    Elements,
    elements_near,
    sample,
    skin_colours,
    to_lab,
)
from mapper.trace.ground import LAYERS, Ground, as_ground, layer_scale, scaled
from mapper.trace.likely import ACROSS, ALONG, LAB_UNIT, STEP_PX, bands, shipped_layers, weigh
from mapper.trace.model import LAB_WEIGHTS, TraceError

__all__ = [
    "Snap",
    "checked_point",
    "agree",
    "banded",
    "candidates_at",
    "leads_at",
    "look_at",
    "snap_to_wire",
]

MAX_REACH_PX = 400.0
SUPPORT_RUN = 3.0  # widths to either side along the line that speak for an element
PER_LAYER = 3
PER_LAYER_WEIGHED = 5
DIRECTIONS = 12  # in which a lead is looked for under the click itself
LAID_RUN = 4  # places to either side of the click that tell its colour
LEAST_LAID = 1.5  # Lab units between the lead and its sides
INSIDE = 0.5  # widths off a lead's middle up to which a click is on it
MOST_READINGS = 24  # the surest, of which those that say the same are taken together
SAME_PLACE, SAME_WIDTH = 0.5, 0.3  # in widths; in log width
SAME_ANGLE = np.sin(np.radians(25))
SAME_COLOUR = 12.0  # Lab units
LEAST_SHARE = 0.3  # surest lead at a click; on leads 3 to 5 % have less, elsewhere 13 to 19 % more
NO_SHARE = 1e-4  # stands for less
MOST_CANDIDATES = 200
UNDER_COLOUR = 15.0  # Lab units
LIKE_COLOUR = 9.0  # Lab units
LIKE_WIDTH = 0.3  # in log width
MOST_UNLIKE = 8.0
MOST_STRETCH = np.log(1.2)  # a width read is mended by that much at most
COARSER_BONUS = 1.05  # per layer: a glint along a thick lead is thinner than the lead


@dataclass(frozen=True, eq=False)
class Snap:
    """A place on a lead: photo pixels, width in photo pixels, Lab colour, direction modulo pi.

    `score`: how well it answers the click; of `leads_at` the share of belief, 0..1. `facts`
    (FACTS,): distance from the click in widths of its layer, log contrast, share of its run
    that is seen, log width in widths of its layer, number of the layer, colour against that
    under the click.
    """

    xy_px: np.ndarray
    width_px: float
    colour: np.ndarray
    angle_rad: float
    contrast: float
    score: float
    facts: np.ndarray


def checked_point(ground: Ground, xy: object, what: str = "point") -> np.ndarray:
    """`xy` as (2,) float, inside the picture. Raises TraceError."""
    try:
        point = np.asarray(xy, dtype=float)
    except (TypeError, ValueError):
        point = np.full(2, np.nan)
    if point.shape != (2,) or not np.isfinite(point).all():
        raise TraceError(f"The {what} must be two numbers, x and y in photo pixels.")
    if not (
        -0.5 <= point[0] <= ground.width_px - 0.5 and -0.5 <= point[1] <= ground.height_px - 0.5
    ):
        raise TraceError(
            f"The {what} ({point[0]:.0f}, {point[1]:.0f}) lies outside the photo of "
            f"{ground.width_px} x {ground.height_px} pixels; click inside it."
        )
    return point


def snap_to_wire(
    image_or_ground: np.ndarray | Ground, xy: object, reach_px: float
) -> tuple[tuple[float, float], float] | None:
    """Nearest believable lead within `reach_px` of `xy`: ((x, y), width), photo pixels.

    None where there is none. Only the neighbourhood of `xy` is looked at, so a Ground is not
    needed for speed. Raises TraceError for a point outside the picture or not finite.
    """
    ground = as_ground(image_or_ground)
    point = checked_point(ground, xy)
    if not np.isfinite(reach_px) or reach_px < 0:
        raise TraceError("The reach must be a number of pixels, zero or more.")
    leads = leads_at(ground, point, float(min(reach_px, MAX_REACH_PX)))
    if not leads:
        return None
    found = max(leads, key=lambda snap: snap.score)
    return (float(found.xy_px[0]), float(found.xy_px[1])), found.width_px


def look_at(ground: Ground, xy_px: np.ndarray, reach_px: float) -> Snap | None:
    """The best lead within `reach_px` of `xy_px`, judged over all widths."""
    found = candidates_at(ground, xy_px, reach_px)
    return max(found, key=lambda snap: snap.score) if found else None


def candidates_at(ground: Ground, xy_px: np.ndarray, reach_px: float) -> list[Snap]:
    """What may be meant by a click at `xy_px`: the best few leads of every width."""
    name = (round(float(xy_px[0]), 2), round(float(xy_px[1]), 2), reach_px)
    return ground.remembered(name, lambda: _candidates(ground, xy_px, reach_px))


def agree(clicks: list[list[Snap]]) -> list[Snap | None]:
    """One candidate for each click (None where there is none) so that all are one lead.

    Clicks on one lead show one colour and one width, so a click on a crossing or between two
    leads is read in the light of the others.
    """
    best, chosen = -np.inf, [None] * len(clicks)
    for reference in (snap for found in clicks for snap in found):
        picks = [_best_like(reference, found) for found in clicks]
        total = sum(value for value, _ in picks)
        if total > best:
            best, chosen = total, [snap for _, snap in picks]
    return chosen


def _best_like(reference: Snap, found: list[Snap]) -> tuple[float, Snap | None]:
    best, pick = -np.inf, None
    for snap in found:
        off = (snap.colour - reference.colour) * LAB_WEIGHTS
        stretch = np.log(snap.width_px / reference.width_px)
        value = (
            np.log(snap.score)
            - min(float(off @ off) / (2 * LIKE_COLOUR**2), MOST_UNLIKE)
            - min(stretch**2 / (2 * LIKE_WIDTH**2), MOST_UNLIKE)
        )
        if value > best:
            best, pick = value, snap
    return (best, pick) if found else (0.0, None)


def leads_at(
    ground: Ground, xy_px: np.ndarray, reach_px: float, least_share: float = LEAST_SHARE
) -> list[Snap]:
    """What may be meant by a click at `xy_px`, weighed by `mapper.trace.likely`.

    `score` is the share of belief and `width_px` the mended width. Nothing where the surest
    line has less than `least_share`.
    """
    name = ("weighed", round(float(xy_px[0]), 2), round(float(xy_px[1]), 2), reach_px)
    found = ground.remembered(name, lambda: _weighed(ground, xy_px, reach_px))
    return found if max((s.score for s in found), default=0.0) >= least_share else []


def _weighed(ground: Ground, xy_px: np.ndarray, reach_px: float) -> list[Snap]:
    found, seen = banded(ground, xy_px, reach_px)
    if not found:
        return []
    shares, stretch, beside = weigh(seen, np.array([s.facts for s in found]), shipped_layers())
    widths = np.exp(np.clip(stretch, -MOST_STRETCH, MOST_STRETCH)) * [s.width_px for s in found]
    mended = [
        replace(snap, xy_px=_moved(snap, off), width_px=float(width))
        for snap, width, off in zip(found, widths, np.clip(beside, -INSIDE, INSIDE), strict=True)
    ]
    return _gathered(mended, shares)


def _moved(snap: Snap, beside: float) -> np.ndarray:
    """Its place moved `beside` widths across its line."""
    side = np.array([-np.sin(snap.angle_rad), np.cos(snap.angle_rad)])
    return snap.xy_px + beside * snap.width_px * side


def _gathered(found: list[Snap], shares: np.ndarray) -> list[Snap]:
    """The surest of those that say the same, each with the belief in all of them."""
    left = list(np.argsort(-shares, kind="stable")[:MOST_READINGS])
    kept = []
    while left:
        first = found[left[0]]
        same = [k for k in left if _says(found[k], first)]
        kept.append(replace(first, score=max(float(shares[same].sum()), NO_SHARE)))
        left = [k for k in left if k not in same]
    return kept


def _says(one: Snap, other: Snap) -> bool:
    """Whether both are one lead, read nearly alike."""
    off = np.linalg.norm((one.colour - other.colour) * LAB_WEIGHTS)
    return bool(
        abs(np.log(one.width_px / other.width_px)) < SAME_WIDTH
        and abs(np.sin(one.angle_rad - other.angle_rad)) < SAME_ANGLE
        and np.hypot(*(one.xy_px - other.xy_px)) < SAME_PLACE * other.width_px
        and off < SAME_COLOUR
    )


def banded(ground: Ground, xy_px: np.ndarray, reach_px: float) -> tuple[list[Snap], np.ndarray]:
    """The candidates at a click, not weighed yet, and their bands (K, ALONG, ACROSS, 3)."""
    found, seen = [], []
    for crop, snaps in _by_layer(ground, xy_px, reach_px, PER_LAYER_WEIGHED):
        at = np.array([*(crop.from_photo(s.xy_px) for s in snaps), *[crop.click] * DIRECTIONS])
        every = np.arange(DIRECTIONS) * (np.pi / DIRECTIONS)
        angles = np.array([*(s.angle_rad for s in snaps), *every])
        band = bands(crop.lab, at, angles)
        every_one = snaps + _laid(crop, every, band[len(snaps) :])
        kept = [k for k, snap in enumerate(every_one) if snap.contrast >= LEAST_LAID]
        found += [every_one[k] for k in kept]
        seen.append(band[kept])
    return found, np.concatenate(seen) if seen else np.zeros((0, 0, 0, 3))


def _laid(crop: _Crop, angles_rad: np.ndarray, seen: np.ndarray) -> list[Snap]:
    """Leads of the layer's width straight through the click, whatever lines were found there.

    `angles_rad` (D,) their directions, `seen` (D, ALONG, ACROSS, 3) their bands.
    """
    near = seen[:, ALONG // 2 - LAID_RUN : ALONG // 2 + LAID_RUN + 1] * LAB_UNIT
    middle = near[:, :, ACROSS // 2 - 1 : ACROSS // 2 + 2].mean((1, 2))
    sides = (near[:, :, [0, -1]].mean(1) - middle[:, None]) * LAB_WEIGHTS
    contrast = np.linalg.norm(sides, axis=2).mean(1)
    run = np.arange(-LAID_RUN, LAID_RUN + 1) * STEP_PX[0]
    way = np.stack([np.cos(angles_rad), np.sin(angles_rad)], -1)
    at = np.repeat(crop.click[None], len(way), 0)
    colour = np.median(skin_colours(crop.lab, at, way, run), axis=1)
    xy_px, width_px = crop.to_photo(crop.click), NOMINAL_WIDTH_PX / crop.scale
    return [
        Snap(
            xy_px,
            width_px,
            colour[k],
            float(angle_rad),
            float(contrast[k]),
            0.0,
            np.array([0.0, np.log(contrast[k] / 10 + 0.01), 0.0, 0.0, crop.number / LAYERS, 0.0]),
        )
        for k, angle_rad in enumerate(angles_rad)
    ]


def _candidates(ground: Ground, xy_px: np.ndarray, reach_px: float) -> list[Snap]:
    return [s for _, snaps in _by_layer(ground, xy_px, reach_px, PER_LAYER) for s in snaps]


def _by_layer(
    ground: Ground, xy_px: np.ndarray, reach_px: float, most: int
) -> list[tuple[_Crop, list[Snap]]]:
    crops = [c for n in range(LAYERS) if (c := _Crop.at(ground, xy_px, reach_px, n)) is not None]
    if not crops:
        return []
    run_px = (SUPPORT_RUN + 0.35) * NOMINAL_WIDTH_PX
    elements, number = elements_near(
        [c.lab for c in crops], [c.click for c in crops], [c.reach + run_px for c in crops]
    )
    return [
        (crop, _candidates_in_crop(elements.take(np.flatnonzero(number == k)), crop, most))
        for k, crop in enumerate(crops)
    ]


@dataclass(frozen=True, eq=False)
class _Crop:
    """The neighbourhood of a click at the scale of one layer; `click` (2,) in its pixels."""

    number: int
    scale: float
    corner: tuple[int, int]
    lab: np.ndarray
    click: np.ndarray
    reach: float

    @classmethod
    def at(cls, ground: Ground, xy_px: np.ndarray, reach_px: float, number: int) -> _Crop | None:
        scale = layer_scale(number)
        margin = reach_px + (SUPPORT_RUN + 2) * NOMINAL_WIDTH_PX / scale
        # Crop on a grid that every halving divides, so that the layer's pixels stay in place.
        grid = 1 << ((LAYERS + 1) // 2)
        x0, y0 = (max(int((v - margin) // grid) * grid, 0) for v in xy_px)
        x1, y1 = (int(-(-(v + margin) // grid)) * grid for v in xy_px)
        crop = ground.image_bgr[y0 : min(y1, ground.height_px), x0 : min(x1, ground.width_px)]
        if min(crop.shape[:2]) * scale < 2 * NOMINAL_WIDTH_PX:
            return None
        click = (xy_px - (x0, y0) + 0.5) * scale - 0.5
        lab = to_lab(scaled(crop, number))
        return cls(number, scale, (x0, y0), lab, click, max(reach_px * scale, 0.6))

    def from_photo(self, xy_px: np.ndarray) -> np.ndarray:
        return (xy_px - self.corner + 0.5) * self.scale - 0.5

    def to_photo(self, xy: np.ndarray) -> np.ndarray:
        return (xy + 0.5) / self.scale - 0.5 + self.corner


def _candidates_in_crop(elements: Elements, crop: _Crop, most: int) -> list[Snap]:
    click, reach = crop.click, crop.reach
    away = np.hypot(*(elements.xy - click).T)
    candidates = np.flatnonzero(away <= reach)
    if len(candidates) == 0:
        return []
    candidates = candidates[np.argsort(away[candidates])[:MOST_CANDIDATES]]
    mine, support = _support(elements, candidates)
    # Nearer is better, yet a faint line under the pointer must not beat the lead beside it.
    nearness = np.exp(-0.5 * (away[candidates] / (0.3 * reach + 0.3 * NOMINAL_WIDTH_PX)) ** 2)
    score = elements.contrast[candidates] * support * nearness * COARSER_BONUS**crop.number
    # People click on the lead itself: its colour is the colour under the pointer.
    under = sample(crop.lab, click[None])[0]
    off = (elements.colour[candidates] - under) * LAB_WEIGHTS
    score *= np.maximum(np.exp(-0.5 * np.einsum("ij,ij->i", off, off) / UNDER_COLOUR**2), 0.1)
    score[support < 0.5] = 0.0
    kept: list[int] = []
    for c in np.argsort(-score):
        i = candidates[c]
        same = any(
            np.hypot(*(elements.xy[i] - elements.xy[candidates[k]])) < NOMINAL_WIDTH_PX
            and abs(np.sin(elements.angle_rad[i] - elements.angle_rad[candidates[k]])) < 0.5
            for k in kept
        )
        if score[c] <= 0 or len(kept) == most:
            break
        if not same:
            kept.append(int(c))
    return [
        _snap(elements, mine[c], candidates[c], float(score[c]), float(support[c]), crop, under)
        for c in kept
    ]


def _snap(
    elements: Elements,
    mine: np.ndarray,
    i: int,
    score: float,
    support: float,
    crop: _Crop,
    under: np.ndarray,
) -> Snap:
    seen = np.column_stack([elements.width, elements.contrast, elements.colour])[mine]
    width, contrast, *colour = np.median(seen, axis=0)
    away = np.hypot(*(elements.xy[i] - crop.click)) / NOMINAL_WIDTH_PX
    off = np.linalg.norm((elements.colour[i] - under) * LAB_WEIGHTS) / UNDER_COLOUR
    facts = (away, np.log(contrast / 10), support, np.log(width / NOMINAL_WIDTH_PX))
    return Snap(
        crop.to_photo(elements.xy[i]),
        float(width / crop.scale),
        np.array(colour),
        float(elements.angle_rad[i]),
        float(contrast),
        score,
        np.array([*facts, crop.number / LAYERS, min(off, 4.0)]),
    )


def _support(elements: Elements, candidates: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Elements that carry each candidate's line on, and how much of that run they fill (0..1)."""
    offset = elements.xy[None] - elements.xy[candidates, None]
    angle = elements.angle_rad[candidates]
    along = offset[..., 0] * np.cos(angle)[:, None] + offset[..., 1] * np.sin(angle)[:, None]
    across = offset[..., 1] * np.cos(angle)[:, None] - offset[..., 0] * np.sin(angle)[:, None]
    turn = np.abs(np.sin(elements.angle_rad[None] - angle[:, None]))
    run_px = SUPPORT_RUN * NOMINAL_WIDTH_PX
    like = elements.contrast[None] > 0.4 * elements.contrast[candidates, None]
    # A lead may bend with a radius of three widths.
    slack = 0.35 * NOMINAL_WIDTH_PX + along**2 / (6 * NOMINAL_WIDTH_PX)
    mine = (np.abs(along) <= run_px) & (np.abs(across) <= slack) & (turn < 0.75) & like
    bins = 9
    slot = np.clip(((along + run_px) / (2 * run_px) * bins).astype(int), 0, bins - 1)
    filled = np.zeros((len(candidates), bins), bool)
    rows, columns = np.nonzero(mine)
    filled[rows, slot[rows, columns]] = True
    return mine, filled.mean(1)
