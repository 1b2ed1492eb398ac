"""The document of a route-map file, to and from a RouteMap: plain dicts, lists, numbers, text.

What is not sound is refused with RouteMapError, one sentence that begins with the key path of
the fault (`wires[3].points[2][0]`). The form is described in docs/route-map.md.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from mapper.errors import MapperError, shown
from mapper.plate import Plate, PlateError
from mapper.plate.checks import check_id, check_number, check_size, kind_of
from mapper.routes.judging import truly_crosses_at
from mapper.routes.lead import TRACING_ERROR_MM, Judged, Lead
from mapper.routes.model import RouteMap

__all__ = [
    "DUPLICATE",
    "FORMAT",
    "VERSION",
    "RouteMapError",
    "checked_mapping",
    "route_map_from_mapping",
    "route_map_to_mapping",
    "too_deep",
]

FORMAT = "plate-route-map"
VERSION = 1
MAX_DEPTH = 64  # levels of lists and objects inside each other; our own form needs six
DUPLICATE = object()  # a key that the parser puts into an object in which some key comes twice

_KINDS = ("heater", "thermocouple", "other")
_TOPS = ("a", "b", "apart", None)
_TOP_KEYS = (
    "format",
    "version",
    "units",
    "plate",
    "wires",
    "crossings",
    "tracing_error",
    "unseen_error",
)
_WIRE_KEYS = ("id", "kind", "drop", "exit", "diameter", "points", "seen")
_CROSSING_KEYS = ("a", "b", "x", "y", "top")


class RouteMapError(MapperError):
    """A route map that can't be used; the message names the key path and the remedy."""


def route_map_from_mapping(mapping: Any) -> RouteMap:
    """Return the route map that `mapping` (parsed JSON) describes.

    Unknown keys are kept in `extra` of the record they stand in. Raises RouteMapError at the
    first fault: another format, units or a newer version, a missing key or reference, two of
    one id, a number that is not finite or beyond 10 m, `seen` of another length than the
    segments, a route without two different points, or "apart" where two routes truly cross.
    """
    _check_json(mapping)
    try:
        route_map = _route_map(mapping)
    except PlateError as fault:
        raise RouteMapError(str(fault)) from None
    _refuse_apart_at_crossings(route_map)
    return route_map


def route_map_to_mapping(route_map: RouteMap) -> dict[str, Any]:
    """Return the document of the file: plain dicts, lists, floats and text, ready for JSON."""
    known: dict[str, Any] = {
        "format": FORMAT,
        "version": VERSION,
        "units": "mm",
        "plate": route_map.plate.to_mapping(),
        "wires": [_wire_mapping(lead) for lead in route_map.leads],
        "crossings": [
            _with_extra(
                {"a": one.a, "b": one.b, "x": one.x_mm, "y": one.y_mm, "top": one.top},
                one.extra,
                _CROSSING_KEYS,
            )
            for one in route_map.judged
        ],
    }
    if route_map.tracing_error_mm != TRACING_ERROR_MM:
        known["tracing_error"] = float(route_map.tracing_error_mm)
    if route_map.unseen_error_mm != 0:
        known["unseen_error"] = float(route_map.unseen_error_mm)
    return _with_extra(known, route_map.extra, _TOP_KEYS)


def checked_mapping(route_map: RouteMap) -> dict[str, Any]:
    """Return the document of a map that the reader would take; RouteMapError for any other."""
    mapping = route_map_to_mapping(route_map)
    _check_json(mapping)
    try:
        _route_map(mapping)
    except PlateError as fault:
        raise RouteMapError(str(fault)) from None
    _refuse_apart_at_crossings(route_map)
    return mapping


def too_deep(where: str) -> str:
    """The sentence for a document nested too deep."""
    return f"{where} holds lists or objects more than {MAX_DEPTH} levels deep: flatten it."


