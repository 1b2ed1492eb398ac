"""The shortest ways for all leads within the fill of every channel, as one integer program.

Leads (or bundles that stay together) of the same thickness and the same wishes are one kind of
flow: which of them takes which way is settled afterwards, where swapping two undoes a crossing.
The flow runs over turns, so that a turn too sharp for the lead is simply not there. Solved by
HiGHS through `scipy.optimize.milp`; a plain flow has whole-numbered corners, so the integer
search is short in practice.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from mapper.rebuild.model import RebuildSettings, WantedLead
from mapper.rebuild.network import Network

__all__ = ["Unit", "Ways", "area_mm2", "find_ways", "units_of", "way_cost_mm"]

SEARCH_SECONDS = 6.0
OVERFILL_SECONDS = 2.0  # any answer will do to show where it fails
OVERFILL_COST = 1e4  # of 1 mm2 over the limit, in mm of length: never worth it


@dataclass(frozen=True)
class Unit:
    """Leads that go the same way: one lead, or those of one drop with the same wishes."""

    leads: tuple[WantedLead, ...]

    @property
    def drop(self) -> str:
        return self.leads[0].drop

    @property
    def key(self) -> tuple:
        """Units of one key may change places with each other."""
        first = self.leads[0]
        pin = (first.channel, first.id) if first.channel else None
        return tuple(sorted(lead.diameter_mm for lead in self.leads)), first.exit, pin

    @property
    def area_mm2(self) -> float:
        return sum(area_mm2(lead) for lead in self.leads)

    @property
    def thickest_mm(self) -> float:
        return max(lead.diameter_mm for lead in self.leads)


@dataclass(frozen=True, eq=False)
class Ways:
    """A way (arcs from the drop to the exit) for each unit.

    `bound_mm`: no ways cost less. `overfill_mm2`: area above the limit by stretch, for ways that
    do not fit.
    """

    arcs: tuple[tuple[int, ...], ...]
    bound_mm: float
    overfill_mm2: dict[int, float]


def area_mm2(lead: WantedLead) -> float:
    """Cross section of a round lead."""
    return math.pi / 4 * lead.diameter_mm**2


def units_of(wanted: Sequence[WantedLead], together: bool) -> list[Unit]:
    """Return the units; `together` bundles the leads of a drop that wish for the same exit."""
    if not together:
        return [Unit((lead,)) for lead in wanted]
    bundles: dict[tuple, list[WantedLead]] = {}
    for lead in wanted:
        key = (lead.drop, lead.exit, lead.id if lead.channel else None)
        bundles.setdefault(key, []).append(lead)
    return [Unit(tuple(leads)) for leads in bundles.values()]


def way_cost_mm(network: Network, settings: RebuildSettings, arcs: Sequence[int]) -> float:
    """Length of a way, and what it costs to pass other bores."""
    length = sum(network.stretches[arc // 2].length_mm for arc in arcs)
    passed = sum(network.head(arc) in network.bore_mm for arc in arcs[:-1])
    return length + settings.past_bore_mm * passed


@dataclass
class _Flow:
    """Variables of one kind of flow: what each stands for, and their number in the program."""

    units: list[int]
    begin: dict[tuple[int, tuple[int, int]], int]  # (place, state) -> variable
    turn: dict[tuple[tuple[int, int], tuple[int, int]], int]
    end: dict[tuple[int, int], int]
    area_mm2: float


class _Program:
    """Columns and rows of the integer program, collected one by one."""

    def __init__(self) -> None:
        self.cost: list[float] = []
        self.upper: list[float] = []
        self.whole: list[int] = []
        self.entries: list[tuple[int, int, float]] = []
        self.low: list[float] = []
        self.high: list[float] = []

    def column(self, cost: float, upper: float = np.inf, whole: int = 1) -> int:
        self.cost.append(cost)
        self.upper.append(upper)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, terms, low: float, high: float) -> None:
        number = len(self.low)
        self.entries += [(number, column, factor) for column, factor in terms]
        self.low.append(low)
        self.high.append(high)

    def solve(self, seconds: float):
        rows, columns, factors = (np.array(part) for part in zip(*self.entries, strict=True))
        matrix = csr_array(
            (factors.astype(float), (rows.astype(int), columns.astype(int))),
            shape=(len(self.low), len(self.cost)),
        )
        return milp(
            np.array(self.cost),
            integrality=np.array(self.whole),
            bounds=Bounds(0, np.array(self.upper)),
            constraints=LinearConstraint(matrix, self.low, self.high),
            options={"time_limit": seconds, "mip_rel_gap": 1e-6},
        )


def find_ways(
    network: Network, units: Sequence[Unit], settings: RebuildSettings, overfill: bool = False
) -> Ways | None:
    """Return the cheapest ways for all units within the fill limit; None where there are none.

    With `overfill` the limit may be broken at a price, so that the answer shows where the
    wiring fails. Cost: length plus `past_bore_mm` for each bore on the way. None as well when
    the search ran out of time without any answer.
    """
    alone = {number for number, unit in enumerate(units) if unit.leads[0].channel}
    while True:
        ways = _find_ways(network, units, settings, overfill, alone)
        if ways is None:
            return None
        # A way that comes back to a place would cross itself: that one is planned for itself.
        back = {
            number
            for number, way in enumerate(ways.arcs)
            if len({network.tail(arc) for arc in way} | {network.head(way[-1])}) <= len(way)
        }
        if back <= alone:
            return ways
        alone |= back


def _find_ways(
    network: Network,
    units: Sequence[Unit],
    settings: RebuildSettings,
    overfill: bool,
    alone: set[int],
) -> Ways | None:
    program = _Program()
    load: dict[int, list[tuple[int, float]]] = {}
    flows = []
    kinds: dict[tuple, list[int]] = {}
    for number, unit in enumerate(units):
        kinds.setdefault((unit.key, number if number in alone else None), []).append(number)
    for (_, single), numbers in kinds.items():
        own = [units[n] for n in numbers]
        flow = _flow(program, network, own, numbers, settings, load, single is not None)
        if flow is None:
            return None
        flows.append(flow)
    spare: dict[int, int] = {}
    for stretch, terms in sorted(load.items()):
        limit = network.stretches[stretch].area_mm2 * settings.fill_limit
        if math.isfinite(limit):
            if overfill:
                spare[stretch] = program.column(OVERFILL_COST, whole=0)
                terms = [*terms, (spare[stretch], -1.0)]
            program.row(terms, -np.inf, limit * (1 + 1e-9))
    result = program.solve(OVERFILL_SECONDS if overfill else SEARCH_SECONDS)
    if result.x is None:
        return None
    arcs: list[tuple[int, ...]] = [()] * len(units)
    for flow in flows:
        for number, way in _followed(network, units, flow, result.x):
            arcs[number] = way
    over = {k: float(result.x[v]) for k, v in spare.items() if result.x[v] > 1e-6}
    bound = result.mip_dual_bound if result.mip_dual_bound is not None else result.fun
    return Ways(tuple(arcs), float(bound), over)


def _flow(
    program: _Program,
    network: Network,
    units: Sequence[Unit],
    numbers: list[int],
    settings: RebuildSettings,
    load: dict[int, list[tuple[int, float]]],
    simple: bool,
) -> _Flow | None:
    """Add one kind of flow. A state is (arc, layer): layer 1 has run through the wished channel.

    `simple`: one unit, which passes each place once and never comes back to its drop.
    """
    first = units[0]
    pin, exit_ = first.leads[0].channel, first.leads[0].exit
    thickest = first.thickest_mm
    turns = network.turns(thickest, settings.bend_radius_mm)
    exits = set(network.place_of_exit.values()) if exit_ is None else {network.place_of_exit[exit_]}
    supply = Counter(network.place_of_drop[unit.drop] for unit in units)

    def layer(arc: int, before: int) -> int:
        return max(before, int(pin is None or network.stretches[arc // 2].channel == pin))

    def fits(arc: int) -> bool:
        stretch = network.stretches[arc // 2]
        return min(stretch.width_mm, stretch.depth_mm) >= thickest

    starts = {p: [(a, layer(a, 0)) for a in network.leaving[p] if fits(a)] for p in supply}
    seen: set[tuple[int, int]] = set()
    queue = [state for own in starts.values() for state in own]
    after: dict[tuple[int, int], list[tuple[int, int]]] = {}
    while queue:
        state = queue.pop()
        if state in seen:
            continue
        seen.add(state)
        after[state] = [(b, layer(b, state[1])) for b in turns[state[0]] if fits(b)]
        queue += after[state]
    order = sorted(seen)
    flow = _Flow(numbers, {}, {}, {}, first.area_mm2)
    into: dict[tuple[int, int], list[int]] = {state: [] for state in order}
    out: dict[tuple[int, int], list[int]] = {state: [] for state in order}
    at_place: dict[int, list[int]] = {}

    def length(arc: int) -> float:
        return network.stretches[arc // 2].length_mm

    for place, states in sorted(starts.items()):
        own = []
        for state in states:
            column = program.column(length(state[0]))
            flow.begin[place, state] = column
            into[state].append(column)
            own.append((column, 1.0))
            at_place.setdefault(network.head(state[0]), []).append(column)
        if not own:
            return None
        program.row(own, supply[place], supply[place])
    for state in order:
        passing = settings.past_bore_mm * (network.head(state[0]) in network.bore_mm)
        for other in after[state]:
            column = program.column(length(other[0]) + passing)
            flow.turn[state, other] = column
            out[state].append(column)
            into[other].append(column)
            at_place.setdefault(network.head(other[0]), []).append(column)
        if state[1] and network.head(state[0]) in exits:
            flow.end[state] = program.column(0.0)
            out[state].append(flow.end[state])
    if not flow.end:
        return None
    for state in order:
        terms = [(c, 1.0) for c in into[state]] + [(c, -1.0) for c in out[state]]
        program.row(terms, 0.0, 0.0)
        load.setdefault(state[0] // 2, []).extend((c, flow.area_mm2) for c in into[state])
    if simple:
        for place, columns in sorted(at_place.items()):
            room = 0.0 if place in supply else 1.0
            program.row([(c, 1.0) for c in columns], 0.0, room)
    return flow


def _followed(network: Network, units: Sequence[Unit], flow: _Flow, values: np.ndarray):
    """Yield (unit, way) by following the flow from each drop."""
    left = {column: round(values[column]) for column in range(len(values)) if values[column] > 0.5}
    nexts: dict[tuple[int, int], list] = {}
    for (state, other), column in flow.turn.items():
        if left.get(column):
            nexts.setdefault(state, []).append((other, column))
    begins: dict[int, list] = {}
    for (place, state), column in flow.begin.items():
        if left.get(column):
            begins.setdefault(place, []).append((state, column))

    def taken(choices: list):
        for state, column in choices:
            if left.get(column):
                left[column] -= 1
                return state
        return None

    for number in flow.units:
        place = network.place_of_drop[units[number].drop]
        state = taken(begins[place])
        way = [state[0]]
        while True:
            ending = flow.end.get(state)
            if ending is not None and left.get(ending):
                left[ending] -= 1
                break
            state = taken(nexts[state])
            way.append(state[0])
        yield number, tuple(way)
