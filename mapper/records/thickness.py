"""How thick a lead counts: as entered for it, else for all of its kind, else assumed."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace

from mapper.errors import shown
from mapper.records.errors import RecordsError
from mapper.records.leads import TracedLead
from mapper.routes import Lead

__all__ = [
    "ASSUMED",
    "ENTERED",
    "FROM_FILE",
    "KIND",
    "known_by",
    "read_diameter_mm",
    "thickest_mm",
    "with_diameters",
    "with_kinds",
]

# Thickest usual leads; common practice, no source. Too thick only asks more questions.
USUAL_DIAMETER_MM = {"heater": 3.0, "thermocouple": 2.5, "other": 3.0}
LEAST_MM, MOST_MM = 0.5, 20.0  # what can be the thickness of a lead; beyond it was mistyped

# Where a thickness is known from; the first and the last two are written into files.
ENTERED, FROM_FILE, KIND, ASSUMED = "entered", "file", "kind", "assumed"

_NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+")


def read_diameter_mm(text: str) -> float | None:
    """Return the diameter in mm as people type it ("2.5", "2,5", "2,5 mm"); None for nothing.

    Raises RecordsError for what is no number, or can't be the thickness of a lead.
    """
    plain = text.strip().lower().removeprefix("ø").removesuffix("mm").strip()
    if not plain:
        return None
    if plain.startswith("-") and _NUMBER.fullmatch(plain[1:].strip()):
        value_mm = -1.0
    elif _NUMBER.fullmatch(plain):
        value_mm = float(plain.replace(",", "."))
    else:
        raise RecordsError(f"{shown(text, 40)} is no number: type the thickness in mm, like 2.5.")
    if not LEAST_MM <= value_mm <= MOST_MM:
        raise RecordsError(
            f"{shown(text, 40)} mm can't be right: a lead is {LEAST_MM:g} to {MOST_MM:g} mm thick."
        )
    return value_mm


def known_by(lead: TracedLead | None, kind: str, entered_mm: Mapping[str, float]) -> str:
    """Return where the thickness of a lead is known from: ENTERED for it, FROM_FILE, KIND, ASSUMED.

    `entered_mm`: what was entered for all leads of a kind (`Settings.diameters_mm`).
    """
    if lead is not None and lead.diameter_mm is not None:
        return ENTERED if lead.diameter_from == ENTERED else FROM_FILE
    return KIND if kind in entered_mm else ASSUMED


def with_kinds(
    traced: Iterable[TracedLead], entered_mm: Mapping[str, float]
) -> tuple[TracedLead, ...]:
    """Return the leads; those without a thickness of their own get that of their kind."""
    return tuple(
        replace(lead, diameter_mm=entered_mm[lead.kind])
        if lead.diameter_mm is None and lead.kind in entered_mm
        else lead
        for lead in traced
    )


def thickest_mm(
    traced: Iterable[TracedLead], entered_mm: Mapping[str, float] | None = None
) -> dict[str, float]:
    """Return the diameter of a lead that has none of its own, by kind: as entered for the kind,
    else the thickest of its kind in the job, else a usual one."""
    known: dict[str, float] = {}
    for lead in traced:
        if lead.diameter_mm:
            known[lead.kind] = max(lead.diameter_mm, known.get(lead.kind, 0.0))
    return USUAL_DIAMETER_MM | known | dict(entered_mm or {})


def with_diameters(leads: Iterable[Lead], diameters_mm: Mapping[str, float]) -> tuple[Lead, ...]:
    """Return the leads, none of them an ideal line.

    An ideal line meets others only where it truly crosses them; a lead may also lie beside one,
    and an unseen run beside where it was drawn.
    """
    return tuple(
        lead if lead.diameter_mm else replace(lead, diameter_mm=diameters_mm[lead.kind])
        for lead in leads
    )
