"""Which looks can free a lead now, given what can be seen; all others may wait.

A look at an open meeting can tell that nothing lies on a lead there only where that lead can be
seen. So a lead that is hidden somewhere comes out at the earliest when the other lead of that
place is gone, whatever is answered elsewhere. Here every answer that can be seen is taken at its
best, all at once: a lead that does not come out even then is freed by no answer, and what only
such leads wait for need not be asked yet. Nothing here frees anything: an open meeting that is
not asked about holds both leads as before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from mapper.pulling.events import Board, State
from mapper.pulling.looks import needed_sides
from mapper.pulling.past import Done, read_done, replay
from mapper.routes.model import Crossing, Lead, RouteMap

__all__ = [
    "LooksNow",
    "MayBeFree",
    "looks_now",
    "seen_at",
    "seen_by",
    "seen_over",
    "sides_found_free",
]

MayBeFree = Callable[[Crossing, str], bool]


@dataclass(frozen=True)
class LooksNow:
    """`leads`: those that answers can bring out now, by id; `meetings`: those that have to be
    looked at for that. Without a lead there is no meeting, and the other way round."""

    leads: tuple[str, ...]
    meetings: tuple[Crossing, ...]


def seen_over(lead: Lead, span_mm: tuple[float, float]) -> bool:
    """Whether all of a stretch of a lead (arc lengths from its drop) was seen."""
    if lead.seen is None:
        return True
    first, last = np.clip(np.searchsorted(lead.arc_mm, span_mm) - 1, 0, len(lead.seen) - 1)
    return all(lead.seen[first : last + 1])


def seen_at(lead: Lead, meeting: Crossing) -> bool:
    """Whether a lead was seen all over a meeting; on both passes where it meets itself."""
    sides = (meeting.a, meeting.a_span_mm), (meeting.b, meeting.b_span_mm)
    return all(seen_over(lead, span) for name, span in sides if name == lead.id)


def seen_by(route_map: RouteMap) -> MayBeFree:
    """What may be found free as far as the map knows: at open meetings where the lead was seen."""
    leads = route_map.leads_by_id
    return lambda meeting, lead: meeting.top is None and seen_at(leads[lead], meeting)


def sides_found_free(board: Board, may_be_free: MayBeFree) -> frozenset[int]:
    """The waiting sides at which a look may find that nothing lies on the lead."""
    sides = np.flatnonzero(board.waits_array).tolist()
    return frozenset(s for s in sides if may_be_free(board.meeting(s), board.ids[board.lead_of[s]]))


def looks_now(
    route_map: RouteMap, done: Iterable[Done] = (), may_be_free: MayBeFree | None = None
) -> LooksNow:
    """Return what to look at now, so that leads come out that do not come out yet.

    `done`: as for `plan_pull`. `may_be_free(meeting, lead)`: whether somebody who looks at a
    meeting that the lead waits at may find that nothing lies on that lead there; where a lead
    meets itself, on the pass nearer its exit. Without it: at open ones, wherever the lead was
    seen.

    When `leads` is empty no set of answers brings a further lead out (tested by trying all).
    Raises PullError as `plan_pull` does.
    """
    board = Board(route_map.leads, route_map.crossings, route_map.tracing_error_mm)
    may_be_free = may_be_free or seen_by(route_map)
    now = replay(board, read_done(board, done))
    now.settle()
    best = now.copy(sides_found_free(board, may_be_free))
    best.settle()
    return LooksNow(_more_out(now, best), tuple(map(board.meeting, needed_sides(now, best))))


def _more_out(now: State, best: State) -> tuple[str, ...]:
    board = now.board
    return tuple(board.ids[x] for x in range(board.n) if best.freed[x] == 0 and now.freed[x])
