"""Train the judge's small network and write mapper/trace/judge_weights.npz.

Needs PyTorch (CPU), which the program itself does not. The pictures come first, in any number
of files, made by `python -m tests.training.crossing_pictures`; scenes are told apart by their
number, and those in HELD_OUT serve for the temperature and the limit, never for training.

    python -m tests.training.train_judge FOLDER OUT.npz --minutes 20

Random numbers: torch.manual_seed(4); scene n is numpy's default_rng([4, n]). The run goes by the
clock and takes in files as they come, so it is repeatable in kind, not to the last bit. The
weights that are shipped: scenes 0 to 25499, and 200000 to 202999 with `--more` (113,435 patches),
three runs with `--resume` of 2250, 1450 and 3750 steps. The first of them saw some 3 % of the
*neither* patches in an earlier form that could show a clear crossing.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
import torch
from torch import nn

from mapper.trace.learned import STRIDES, normalised

HELD_OUT = range(100_000, 102_000)
WIDTHS = (24, 40, 56, 72, 72)
HIDDEN = 32
BATCH = 192
LEARN = 2e-3
REPORT_S = 180  # between looks at the held-out pictures
LOOK_S = 45  # between looks for new files


class Network(nn.Module):
    def __init__(self) -> None:
        super().__init__()
        layers, last = [], 3
        for n, (width, stride) in enumerate(zip(WIDTHS, STRIDES, strict=True)):
            size = 5 if n == 0 else 3
            layers += [
                nn.Conv2d(last, width, size, stride, size // 2, bias=False),
                nn.BatchNorm2d(width),
                nn.ReLU(),
            ]
            last = width
        self.body = nn.Sequential(*layers)
        self.drop = nn.Dropout(0.1)
        self.hidden = nn.Linear(last * 16, HIDDEN)
        self.out = nn.Linear(HIDDEN, 2)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return self.out(torch.relu(self.hidden(self.drop(self.body(x).flatten(1)))))

    def logits(self, x: torch.Tensor) -> torch.Tensor:
        """(d, -d, e) for patches (B, 3, N, N), without the four turns."""
        both = self(torch.cat([x, x.transpose(2, 3)]))
        first, second = both[: len(x)], both[len(x) :]
        d, e = first[:, 0] - second[:, 0], first[:, 1] + second[:, 1]
        return torch.stack([d, -d, e], 1)

    def folded(self) -> dict[str, np.ndarray]:
        """Weights and biases with the normalisation multiplied in."""
        arrays = {}
        for n in range(len(WIDTHS)):
            conv, norm = self.body[3 * n], self.body[3 * n + 1]
            gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)
            arrays[f"w{n}"] = (conv.weight * gain[:, None, None, None]).detach().numpy()
            arrays[f"b{n}"] = (norm.bias - norm.running_mean * gain).detach().numpy()
        for n, layer in ((5, self.hidden), (6, self.out)):
            arrays[f"w{n}"] = layer.weight.detach().numpy()
            arrays[f"b{n}"] = layer.bias.detach().numpy()
        return arrays


class Pictures:
    """Patches read so far; `refresh` takes in files that came since."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.seen = folder, set()
        self.parts: dict[bool, list] = {False: [], True: []}

    def refresh(self) -> bool:
        """Whether files came."""
        before = len(self.seen)
        for file in sorted(self.folder.glob("[0-9]*.npz")):
            if file.name in self.seen:
                continue
            self.seen.add(file.name)
            stored = np.load(file)
            x = np.stack([normalised(p) for p in stored["patch"]]).astype(np.float16)
            held = np.isin(stored["scene"], HELD_OUT)
            for k in (False, True):
                self.parts[k].append((x[held == k], stored["answer"][held == k].astype(np.int64)))
        return len(self.seen) > before

    def all(self, held: bool) -> tuple[torch.Tensor, torch.Tensor]:
        x, y = zip(*self.parts[held], strict=True)
        return torch.from_numpy(np.concatenate(x)), torch.from_numpy(np.concatenate(y))


def varied(x: torch.Tensor) -> torch.Tensor:
    """The four turns, hues turned about and weakened, a little noise."""
    if torch.rand(()) < 0.5:
        x = x.flip(2)
    if torch.rand(()) < 0.5:
        x = x.flip(3)
    n = len(x)
    way = torch.rand(n) * 2 * np.pi
    gain = 0.3 + torch.rand(n)
    c, s = (gain * torch.cos(way))[:, None, None], (gain * torch.sin(way))[:, None, None]
    light, a, b = x[:, 0], x[:, 1], x[:, 2]
    x = torch.stack([light, c * a - s * b, s * a + c * b], 1)
    x = x / torch.sqrt((x**2).sum(1).mean((1, 2))).clamp(min=0.05)[:, None, None, None]
    return x + torch.randn_like(x) * (torch.rand(n) * 0.08)[:, None, None, None]


