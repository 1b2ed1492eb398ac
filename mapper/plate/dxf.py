"""Read the line work of a DXF drawing: circles and lines in millimetres, seen from above.

DXF: y points up, as in the plate frame; the drawing's unit is in its header ($INSUNITS).
"""

from __future__ import annotations

import io
import math
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import ezdxf
import ezdxf.path
import ezdxf.units
import numpy as np
from ezdxf import recover
from ezdxf.document import Drawing
from ezdxf.entities import DXFEntity, Insert
from ezdxf.lldxf.tagger import binary_tags_loader

from mapper.errors import shown
from mapper.plate.checks import PlateError

__all__ = ["MAX_DRAWING_MB", "Circle", "Linework", "Stroke", "read_dxf"]

MAX_DRAWING_MB = 50
MAX_ENTITIES = 200_000
MAX_BLOCK_PARTS = 20_000  # nested blocks can multiply without end, and copying them is slow
MAX_BLOCK_DEPTH = 12
FLATNESS_MM = 0.02  # curves become chords that leave them by at most this
MIN_CHORDS = 16  # per curve, so that a small circle stays recognisable
INCH_SUSPECT = 60.0  # a plate that is "60 mm" over all is more likely drawn in inches
STROKES = ("LINE", "ARC", "ELLIPSE", "LWPOLYLINE", "POLYLINE", "SPLINE")
BINARY_MARK = b"\r\n\x1a\x00"  # ends the first 22 bytes of a binary DXF


@dataclass(frozen=True)
class Circle:
    """A circle in drawing millimetres; `label` names the entity it comes from."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    label: str


@dataclass(frozen=True, eq=False)
class Stroke:
    """A line, polyline or flattened curve: `points_mm` (N, 2), closed or open."""

    points_mm: np.ndarray
    closed: bool
    label: str


@dataclass(frozen=True, eq=False)
class Linework:
    """All circles and strokes of a drawing, with remarks about how it was read."""

    circles: tuple[Circle, ...]
    strokes: tuple[Stroke, ...]
    notes: tuple[str, ...]
    name: str


def read_dxf(
    source: str | os.PathLike[str] | bytes, units: Literal["mm", "inch"] | None = None
) -> Linework:
    """Return the line work of the model space of a DXF file (path or bytes).

    `units` overrides the unit in the header; without both, millimetres are assumed and noted.
    Raises PlateError for a file that is missing, too large, broken, empty or no DXF.
    """
    data, name = _read(source)
    document, notes = _open(data)
    scale, unit_notes = _scale_to_mm(document, units)
    circles: list[Circle] = []
    strokes: list[Stroke] = []
    skipped = others = 0
    hidden = {
        layer.dxf.name.lower() for layer in document.layers if layer.is_off() or layer.is_frozen()
    }
    for entity in _entities(document):
        kind = entity.dxftype()
        if kind != "CIRCLE" and kind not in STROKES:
            others += 1
        elif _layer(entity).lower() in hidden:
            skipped += 1
        else:
            found = _convert(entity, scale)
            if isinstance(found, Circle):
                circles.append(found)
            elif found is not None:
                strokes.append(found)
    if not circles and not strokes:
        raise PlateError(
            "The drawing has no lines and circles in its model space"
            + (f" ({others} texts, dimensions and other entities)" if others else "")
            + (f" ({skipped} entities on hidden layers)" if skipped else "")
            + ": export the plate's face as lines and circles."
        )
    if skipped:
        notes.append(f"{skipped} entities on layers that are off or frozen were left out.")
    notes = unit_notes + notes
    size = np.ptp(_extent(circles, strokes), axis=0).max()
    if units is None and document.header.get("$INSUNITS", 0) == 0 and size < INCH_SUSPECT:
        notes.append(f"The drawing is only {size:.1f} units large: it may be drawn in inches.")
    return Linework(tuple(circles), tuple(strokes), tuple(notes), name)


def entity_label(entity: DXFEntity) -> str:
    """Return how messages name an entity: type, handle and layer."""
    source = entity.source_of_copy or entity
    handle = source.dxf.get("handle") or entity.dxf.get("handle")
    layer = shown(_layer(entity), 32)
    return (
        f"{entity.dxftype()} {'#' + str(handle) if handle else '(in a block)'} on layer '{layer}'"
    )


def _layer(entity: DXFEntity) -> str:
    """Return the layer's name; unknown entity types may not have one."""
    return str(entity.dxf.get("layer", "0")) if entity.dxf.is_supported("layer") else "0"


