"""A small learned weigher of clicks: which of the lines near a click is the lead that is meant.

Candidates are the lines found near the click and, as in a bundle none may be found on the lead,
straight leads of every width and direction through the click itself. Each is laid straight: a band
along it, `ALONG` x `ACROSS` places in the pixels of its layer, in Lab, counted from the colour of
its middle. With six facts beside it a network of two hidden layers gives the log odds that this
line is the lead under the click, against *none of them*, how much wider the lead is than its line
was read, and how far to the side of the line its middle lies. It is asked about the band and its
mirror images, and the answers are averaged, as a line has no direction.

The weights come from `tests/training/train_likely.py`; here they are only multiplied out.
"""

from __future__ import annotations

import numpy as np

from mapper.trace.evidence import laid_straight
from mapper.trace.network import Layers, dense, shipped

__all__ = ["ACROSS", "ALONG", "FACTS", "Layers", "bands", "shipped_layers", "weigh"]

ALONG, ACROSS, FACTS = 25, 9, 6
STEP_PX = (1.3, 1.25)  # along and across the line, px of the layer
LAB_UNIT = 20.0  # Lab units that count as one
MOST_UNITS = 4.0


def bands(lab: np.ndarray, xy: np.ndarray, angle_rad: np.ndarray) -> np.ndarray:
    """(K, ALONG, ACROSS, 3) float32: `lab` (H, W, 3) along the lines through `xy` (K, 2) px.

    Lab less the mean of the line's own middle, in `LAB_UNIT`.
    """
    along = (np.arange(ALONG) - ALONG // 2) * STEP_PX[0]
    across = (np.arange(ACROSS) - ACROSS // 2) * STEP_PX[1]
    way = np.stack([np.cos(angle_rad), np.sin(angle_rad)], -1)
    seen = laid_straight(lab, xy, way, along, across)
    near = slice(ALONG // 2 - 2, ALONG // 2 + 3)
    own = seen[:, near, ACROSS // 2 - 1 : ACROSS // 2 + 2].mean((1, 2))
    return np.clip((seen - own[:, None, None]) / LAB_UNIT, -MOST_UNITS, MOST_UNITS)


def shipped_layers() -> Layers:
    """The weights that come with the program."""
    return shipped("likely")


def weigh(
    bands: np.ndarray, facts: np.ndarray, layers: Layers
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Shares (K,) of belief in each line, in all at most 1, log (true width / read) (K,), and how
    many widths to the side of each line the lead's middle lies (K,).

    `bands` (K, ALONG, ACROSS, 3), `facts` (K, FACTS): all candidates of one click.
    """
    turned = ((bands, 1), (bands[:, ::-1], 1), (bands[:, :, ::-1], -1), (bands[:, ::-1, ::-1], -1))
    out = np.zeros((len(bands), 3), np.float32)
    for band, side in turned:
        x = np.concatenate([band.reshape(len(band), -1), facts], 1, dtype=np.float32)
        out += dense(x, layers) * (1, 1, side) / len(turned)
    top = max(float(out[:, 0].max(initial=0.0)), 0.0)
    odds = np.exp(out[:, 0] - top)
    return odds / (odds.sum() + np.exp(-top)), out[:, 1].astype(float), out[:, 2].astype(float)