@torch.no_grad()
def held_logits(net: Network, x: torch.Tensor) -> torch.Tensor:
    """As the judge works: averaged over the four turns."""
    net.eval()
    parts = []
    for part in x.split(256):
        part = part.float()
        turns = (part, part.flip(2), part.flip(3), part.flip(2, 3))
        parts.append(sum(net.logits(t) for t in turns) / 4)
    return torch.cat(parts)


def temperature(z: torch.Tensor, y: torch.Tensor) -> float:
    """Least cross-entropy over a grid."""
    grid = np.exp(np.linspace(np.log(0.4), np.log(4), 60))
    return float(min(grid, key=lambda t: float(nn.functional.cross_entropy(z / t, y))))


def report(z: torch.Tensor, y: torch.Tensor, t: float) -> None:
    p = torch.softmax(z / t, 1).numpy()
    y = y.numpy()
    sure, top = p[:, :2].max(1), p[:, :2].argmax(1)
    order = np.argsort(-sure)
    wrong = np.cumsum((top != y)[order])
    share = wrong / np.arange(1, len(y) + 1)
    clear = y < 2
    print(f"  {len(y)} held out, T {t:.2f}, a or b right {100 * (top == y)[clear].mean():.1f} %")
    for most in (0.002, 0.005, 0.01, 0.02):
        good = np.flatnonzero(share <= most)
        k = good[-1] if len(good) else 0
        told = clear[order[: k + 1]].sum() / clear.sum()
        print(f"  wrong {most:.3f}: limit {sure[order[k]]:.4f}, answers {100 * told:.1f} % of a, b")
    print("", end="", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--minutes", type=float, default=20)
    parser.add_argument("--cool", type=float, default=0.6, help="share of the time to slow down")
    parser.add_argument("--resume", type=Path, help="a .pt that an earlier run wrote")
    chosen = parser.parse_args()
    torch.manual_seed(4)
    torch.set_num_threads(1)
    net = Network().to(memory_format=torch.channels_last)
    best = torch.optim.AdamW(net.parameters(), lr=LEARN, weight_decay=1e-2)
    if chosen.resume:
        stored = torch.load(chosen.resume)
        net.load_state_dict(stored["net"])
        best.load_state_dict(stored["best"])
    print("parameters", sum(p.numel() for p in net.parameters()))
    pictures = Pictures(chosen.folder)
    begun, last_report, last_look, steps, losses = time.time(), time.time(), 0.0, 0, []
    while (done := (time.time() - begun) / (60 * chosen.minutes)) < 1:
        if time.time() - last_look > LOOK_S:
            last_look = time.time()
            if pictures.refresh():
                x, y = pictures.all(False)
        for index in torch.randint(len(x), (50, BATCH)):
            pace = 0.5 - 0.5 * np.cos(np.pi * min((1 - done) / chosen.cool, 1.0))
            for group in best.param_groups:
                group["lr"] = float(LEARN * max(pace, 0.005) * min(1.0, (steps + 1) / 100))
            batch = varied(x[index].float()).contiguous(memory_format=torch.channels_last)
            with torch.autocast("cpu", torch.bfloat16):
                z = net.logits(batch)
            loss = nn.functional.cross_entropy(z.float(), y[index], label_smoothing=0.01)
            best.zero_grad()
            loss.backward()
            best.step()
            steps += 1
            losses.append(float(loss.detach()))
        if time.time() - last_report > REPORT_S:
            last_report = time.time()
            print(f"{100 * done:.0f} %, {len(x)} patches, ", end="")
            finish(net, best, pictures, steps, losses, chosen.out, every=4)
            net.train()
            losses = []
    finish(net, best, pictures, steps, losses, chosen.out, every=1)


def finish(net, best, pictures, steps, losses, out: Path, every: int) -> None:
    """Temperature from every `every`-th held-out patch; weights so far to `out`."""
    held_x, held_y = (part[::every] for part in pictures.all(True))
    z = held_logits(net, held_x)
    t = temperature(z, held_y)
    print(f"step {steps}, loss {np.mean(losses):.3f}, processor {time.process_time():.0f} s")
    report(z, held_y, t)
    arrays = {k: v.astype(np.float16) for k, v in net.folded().items()}
    np.savez_compressed(out, **arrays, temperature=np.float32(t))
    torch.save({"net": net.state_dict(), "best": best.state_dict()}, out.with_suffix(".pt"))


if __name__ == "__main__":
    main()
