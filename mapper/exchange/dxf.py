"""The route map as a DXF drawing in millimetres, one layer for each kind of thing.

Layers: PLATE_OUTLINE, DROPS, HOLES, CHANNELS (centre lines with their width), EXITS, MARKERS,
LEADS_HEATER, LEADS_THERMOCOUPLE, LEADS_OTHER, JUDGEMENTS. Geometry stands in plain entities;
ids and what DXF has no word for stand in extended data of the application PLATE_ROUTE_MAP.
Form: DXF R2010 (the published DXF reference), by ezdxf.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from typing import Any

import ezdxf
import ezdxf.units
from ezdxf import recover

from mapper.errors import shown
from mapper.exchange.text import (
    ExchangeError,
    check_bytes,
    fields,
    more_of,
    number_of,
    unwrapped,
    with_more,
    wrapped,
)
from mapper.routes import RouteMap, route_map_from_mapping, route_map_to_mapping

__all__ = ["APP", "from_dxf", "to_dxf"]

APP = "PLATE_ROUTE_MAP"
CHUNK = 80  # characters; a string of extended data holds at most 255 bytes
# name of the part, layer, colour number of the layer
LAYERS = {
    "outline": ("PLATE_OUTLINE", 7),
    "drop": ("DROPS", 5),
    "hole": ("HOLES", 8),
    "channel": ("CHANNELS", 3),
    "exit": ("EXITS", 30),
    "marker": ("MARKERS", 9),
    "heater": ("LEADS_HEATER", 1),
    "thermocouple": ("LEADS_THERMOCOUPLE", 4),
    "other": ("LEADS_OTHER", 6),
    "judgement": ("JUDGEMENTS", 2),
}
_HEAD = ("wires", "crossings", "plate")
_PLATE = ("name", "outline", "drops", "holes", "channels", "exits", "markers")


def to_dxf(route_map: RouteMap) -> bytes:
    """The map as DXF text (UTF-8), x right and y up as in the plate frame."""
    document = route_map_to_mapping(route_map)
    drawing = ezdxf.new("R2010", setup=False)
    drawing.units = ezdxf.units.MM
    drawing.appids.add(APP)
    for layer, colour in LAYERS.values():
        drawing.layers.add(layer, color=colour)
    space = drawing.modelspace()
    plate = document["plate"]

    def mark(entity: Any, part: str, values: Mapping[str, Any], more: str = "") -> None:
        entity.dxf.layer = LAYERS[part][0]
        data = [(1000, f"part={part}")]
        for key, value in values.items():
            text = repr(value) if isinstance(value, float) else wrapped(str(value))
            data += [(1000, f"{key}={text[i : i + CHUNK]}") for i in range(0, len(text), CHUNK)]
        more = wrapped(more)
        data += [(1000, f"more={more[i : i + CHUNK]}") for i in range(0, len(more), CHUNK)]
        entity.set_xdata(APP, data)

    head = fields(document, _HEAD)
    outline = space.add_lwpolyline(plate["outline"], close=True)
    mark(
        outline,
        "outline",
        {"name": plate["name"], "head": head, "plate": fields(plate, _PLATE)},
    )
    for part, key, size in (("drop", "drops", "bore_diameter"), ("hole", "holes", "diameter")):
        for one in plate[key]:
            circle = space.add_circle((one["x"], one["y"]), one[size] / 2)
            mark(circle, part, {"id": one["id"]}, fields(one, ("id", "x", "y", size)))
    for one in plate["channels"]:
        line = space.add_lwpolyline(one["points"], dxfattribs={"const_width": one["width"]})
        known = ("id", "points", "width", "depth")
        mark(line, "channel", {"id": one["id"], "depth": one["depth"]}, fields(one, known))
    for one in plate["exits"]:
        mark(
            space.add_point((one["x"], one["y"])),
            "exit",
            {"id": one["id"]},
            fields(one, ("id", "x", "y")),
        )
    for one in plate.get("markers", ()):
        known = {key: one[key] for key in ("id", "side", "angle")}
        mark(
            space.add_point((one["x"], one["y"])),
            "marker",
            known,
            fields(one, ("id", "x", "y", "side", "angle")),
        )
    for one in document["wires"]:
        values = {"id": one["id"], "drop": one["drop"], "exit": one["exit"]}
        if "diameter" in one:
            values["diameter"] = float(one["diameter"])
        if "seen" in one:
            values["seen"] = "".join("01"[flag] for flag in one["seen"])
        known = (*values, "id", "kind", "points")
        mark(space.add_lwpolyline(one["points"]), one["kind"], values, fields(one, known))
    for one in document["crossings"]:
        values = {"a": one["a"], "b": one["b"], "top": one["top"] or "open"}
        known = ("a", "b", "x", "y", "top")
        mark(space.add_point((one["x"], one["y"])), "judgement", values, fields(one, known))
    text = io.StringIO()
    drawing.write(text)
    return text.getvalue().encode("utf-8")


def from_dxf(data: bytes) -> RouteMap:
    """The map of a drawing that `to_dxf` wrote, also after points were moved in a CAD program.

    Raises ExchangeError for what is no such drawing, RouteMapError for an unsound map. Drawings
    from elsewhere give a plate only: `Plate.from_dxf`.
    """
    check_bytes(data, "DXF")
    try:
        drawing, _ = recover.read(io.BytesIO(data))
        parts = list(_parts(drawing))
    except ExchangeError:
        raise
    except Exception as fault:  # a broken drawing fails in many ways
        raise ExchangeError(
            f"This is no DXF drawing that can be read ({shown(fault)}): choose another."
        ) from fault
    outlines = [(entity, values) for entity, part, values in parts if part == "outline"]
    if len(outlines) != 1:
        raise ExchangeError(
            "This drawing holds no route map that was exported here "
            f"({len(outlines)} outlines marked as such, and it should be one)."
        )
    return route_map_from_mapping(_document(outlines[0], parts))


def _parts(drawing: Any) -> Iterator[tuple[Any, str, dict[str, str]]]:
    for entity in drawing.modelspace():
        if not entity.has_xdata(APP):
            continue
        values: dict[str, str] = {}
        for tag in entity.get_xdata(APP):
            if tag.code == 1000:
                key, _, text = str(tag.value).partition("=")
                values[key] = values.get(key, "") + text
        part = values.pop("part", "")
        values["more"] = unwrapped(values.get("more", ""))
        yield entity, part, values


def _document(outline: tuple[Any, dict[str, str]], parts: list[Any]) -> dict[str, Any]:
    entity, values = outline
    plate: dict[str, Any] = {
        "name": unwrapped(values.get("name", "")),
        "outline": _line(entity),
        "drops": [],
        "holes": [],
        "channels": [],
        "exits": [],
    }
    wires: list[dict[str, Any]] = []
    judged: list[dict[str, Any]] = []
    for entity, part, values in parts:
        ident = unwrapped(values.get("id", ""))
        where = f"{part} '{shown(ident)}'"
        more = values["more"]
        if part in ("drop", "hole"):
            size = "bore_diameter" if part == "drop" else "diameter"
            one = {"id": ident, **_at(entity, "center"), size: float(entity.dxf.radius) * 2}
            plate["drops" if part == "drop" else "holes"].append(with_more(one, more, where))
        elif part == "channel":
            depth = number_of(values.get("depth"), f"depth of {where}")
            one = {"id": ident, "points": _line(entity), "width": float(entity.dxf.const_width)}
            plate["channels"].append(with_more({**one, "depth": depth}, more, where))
        elif part == "exit":
            plate["exits"].append(with_more({"id": ident, **_at(entity)}, more, where))
        elif part == "marker":
            one = {"id": int(number_of(values.get("id"), where)), **_at(entity)}
            one |= {key: number_of(values.get(key), where) for key in ("side", "angle")}
            plate.setdefault("markers", []).append(with_more(one, more, where))
        elif part in ("heater", "thermocouple", "other"):
            one = {"id": ident, "kind": part}
            one |= {key: unwrapped(values.get(key, "")) for key in ("drop", "exit")}
            if "diameter" in values:
                one["diameter"] = number_of(values["diameter"], f"diameter of {where}")
            one["points"] = _line(entity)
            if "seen" in values:
                one["seen"] = [flag == "1" for flag in values["seen"]]
            wires.append(with_more(one, more, where))
        elif part == "judgement":
            one = {key: unwrapped(values.get(key, "")) for key in ("a", "b")}
            top = values.get("top", "")
            one |= {**_at(entity), "top": None if top == "open" else top}
            judged.append(with_more(one, more, where))
    _, values = outline
    plate = with_more(plate, unwrapped(values.get("plate", "")), "plate")
    head = more_of(unwrapped(values.get("head", "")), "head of the drawing")
    return {**head, "plate": plate, "wires": wires, "crossings": judged}


def _line(entity: Any) -> list[list[float]]:
    return [[float(x), float(y)] for x, y in entity.get_points("xy")]


def _at(entity: Any, attribute: str = "location") -> dict[str, float]:
    place = entity.dxf.get(attribute)
    return {"x": float(place.x), "y": float(place.y)}
