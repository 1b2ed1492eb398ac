"""The salvage sheet: verdicts counted, the order list, and the two ways beside each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from mapper.bench.salvage import (
    COST_WORDS,
    PART_NAMES,
    Comparison,
    Costs,
    PartVerdict,
    counts,
    longest_days,
    order_lines,
    total_price,
)
from mapper.sheets.lettering import wrapped
from mapper.sheets.paper import Frame
from mapper.sheets.pdf import scenes_to_pdf
from mapper.sheets.scene import Item, Line, Scene, Text

__all__ = ["SALVAGE_CAUTION", "comparison_rows", "money", "salvage_sheet", "salvage_sheet_pdf"]

SALVAGE_CAUTION = (
    "Guidance only: a verdict is advice on re-use, from readings that somebody took. Isolate, lock "
    "out and prove dead before touching wiring. Never test insulation with a controller or an "
    "instrument connected, and discharge the part afterwards. Hot parts burn. What may be "
    "energised is decided under local codes, by licensed practice."
)
SIZE_MM = 3.5
STEP_MM = 5.2


def money(value: float | None) -> str:
    """A sum without currency; "not known" for None."""
    return "not known" if value is None else f"{value:,.2f}".replace(",", " ")


def span_words(pair: tuple[float, float] | None, days: bool = False) -> str:
    """Low and high end of a sum or of days in words."""
    if pair is None:
        return "not known"
    low, high = (f"{value:g}" if days else money(value) for value in sorted(pair))
    return low if low == high else f"{low} to {high}"


def comparison_rows(comparison: Comparison) -> list[tuple[str, str, str]]:
    """What the comparison says: (what, in-house, sent out)."""
    down = comparison.outside_down_days
    rows = [
        ("Cost", span_words(comparison.inhouse), span_words(comparison.outside)),
        (
            "Days without the mould",
            span_words(comparison.inhouse_down_days, days=True),
            "not known" if down is None else f"{down:g}",
        ),
    ]
    if comparison.savings is not None:
        rows.append(("In-house saves", span_words(comparison.savings), ""))
    if comparison.reuse_share is not None:
        low, high = (f"{share:.0%}" for share in comparison.reuse_share)
        rows.append(
            ("Value of parts fit for re-use", low if low == high else f"{low} to {high}", "")
        )
    rows.append(("Break-even rate of re-use", break_even_words(comparison), ""))
    return rows


def break_even_words(comparison: Comparison) -> str:
    """The break-even rate in words."""
    share = comparison.break_even
    if share is None:
        return "not known"
    if share <= 0:
        return "none needed: in-house costs less even with all parts new"
    if share > 1:
        return "never: in-house costs more even with all parts used again"
    return f"{share:.0%} of the value of all parts"


@dataclass(frozen=True)
class _Row:
    """One line: cells at their places from the left margin; `rule` draws a line above."""

    cells: tuple[tuple[float, str], ...]
    bold: bool = False
    size_mm: float = SIZE_MM
    rule: bool = False


def salvage_sheet_pdf(
    title: str,
    parts: Sequence[PartVerdict],
    costs: Costs,
    comparison: Comparison,
    made_at: datetime,
    note: str = "",
    paper: str = "A4",
) -> bytes:
    """The sheet as PDF; arguments as for `salvage_sheet`."""
    return scenes_to_pdf(salvage_sheet(title, parts, costs, comparison, made_at, note, paper))


def salvage_sheet(
    title: str,
    parts: Sequence[PartVerdict],
    costs: Costs,
    comparison: Comparison,
    made_at: datetime,
    note: str = "",
    paper: str = "A4",
) -> list[Scene]:
    """Lay the sheet out on upright paper, as many pages as it takes; cautions on every one.

    `note` is printed first (that the numbers are invented, say).
    """
    frame = Frame(f"Salvage: {title}", made_at, SALVAGE_CAUTION, paper)
    pages: list[list[Item]] = []
    y_mm = 0.0
    noted = _lines(note, frame.inner_mm) if note else []
    for row in [*noted, *_rows(parts, costs, comparison, frame.inner_mm)]:
        if not pages or y_mm < frame.floor_mm + 1:
            pages.append([])
            y_mm = frame.top_mm - 4
        if row.rule:
            line = ((frame.left_mm, y_mm + 4.2), (frame.right_mm, y_mm + 4.2))
            pages[-1].append(Line(line, 0.2, "#8A8A8A"))
        for x_mm, text in row.cells:
            words = Text(frame.left_mm + x_mm, y_mm, text, row.size_mm, bold=row.bold)
            pages[-1].append(words)
        y_mm -= STEP_MM
    return frame.pages(pages)


def _rows(
    parts: Sequence[PartVerdict], costs: Costs, comparison: Comparison, inner_mm: float
) -> list[_Row]:
    rows = [_Row(((0, "Verdicts"),), bold=True, size_mm=4.2)]
    for part, found in counts(parts).items():
        words = ", ".join(f"{number} {word}" for word, number in found.items()) or "none"
        rows += _lines(f"{PART_NAMES[part]}s: {words}", inner_mm)
    broken = [f"{one.zone}-{'H' if one.part == 'heater' else 'T'}" for one in parts if one.broken]
    if broken:
        rows += _lines(f"Lead broke during teardown: {', '.join(broken)}", inner_mm)

    lines = order_lines(parts)
    rows += [_Row(()), _Row(((0, "To order"),), bold=True, size_mm=4.2)]
    if not lines:
        rows.append(_Row(((0, "Nothing, by the verdicts so far."),)))
    else:
        places = (0.0, 12.0, 122.0, 146.0, 168.0)
        heads = ("No.", "What", "Each", "Price", "Days")
        rows.append(_Row(tuple(zip(places, heads, strict=True)), bold=True))
    for line in lines:
        days = "?" if line.days is None else f"{line.days:g}"
        each = "?" if line.price is None else money(line.price)
        whole = "?" if line.total is None else money(line.total)
        text = f"{PART_NAMES[line.part]}: {line.text}. Zones: {', '.join(line.zones)}"
        first, *rest = wrapped(text, 106, SIZE_MM)
        cells = (str(line.quantity), first, each, whole, days)
        rows.append(_Row(tuple(zip(places, cells, strict=True)), rule=True))
        rows += [_Row(((12.0, more),)) for more in rest]
    if lines:
        total, longest = total_price(lines), longest_days(lines)
        days = "not known" if longest is None else f"{longest:g} days"
        text = f"Together {money(total)}; longest lead time {days}."
        rows.append(_Row(((0, text),), bold=True, rule=True))
    undecided = sum(1 for one in parts if one.open)
    if undecided:
        rows += _lines(f"Undecided parts: {undecided}. They may add to this list.", inner_mm)

    rows += [_Row(()), _Row(((0, "In-house beside sending out"),), bold=True, size_mm=4.2)]
    rows.append(_Row(((80, "In-house"), (135, "Sent out")), bold=True))
    for what, own, out in comparison_rows(comparison):
        if out:
            rows.append(_Row(((0, what), (80, own), (135, out)), rule=True))
        else:
            first, *rest = wrapped(own, inner_mm - 80, SIZE_MM)
            rows.append(_Row(((0, what), (80, first)), rule=True))
            rows += [_Row(((80, more),)) for more in rest]
    for text in comparison.missing:
        rows += _lines(f"Missing: {text}", inner_mm)
    rows += [_Row(()), _Row(((0, "Entered by the user"),), bold=True)]
    for key, value in costs.to_mapping().items():
        if key in COST_WORDS:
            rows.append(_Row(((0, COST_WORDS[key][0]), (110, f"{value:g}"))))
    parts_words = "yes" if costs.quote_has_parts else "no"
    rows.append(_Row(((0, "The quote includes new parts throughout"), (110, parts_words))))
    return rows


def _lines(text: str, width_mm: float) -> list[_Row]:
    return [_Row(((0, line),)) for line in wrapped(text, width_mm, SIZE_MM)]
