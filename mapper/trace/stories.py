"""Two painted stories of a crossing, *a on top* and *b on top*, compared with the picture.

Each lead is looked at just before and just behind the crossing: its colour across, from edge
to edge, shading and glints included. Where the two overlap the picture must look like the
upper lead carried on. So both stories are painted and compared with what is there; beside
that, the two edges of the upper lead run on through the crossing and those of the lower one
stop. No answer is given where the stories hardly differ, where neither fits (something else
covers the place) or where the leads run almost alongside.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from mapper.trace.evidence import sample, to_lab
from mapper.trace.ground import Ground
from mapper.trace.model import Judgement
from mapper.trace.strand import Strand

__all__ = ["CrossingEvidence", "crossing_evidence", "decide"]

MIN_ANGLE_RAD = np.radians(8.0)
ANSWER_FROM = 0.86
MOST_MISFIT = 0.45  # of the gap between the stories
SHALLOW_RAD = np.radians(32.0)  # below: the leads lie close for long, so all must agree
SHALLOW_CONTRAST = 4.0  # Lab units of either lead against what lies beside it
MIN_LEAD_CONTRAST = 1.5
EDGE_BLUR_PX = 0.3
LIGHTNESS_WEIGHT = 0.7
NOISE = 2.0  # Lab units, what JPEG and sensor leave on a flat surface
CROP_PX = 220


@dataclass(frozen=True)
class CrossingEvidence:
    """What speaks for a on top (positive) or b on top (negative), and how plain the place is.

    `paint` -1..1: fit of the two painted stories; `shape`: the same without the mean colour;
    `edges` -1..1: whose edges run on; `colour_gap` Lab units between the stories; `misfit`
    Lab units by which the better story is wrong; `angle_rad`; `width_px` of the thinner lead;
    `contrast` of the fainter lead against its sides.
    """

    paint: float
    shape: float
    edges: float
    colour_gap: float
    misfit: float
    angle_rad: float
    width_px: float
    contrast: float


def decide(evidence: CrossingEvidence) -> Judgement:
    """Weigh the evidence. Weights: logistic fit on invented loose cables, cross-validated."""
    fit = max(1.0 - evidence.misfit / (0.8 * max(evidence.colour_gap, 1e-6)), 0.0)
    score = (
        (1.4 + 1.1 * fit) * evidence.paint
        + (2.1 + 0.6 * fit) * evidence.shape
        + (0.5 + 0.25 * fit) * evidence.edges
    )
    # A few pixels across, blur and JPEG blocks make stories of their own.
    score *= 0.3 + 0.7 * float(np.clip((evidence.width_px - 2.0) / 6.0, 0.0, 1.0))
    if evidence.paint * evidence.shape < 0:
        score *= 0.5
    belief = float(1.0 / (1.0 + np.exp(-2.0 * abs(score))))
    if _muddled(evidence):
        return Judgement(None, min(belief, 0.5))
    if belief < ANSWER_FROM:
        return Judgement(None, belief)
    return Judgement("a" if score > 0 else "b", belief)


def _muddled(evidence: CrossingEvidence) -> bool:
    """Whether the place is not what the two stories tell of.

    A third lead or plastic lies over it, a neighbour in a bundle was taken for the lead, or
    one of the two can hardly be seen. Then the evidence may be strong and still be about
    something else. Better no answer.
    """
    signs = {evidence.paint > 0, evidence.shape > 0, evidence.edges > 0}
    shallow = evidence.angle_rad < SHALLOW_RAD
    return (
        evidence.misfit > MOST_MISFIT * evidence.colour_gap
        or evidence.contrast < (SHALLOW_CONTRAST if shallow else MIN_LEAD_CONTRAST)
        or (shallow and len(signs) > 1)
    )


def crossing_evidence(
    ground: Ground,
    strands: tuple[Strand, Strand],
    widths_px: tuple[float, float],
    place: np.ndarray,
) -> CrossingEvidence | None:
    """The evidence at a crossing, or None where it can't be gathered."""
    piece_a, piece_b = strands
    wide_a, wide_b = widths_px
    cos = abs(float(piece_a.direction @ piece_b.direction))
    angle = float(np.arccos(min(cos, 1.0)))
    if angle < MIN_ANGLE_RAD:
        return None
    x0, y0, crop = _crop(ground, place)
    lab = to_lab(crop) * np.array([LIGHTNESS_WEIGHT, 1, 1], np.float32)
    lab = cv2.GaussianBlur(lab, (3, 3), 0.5)
    corner = np.array([x0, y0], float)
    sin = np.sin(angle)
    skins = []
    for own, w_own, w_other in ((piece_a, wide_a, wide_b), (piece_b, wide_b, wide_a)):
        clear = (0.5 * w_other + 0.5 * w_own * cos) / sin + 0.35 * w_other
        skin = _Skin.of(lab, own.moved(-corner), w_own, clear)
        if skin is None:
            return None
        skins.append(skin)
    return _compare(lab, skins[0], skins[1], angle)