def _read(source: str | os.PathLike[str] | bytes) -> tuple[bytes, str]:
    if isinstance(source, bytes | bytearray | memoryview):
        data, name = bytes(source), ""
    else:
        try:
            path = Path(source)
            data, name = path.read_bytes(), path.stem
        except (OSError, ValueError, TypeError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise PlateError(
                f"The drawing '{shown(source)}' cannot be read ({shown(reason)}): check the file."
            ) from error
    if not data.strip():
        raise PlateError("The drawing is an empty file: export it again.")
    if len(data) > MAX_DRAWING_MB * 1_000_000:
        raise PlateError(
            f"The drawing has {len(data) / 1e6:.0f} MB, and the limit is {MAX_DRAWING_MB} MB: "
            "export only the face of the plate."
        )
    if data.startswith(b"AC10"):
        raise PlateError("The file is a DWG drawing, which cannot be read: save it as DXF.")
    if data.startswith((b"%PDF", b"PK\x03\x04", b"\x89PNG", b"\xff\xd8")):
        raise PlateError("The file is not a DXF drawing: export the plate's face as DXF.")
    if b"EOF" not in data[-200:]:
        raise PlateError(
            "The file is no DXF drawing or is cut off, because its end mark is missing: "
            "export it again."
        )
    return data, name


def _open(data: bytes) -> tuple[Drawing, list[str]]:
    """Return the document, repaired where the library can, and what it had to leave out."""
    try:
        if data[18:22] == BINARY_MARK:
            document = Drawing.load(binary_tags_loader(data))
            auditor = document.audit()
        else:
            document, auditor = recover.read(io.BytesIO(data))
    except Exception as error:  # the reader raises many kinds on broken input; see its docs
        raise PlateError(
            f"The file is no DXF drawing or a damaged one ({shown(error)}): export it again."
        ) from error
    notes = []
    if auditor.has_errors:
        fault = auditor.errors[0]
        place = f" at {entity_label(fault.entity)}" if fault.entity is not None else ""
        notes.append(
            f"The drawing has {len(auditor.errors)} faults that could not be repaired, "
            f"the first{place}: {shown(fault.message)}"
        )
    return document, notes


def _scale_to_mm(document: Drawing, units: str | None) -> tuple[float, list[str]]:
    if units not in (None, "mm", "inch"):
        raise PlateError(f"The drawing's unit must be mm or inch, not '{shown(units)}'.")
    if units is not None:
        return (25.4 if units == "inch" else 1.0), [f"The drawing is read in {units}, as asked."]
    code = document.header.get("$INSUNITS", 0)
    if code == 0:
        return 1.0, ["The drawing says no unit: millimetres are assumed."]
    try:
        scale = float(ezdxf.units.conversion_factor(code, ezdxf.units.MM))
    except Exception:  # unknown code
        return 1.0, [f"The drawing has the unknown unit {shown(code)}: millimetres are assumed."]
    if code == ezdxf.units.MM:
        return scale, []
    unit = ezdxf.units.unit_name(code).lower()
    return scale, [f"The drawing is in {unit}: all sizes were multiplied by {scale:g} to mm."]


def _entities(document: Drawing) -> Iterator[DXFEntity]:
    """Yield all entities of the model space, blocks taken apart."""
    count = parts_count = 0
    waiting: list[tuple[Iterator[DXFEntity], int]] = [(iter(document.modelspace()), 0)]
    while waiting:
        entities, depth = waiting[-1]
        try:
            entity = next(entities)
        except StopIteration:
            waiting.pop()
            continue
        except Exception as error:  # a block that cannot be taken apart
            raise PlateError(
                f"A block in the drawing cannot be taken apart ({shown(error)}): "
                "explode it before the export."
            ) from error
        count += 1
        parts_count += depth > 0
        if count > MAX_ENTITIES or parts_count > MAX_BLOCK_PARTS:
            raise PlateError(
                f"The drawing has more than {MAX_ENTITIES} entities, or {MAX_BLOCK_PARTS} in "
                "blocks: export only the face of the plate."
            )
        if isinstance(entity, Insert):
            if depth >= MAX_BLOCK_DEPTH:
                raise PlateError(
                    f"{entity_label(entity)} holds blocks nested deeper than {MAX_BLOCK_DEPTH}: "
                    "explode it before the export."
                )
            parts = entity.multi_insert() if entity.mcount > 1 else entity.virtual_entities()
            waiting.append((iter(parts), depth + 1))
        else:
            yield entity


def _convert(entity: DXFEntity, scale: float) -> Circle | Stroke | None:
    """Return a circle or stroke in mm; None for one that has no extent or stands upright."""
    label = entity_label(entity)
    try:
        if entity.dxftype() == "CIRCLE":
            if abs(abs(entity.dxf.extrusion.z) - 1) > 1e-6 * max(1, entity.dxf.extrusion.magnitude):
                return None
            centre = entity.ocs().to_wcs(entity.dxf.center)
            x, y, diameter = (v * scale for v in (centre.x, centre.y, 2 * entity.dxf.radius))
            _refuse_wild(np.array([[x, y, diameter]]), label)
            return Circle(x, y, diameter, label) if diameter > 0 else None
        path = ezdxf.path.make_path(entity)
        points = np.array(
            [(v.x, v.y) for v in path.flattening(FLATNESS_MM / scale, segments=MIN_CHORDS)]
        ).reshape(-1, 2)
    except PlateError:
        raise
    except Exception as error:  # broken values inside one entity
        raise PlateError(
            f"{label} cannot be read ({shown(error)}): repair or delete it, and export again."
        ) from error
    points = points * scale
    _refuse_wild(points, label)
    if len(points) < 2 or not np.ptp(points, axis=0).any():
        return None
    gap = math.dist(points[0], points[-1])
    closed = bool(getattr(entity, "is_closed", False)) or (len(points) > 3 and gap <= FLATNESS_MM)
    return Stroke(points, closed, label)


def _refuse_wild(values: np.ndarray, label: str) -> None:
    if values.size and not np.all(np.abs(values) < 1e7):  # also catches NaN
        raise PlateError(
            f"{label} has coordinates that are not finite or beyond 10 km: "
            "repair or delete it, and export again."
        )


def _extent(circles: list[Circle], strokes: list[Stroke]) -> np.ndarray:
    corners = [stroke.points_mm for stroke in strokes]
    corners += [np.array([[circle.x_mm, circle.y_mm]]) for circle in circles]
    return np.concatenate(corners)
