"""Sleeves of more than one colour or shape, for the cables of `tests.benchmarks.loose_cables`.

For training: on leads of one colour alone the tracer learns that a lead is a smooth band, and
reads a strand of a twisted pair, or a stripe, as a lead of its own.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

__all__ = ["Sleeve", "random_sleeve"]

# (s, angle) -> outline over the radius, shade factor, share of the second colour; each
# (len(s), len(angle)). s (N,) in widths along, angle (M,) round the lead, 0 at the top.
Sleeve = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]]


def random_sleeve(rng: np.random.Generator) -> Sleeve:
    make = (_twisted, _twisted, _striped, _lettered, _taped)[int(rng.integers(0, 5))]
    return make(rng)


def _turns(s: np.ndarray, angle: np.ndarray, pitch: float, start: float) -> np.ndarray:
    """Angle (N, M) round the lead, seen in a frame that winds along it."""
    return angle[None] + 2 * np.pi * (s[:, None] / pitch) + start


def _twisted(rng: np.random.Generator) -> Sleeve:
    """Two to four round strands about one another, as thermocouple and hook-up pairs are."""
    strands, start = int(rng.choice([2, 2, 3, 4])), rng.uniform(0, 2 * np.pi)
    pitch = rng.uniform(1.8, 9) * rng.choice([-1, 1])
    depth, tinted = rng.uniform(0.25, 0.7), rng.random() < 0.6
    slender = rng.uniform(0.5, 1.0)

    def sleeve(s, angle):
        wound = _turns(s, angle, pitch, start) * strands / (2 * np.pi)
        lobe = 2 * (wound % 1) - 1  # -1 and 1 in the grooves
        dark = 1 - depth * np.abs(lobe) ** 3
        # Half way round a pair is as thin as one strand.
        outline = 1 - slender * (0.5 if strands == 2 else 0.2) * np.abs(lobe) ** 2
        second = (np.floor(wound) % strands == 0) & tinted
        return outline, dark, second.astype(float)

    return sleeve


def _striped(rng: np.random.Generator) -> Sleeve:
    """A tracer stripe, straight or winding."""
    start, half = rng.uniform(0, 2 * np.pi), rng.uniform(0.2, 0.8)
    pitch = np.exp(rng.uniform(np.log(4), np.log(90))) * rng.choice([-1, 1])
    count = int(rng.choice([1, 1, 2]))

    def sleeve(s, angle):
        wound = _turns(s, angle, pitch, start) * count
        stripe = np.abs((wound + np.pi) % (2 * np.pi) - np.pi) < half * count
        return np.ones(stripe.shape), np.ones(stripe.shape), stripe.astype(float)

    return sleeve


def _lettered(rng: np.random.Generator) -> Sleeve:
    """Print along the lead, with gaps."""
    face, high = rng.uniform(-1, 1), rng.uniform(0.15, 0.45)
    marks = rng.random((2, 4000)) < (0.55, 0.5)[int(rng.integers(0, 2))]
    long, every = rng.uniform(4, 12), rng.uniform(12, 30)
    fine = rng.uniform(3, 7)

    def sleeve(s, angle):
        there = (np.abs(angle - face) < high)[None] & (s % every < long)[:, None]
        row = (angle > face).astype(int)
        ink = marks[row[None], (s[:, None] * fine).astype(int) % marks.shape[1]]
        return np.ones(ink.shape), np.ones(ink.shape), (there & ink) * 0.9

    return sleeve


def _taped(rng: np.random.Generator) -> Sleeve:
    """Rings of another colour: tape, shrink sleeve, numbers."""
    every, long = rng.uniform(8, 50), rng.uniform(0.6, 6)
    start, thick = rng.uniform(0, 50), 1 + rng.uniform(0, 0.12)

    def sleeve(s, angle):
        ring = np.broadcast_to((((s + start) % every) < long)[:, None], (len(s), len(angle)))
        return np.where(ring, 1.0, 1 / thick), np.ones(ring.shape), ring.astype(float)

    return sleeve
