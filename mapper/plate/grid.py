"""A plate from a few numbers: a rectangle with drops on a regular grid."""

from __future__ import annotations

import numbers

import numpy as np

from mapper.plate.checks import PlateError, check_number, check_plate, check_size, kind_of
from mapper.plate.model import Drop, Plate
from mapper.plate.numbering import Numbering, numbered_ids, numbering_order

__all__ = ["MAX_DROPS", "plate_from_grid"]

MAX_DROPS = 1_000  # far above any mould; a typing error is usually beyond it


def plate_from_grid(
    rows: int,
    columns: int,
    pitch_x_mm: float,
    pitch_y_mm: float,
    offset_mm: tuple[float, float],
    bore_diameter_mm: float,
    width_mm: float,
    height_mm: float,
    numbering: Numbering | None = None,
    name: str = "",
) -> Plate:
    """Return a rectangular plate with `rows` x `columns` drops.

    `offset_mm` is the centre of the lower-left bore. The pitch of a single row or column is
    not used. Raises PlateError for counts below 1 or above 1000 drops, sizes that are not
    positive, bores that overlap, and drops that do not lie within the plate.
    """
    count_rows, count_columns = _count(rows, "rows"), _count(columns, "columns")
    if count_rows * count_columns > MAX_DROPS:
        raise PlateError(
            f"{count_rows} x {count_columns} drops are more than the limit of {MAX_DROPS}: "
            "check rows and columns."
        )
    bore = check_size(bore_diameter_mm, "The bore diameter")
    width, height = check_size(width_mm, "The width"), check_size(height_mm, "The height")
    pitch_x = check_size(pitch_x_mm, "The pitch in x") if count_columns > 1 else 0.0
    pitch_y = check_size(pitch_y_mm, "The pitch in y") if count_rows > 1 else 0.0
    for pitch, count, axis in ((pitch_x, count_columns, "x"), (pitch_y, count_rows, "y")):
        if count > 1 and pitch < bore:
            raise PlateError(
                f"The pitch in {axis} ({pitch:g} mm) is smaller than the bore ({bore:g} mm), "
                "so bores would overlap: check both."
            )
    first_x = check_number(offset_mm[0], "The x of the first bore")
    first_y = check_number(offset_mm[1], "The y of the first bore")
    grid_x, grid_y = np.meshgrid(
        first_x + pitch_x * np.arange(count_columns), first_y + pitch_y * np.arange(count_rows)
    )
    centres = np.column_stack([grid_x.ravel(), grid_y.ravel()])
    low, high = centres.min(axis=0) - bore / 2, centres.max(axis=0) + bore / 2
    if low.min() < 0 or high[0] > width or high[1] > height:
        raise PlateError(
            f"The bores reach from ({low[0]:g}, {low[1]:g}) to ({high[0]:g}, {high[1]:g}) mm and "
            f"do not fit on a plate of {width:g} x {height:g} mm: "
            "check offset, pitch and plate size."
        )
    numbering = numbering or Numbering()
    order = numbering_order(centres, numbering, line_gap_mm=bore / 2)
    drops = tuple(
        Drop(id=drop_id, x_mm=float(x), y_mm=float(y), bore_diameter_mm=bore)
        for drop_id, (x, y) in zip(
            numbered_ids(len(order), numbering.first_id), centres[order], strict=True
        )
    )
    outline = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))
    return check_plate(Plate(name=name, outline_mm=outline, drops=drops))


def _count(value: object, what: str) -> int:
    if isinstance(value, bool) or not isinstance(value, numbers.Integral):
        raise PlateError(f"The number of {what} must be a whole number, not {kind_of(value)}.")
    if value < 1:
        raise PlateError(f"The number of {what} must be at least 1, not {value}.")
    return int(value)
