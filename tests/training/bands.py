"""What the training of a network that looks at bands along leads needs."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

__all__ = ["run", "saved", "started", "with_other_hues"]


def run(
    doc: str,
    first: str,
    make: Callable[[Path, int, int], None],
    fit: Callable[..., None],
    rounds: int,
) -> None:
    """The command: `first` FOLDER makes the pictures, `fit` FOLDER OUT.npz learns from them."""
    parser = argparse.ArgumentParser(description=doc)
    parser.add_argument("what", choices=(first, "fit"))
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path, nargs="?")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--scenes", type=int, default=600)
    parser.add_argument("--rounds", type=int, default=rounds)
    parser.add_argument("--start", type=Path, help="weights to go on from")
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    if chosen.what == first:
        make(chosen.folder, chosen.first, chosen.scenes)
    else:
        fit(chosen.folder, chosen.out, chosen.rounds, *([chosen.start] if chosen.start else []))


def started(torch, net, start: Path) -> None:
    """Weights that `saved` wrote, into a net of the same dense layers."""
    stored = np.load(start)
    for n, layer in enumerate(v for v in net if hasattr(v, "weight")):
        layer.weight.data = torch.from_numpy(stored[f"w{n}"].astype(np.float32))
        layer.bias.data = torch.from_numpy(stored[f"b{n}"].astype(np.float32))


def saved(net, out: Path) -> None:
    """Write the dense layers of a PyTorch net as `mapper.trace.network` reads them."""
    dense = [layer for layer in net if hasattr(layer, "weight")]
    arrays = {f"w{n}": d.weight.detach().numpy().astype(np.float16) for n, d in enumerate(dense)}
    arrays |= {f"b{n}": d.bias.detach().numpy().astype(np.float16) for n, d in enumerate(dense)}
    np.savez_compressed(out, **arrays)


def with_other_hues(torch, band, negative: float = 0.0):
    """Bands with hues turned about and weakened, a little noise; a share light for dark."""
    way, gain = torch.rand(()) * 2 * np.pi, 0.4 + 0.9 * torch.rand(())
    c, s = gain * torch.cos(way), gain * torch.sin(way)
    light, a, b = band.unbind(-1)
    if negative and torch.rand(()) < negative:
        light = -light
    band = torch.stack([light, c * a - s * b, s * a + c * b], -1)
    return band + 0.06 * torch.randn_like(band)