def _check_json(document: Any) -> None:
    """Refuse what JSON can't carry or a second reader would read otherwise, anywhere in it."""
    waiting: list[tuple[str, Any, int]] = [("", document, 0)]
    while waiting:
        path, value, depth = waiting.pop()
        where = path or "The file"
        if depth > MAX_DEPTH:
            raise RouteMapError(too_deep(shown(where)))
        if isinstance(value, Mapping):
            if DUPLICATE in value:
                key = _at(path, value[DUPLICATE])
                raise RouteMapError(f"{key} comes twice in one object: keep one of them.")
            for key, inner in value.items():
                if not isinstance(key, str):
                    raise RouteMapError(f"{where} has a key that is not text.")
                _check_text(key, _at(path, key))
                waiting.append((_at(path, key), inner, depth + 1))
        elif isinstance(value, list | tuple):
            waiting.extend((f"{path}[{n}]", inner, depth + 1) for n, inner in enumerate(value))
        elif isinstance(value, str):
            _check_text(value, where)
        elif isinstance(value, float):
            if not math.isfinite(value):
                raise RouteMapError(f"{where} must be a finite number.")
        elif not (value is None or isinstance(value, bool | int)):
            raise RouteMapError(f"{where} is {kind_of(value)}, which JSON can't hold.")


def _check_text(text: str, where: str) -> None:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise RouteMapError(f"{where} holds half a character (a lone surrogate).") from None


def _at(path: str, key: Any) -> str:
    return f"{path}.{shown(key)}" if path else shown(key)


def _route_map(document: Any) -> RouteMap:
    if not isinstance(document, Mapping):
        raise RouteMapError(f"The file must hold one object, not {kind_of(document)}.")
    _check_head(document)
    plate = Plate.from_mapping(_need(document, "plate", ""), "plate")
    drops = {drop.id for drop in plate.drops}
    exits = {exit_.id for exit_ in plate.exits}
    leads: list[Lead] = []
    used: dict[str, int] = {}
    for n, wire in _objects(_need(document, "wires", ""), "wires"):
        path = f"wires[{n}]"
        lead = _lead(wire, path)
        if lead.id in used:
            raise RouteMapError(
                f"{path}.id '{shown(lead.id)}' is already used by wires[{used[lead.id]}]: "
                "give every wire its own id."
            )
        used[lead.id] = n
        _refer(lead.drop, drops, f"{path}.drop", "plate.drops")
        _refer(lead.exit, exits, f"{path}.exit", "plate.exits")
        leads.append(lead)
    judged = []
    for n, listed in _objects(document.get("crossings", []), "crossings"):
        path = f"crossings[{n}]"
        one = _judged(listed, path)
        _refer(one.a, used, f"{path}.a", "wires")
        _refer(one.b, used, f"{path}.b", "wires")
        judged.append(one)
    return RouteMap(
        plate=plate,
        leads=tuple(leads),
        judged=tuple(judged),
        tracing_error_mm=_error_of(document, "tracing_error", TRACING_ERROR_MM),
        extra=_extra(document, _TOP_KEYS),
        unseen_error_mm=_error_of(document, "unseen_error", 0.0),
    )


def _check_head(document: Mapping[str, Any]) -> None:
    form = _need(document, "format", "")
    if form != FORMAT:
        raise RouteMapError(f"format must be '{FORMAT}', not {kind_of(form)}.")
    version = _need(document, "version", "")
    if isinstance(version, bool) or not isinstance(version, int | float):
        raise RouteMapError(f"version must be the number {VERSION}, not {kind_of(version)}.")
    if version > VERSION:
        raise RouteMapError(
            f"version is {shown(version)}, and this program reads version {VERSION}: "
            "open the file with a newer program."
        )
    if version != VERSION:
        raise RouteMapError(f"version must be {VERSION}, not {shown(version)}.")
    units = _need(document, "units", "")
    if units != "mm":
        raise RouteMapError(f"units must be 'mm', not {kind_of(units)}.")


def _lead(wire: Mapping[str, Any], path: str) -> Lead:
    kind = _need(wire, "kind", path)
    if kind not in _KINDS:
        raise RouteMapError(
            f"{path}.kind must be 'heater', 'thermocouple' or 'other', not {kind_of(kind)}."
        )
    points = _points(_need(wire, "points", path), f"{path}.points")
    seen = None
    if "seen" in wire:
        seen = _seen(wire["seen"], f"{path}.seen", len(points) - 1)
    diameter = check_size(wire["diameter"], f"{path}.diameter") if "diameter" in wire else None
    return Lead(
        id=check_id(_need(wire, "id", path), f"{path}.id"),
        kind=kind,
        drop=check_id(_need(wire, "drop", path), f"{path}.drop"),
        exit=check_id(_need(wire, "exit", path), f"{path}.exit"),
        points_mm=points,
        diameter_mm=diameter,
        seen=seen,
        extra=_extra(wire, _WIRE_KEYS),
    )


