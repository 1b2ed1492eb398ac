"""Ways along the channels: where a lead may run that nobody has traced yet."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import shapely

from mapper.errors import shown
from mapper.plate.checks import PlateError
from mapper.plate.model import Channel, Drop, Exit, Plate

if TYPE_CHECKING:
    import networkx as nx

__all__ = ["channel_graph", "channel_path_mm"]

EXIT_REACH_MM = 5.0  # an exit is often drawn on the edge, a channel a little short of it
SAME_PLACE_MM = 1e-6

Node = tuple[str, int, int] | tuple[str, int]


def channel_path_mm(plate: Plate, drop_id: str, exit_id: str | None = None) -> np.ndarray | None:
    """Return the shortest way (N, 2) in mm from a drop to an exit along channel centre lines.

    Without `exit_id` the way to the exit that is nearest along the channels. Channels are
    joined where their centre lines cross, or where one ends within half the other's width;
    a bore joins all channels that reach into it. None where there is no way. Raises PlateError
    for a drop or exit that the plate does not have.
    """
    import networkx as nx  # loads slowly, and only ways along channels need it

    drop = _named(plate.drops, drop_id, "drop")
    exits = plate.exits if exit_id is None else (_named(plate.exits, exit_id, "exit"),)
    graph, places = channel_graph(plate)
    start: Node = ("drop", plate.drops.index(drop))
    if start not in graph:
        return None
    length, way = nx.single_source_dijkstra(graph, start, weight="length_mm")
    reached = [
        node for node in (("exit", plate.exits.index(exit_)) for exit_ in exits) if node in length
    ]
    if not reached:
        return None
    nearest = min(reached, key=lambda node: length[node])
    return _without_repeats(np.array([places[node] for node in way[nearest]], dtype=float))


def _named(items: tuple[Drop, ...] | tuple[Exit, ...], wanted: str, what: str) -> Drop | Exit:
    for item in items:
        if item.id == wanted:
            return item
    raise PlateError(f"The plate has no {what} '{shown(wanted)}': check its id.")


def channel_graph(plate: Plate) -> tuple[nx.Graph, dict[Node, tuple[float, float]]]:
    """Return the graph of all channels, bores and exits, and where each node lies.

    A node ("channel", i, j) is the j-th place along channel i that matters: a vertex of its
    centre line or a place where something joins it. ("drop", i) and ("exit", i) are numbered as
    in the plate. Edges carry `length_mm`; those between nodes of different kinds or channels are
    joints.
    """
    lines = [shapely.LineString(channel.points_mm) for channel in plate.channels]
    stops: list[set[float]] = [_vertex_stops(line) for line in lines]  # arc lengths in mm
    joints = _meetings(plate.channels, lines)
    for drop_number, drop in enumerate(plate.drops):
        for i, s in _reached(lines, drop.x_mm, drop.y_mm, [drop.bore_diameter_mm / 2] * len(lines)):
            joints.append((("drop", drop_number), (i, s)))
    reaches = [max(channel.width_mm / 2, EXIT_REACH_MM) for channel in plate.channels]
    for exit_number, exit_ in enumerate(plate.exits):
        for i, s in _reached(lines, exit_.x_mm, exit_.y_mm, reaches):
            joints.append((("exit", exit_number), (i, s)))

    for ends in joints:
        for end in ends:
            if not isinstance(end[0], str):
                stops[end[0]].add(end[1])
    sorted_stops = [sorted(values) for values in stops]
    index = [{s: j for j, s in enumerate(values)} for values in sorted_stops]

    import networkx as nx

    places: dict[Node, tuple[float, float]] = {}
    places |= {("drop", i): (drop.x_mm, drop.y_mm) for i, drop in enumerate(plate.drops)}
    places |= {("exit", i): (exit_.x_mm, exit_.y_mm) for i, exit_ in enumerate(plate.exits)}
    graph = nx.Graph()
    for i, line in enumerate(lines):
        for j, s in enumerate(sorted_stops[i]):
            point = line.interpolate(s)
            places["channel", i, j] = (point.x, point.y)
            if j:
                graph.add_edge(
                    ("channel", i, j - 1), ("channel", i, j), length_mm=s - sorted_stops[i][j - 1]
                )
    for one, other in joints:
        nodes = [
            end if isinstance(end[0], str) else ("channel", end[0], index[end[0]][end[1]])
            for end in (one, other)
        ]
        graph.add_edge(*nodes, length_mm=math.dist(places[nodes[0]], places[nodes[1]]))
    return graph, places


def _vertex_stops(line: shapely.LineString) -> set[float]:
    corners = shapely.get_coordinates(line)
    steps = np.hypot(*np.diff(corners, axis=0).T)
    return {0.0, *(float(s) for s in np.cumsum(steps))}


def _reached(
    lines: list[shapely.LineString], x_mm: float, y_mm: float, reach_mm: list[float]
) -> list[tuple[int, float]]:
    """Return (channel, arc length of its nearest place) for each line within its reach."""
    point = shapely.Point(x_mm, y_mm)
    return [
        (i, float(line.project(point)))
        for i, line in enumerate(lines)
        if line.distance(point) <= reach_mm[i] + SAME_PLACE_MM
    ]


def _meetings(channels: tuple[Channel, ...], lines: list[shapely.LineString]) -> list[tuple]:
    """Return pairs of (channel, arc length) that are one junction."""
    if not lines:
        return []
    found = []
    widest = max(channel.width_mm for channel in channels)
    tree = shapely.STRtree(lines)
    firsts, seconds = tree.query(lines, predicate="dwithin", distance=widest / 2)
    for i, j in zip(firsts.tolist(), seconds.tolist(), strict=True):
        if i == j:
            continue
        if i < j:
            for x, y in shapely.get_coordinates(lines[i].intersection(lines[j])):
                point = shapely.Point(x, y)
                found.append(
                    ((i, float(lines[i].project(point))), (j, float(lines[j].project(point))))
                )
        for s in (0.0, float(lines[i].length)):  # an end of i that lies in channel j
            point = lines[i].interpolate(s)
            if lines[j].distance(point) <= channels[j].width_mm / 2 + SAME_PLACE_MM:
                found.append(((i, s), (j, float(lines[j].project(point)))))
    return found


def _without_repeats(path: np.ndarray) -> np.ndarray:
    """Drop repeated points and points on the straight line between their neighbours."""
    keep = [0]
    for k in range(1, len(path)):
        if math.dist(path[keep[-1]], path[k]) > SAME_PLACE_MM:
            keep.append(k)
    path = path[keep]
    if len(path) < 3:
        return path
    before, after = path[1:-1] - path[:-2], path[2:] - path[1:-1]
    turn = np.abs(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0])
    ahead = (before * after).sum(axis=1) > 0
    straight = ahead & (turn <= 1e-9 * np.hypot(*before.T) * np.hypot(*after.T))
    return path[np.concatenate([[True], ~straight, [True]])]
