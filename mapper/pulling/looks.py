"""Which open meetings to look at next: what an answer would free."""

from __future__ import annotations

from mapper.pulling.events import State
from mapper.pulling.model import LookAt

__all__ = ["find_looks", "needed_sides"]


def find_looks(now: State, judged: State) -> tuple[LookAt, ...]:
    """Return the open meetings that hold leads back, the most helpful first.

    `now` is freed as far as it goes; `judged` as far as it would go if every open meeting were
    found apart. A meeting counts when somebody has to look there before a lead that `judged`
    brings out can come out. All answers (a on top, b on top; for touching places and shared
    runs also apart) are tried exactly. Among equally helpful meetings those of the lead with
    the fewest open ones left come first, from its free end inwards.
    """
    board = now.board
    needed = needed_sides(now, judged)
    left: dict[int, int] = {}
    for side in needed:
        for lead in {board.lead_of[side], board.lead_of[side ^ 1]}:
            left[lead] = left.get(lead, 0) + 1
    looks = []
    for side in needed:
        record = board.meeting(side)
        b_side = side | 1
        answers = [_freed_by(now, (b_side ^ 1,)), _freed_by(now, (b_side,))]
        if board.lead_of[side] == board.lead_of[side ^ 1]:
            answers[0] = 0  # the pass nearer the drop on top: the lead is locked
        if record.kind != "crossing":
            answers.append(_freed_by(now, (b_side ^ 1, b_side)))
        x_mm, y_mm = board.place(side)
        look = LookAt(record.a, record.b, x_mm, y_mm, max(answers), min(answers), record.kind)
        work = min((left[board.lead_of[s]], -board.high[s]) for s in (side, side ^ 1))
        looks.append((-look.frees, -look.sure, *work, side >> 1, look))
    looks.sort(key=lambda row: row[:5])
    return tuple(row[5] for row in looks)


def needed_sides(now: State, best: State) -> list[int]:
    """One side of each meeting that has to be answered for a lead to come out.

    `best`: freed as far as the best answers let it go; its `ignored` are the sides that may be
    found to lie under nothing. Any other side has to wait for the other lead.
    """
    board = now.board
    goal = {x: 0 for x in range(board.n) if best.freed[x] == 0 and now.freed[x]}
    work = list(goal)
    wanted: dict[int, int] = {}
    while work:
        lead = work.pop()
        for side in now.holding(lead, goal[lead]):
            if side in best.ignored:
                wanted.setdefault(side >> 1, side)
                continue
            other, need = board.lead_of[side ^ 1], board.low[side ^ 1]
            if need < goal.get(other, now.freed[other]):
                goal[other] = need
                work.append(other)
    return [wanted[meeting] for meeting in sorted(wanted)]


def _freed_by(now: State, sides: tuple[int, ...]) -> int:
    """How many more leads can come out when some open sides need not wait."""
    board = now.board
    stuck = [board.lead_of[s] for s in sides if now.held_at(board.lead_of[s]) is not None]
    trial = now.copy(now.ignored | frozenset(sides))
    return sum(trial.freed[x] == 0 for x in set(trial.settle(stuck)))
