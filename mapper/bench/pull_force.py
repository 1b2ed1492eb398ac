"""How hard a lead may be pulled: what its bends make of a pull, against what its conductor bears.

Method: the capstan equation T2 = T1 exp(mu theta), theta in radians (Euler 1769; Eytelwein 1808),
over all bends of the stretch that is drawn through the channel. The tail T1 is what the far end
holds back: friction of the straight runs is taken as a small tail per length, since a tail of zero
would make any bend free. What the conductor bears in a pull follows the cable trade's rule of
0.008 lbf per circular mil of soft copper, 70.2 MPa (ICEA-based trade rule, read in a secondary
copy); a fine lead of the bench is weaker at its crimp or weld than in its wire, so only a share of
that is allowed. A lead that is frozen in plastic is bonded, not rubbing: the equation does not
hold there, and no pull is advised.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

__all__ = [
    "FRICTION",
    "PullGuide",
    "bend_rad",
    "capstan_n",
    "conductor_limit_n",
    "pull_guide",
]

# mu of a dry lead on steel; 0.5 is the usual dry figure of the cable trade (IEEE 1185, secondary
# copy). Plastic left in the channel makes it more.
FRICTION = 0.5
TAIL_N_PER_M = 1.0  # held back per metre of straight run; our own figure, no source
LEAST_TAIL_N = 0.5
SOFT_COPPER_MPA = 70.2  # 0.008 lbf per circular mil
END_SHARE = 0.5  # crimp, weld and transition are weaker than the wire; our own figure, no source
HAND_N = 12.0  # what two fingers give a lead without thinking; our own figure, no source
SMOOTH_MM = 6.0  # bends closer than this to each other are a traced line's shaking, not bends
AWG_AREA_MM2 = 0.2047  # AWG 24 (ASTM B258): taken while nobody entered the size


@dataclass(frozen=True)
class PullGuide:
    """Advice for drawing one lead.

    turn_rad : all bends together. factor : how many times the tail has grown at the free end.
    tail_n, pull_n : held back at the far end, and needed at the free end when all is loose.
    limit_n : the most that may be pulled at the free end. word : "pull", "peel", "peel only".
    """

    turn_rad: float
    factor: float
    tail_n: float
    pull_n: float
    limit_n: float
    word: str
    text: str
    assumed: tuple[str, ...]

    @property
    def limit_text(self) -> str:
        """The limit alone, in words."""
        return f"Never over {_newton(self.limit_n)} N."


def capstan_n(tail_n: float, turn_rad: float, friction: float = FRICTION) -> float:
    """Pull after bends of `turn_rad` in all, N: T1 exp(mu theta)."""
    return tail_n * math.exp(min(friction * turn_rad, 700.0))


def conductor_limit_n(area_mm2: float, mpa: float = SOFT_COPPER_MPA) -> float:
    """Most that a conductor of that area bears in a pull by the trade rule, N."""
    return area_mm2 * mpa


def bend_rad(points_mm: np.ndarray) -> float:
    """Sum of all bends, radians, of a route (N, 2) in plate mm.

    The route is first simplified to `SMOOTH_MM`-wide steps, so that the shaking of a traced line
    is not counted as bends.
    """
    points = np.asarray(points_mm, float)
    if len(points) < 3:
        return 0.0
    steps = np.hypot(*np.diff(points, axis=0).T)
    arc = np.concatenate([[0.0], np.cumsum(steps)])
    if arc[-1] < 2 * SMOOTH_MM:
        return 0.0
    at = np.linspace(0, arc[-1], max(int(arc[-1] / SMOOTH_MM), 2) + 1)
    even = np.stack([np.interp(at, arc, points[:, axis]) for axis in (0, 1)], axis=1)
    even = _straightened(even)
    ways = np.diff(even, axis=0)
    angle = np.arctan2(ways[:, 1], ways[:, 0])
    turn = np.abs((np.diff(angle) + math.pi) % (2 * math.pi) - math.pi)
    return float(turn.sum())


def _straightened(points: np.ndarray, off_mm: float = 1.0) -> np.ndarray:
    """Fewest of the points that stay within `off_mm` (Ramer 1972; Douglas & Peucker 1973)."""
    keep = {0, len(points) - 1}
    todo = [(0, len(points) - 1)]
    while todo:
        low, high = todo.pop()
        if high - low < 2:
            continue
        way = points[high] - points[low]
        between = points[low + 1 : high] - points[low]
        length = float(np.hypot(*way))
        if length > 0:
            off = np.abs(way[0] * between[:, 1] - way[1] * between[:, 0]) / length
        else:
            off = np.hypot(*between.T)
        worst = int(np.argmax(off))
        if off[worst] > off_mm:
            middle = low + 1 + worst
            keep.add(middle)
            todo += [(low, middle), (middle, high)]
    return points[sorted(keep)]


def pull_guide(
    points_mm: np.ndarray,
    area_mm2: float | None = None,
    friction: float = FRICTION,
) -> PullGuide:
    """Advice for drawing a lead out along its route, (N, 2) plate mm from drop to exit.

    `area_mm2` of the conductor; without it that of AWG 24 is taken, and said so.
    """
    points = np.asarray(points_mm, float)
    length_mm = float(np.hypot(*np.diff(points, axis=0).T).sum())
    turn = bend_rad(points)
    tail_n = max(LEAST_TAIL_N, TAIL_N_PER_M * length_mm / 1000)
    factor = capstan_n(1.0, turn, friction)
    pull_n = tail_n * factor
    bears_n = conductor_limit_n(AWG_AREA_MM2 if area_mm2 is None else area_mm2)
    limit_n = min(bears_n * END_SHARE, HAND_N)
    degrees = math.degrees(turn)
    most = _newton(limit_n)
    if pull_n > limit_n:
        word = "peel only"
        text = (
            f"Peel by hand, bend by bend, from the free end; do not draw it through: "
            f"{degrees:.0f}° of bends make a pull {_times(factor)} as large. Never over {most} N."
        )
    elif pull_n > limit_n / 3:
        word = "peel"
        text = (
            f"Peel by hand; do not pull over {most} N. {degrees:.0f}° of bends make a pull "
            f"{_times(factor)} as large."
        )
    else:
        word = "pull"
        text = f"Draw by hand, slowly; do not pull over {most} N ({degrees:.0f}° of bends)."
    size = "AWG 24, since no size is entered" if area_mm2 is None else f"{area_mm2:.2f} mm²"
    assumed = (
        f"friction {friction:g} (dry, usual in the cable trade)",
        f"conductor {size}, as of soft copper, the weakest of the usual ones",
        f"half of the cable trade's pull for the wire, since crimp or weld give first, and at most "
        f"{HAND_N:g} N by hand",
        "the lead is loose all along: one that is frozen in plastic is bonded; melt it free first",
    )
    return PullGuide(turn, factor, tail_n, pull_n, limit_n, word, text, assumed)


def _newton(force_n: float) -> str:
    return f"{force_n:.0f}" if force_n >= 3 else f"{force_n:.1f}"


def _times(factor: float) -> str:
    return f"{factor:.1f} times" if factor < 10 else f"{min(factor, 999):.0f} times"
