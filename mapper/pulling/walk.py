"""The order of steps in which a person walks little.

Any order of the steps that keeps what must come before what is equally safe and equally long. The
walk starts with the lead of the shortest way to its exit; from then on the nearest step that
can be done comes next (the shorter lead first at the same place). Steps whose place is not among
the nearest are looked for from the exit inwards again.
"""

from __future__ import annotations

from heapq import heapify, heappop, heappush

import numpy as np
from scipy.spatial import cKDTree

__all__ = ["walk"]

_NEAR = 12  # neighbours that are remembered for each place


def walk(
    places_mm: np.ndarray, length_mm: np.ndarray, before: np.ndarray, after: np.ndarray
) -> list[int]:
    """Return the steps in walking order; steps that wait in a ring are left out.

    places_mm (M, 2): where each step is done; length_mm (M,): way to the exit; step
    before[k] has to come before step after[k] (repeats allowed).
    """
    count = len(places_mm)
    if count == 0:
        return []
    waiting = np.bincount(after, minlength=count).tolist()
    order = np.argsort(before, kind="stable")
    followers = after[order].tolist()
    ends = np.cumsum(np.bincount(before, minlength=count)).tolist()
    rank_order = np.lexsort((np.arange(count), length_mm))
    rank = np.empty(count, dtype=np.int64)
    rank[rank_order] = np.arange(count)
    by_rank, rank_of = rank_order.tolist(), rank.tolist()
    near = _neighbours(places_mm, rank)

    ready = [rank_of[step] for step in range(count) if not waiting[step]]
    heapify(ready)
    result: list[int] = []
    here = -1
    while True:
        step = -1
        if here >= 0:
            for candidate in near[here]:
                if not waiting[candidate]:
                    step = candidate
                    break
        while step < 0 and ready:
            candidate = by_rank[heappop(ready)]
            if not waiting[candidate]:
                step = candidate
        if step < 0:
            return result
        waiting[step] = -1  # done
        result.append(step)
        here = step
        for k in range(ends[step - 1] if step else 0, ends[step]):
            follower = followers[k]
            waiting[follower] -= 1
            if not waiting[follower]:
                heappush(ready, rank_of[follower])


def _neighbours(places_mm: np.ndarray, rank: np.ndarray) -> list[list[int]]:
    """For each step the nearest others, nearest first, the shorter way to the exit on ties."""
    count = min(len(places_mm), _NEAR + 1)
    if count == 1:
        return [[]]
    by_rank = np.argsort(rank)
    distance, found = cKDTree(places_mm[by_rank]).query(places_mm, k=count)
    tie = np.lexsort((found, np.round(distance, 6)), axis=-1)
    return by_rank[np.take_along_axis(found, tie, axis=-1)].tolist()
