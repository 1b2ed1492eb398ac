"""A scene written as SVG in which one user unit is one millimetre (W3C SVG; y points down)."""

from __future__ import annotations

import base64
import xml.etree.ElementTree as ET

from mapper.sheets.lettering import FAMILY, text_width_mm
from mapper.sheets.scene import Circle, Item, Line, Picture, Scene, Text

__all__ = ["scene_to_svg"]

NAMESPACE = "http://www.w3.org/2000/svg"


def _number(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _pen(item: Line | Circle) -> dict[str, str]:
    return {
        "fill": item.fill or "none",
        "stroke": item.colour or "none",
        "stroke-width": _number(item.width_mm),
    }


def scene_to_svg(scene: Scene) -> str:
    """The scene as one SVG document, without any date or machine in it."""
    ET.register_namespace("", NAMESPACE)
    root = ET.Element(
        f"{{{NAMESPACE}}}svg",
        {
            "width": f"{_number(scene.width_mm)}mm",
            "height": f"{_number(scene.height_mm)}mm",
            "viewBox": f"0 0 {_number(scene.width_mm)} {_number(scene.height_mm)}",
            "font-family": f"{FAMILY}, sans-serif",
        },
    )
    ET.SubElement(root, f"{{{NAMESPACE}}}title").text = _xml_safe(scene.title)
    for item in scene.items:
        _add(root, item, scene.height_mm)
    ET.indent(root)
    return ET.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _xml_safe(text: str) -> str:
    """Text without the control characters that XML 1.0 forbids."""
    return "".join(ch if ch in "\t\n" or ch >= " " else "\N{REPLACEMENT CHARACTER}" for ch in text)


def _add(root: ET.Element, item: Item, height_mm: float) -> None:
    if isinstance(item, Text):
        element = ET.SubElement(
            root,
            f"{{{NAMESPACE}}}text",
            {
                "x": _number(item.x_mm),
                "y": _number(height_mm - item.y_mm),
                "font-size": _number(item.size_mm),
                "fill": item.colour,
                "text-anchor": item.anchor,
                **({"font-weight": "bold"} if item.bold else {}),
            },
        )
        element.text = _xml_safe(item.text)
        if item.text.strip():
            # as wide as laid out, whatever typeface stands in on the screen
            wide_mm = text_width_mm(item.text, item.size_mm, item.bold)
            element.set("textLength", _number(wide_mm))
            element.set("lengthAdjust", "spacingAndGlyphs")
    elif isinstance(item, Picture):
        ET.SubElement(
            root,
            f"{{{NAMESPACE}}}image",
            {
                "x": _number(item.x_mm),
                "y": _number(height_mm - item.y_mm - item.height_mm),
                "width": _number(item.width_mm),
                "height": _number(item.height_mm),
                "preserveAspectRatio": "none",
                "href": f"data:image/jpeg;base64,{base64.b64encode(item.jpeg).decode()}",
            },
        )
    elif isinstance(item, Circle):
        ET.SubElement(
            root,
            f"{{{NAMESPACE}}}circle",
            {
                "cx": _number(item.x_mm),
                "cy": _number(height_mm - item.y_mm),
                "r": _number(item.radius_mm),
                **_pen(item),
            },
        )
    else:
        points = " ".join(f"{_number(x)},{_number(height_mm - y)}" for x, y in item.points_mm)
        style = {"points": points, **_pen(item), "stroke-linejoin": "round"}
        if not item.closed:
            style |= {"fill": "none", "stroke-linecap": "round"}
        if item.dash_mm:
            style["stroke-dasharray"] = " ".join(_number(part) for part in item.dash_mm)
        name = "polygon" if item.closed else "polyline"
        ET.SubElement(root, f"{{{NAMESPACE}}}{name}", style)