def _crop(ground: Ground, place: np.ndarray) -> tuple[int, int, np.ndarray]:
    x, y = (int(v) for v in place)
    x0, y0 = max(x - CROP_PX, 0), max(y - CROP_PX, 0)
    return x0, y0, ground.image_bgr[y0 : y + CROP_PX + 1, x0 : x + CROP_PX + 1]


@dataclass(frozen=True, eq=False)
class _Skin:
    """A lead as it looks beside the crossing: axis through it, and colours across.

    `origin`, `along`, `bow`: axis point(s) = origin + s along + bow s^2 normal. `before`,
    `behind` (U, 3) colour across at `across` (U,) px for the two sides.
    """

    origin: np.ndarray
    along: np.ndarray
    bow: float
    width: float
    clear: float
    across: np.ndarray
    before: np.ndarray
    behind: np.ndarray
    contrast: float

    @classmethod
    def of(cls, lab: np.ndarray, strand: Strand, width: float, clear: float) -> _Skin | None:
        stations = np.arange(0.0, 2.5 * width, max(0.25 * width, 1.0))
        sides = [s for s in (-(clear + stations[::-1]), clear + stations)]
        if strand.at[0] > -clear - width or strand.at[-1] < clear + width:
            return None
        sides = [s[(s >= strand.at[0]) & (s <= strand.at[-1])] for s in sides]
        if min(len(s) for s in sides) < 2:
            return None
        s = np.concatenate(sides)
        points = strand.place(s)
        origin = strand.place(np.array([0.0]))[0]
        along = strand.direction
        for _ in range(2):
            normal = np.array([-along[1], along[0]])
            x, y = (points - origin) @ along, (points - origin) @ normal
            bow, slope, shift = np.polyfit(x, y, 2)
            origin = origin + shift * normal
            along = along + slope * normal
            along /= np.hypot(*along)
        normal = np.array([-along[1], along[0]])
        across = np.linspace(-1.5 * width, 1.5 * width, 49)
        skins, offs = [], []
        for side in sides:
            x = side
            axis = origin + x[:, None] * along + bow * (x**2)[:, None] * normal
            tilt = 2 * bow * x
            n = normal - tilt[:, None] * along
            n /= np.hypot(*n.T)[:, None]
            block = sample(lab, axis[:, None] + across[None, :, None] * n[:, None])
            inside = (axis >= 0).all(1) & (axis < (lab.shape[1], lab.shape[0])).all(1)
            if inside.sum() < 2:
                return None
            skins.append(np.median(block[inside], axis=0))
            offs.append(_centre(across, skins[-1], width))
        # The path may lie off the middle: shift and turn the axis by what the two sides say.
        mean_x = [float(np.mean(side)) for side in sides]
        turn = (offs[1] - offs[0]) / (mean_x[1] - mean_x[0])
        origin = origin + (offs[0] - turn * mean_x[0]) * normal
        along = along + turn * normal
        along /= np.hypot(*along)
        moved = [
            np.stack([np.interp(across + off, across, skin[:, c]) for c in range(3)], -1)
            for skin, off in zip(skins, offs, strict=True)
        ]
        core = np.abs(across) < 0.3 * width
        rim = (np.abs(across) > 0.7 * width) & (np.abs(across) < 1.1 * width)
        contrast = min(
            float(np.linalg.norm(m[core].mean(0) - m[rim & side].mean(0)))
            for m in moved
            for side in (across < 0, across > 0)
        )
        return cls(origin, along, float(bow), width, clear, across, *moved, contrast)

    def coordinates(self, xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(s, u) along and across the lead for `xy` (..., 2)."""
        normal = np.array([-self.along[1], self.along[0]])
        s = (xy - self.origin) @ self.along
        return s, (xy - self.origin) @ normal - self.bow * s**2

    def paint(self, s: np.ndarray, u: np.ndarray) -> np.ndarray:
        """Colour of the lead carried on at (s, u)."""
        share = np.clip(0.5 + s / (2 * self.clear + 2 * self.width), 0, 1)[..., None]
        both = [
            np.stack([np.interp(u, self.across, skin[:, c]) for c in range(3)], -1)
            for skin in (self.before, self.behind)
        ]
        return (1 - share) * both[0] + share * both[1]


def _centre(across: np.ndarray, skin: np.ndarray, width: float) -> float:
    """How far the lead's middle lies beside 0: best match with its mirror image inside."""
    best, best_off = np.inf, 0.0
    inner = np.linspace(-0.75, 0.75, 25) * width
    for off in np.linspace(-0.35, 0.35, 15) * width:
        left = np.stack([np.interp(off + inner, across, skin[:, c]) for c in range(3)], -1)
        core = left[8:17].mean(0)
        rim = 0.5 * (left[:3].mean(0) + left[-3:].mean(0))
        cost = -float(np.linalg.norm(core - rim)) + 4.0 * abs(off) / width
        if cost < best:
            best, best_off = cost, float(off)
    return best_off


def _compare(lab: np.ndarray, a: _Skin, b: _Skin, angle: float) -> CrossingEvidence | None:
    # Where the two axes meet.
    system = np.stack([a.along, -b.along], 1)
    if abs(np.linalg.det(system)) < 0.1:
        return None
    t = np.linalg.solve(system, b.origin - a.origin)
    meet = a.origin + t[0] * a.along
    if abs(t[0]) > 3 * a.width + 10:
        return None
    half = 0.75 * (a.width + b.width) / max(np.sin(angle), 0.3)
    n = int(np.clip(4 * half, 24, 120))
    grid = np.linspace(-half, half, n)
    xy = meet + np.stack(np.meshgrid(grid, grid), -1)
    s_a, u_a = a.coordinates(xy)
    s_b, u_b = b.coordinates(xy)
    overlap = (np.abs(u_a) < _core(a.width)) & (np.abs(u_b) < _core(b.width))
    if overlap.sum() < 8:
        return None
    seen = sample(lab, xy)
    paint_a, paint_b = a.paint(s_a, u_a), b.paint(s_b, u_b)
    off_a, off_b = (seen - paint_a)[overlap], (seen - paint_b)[overlap]
    noise2 = NOISE**2

    def contest(x: np.ndarray, y: np.ndarray) -> float:
        ex, ey = (x**2).sum(1).mean(), (y**2).sum(1).mean()
        return float((ey - ex) / (ex + ey + 2 * noise2))

    paint = contest(off_a, off_b)
    shape = contest(off_a - off_a.mean(0), off_b - off_b.mean(0))
    gap = float(np.sqrt(((paint_a - paint_b)[overlap] ** 2).sum(1).mean()))
    misfit = float(np.sqrt(min((off_a**2).sum(1).mean(), (off_b**2).sum(1).mean())))
    edge_a = _edge(lab, a, b, xy, meet)
    edge_b = _edge(lab, b, a, xy, meet)
    edges = (edge_a - edge_b) / (edge_a + edge_b + NOISE)
    return CrossingEvidence(
        paint,
        shape,
        float(edges),
        gap,
        misfit,
        angle,
        min(a.width, b.width),
        min(a.contrast, b.contrast),
    )


def _core(width: float) -> float:
    """Half the breadth in which a lead shows its own colour, edges and blur left out."""
    return max(0.42 * width - EDGE_BLUR_PX, 0.2 * width)


def _edge(lab: np.ndarray, own: _Skin, other: _Skin, xy: np.ndarray, meet: np.ndarray) -> float:
    """Weaker of the own two edges inside the other lead's band, Lab units per step across."""
    s0, _ = own.coordinates(meet[None])
    run = (
        np.linspace(-0.35, 0.35, 9)
        * other.width
        / max(abs(float(own.along @ np.array([-other.along[1], other.along[0]]))), 0.15)
    )
    normal = np.array([-own.along[1], own.along[0]])
    strengths = []
    for side in (-1.0, 1.0):
        best = 0.0
        for rim in (0.38, 0.5, 0.62):
            s = s0[0] + run
            base = own.origin + s[:, None] * own.along + (own.bow * s**2)[:, None] * normal
            delta = max(0.18 * own.width, 0.75)
            inner = sample(lab, base + side * (rim * own.width - delta) * normal)
            outer = sample(lab, base + side * (rim * own.width + delta) * normal)
            _, u = other.coordinates(base + side * rim * own.width * normal)
            inside = np.abs(u) < 0.4 * other.width
            if inside.sum() < 3:
                continue
            best = max(best, float(np.linalg.norm((inner - outer)[inside].mean(0))))
        strengths.append(best)
    return min(strengths)
