"""The route map as an SVG drawing in which one user unit is one millimetre.

Form: SVG 1.1 (W3C). All geometry stands in one group that turns y up, so its numbers are plate
coordinates; what SVG has no word for stands in `data-` attributes. A route that was moved in a
drawing program is read back as it then lies, as long as it is still a polyline of that group.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Mapping
from typing import Any

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

__all__ = ["from_svg", "to_svg"]

SVG = "{http://www.w3.org/2000/svg}"
MARGIN_MM = 10.0
GROUP = "plate-route-map"
TEXT_MM = 5.0
# stroke and dash of each kind: told apart without colours too
PENS = {
    "heater": {"stroke": "#b23c00"},
    "thermocouple": {"stroke": "#00608a", "stroke-dasharray": "6 2"},
    "other": {"stroke": "#444444", "stroke-dasharray": "2 2"},
}
_PLATE = ("name", "outline", "drops", "holes", "channels", "exits", "markers")


def to_svg(route_map: RouteMap) -> bytes:
    """The map as an SVG document (UTF-8) at scale 1:1, with the ids as text."""
    document = route_map_to_mapping(route_map)
    plate = document["plate"]
    xs, ys = zip(*plate["outline"], strict=True)
    left, low = min(xs) - MARGIN_MM, min(ys) - MARGIN_MM
    width, height = max(xs) + MARGIN_MM - left, max(ys) + MARGIN_MM - low
    ET.register_namespace("", SVG[1:-1])
    root = ET.Element(
        f"{SVG}svg",
        {
            "width": f"{width:g}mm",
            "height": f"{height:g}mm",
            "viewBox": f"{left:g} {-(low + height):g} {width:g} {height:g}",
        },
    )
    ET.SubElement(root, f"{SVG}title").text = wrapped(plate["name"]) or "route map"
    group = ET.SubElement(
        root,
        f"{SVG}g",
        {
            "id": GROUP,
            "transform": "scale(1,-1)",
            "fill": "none",
            "stroke": "#333333",
            "stroke-width": "0.5",
            "stroke-linejoin": "round",
        },
    )
    labels = ET.SubElement(
        root, f"{SVG}g", {"font-family": "sans-serif", "font-size": f"{TEXT_MM:g}"}
    )

    def add(tag: str, part: str, shape: Mapping[str, str], data: Mapping[str, Any], more: str):
        values = {f"data-{key}": _text(value) for key, value in data.items()}
        if more:
            values["data-more"] = more
        ET.SubElement(group, f"{SVG}{tag}", {"data-part": part, **shape, **values})

    def label(text: str, x: float, y: float) -> None:
        one = ET.SubElement(labels, f"{SVG}text", {"x": f"{x:g}", "y": f"{-y:g}"})
        one.text = wrapped(text)

    head = fields(document, ("wires", "crossings", "plate"))
    add(
        "polygon",
        "outline",
        {"points": points_text(plate["outline"]), "stroke-width": "1"},
        {"name": plate["name"], "head": head},
        fields(plate, _PLATE),
    )
    for one in plate["channels"]:
        shape = {
            "points": points_text(one["points"]),
            "stroke": "#dddddd",
            "stroke-width": repr(float(one["width"])),
        }
        known = ("id", "points", "width", "depth")
        add("polyline", "channel", shape, {k: one[k] for k in ("id", "depth")}, fields(one, known))
    for part, key, size in (("drop", "drops", "bore_diameter"), ("hole", "holes", "diameter")):
        for one in plate[key]:
            circle = _place(one) | {"r": repr(one[size] / 2)}
            add("circle", part, circle, {"id": one["id"]}, fields(one, ("id", "x", "y", size)))
            label(one["id"], one["x"] - one[size] / 2, one["y"] + one[size] / 2)
    for one in plate["exits"]:
        add("circle", "exit", _place(one) | {"r": "3"}, {"id": one["id"]},
            fields(one, ("id", "x", "y")))  # fmt: skip
        label(one["id"], one["x"] + 4, one["y"])
    for one in plate.get("markers", ()):
        known = ("id", "side", "angle")
        add("circle", "marker", _place(one) | {"r": "1"}, {k: one[k] for k in known},
            fields(one, (*known, "x", "y")))  # fmt: skip
    for one in document["wires"]:
        data = {"id": one["id"], "drop": one["drop"], "exit": one["exit"]}
        if "diameter" in one:
            data["diameter"] = float(one["diameter"])
        if "seen" in one:
            data["seen"] = "".join("01"[flag] for flag in one["seen"])
        shape = {"points": points_text(one["points"]), "stroke-width": "1.5", **PENS[one["kind"]]}
        add("polyline", one["kind"], shape, data, fields(one, (*data, "id", "kind", "points")))
        label(one["id"], one["points"][-1][0] + 1, one["points"][-1][1] + 1)
    for one in document["crossings"]:
        data = {"a": one["a"], "b": one["b"], "top": one["top"] or "open"}
        add("circle", "judgement", _place(one) | {"r": "1.5"}, data,
            fields(one, ("a", "b", "x", "y", "top")))  # fmt: skip
    ET.indent(root)
    return ET.tostring(root, encoding="utf-8", xml_declaration=True) + b"\n"


def from_svg(data: bytes) -> RouteMap:
    """The map of a drawing that `to_svg` wrote.

    Raises ExchangeError for what is no such drawing, RouteMapError for an unsound map.
    """
    check_xml(data, "SVG")
    try:
        root = ET.fromstring(data)
    except (ET.ParseError, ValueError, LookupError) as fault:
        raise ExchangeError(
            f"This is no SVG drawing that can be read ({shown(fault)}): choose another."
        ) from fault
    group = next((one for one in root.iter(f"{SVG}g") if one.get("id") == GROUP), None)
    if group is None:
        raise ExchangeError(
            f"This drawing has no group '{GROUP}': choose one that was exported here."
        )
    if group.get("transform", "").replace(" ", "") != "scale(1,-1)" or any(
        one.get("transform") for one in group
    ):
        raise ExchangeError(
            "Something in this drawing was moved or turned as a whole, so its numbers are no "
            "longer plate coordinates: apply the transforms to the points and save again."
        )
    parts = [(one, one.get("data-part", "")) for one in group]
    outlines = [one for one, part in parts if part == "outline"]
    if len(outlines) != 1:
        raise ExchangeError(f"This drawing has {len(outlines)} plate outlines: it should be one.")
    return route_map_from_mapping(_document(outlines[0], parts))


def _document(outline: ET.Element, parts: list[tuple[ET.Element, str]]) -> dict[str, Any]:
    plate: dict[str, Any] = {
        "name": unwrapped(outline.get("data-name", "")),
        "outline": points_of(outline.get("points", ""), "points of the outline"),
        **{key: [] for key in ("drops", "holes", "channels", "exits")},
    }
    wires: list[dict[str, Any]] = []
    judged: list[dict[str, Any]] = []
    for element, part in parts:
        ident = unwrapped(element.get("data-id", ""))
        where = f"{part} '{shown(ident)}'"
        more = element.get("data-more")

        def number(name: str, element: ET.Element = element, where: str = where) -> float:
            return number_of(element.get(name), f"{name.removeprefix('data-')} of {where}")

        if part in ("drop", "hole"):
            size = "bore_diameter" if part == "drop" else "diameter"
            one = {"id": ident, "x": number("cx"), "y": number("cy"), size: number("r") * 2}
            plate["drops" if part == "drop" else "holes"].append(with_more(one, more, where))
        elif part == "channel":
            one = {"id": ident, "points": points_of(element.get("points", ""), where)}
            one |= {"width": number("stroke-width"), "depth": number("data-depth")}
            plate["channels"].append(with_more(one, more, where))
        elif part == "exit":
            one = {"id": ident, "x": number("cx"), "y": number("cy")}
            plate["exits"].append(with_more(one, more, where))
        elif part == "marker":
            one = {"id": int(number("data-id")), "x": number("cx"), "y": number("cy")}
            one |= {"side": number("data-side"), "angle": number("data-angle")}
            plate.setdefault("markers", []).append(with_more(one, more, where))
        elif part in PENS:
            one = {"id": ident, "kind": part}
            one |= {key: unwrapped(element.get(f"data-{key}", "")) for key in ("drop", "exit")}
            if element.get("data-diameter") is not None:
                one["diameter"] = number("data-diameter")
            one["points"] = points_of(element.get("points", ""), where)
            if element.get("data-seen") is not None:
                one["seen"] = [flag == "1" for flag in element.get("data-seen", "")]
            wires.append(with_more(one, more, where))
        elif part == "judgement":
            one = {key: unwrapped(element.get(f"data-{key}", "")) for key in ("a", "b")}
            top = element.get("data-top")
            one |= {"x": number("cx"), "y": number("cy"), "top": None if top == "open" else top}
            judged.append(with_more(one, more, where))
    plate = with_more(plate, outline.get("data-more"), "more of the outline")
    head = more_of(unwrapped(outline.get("data-head", "")), "head of the outline")
    return {**head, "plate": plate, "wires": wires, "crossings": judged}


def _text(value: Any) -> str:
    return repr(value) if isinstance(value, float) else wrapped(str(value))


def _place(one: Mapping[str, float]) -> dict[str, str]:
    return {"cx": repr(float(one["x"])), "cy": repr(float(one["y"]))}
