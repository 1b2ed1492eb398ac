"""A scene written as PDF with the reportlab library."""

from __future__ import annotations

import io
from collections.abc import Sequence

from reportlab.lib.colors import HexColor
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from mapper.sheets.lettering import MM_PER_POINT, lost_letters, runs, text_width_mm
from mapper.sheets.scene import Circle, Item, Line, Picture, Scene, Text

__all__ = ["scenes_to_pdf"]

MARGIN_MM, NOTE_MM = 7.0, 4.5
LEAST_NOTED_MM = 120.0  # narrower are labels


def scenes_to_pdf(scenes: Sequence[Scene]) -> bytes:
    """One PDF page per scene, true to scale (1 mm on paper is 1 mm of the scene)."""
    out = io.BytesIO()
    canvas = Canvas(out, pageCompression=1)
    canvas.setTitle("".join(part for _, part in runs(scenes[0].title)))
    for scene in scenes:
        canvas.setPageSize((scene.width_mm / MM_PER_POINT, scene.height_mm / MM_PER_POINT))
        for item in (*scene.items, *_note(scene)):
            _draw(canvas, item)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _note(scene: Scene) -> list[Item]:
    """A line at the foot that says so when letters of the page could not be printed."""
    lost = lost_letters("".join(item.text for item in scene.items if isinstance(item, Text)))
    if not lost or scene.width_mm < LEAST_NOTED_MM:
        return []
    codes = ", ".join(f"U+{ord(ch):04X}" for ch in lost[:6])
    text = f"? stands for letters that no typeface on this computer has ({codes})."
    return [Text(MARGIN_MM, NOTE_MM, text, 2.9)]


def _pen(canvas: Canvas, item: Line | Circle) -> None:
    if item.colour:
        canvas.setStrokeColor(HexColor(item.colour))
        canvas.setLineWidth(item.width_mm / MM_PER_POINT)
    if item.fill:
        canvas.setFillColor(HexColor(item.fill))


def _draw(canvas: Canvas, item: Item) -> None:
    canvas.saveState()
    if isinstance(item, Text):
        canvas.setFillColor(HexColor(item.colour))
        wide_mm = text_width_mm(item.text, item.size_mm, item.bold)
        x_mm = item.x_mm - {"start": 0.0, "middle": wide_mm / 2, "end": wide_mm}[item.anchor]
        line = canvas.beginText(x_mm / MM_PER_POINT, item.y_mm / MM_PER_POINT)
        for name, part in runs(item.text, item.bold):
            line.setFont(name, item.size_mm / MM_PER_POINT)
            line.textOut(part)
        canvas.drawText(line)
    elif isinstance(item, Picture):
        # a JPEG is taken over as it is, not packed anew
        sides = (item.x_mm, item.y_mm, item.width_mm, item.height_mm)
        image = ImageReader(io.BytesIO(item.jpeg))
        canvas.drawImage(image, *(side / MM_PER_POINT for side in sides))
    else:
        _pen(canvas, item)
        stroke, fill = int(bool(item.colour)), int(bool(item.fill))
        if isinstance(item, Circle):
            canvas.circle(
                item.x_mm / MM_PER_POINT,
                item.y_mm / MM_PER_POINT,
                item.radius_mm / MM_PER_POINT,
                stroke=stroke,
                fill=fill,
            )
        else:
            canvas.setLineCap(1)
            canvas.setLineJoin(1)
            if item.dash_mm:
                canvas.setDash([part / MM_PER_POINT for part in item.dash_mm])
            path = canvas.beginPath()
            (x, y), *rest = item.points_mm
            path.moveTo(x / MM_PER_POINT, y / MM_PER_POINT)
            for x, y in rest:
                path.lineTo(x / MM_PER_POINT, y / MM_PER_POINT)
            if item.closed:
                path.close()
            canvas.drawPath(path, stroke=stroke, fill=fill if item.closed else 0)
    canvas.restoreState()
