"""How often the judge answers, and wrongly, at several limits; see `tests.training.judge_places`.

python -m tests.training.judge_limit PLACES.npz WEIGHTS.npz 0.95 0.96 0.97
"""

from __future__ import annotations

import argparse

import numpy as np

from mapper.trace.judge import weighed
from mapper.trace.learned import shares
from mapper.trace.model import Judgement


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("places")
    parser.add_argument("weights")
    parser.add_argument("limits", type=float, nargs="+")
    chosen = parser.parse_args()
    layers = {k: v.astype(np.float32) for k, v in np.load(chosen.weights).items()}
    stored = dict(np.load(chosen.places))
    seen = []
    for patches, there in zip(stored["patch"], stored["there"], strict=True):
        found = [p if known else None for p, known in zip(patches, there, strict=True)]
        seen.append(shares(found, layers))
    told = [Judgement(str(top) or None, 0.9) for top in stored["told"]]
    names = np.char.add(stored["kind"], np.where(stored["clear"], "", ", not clear"))
    for limit in chosen.limits:
        print(f"limit {limit}")
        alone = _answers(seen, [Judgement(None, 0.0)] * len(seen), limit)
        both = _answers(seen, told, limit)
        for name in np.unique(names):
            of = names == name
            parts = [f"  {name:28s} {of.sum():4d} places"]
            for how, tops in (("network", alone), ("with stories", both)):
                given = of & (tops != "")
                wrong = given & (tops != stored["top"])
                parts.append(f"{how}: {given.sum():4d} answered, {wrong.sum():2d} wrong")
            print(", ".join(parts), flush=True)


def _answers(seen: list, told: list[Judgement], limit: float) -> np.ndarray:
    """ "a", "b" or "" for each place."""
    tops = [weighed(s, t, limit).top for s, t in zip(seen, told, strict=True)]
    return np.array([top or "" for top in tops])


if __name__ == "__main__":
    main()