def _points(value: Any, path: str) -> list[tuple[float, float]]:
    if not isinstance(value, list | tuple):
        raise RouteMapError(f"{path} must be a list of [x, y] points, not {kind_of(value)}.")
    points = []
    for n, point in enumerate(value):
        if not isinstance(point, list | tuple) or len(point) != 2:
            raise RouteMapError(f"{path}[{n}] must be a point [x, y].")
        points.append(
            (check_number(point[0], f"{path}[{n}][0]"), check_number(point[1], f"{path}[{n}][1]"))
        )
    if len(set(points)) < 2:
        raise RouteMapError(f"{path} needs at least two different points along the route.")
    return points


def _seen(value: Any, path: str, count: int) -> tuple[bool, ...]:
    if not isinstance(value, list | tuple):
        raise RouteMapError(f"{path} must be a list of true and false, not {kind_of(value)}.")
    for n, one in enumerate(value):
        if not isinstance(one, bool):
            raise RouteMapError(f"{path}[{n}] must be true or false, not {kind_of(one)}.")
    if len(value) != count:
        raise RouteMapError(
            f"{path} has {len(value)} entries and the route has {count} segments: "
            "give one entry per segment."
        )
    return tuple(value)


def _judged(listed: Mapping[str, Any], path: str) -> Judged:
    top = _need(listed, "top", path)
    if not (top is None or isinstance(top, str)) or top not in _TOPS:
        raise RouteMapError(f"{path}.top must be 'a', 'b', 'apart' or null, not {kind_of(top)}.")
    return Judged(
        a=check_id(_need(listed, "a", path), f"{path}.a"),
        b=check_id(_need(listed, "b", path), f"{path}.b"),
        x_mm=check_number(_need(listed, "x", path), f"{path}.x"),
        y_mm=check_number(_need(listed, "y", path), f"{path}.y"),
        top=top,
        extra=_extra(listed, _CROSSING_KEYS),
    )


def _refuse_apart_at_crossings(route_map: RouteMap) -> None:
    for n, one in enumerate(route_map.judged):
        if one.top == "apart" and truly_crosses_at(route_map.found, one, route_map.leads_by_id):
            raise RouteMapError(
                f"crossings[{n}].top is 'apart', and {shown(one.a)} and {shown(one.b)} truly "
                f"cross at ({one.x_mm:g}, {one.y_mm:g}) mm: say which lies on top, or null."
            )


def _error_of(document: Mapping[str, Any], key: str, default: float) -> float:
    if key not in document:
        return default
    error = check_number(document[key], key)
    if error < 0:
        raise RouteMapError(f"{key} must not be negative, and is {error:g} mm.")
    return error


def _need(mapping: Mapping[str, Any], key: str, path: str) -> Any:
    if key not in mapping:
        raise RouteMapError(f"{_at(path, key)} is missing: add it.")
    return mapping[key]


def _objects(value: Any, path: str) -> Iterable[tuple[int, Mapping[str, Any]]]:
    if not isinstance(value, list | tuple):
        raise RouteMapError(f"{path} must be a list, not {kind_of(value)}.")
    for n, item in enumerate(value):
        if not isinstance(item, Mapping):
            raise RouteMapError(f"{path}[{n}] must be an object, not {kind_of(item)}.")
        yield n, item


def _refer(name: str, known: Iterable[str], path: str, where: str) -> None:
    if name not in known:
        raise RouteMapError(
            f"{path} '{shown(name)}' is not in {where}: add it there or correct it."
        )


def _extra(mapping: Mapping[str, Any], known: tuple[str, ...]) -> dict[str, Any]:
    return {key: value for key, value in mapping.items() if key not in known}


def _with_extra(
    mapping: dict[str, Any], extra: Mapping[str, Any], known: tuple[str, ...]
) -> dict[str, Any]:
    """Unknown keys go behind the known ones and never stand in for one."""
    return {**mapping, **_extra(extra, known)}


def _wire_mapping(lead: Lead) -> dict[str, Any]:
    known: dict[str, Any] = {
        "id": lead.id,
        "kind": lead.kind,
        "drop": lead.drop,
        "exit": lead.exit,
    }
    if lead.diameter_mm is not None:
        known["diameter"] = lead.diameter_mm
    known["points"] = lead.points_mm.tolist()
    if lead.seen is not None:
        known["seen"] = list(lead.seen)
    return _with_extra(known, lead.extra, _WIRE_KEYS)
