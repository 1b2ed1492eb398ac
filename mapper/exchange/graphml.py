"""The route map as a GraphML file: leads are nodes, meetings are edges.

Form: GraphML 1.0 (graphml.graphdrawing.org), written and read by networkx. The plate stands as
JSON in the graph's own data. Every meeting is an edge, with what was judged there; edges with
`listed` true carry the judgements of the route-map file, the others are only found.
"""

from __future__ import annotations

import io
import json
from typing import Any

import networkx as nx

from mapper.errors import shown
from mapper.exchange.text import (
    ExchangeError,
    check_xml,
    fields,
    more_of,
    number_of,
    points_of,
    points_text,
    unwrapped,
    with_more,
    wrapped,
)
from mapper.routes import RouteMap, route_map_from_mapping, route_map_to_mapping

__all__ = ["from_graphml", "to_graphml"]

_WIRE = ("id", "kind", "drop", "exit", "diameter", "points", "seen")
_LISTED = ("a", "b", "x", "y", "top")


def to_graphml(route_map: RouteMap) -> bytes:
    """The map as GraphML; opens in any reader of the form as an undirected multigraph."""
    document = route_map_to_mapping(route_map)
    graph = nx.MultiGraph()
    head = {key: value for key, value in document.items() if key not in ("wires", "crossings")}
    graph.graph["route_map"] = json.dumps(head, allow_nan=False)
    for wire in document["wires"]:
        data: dict[str, Any] = {
            "kind": wire["kind"],
            "drop": wrapped(wire["drop"]),
            "exit": wrapped(wire["exit"]),
            "points": points_text(wire["points"]),
        }
        if "diameter" in wire:
            data["diameter"] = float(wire["diameter"])
        if "seen" in wire:
            data["seen"] = "".join("01"[one] for one in wire["seen"])
        if more := fields(wire, _WIRE):
            data["more"] = more
        graph.add_node(wrapped(wire["id"]), **data)
    for number, one in enumerate(document["crossings"]):
        data = {
            "listed": True,
            "number": number,
            "a": wrapped(one["a"]),
            "x": float(one["x"]),
            "y": float(one["y"]),
            "top": one["top"] or "open",
        }
        if more := fields(one, _LISTED):
            data["more"] = more
        graph.add_edge(wrapped(one["a"]), wrapped(one["b"]), **data)
    for one in route_map.crossings:
        graph.add_edge(
            wrapped(one.a),
            wrapped(one.b),
            listed=False,
            a=wrapped(one.a),
            x=float(one.x_mm),
            y=float(one.y_mm),
            top=one.top or "open",
            meeting=one.kind,
        )
    buffer = io.BytesIO()
    nx.write_graphml(graph, buffer)
    return buffer.getvalue()


def from_graphml(data: bytes) -> RouteMap:
    """The map of a GraphML file written by `to_graphml`, also after edits elsewhere.

    Raises ExchangeError for what is no such file, RouteMapError for an unsound map.
    """
    check_xml(data, "GraphML")
    try:
        graph = nx.read_graphml(io.BytesIO(data), force_multigraph=True)
    except Exception as fault:  # the reader raises many kinds
        raise ExchangeError(
            f"This is no GraphML file that can be read ({shown(fault)}): choose another."
        ) from fault
    head = more_of(graph.graph.get("route_map"), "graph data route_map")
    if not head:
        raise ExchangeError(
            "This GraphML file holds no plate (graph data route_map): "
            "choose one that was exported here."
        )
    document = {**head, "wires": [], "crossings": []}
    for name, node in graph.nodes(data=True):
        where = f"node '{shown(name)}'"
        wire: dict[str, Any] = {
            "id": unwrapped(str(name)),
            "kind": node.get("kind"),
            "drop": unwrapped(str(node.get("drop", ""))),
            "exit": unwrapped(str(node.get("exit", ""))),
            "points": points_of(str(node.get("points", "")), f"points of {where}"),
        }
        if "diameter" in node:
            wire["diameter"] = number_of(node["diameter"], f"diameter of {where}")
        if "seen" in node:
            wire["seen"] = [one == "1" for one in str(node["seen"])]
        document["wires"].append(with_more(wire, node.get("more"), f"more of {where}"))
    listed = [edge for edge in graph.edges(data=True) if edge[2].get("listed") is True]
    for u, v, edge in sorted(listed, key=lambda one: one[2].get("number", 0)):
        where = f"edge '{shown(u)}' to '{shown(v)}'"
        a = str(edge.get("a", u))
        top = edge.get("top")
        one = {
            "a": unwrapped(a),
            "b": unwrapped(str(v if a == str(u) else u)),
            "x": number_of(edge.get("x"), f"x of {where}"),
            "y": number_of(edge.get("y"), f"y of {where}"),
            "top": None if top == "open" else top,
        }
        document["crossings"].append(with_more(one, edge.get("more"), f"more of {where}"))
    return route_map_from_mapping(document)
