"""What the learned parts of the tracer share: their weights, and what is multiplied out.

Each part has a file of weights of its own, made by a script of `tests/training`.
"""

from __future__ import annotations

from functools import cache
from importlib import resources

import numpy as np

__all__ = ["Layers", "dense", "shipped", "softmax"]

Layers = dict[str, np.ndarray]


@cache
def shipped(name: str) -> Layers:
    """The weights of that name that come with the program, float32."""
    with resources.files("mapper.trace").joinpath(f"{name}_weights.npz").open("rb") as file:
        stored = np.load(file)
        return {key: stored[key].astype(np.float32) for key in stored.files}


def dense(x: np.ndarray, layers: Layers) -> np.ndarray:
    """(N, I) through two hidden layers, cut at zero, and the last one: (N, O)."""
    for n in (0, 1):
        x = np.maximum(x @ layers[f"w{n}"].T + layers[f"b{n}"], 0)
    return x @ layers["w2"].T + layers["b2"]


def softmax(z: np.ndarray) -> np.ndarray:
    """Shares along the last axis."""
    z = np.exp(z - z.max(-1, keepdims=True))
    return z / z.sum(-1, keepdims=True)
