"""The order list as CSV and as a spreadsheet (XLSX).

Prices are plain numbers without a currency, with a decimal point. Text that a spreadsheet
program would take for a formula is written so that it stays text.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

from mapper.bench.salvage import PART_NAMES, OrderLine, longest_days, total_price
from mapper.errors import shown

__all__ = ["HEADINGS", "order_list_csv", "order_list_xlsx"]

HEADINGS = ("Part", "Quantity", "What", "Zones", "Price each", "Price", "Lead time, days")
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")
WIDTHS = (15, 10, 48, 36, 12, 12, 16)


def _rows(lines: Sequence[OrderLine]) -> list[list[Any]]:
    rows: list[list[Any]] = [
        [
            PART_NAMES[line.part],
            line.quantity,
            shown(line.text, 200),
            ", ".join(shown(zone) for zone in line.zones),
            line.price,
            line.total,
            line.days,
        ]
        for line in lines
    ]
    if lines:
        quantity = sum(line.quantity for line in lines)
        rows.append(["All", quantity, "", "", None, total_price(lines), longest_days(lines)])
    return rows


def order_list_csv(lines: Sequence[OrderLine]) -> bytes:
    """UTF-8 CSV with semicolons, so that lists of zones and decimal signs never clash."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=";", lineterminator="\r\n")
    writer.writerow(HEADINGS)
    for row in _rows(lines):
        writer.writerow([_plain(cell) for cell in row])
    return out.getvalue().encode("utf-8-sig")


def _plain(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, (int, float)):
        return f"{cell:.12g}"
    return f"'{cell}" if cell.startswith(FORMULA_SIGNS) else cell


def order_list_xlsx(lines: Sequence[OrderLine]) -> bytes:
    """A workbook with one sheet."""
    # Imported here: most who print a sheet need no spreadsheet.
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Font

    book = Workbook()
    sheet = book.active
    sheet.title = "Order list"
    for row_number, row in enumerate([list(HEADINGS), *_rows(lines)], start=1):
        for column, value in enumerate(row, start=1):
            cell = sheet.cell(row_number, column)
            if isinstance(value, str):
                cell.value = value
                cell.data_type = "s"  # never a formula
            elif value is not None:
                cell.value = value
            cell.alignment = Alignment(vertical="top", wrap_text=column in (3, 4))
            if row_number == 1 or row[0] == "All":
                cell.font = Font(bold=True)
    for letter, width in zip("ABCDEFG", WIDTHS, strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.freeze_panes = "A2"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
