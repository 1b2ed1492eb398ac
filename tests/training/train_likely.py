"""Train the weigher of clicks and write mapper/trace/likely_weights.npz.

    python -m tests.training.train_likely clicks FOLDER --first 0 --scenes 600
    python -m tests.training.train_likely fit FOLDER OUT.npz

`fit` needs PyTorch (CPU), which the program itself does not. Of four scenes one shows loose cables
on the grounds of `tests.benchmarks.loose_cables`, one leads laid in channels
(`tests.training.laid_leads`), two are as those of the lanes (`tests.training.lane_strips`:
bundles, coils, poor photos); scene n is drawn by numpy's default_rng([SEED, n]), a seed that no
benchmark uses. Every tenth file of scenes is held out, never trained on. The weights that are
shipped: scenes 0 to 1599, 12 rounds, torch.manual_seed(5), two threads; 55.2 % of the held-out
clicks read right, where the one candidate at the top counts (what says the same is taken together
only later). When they were taught, straight leads that look like both their sides were still among
the candidates.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from mapper.trace.ground import Ground
from mapper.trace.likely import FACTS
from mapper.trace.snap import INSIDE, banded
from tests.benchmarks.loose_cables import loose_cables
from tests.training.bands import run, saved, started, with_other_hues
from tests.training.laid_leads import laid_leads
from tests.training.lane_strips import scene as crowded

SEED = 31
CLICKS = 20  # for each scene
MOST = 140  # candidates of one click
PART = 20  # scenes in one file
CROWDED = 100_000  # added to the number of a scene that is drawn as those of the lanes are
OFF_MIDDLE = 0.3  # in widths: a line farther off is not this lead's
OFF_ANGLE = np.sin(np.radians(20))
OFF_WIDTH = 0.2  # in log width: deviation by which a line's width may be wrong
HIDDEN = (128, 48)
BATCH = 128
LEARN, LEARN_MORE = 2e-3, 5e-4  # from the beginning, and from weights that are there
FIELDS = ("bands", "facts", "worth", "stretch", "beside")
NONE_SHARE = 0.12  # of the clicks: anywhere in the picture


def scene(number: int) -> tuple[np.ndarray, tuple]:
    if number % 2:
        return crowded(CROWDED + number)
    rng = np.random.default_rng([SEED, number])
    harder = bool(rng.random() < 0.5)
    if number % 4:
        return laid_leads(rng, harder=harder)
    kind = ("plain", "printed", "loops")[int(rng.integers(0, 3))]
    made = loose_cables(rng, kind, (640, 900), harder)
    return made.image_bgr, made.cables


def clicks(number: int):
    """(bands, facts, worth, log width, beside) of every candidate at each click of one scene.

    `worth` (K,) 0..1: how well the candidate is the lead meant; all 0 where none is meant.
    `beside` (K,): widths of the candidate across its line to the lead's middle.
    """
    image, cables = scene(number)
    rng = np.random.default_rng([SEED, number, 1])
    ground = Ground(image)
    line = np.concatenate([c.points_px for c in cables])
    way = np.concatenate([np.gradient(c.points_px, axis=0) for c in cables])
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    width = np.concatenate([np.full(len(c.points_px), c.width_px) for c in cables])
    seen = np.concatenate(
        [cv2.erode(c.visible.astype(np.uint8)[:, None], np.ones((7, 1)))[:, 0] for c in cables]
    ).astype(bool)
    high, wide = image.shape[:2]
    for _ in range(CLICKS):
        reach = 6.0 if rng.random() < 0.6 else float(np.exp(rng.uniform(np.log(3), np.log(25))))
        if rng.random() < NONE_SHARE or not seen.any():
            xy = rng.uniform(0, 1, 2) * (wide - 1, high - 1)
        else:
            k = rng.choice(np.flatnonzero(seen))
            xy = line[k] + rng.normal(0, rng.choice([0.05, 0.15, 0.35]) * width[k], 2)
        xy = np.clip(xy, 0, (wide - 1, high - 1))
        off = np.where(seen, np.hypot(*(line - xy).T), np.inf)
        nearest = int(np.argmin(off))
        found, seen_bands = banded(ground, xy, reach)
        if not found:
            continue
        worth, stretch, beside = np.zeros((3, len(found)))
        if off[nearest] <= reach + 0.5 * width[nearest]:
            own = slice(max(nearest - 60, 0), nearest + 60)
            near = np.hypot(*(line[own] - xy).T) < 4 * width[nearest] + 2 * reach
            same = (width[own] == width[nearest]) & near & seen[own]
            part, heading = line[own][same], way[own][same]
            for i, snap in enumerate(found):
                away = np.hypot(*(part - snap.xy_px).T)
                j = int(np.argmin(away))
                turn = abs(
                    np.cos(snap.angle_rad) * heading[j, 1] - np.sin(snap.angle_rad) * heading[j, 0]
                )
                stretch[i] = np.log(width[nearest] / snap.width_px)
                side = np.array([-np.sin(snap.angle_rad), np.cos(snap.angle_rad)])
                beside[i] = (part[j] - snap.xy_px) @ side / snap.width_px
                laid = snap.score == 0.0
                most = INSIDE * width[nearest] if laid else OFF_MIDDLE * width[nearest] + 0.5
                if away[j] <= most and turn < OFF_ANGLE:
                    worth[i] = np.exp(-0.5 * (stretch[i] / OFF_WIDTH) ** 2)
        yield seen_bands, np.array([s.facts for s in found]), worth, stretch, beside


def make(folder: Path, first: int, scenes: int) -> None:
    for start in range(first, first + scenes, PART):
        made = [row for n in range(start, start + PART) for row in clicks(n)]
        seen, facts, worth, stretch, beside = zip(*made, strict=True)
        np.savez(
            folder / f"{start:06d}.npz",
            bands=np.concatenate(seen).astype(np.float16),
            facts=np.concatenate(facts).astype(np.float32),
            worth=np.concatenate(worth).astype(np.float32),
            stretch=np.concatenate(stretch).astype(np.float32),
            beside=np.concatenate(beside).astype(np.float32),
            counts=np.array([len(w) for w in worth]),
        )
        print(start, len(made), flush=True)


def load(folder: Path) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """All clicks of `folder`, padded to `MOST` candidates each, and which of them are held out."""
    parts, held = [], []
    for file in sorted(folder.glob("[0-9]*.npz")):
        stored = np.load(file)
        counts = stored["counts"]
        row = np.repeat(np.arange(len(counts)), counts)
        column = np.arange(len(row)) - np.repeat(np.cumsum(counts) - counts, counts)
        few = column < MOST
        index = np.full((len(counts), MOST), -1)
        index[row[few], column[few]] = np.flatnonzero(few)
        parts.append({name: stored[name] for name in FIELDS})
        parts[-1]["index"] = index
        held.append(np.full(len(counts), int(file.stem) // PART % 10 == 9))
    base = np.cumsum([0] + [len(p["worth"]) for p in parts])
    for part, first in zip(parts, base, strict=False):
        part["index"][part["index"] >= 0] += first
    whole = {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}
    return whole, np.concatenate(held)


def fit(folder: Path, out: Path, rounds: int, start: Path | None = None) -> None:
    """Maximise the share that goes to candidates of the lead meant, or to none of them."""
    import torch
    from torch import nn

    torch.manual_seed(5)
    torch.set_num_threads(1)
    data, held = load(folder)
    index = torch.from_numpy(data["index"])
    there = index >= 0
    index = index.clamp(min=0)
    bands = torch.from_numpy(data["bands"])
    facts, worth, stretch, beside = (torch.from_numpy(data[k]) for k in FIELDS[1:])
    shape = bands.shape[1:]
    net = nn.Sequential(
        nn.Linear(int(np.prod(shape)) + FACTS, HIDDEN[0]),
        nn.ReLU(),
        nn.Dropout(0.1),
        nn.Linear(HIDDEN[0], HIDDEN[1]),
        nn.ReLU(),
        nn.Linear(HIDDEN[1], 3),
    )
    if start is not None:
        started(torch, net, start)
    pace_of = LEARN if start is None else LEARN_MORE
    training, testing = (torch.from_numpy(np.flatnonzero(held == k)) for k in (False, True))

    def losses(pick: torch.Tensor, vary: bool):
        rows, mask = index[pick], there[pick]
        flat = rows[mask]
        band = bands[flat].float()
        side = 1.0
        if vary:
            band, side = _varied(torch, band)
        seen = net(torch.cat([band.flatten(1), facts[flat]], 1))
        odds = torch.full(rows.shape, -1e4)
        odds[mask] = seen[:, 0]
        good = torch.zeros(rows.shape)
        good[mask] = worth[flat]
        shares = torch.softmax(torch.cat([odds, torch.zeros(len(rows), 1)], 1), 1)
        best = good.max(1).values
        good = good / best.clamp(min=0.3)[:, None]
        met = (shares[:, :-1] * good).sum(1) + shares[:, -1] * (best < 0.3)
        miss = -torch.log(met.clamp(min=1e-6)).mean()
        own = worth[flat] > 0.05
        off = nn.functional.huber_loss(seen[own, 1], stretch[flat][own], delta=0.1)
        off += nn.functional.huber_loss(seen[own, 2], side * beside[flat][own], delta=0.1)
        right = good.gather(1, odds.argmax(1)[:, None])[:, 0][best >= 0.3] > 0.5
        return miss, off, right.float().mean()

    steps = rounds * (len(training) // BATCH)
    best = torch.optim.AdamW(net.parameters(), lr=pace_of, weight_decay=1e-2)
    pace = torch.optim.lr_scheduler.OneCycleLR(best, pace_of, total_steps=steps + rounds)
    for number in range(rounds):
        net.train()
        for pick in training[torch.randperm(len(training))].split(BATCH):
            if len(pick) < BATCH:
                continue
            miss, off, _ = losses(pick, True)
            best.zero_grad()
            (miss + 5 * off).backward()
            best.step()
            pace.step()
        if number % 5 == 4 or number == 0:
            net.eval()
            with torch.no_grad():
                miss, off, right = (float(v) for v in losses(testing, False))
            print(f"round {number + 1}, held out: {miss:.3f} {off:.4f}, right {right:.3f}")
    saved(net, out)


def _varied(torch, band):
    """Mirrored either way, hues turned about and weakened, a little noise; and -1 where the sides
    changed places.
    """
    side = 1.0
    if torch.rand(()) < 0.5:
        band = band.flip(1)
    if torch.rand(()) < 0.5:
        band, side = band.flip(2), -1.0
    return with_other_hues(torch, band, negative=0.3), side


if __name__ == "__main__":
    run(__doc__, "clicks", make, fit, rounds=12)
