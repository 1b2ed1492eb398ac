"""Tools for leads that are drawn already: doubts looked through, cut, given to another name."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from mapper.errors import MapperError, shown
from mapper.records import Stretch, TracedLead, lead_changes
from mapper.ui.leads_tracing import Sight, find_stretch, stretch_id

__all__ = ["confirm", "cut", "doubtful", "doubts", "given_to"]

DOUBTFUL = 0.6  # below this confidence of the tracer a person should look again


def doubtful(stretch: Stretch) -> bool:
    """Whether the tracer was unsure of a stretch that is drawn as seen."""
    return stretch.seen and stretch.photo is not None and stretch.confidence < DOUBTFUL


def doubts(leads: Iterable[TracedLead]) -> list[tuple[TracedLead, int]]:
    """Every doubtful stretch, as (lead, index), in the order of the leads."""
    return [
        (lead, index)
        for lead in leads
        for index, stretch in enumerate(lead.stretches)
        if len(stretch.points_mm) > 1 and doubtful(stretch)
    ]


def confirm(lead: TracedLead, stretch: str | None) -> TracedLead:
    """A person looked: the stretch (None: the first doubtful one) is right as it is drawn."""
    if stretch is None:
        found = doubts([lead])
        if not found:
            raise MapperError(f"{shown(lead.id, 40)} has no doubtful stretch.")
        stretch = stretch_id(lead, found[0][1])
    index = find_stretch(lead, stretch)
    if not doubtful(lead.stretches[index]):
        raise MapperError("This stretch is not in doubt; point at one that is thin and marked ?.")
    sure = replace(lead.stretches[index], confidence=1.0)
    return replace(lead, stretches=(*lead.stretches[:index], sure, *lead.stretches[index + 1 :]))


def cut(
    lead: TracedLead, sight: Sight, stretch: str | None, at_px: tuple[float, float] | None
) -> TracedLead:
    """Cut the lead at the place nearest to `at_px` on a stretch; the rest is taken away.

    The lead is open again then, so that it can be traced on from the cut.
    """
    if stretch is None or at_px is None:
        raise MapperError("Point at the lead where it should be cut, then press X.")
    index = find_stretch(lead, stretch)
    old = lead.stretches[index]
    line = sight.photo_from_stretch(old)
    at, part = _nearest(line, np.array(at_px, dtype=float))
    if at + part < 1e-3 and index == 0:
        raise MapperError("That is the very start; remove its point with Delete instead.")
    kept = lead.stretches[:index]
    if at + part >= 1e-3:
        kept = (*kept, _first_part(old, at, part))
    return replace(lead, stretches=kept, exit=None, finished=False)


def given_to(
    lead: TracedLead, id: str, kind: str, drop: str, taken: Iterable[TracedLead]
) -> Mapping[str, Any]:
    """Changes that give the line of a lead to another name, kind and drop.

    Raises MapperError when that lead has a line already.
    """
    if id == lead.id:
        raise MapperError(f"The line is {shown(id, 40)} already; pick another lead.")
    if not lead.stretches:
        raise MapperError(f"{shown(lead.id, 40)} has no line to give away.")
    if any(one.id == id and one.stretches for one in taken):
        raise MapperError(
            f"{shown(id, 40)} has a line already: give that one another name first, or remove it."
        )
    new = replace(lead, id=id, kind=kind, drop=drop)
    return {**dict.fromkeys(lead_changes(lead)), **lead_changes(new)}


def _nearest(line: np.ndarray, point: np.ndarray) -> tuple[int, float]:
    """Segment of a line (N, 2) nearest to a point, and the part 0..1 of the way along it."""
    start, along = line[:-1], np.diff(line, axis=0)
    square = np.maximum((along**2).sum(axis=1), 1e-12)
    part = np.clip(((point - start) * along).sum(axis=1) / square, 0, 1)
    at = int(np.argmin(((start + part[:, None] * along - point) ** 2).sum(axis=1)))
    return at, float(part[at])


def _first_part(stretch: Stretch, at: int, part: float) -> Stretch:
    def points(values: Any) -> tuple[tuple[float, float], ...] | None:
        if values is None:
            return None
        a, b = np.array(values[at]), np.array(values[at + 1])
        x, y = a + part * (b - a)
        head = values[: at + 1] if part > 1e-3 else values[:at]
        return (*head, (float(x), float(y)))

    depth = stretch.depth_mm
    if isinstance(depth, tuple):
        middle = depth[at] + part * (depth[at + 1] - depth[at])
        depth = (*(depth[: at + 1] if part > 1e-3 else depth[:at]), middle)
    return replace(
        stretch,
        points_mm=points(stretch.points_mm),
        points_px=points(stretch.points_px),
        depth_mm=depth,
    )
