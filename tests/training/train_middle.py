"""Train the finder of middles and write mapper/trace/middle_weights.npz.

    python -m tests.training.train_middle bands FOLDER --first 0 --scenes 600
    python -m tests.training.train_middle fit FOLDER OUT.npz

`fit` needs PyTorch (CPU), which the program itself does not. Three of four scenes are leads laid
in channels (`tests.training.laid_leads`), the fourth loose cables on the grounds of
`tests.benchmarks.loose_cables`; scene n is drawn by numpy's default_rng([SEED, n]), a seed that
no benchmark uses. Places are taken off the middles as traced lines are; every tenth file of
scenes is held out. The weights that are shipped: scenes 0 to 999, 16 rounds,
torch.manual_seed(5).
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from mapper.trace.evidence import sample, to_lab
from mapper.trace.ground import layer_for_width, layer_scale, scaled
from mapper.trace.middle import ACROSS, ALONG, BIN_WIDTHS, BINS, straightened
from tests.benchmarks.loose_cables import loose_cables
from tests.training.bands import run, saved, with_other_hues
from tests.training.laid_leads import laid_leads

SEED = 37
PART = 20
PLACES = 60  # for each lead
HIDDEN = (96, 32)
BATCH = 256
LEARN = 2e-3


def scene(number: int):
    rng = np.random.default_rng([SEED, number])
    if number % 4:
        return laid_leads(rng)
    kind = ("plain", "printed", "loops")[int(rng.integers(0, 3))]
    made = loose_cables(rng, kind, (640, 900))
    return made.image_bgr, made.cables


def bands(number: int):
    """(band, log width, bin) at places beside the leads of one scene; bin `BINS`: not seen."""
    image, cables = scene(number)
    rng = np.random.default_rng([SEED, number, 1])
    layers = {}
    for cable in cables:
        n = len(cable.points_px)
        if n < 30 or not cable.visible.any():
            continue
        way = cv2.GaussianBlur(np.gradient(cable.points_px, axis=0), (1, 9), 2.0)
        way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
        side = np.stack([-way[:, 1], way[:, 0]], 1)
        for _ in range(2):
            width_px = cable.width_px * np.exp(rng.normal(0, 0.12))
            k = layer_for_width(width_px)
            if k not in layers:
                layers[k] = to_lab(scaled(image, k))
            scale = layer_scale(k)
            line = (cable.points_px + 0.5) * scale - 0.5
            seen = np.flatnonzero(cable.visible)
            # The colour is read where the lead is clicked: somewhere on it, near its middle.
            at = rng.choice(seen, 2)
            colour = sample(layers[k], line[at] + rng.normal(0, 0.1, (2, 2))).mean(0)
            pick = rng.integers(0, n, PLACES // 2)
            true_off = rng.choice([0.15, 0.35, 0.6], len(pick)) * rng.normal(0, 1, len(pick))
            true_off = np.clip(true_off, -0.93, 0.93)  # in widths as read
            lean = rng.normal(0, 0.06, len(pick))
            turned = side[pick] * np.cos(lean)[:, None] + way[pick] * np.sin(lean)[:, None]
            width = width_px * scale
            xy = line[pick] - true_off[:, None] * width * side[pick]
            band = straightened(layers[k], xy, turned, width, colour)
            label = np.round(true_off / BIN_WIDTHS).astype(int) + BINS // 2
            label = np.clip(label, 0, BINS - 1)
            label[~cable.visible[pick]] = BINS
            yield band, np.full(len(pick), np.log(width / 4.2)), label


def make(folder: Path, first: int, scenes: int) -> None:
    for start in range(first, first + scenes, PART):
        rows = [row for n in range(start, start + PART) for row in bands(n)]
        band, broad, label = (np.concatenate(v) for v in zip(*rows, strict=True))
        np.savez(
            folder / f"{start:06d}.npz",
            band=band.astype(np.float16),
            broad=broad.astype(np.float32),
            label=label.astype(np.int16),
        )
        print(start, len(band), flush=True)


def fit(folder: Path, out: Path, rounds: int) -> None:
    """Minimise the cross entropy of the bin; a bin beside the right one is half right."""
    import torch
    from torch import nn

    torch.manual_seed(5)
    torch.set_num_threads(1)
    parts = [dict(np.load(f)) for f in sorted(folder.glob("[0-9]*.npz"))]
    held = np.concatenate([np.full(len(p["label"]), k % 10 == 9) for k, p in enumerate(parts)])
    band = torch.from_numpy(np.concatenate([p["band"] for p in parts]))
    broad = torch.from_numpy(np.concatenate([p["broad"] for p in parts]))[:, None]
    label = torch.from_numpy(np.concatenate([p["label"] for p in parts]).astype(np.int64))
    net = nn.Sequential(
        nn.Linear(ALONG * ACROSS * 3 + 1, HIDDEN[0]),
        nn.ReLU(),
        nn.Dropout(0.1),
        nn.Linear(HIDDEN[0], HIDDEN[1]),
        nn.ReLU(),
        nn.Linear(HIDDEN[1], BINS + 1),
    )
    wanted = torch.zeros(BINS + 1, BINS + 1)
    for k in range(BINS):
        for j in range(BINS):
            wanted[k, j] = np.exp(-0.5 * ((k - j) / 0.7) ** 2)
    wanted[BINS, BINS] = 1
    wanted /= wanted.sum(1, keepdim=True)
    training, testing = (torch.from_numpy(np.flatnonzero(held == k)) for k in (False, True))
    steps = rounds * (len(training) // BATCH + 1)
    best = torch.optim.AdamW(net.parameters(), lr=LEARN, weight_decay=1e-2)
    pace = torch.optim.lr_scheduler.OneCycleLR(best, LEARN, total_steps=steps)
    for number in range(rounds):
        net.train()
        for pick in training[torch.randperm(len(training))].split(BATCH):
            seen, goal = _varied(torch, band[pick].float(), label[pick])
            odds = net(torch.cat([seen.flatten(1), broad[pick]], 1))
            loss = -(wanted[goal] * torch.log_softmax(odds, 1)).sum(1).mean()
            best.zero_grad()
            loss.backward()
            best.step()
            pace.step()
        if number % 2 or number == rounds - 1:
            net.eval()
            with torch.no_grad():
                odds = net(torch.cat([band[testing].float().flatten(1), broad[testing]], 1))
                goal = label[testing]
                loss = -(wanted[goal] * torch.log_softmax(odds, 1)).sum(1).mean()
                there = goal < BINS
                off = (odds[there, :BINS].argmax(1) - goal[there]).abs() * BIN_WIDTHS
                blind = (goal[there] - BINS // 2).abs() * BIN_WIDTHS
                share = torch.softmax(odds, 1)[:, BINS]
            print(
                f"round {number + 1}, held out: loss {float(loss):.3f}, off by more than 0.25 "
                f"{float((off > 0.25).float().mean()):.3f} (as laid "
                f"{float((blind > 0.25).float().mean()):.3f}), not seen "
                f"{float(share[~there].mean()):.2f} {float(share[there].mean()):.2f}",
                flush=True,
            )
    saved(net, out)


def _varied(torch, band, label):
    """Mirrored either way, hues turned about and weakened, a little noise."""
    if torch.rand(()) < 0.5:
        band = band.flip(1)
    if torch.rand(()) < 0.5:
        band = band.flip(2)
        label = torch.where(label < BINS, BINS - 1 - label, label)
    return with_other_hues(torch, band), label


if __name__ == "__main__":
    run(__doc__, "bands", make, fit, rounds=16)
