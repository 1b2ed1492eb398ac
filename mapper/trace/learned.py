"""A small learned judge of crossings: which of two leads lies on top, from a patch.

The network g looks at the patch and at the patch with a and b exchanged; only the difference
counts, d = g(patch) - g(exchanged), averaged over the four ways of walking along the leads.
So exchanging the leads turns the answer round exactly, and so does no other turn of the picture
(scores of two rivals subtracted: Bradley & Terry 1952; one network for both sides: Bromley et
al. 1993). A second output e, summed instead, speaks for *neither*. The three shares are the
softmax of (d, -d, e) / T, with T from held-out pictures (temperature scaling: Guo et al. 2017).

The weights come from `tests/training/train_judge.py`; here they are only multiplied out.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from mapper.trace.network import Layers, shipped, softmax

__all__ = ["Layers", "normalised", "shares", "shipped_layers"]

FLAT_LAB = 3.0  # spread below which a patch is not stretched any further
STRIDES = (2, 1, 2, 1, 2)
SHARPNESS = 6  # how much a guess that looks like *neither* is left out


def normalised(patch_bgr: np.ndarray) -> np.ndarray:
    """(3, N, N) float32 of a patch (N, N, 3) uint8 BGR: Lab, mean taken off, spread made one."""
    lab = cv2.cvtColor(patch_bgr.astype(np.float32) / 255.0, cv2.COLOR_BGR2Lab)
    lab = lab - lab.mean((0, 1))
    spread = float(np.sqrt((lab**2).sum(2).mean()))
    return (lab / max(spread, FLAT_LAB)).transpose(2, 0, 1)


def shipped_layers() -> Layers:
    """The weights that come with the program."""
    return shipped("judge")


def shares(patches: Sequence[np.ndarray | None], layers: Layers) -> tuple[float, float, float]:
    """How likely a is on top, b is on top, neither can be told; they add up to one.

    `patches`: one place under several guesses of the width, None where there is no patch. Each
    guess counts the more, the less it looks like *neither*: a crossing cut out far too wide or
    too narrow does not look like one. No patch at all: neither.
    """
    scores = [_scores(patch, layers) for patch in patches if patch is not None]
    if not scores:
        return 0.0, 0.0, 1.0
    d, e = np.array(scores).T
    z = np.stack([d, -d, e], 1) / float(layers["temperature"])
    weight = (1.0 - softmax(z)[:, 2:]) ** SHARPNESS
    return tuple(float(v) for v in softmax((weight * z).sum(0) / weight.sum()))


def _scores(patch_bgr: np.ndarray, layers: Layers) -> tuple[float, float]:
    """d and e of one patch."""
    x = normalised(patch_bgr)
    turned = [x, x[:, ::-1], x[:, :, ::-1], x[:, ::-1, ::-1]]
    both = np.stack(turned + [t.transpose(0, 2, 1) for t in turned])
    out = _network(both, layers)
    return float(out[:4, 0].mean() - out[4:, 0].mean()), float(
        out[:4, 1].mean() + out[4:, 1].mean()
    )


def _network(x: np.ndarray, layers: Layers) -> np.ndarray:
    """(B, 3, N, N) to (B, 2)."""
    for n, stride in enumerate(STRIDES):
        x = np.maximum(_convolved(x, layers[f"w{n}"], layers[f"b{n}"], stride), 0)
    x = np.maximum(x.reshape(len(x), -1) @ layers["w5"].T + layers["b5"], 0)
    return x @ layers["w6"].T + layers["b6"]


def _convolved(x: np.ndarray, weight: np.ndarray, bias: np.ndarray, stride: int) -> np.ndarray:
    """Correlation with `weight` (O, I, K, K), zeros outside, every `stride`-th place."""
    size = weight.shape[2]
    pad = size // 2
    x = np.pad(x, ((0, 0), (0, 0), (pad, pad), (pad, pad)))
    views = np.lib.stride_tricks.sliding_window_view(x, (size, size), axis=(2, 3))
    views = views[:, :, ::stride, ::stride].transpose(0, 2, 3, 1, 4, 5)
    high, wide = views.shape[1:3]
    flat = views.reshape(len(x) * high * wide, -1) @ weight.reshape(len(weight), -1).T + bias
    return flat.reshape(len(x), high, wide, -1).transpose(0, 3, 1, 2)
