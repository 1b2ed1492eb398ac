"""Why a wiring does not fit: leads without any way, and the channels that are too full."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import networkx as nx

from mapper.errors import shown
from mapper.plate import Plate
from mapper.rebuild.model import Bottleneck, RebuildSettings, WantedLead
from mapper.rebuild.network import Network
from mapper.rebuild.ways import Ways, area_mm2, find_ways, units_of

__all__ = ["minimum_cut", "overfilled", "unreachable"]

_NAMED = 4  # so many names in a sentence, then "and n more"


def unreachable(
    network: Network, plate: Plate, wanted: Sequence[WantedLead], settings: RebuildSettings
) -> Bottleneck | None:
    """Return why some leads have no way at all, even on an empty plate; None where all have one."""
    if not plate.exits:
        return Bottleneck("The plate has no exit: mark one on the page Plate.", proven=True)
    if not plate.channels:
        return Bottleneck("The plate has no channels: draw them on the page Plate.", proven=True)
    off = sorted({lead.drop for lead in wanted} - network.place_of_drop.keys())
    if off:
        return Bottleneck(
            f"No channel reaches the bore of {_names(off)}: draw one on the page Plate.",
            leads=tuple(lead.id for lead in wanted if lead.drop in off),
            proven=True,
        )
    ends = {lead.exit for lead in wanted if lead.exit} - network.place_of_exit.keys()
    if ends or not network.place_of_exit:
        lost = sorted(ends) or [one.id for one in plate.exits]
        return Bottleneck(
            f"No channel reaches exit {_names(lost)}: draw one on the page Plate.", proven=True
        )
    # Leads of one thickness from one drop with one wish stand or fall together.
    alike = {(one.drop, one.diameter_mm, one.exit, one.channel): one for one in wanted}
    lost = {key for key, one in alike.items() if not _has_way(network, one, settings)}
    stuck = [x for x in wanted if (x.drop, x.diameter_mm, x.exit, x.channel) in lost]
    if not stuck:
        return None
    names = tuple(lead.id for lead in stuck)
    straight = RebuildSettings(bend_radius_mm=0.0, fill_limit=1.0)
    if all(_has_way(network, lead, straight) for lead in stuck):
        words = (
            f"{_names(names)}: every way to an exit has a turn sharper than the bend radius of "
            f"{settings.bend_radius_mm:g} mm. Widen the turn, or set a smaller radius if the "
            "maker of the lead allows it."
        )
    elif any(lead.channel or lead.exit for lead in stuck):
        words = (
            f"{_names(names)}: no way runs through the channel or to the exit that is fixed for "
            "it, by hand or by its connector. Take that wish away, or draw the missing channel."
        )
    else:
        words = (
            f"{_names(names)}: no way leads along the channels from the drop to an exit that is "
            "wide and deep enough for the lead. Draw the missing channel on the page Plate."
        )
    return Bottleneck(words, leads=names, proven=True)


def _has_way(network: Network, lead: WantedLead, settings: RebuildSettings) -> bool:
    if lead.channel:  # rare, so the full search may do it
        free = RebuildSettings(bend_radius_mm=settings.bend_radius_mm, fill_limit=1.0)
        return find_ways(network, units_of([lead], False), free, overfill=True) is not None
    turns = network.turns(lead.diameter_mm, settings.bend_radius_mm)
    exits = set(network.place_of_exit.values())
    if lead.exit:
        exits = {network.place_of_exit[lead.exit]}
    queue, seen = list(network.leaving[network.place_of_drop[lead.drop]]), set()
    while queue:
        arc = queue.pop()
        stretch = network.stretches[arc // 2]
        if arc in seen or min(stretch.width_mm, stretch.depth_mm) < lead.diameter_mm:
            continue
        if network.head(arc) in exits:
            return True
        seen.add(arc)
        queue += turns[arc]
    return False


def overfilled(network: Network, ways: Ways | None) -> Bottleneck:
    """Return what the least over-filled wiring breaks, for leads that no minimum cut holds."""
    if ways is None or not ways.overfill_mm2:
        return Bottleneck(
            "No wiring was found in the time given, and no single channel is to blame: allow a "
            "higher fill, or take away fixed channels."
        )
    over = ways.overfill_mm2
    worst = sorted(over, key=lambda stretch: -over[stretch])
    channels = tuple(
        dict.fromkeys(
            network.stretches[stretch].channel
            for stretch in worst
            if network.stretches[stretch].channel is not None
        )
    )
    return Bottleneck(
        f"It does not fit: even the best wiring found over-fills {_channels(channels)}, at worst "
        f"by {over[worst[0]]:.1f} mm² of lead. Widen or deepen there, add a channel, take away a "
        "fixed channel, or allow a higher fill.",
        channels,
    )


def minimum_cut(
    network: Network, wanted: Sequence[WantedLead], settings: RebuildSettings
) -> Bottleneck | None:
    """Return the channels with less room than the leads behind them take; None where there are
    none. Maximum flow = minimum cut, in mm2 of cross section, for all leads together and for
    those that have to leave by one exit. It forgets turns and fixed channels, so it can miss a
    fault but never accuses wrongly."""
    found = _cut(network, wanted, network.place_of_exit.values(), settings)
    for name in sorted({lead.exit for lead in wanted if lead.exit}) if found is None else ():
        own = [lead for lead in wanted if lead.exit == name]
        found = _cut(
            network, own, [network.place_of_exit[name]], settings, f" to exit {shown(name)}"
        )
        if found is not None:
            break
    return found


def _cut(
    network: Network,
    wanted: Sequence[WantedLead],
    exits: Iterable[int],
    settings: RebuildSettings,
    to: str = "",
) -> Bottleneck | None:
    graph = nx.DiGraph()
    for lead in wanted:
        place = network.place_of_drop[lead.drop]
        before = graph.get_edge_data("leads", place, {"capacity": 0.0})["capacity"]
        graph.add_edge("leads", place, capacity=before + area_mm2(lead))
    for stretch in network.stretches:
        room = stretch.area_mm2 * settings.fill_limit
        for one, other in (stretch.ends, stretch.ends[::-1]):
            if math.isinf(room):
                graph.add_edge(one, other)
            else:
                before = graph.get_edge_data(one, other, {"capacity": 0.0}).get("capacity")
                if before is not None:
                    graph.add_edge(one, other, capacity=before + room)
    for place in exits:
        graph.add_edge(place, "out")
    wants = sum(map(area_mm2, wanted))
    passes, (inner, _) = nx.minimum_cut(graph, "leads", "out")
    if passes >= wants - 1e-6:
        return None
    cut = [s for s in network.stretches if (s.ends[0] in inner) != (s.ends[1] in inner)]
    channels = tuple(dict.fromkeys(s.channel for s in cut if s.channel is not None))
    behind = [lead for lead in wanted if network.place_of_drop[lead.drop] in inner]
    must = sum(map(area_mm2, behind))
    room = sum(s.area_mm2 for s in cut) * settings.fill_limit
    full = must / sum(s.area_mm2 for s in cut)
    return Bottleneck(
        f"It does not fit: {len(behind)} leads ({must:.1f} mm² of cross section) have to pass "
        f"{_channels(channels)}{to}, and at {settings.fill_limit:.0%} fill there is room for "
        f"{room:.1f} mm². Widen or deepen there, add a channel, "
        f"{'let some leave by another exit, ' if to else ''}or allow a fill of at least "
        f"{math.ceil(full * 100 - 1e-9)} %.",
        channels,
        tuple(lead.id for lead in behind),
        proven=True,
    )


def _channels(names: Sequence[str]) -> str:
    return f"channel{'s' if len(names) != 1 else ''} {_names(names)}"


def _names(names: Sequence[str]) -> str:
    some = [shown(name) for name in names[:_NAMED]]
    if len(names) > _NAMED:
        return f"{', '.join(some)} and {len(names) - _NAMED} more"
    return " and ".join([", ".join(some[:-1]), some[-1]] if len(some) > 1 else some)
