"""What differs in pins, parts and covers between two jobs on one plate."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

from mapper.bench.parts import PART_KEYS, field_of, words_of_value
from mapper.bench.pins import PIN_WORDS
from mapper.rebuild import changed_tables
from mapper.records.document import key_of
from mapper.records.job import Job

__all__ = ["tables_difference"]

COMMERCIAL = ("_price", "_days")  # what a part costs says nothing about the plate
PARTS = {key: field_of(key).words for key in PART_KEYS if not key.endswith(COMMERCIAL)}


def tables_difference(first: Job, second: Job) -> dict[str, list[str]]:
    """Return the differences as sentences under "Pins", "Parts" and "Covers".

    Prices and delivery times are left out, and so are readings: they belong to one takeout.
    """
    return {
        "Pins": _zones(first, second, PIN_WORDS, "pins"),
        "Parts": _zones(first, second, PARTS, "parts"),
        "Covers": changed_tables(_covers(first), _covers(second), "cover"),
    }


def _zones(first: Job, second: Job, words: Mapping[str, str], what: str) -> list[str]:
    names = dict.fromkeys(zone.id for job in (first, second) for zone in job.zones)
    tables = []
    for job in (first, second):
        own = {zone.id: zone.data for zone in job.zones}
        tables.append(
            {
                name: {
                    words[key]: words_of_value(key, one) if key in PARTS else one
                    for key, one in own.get(name, {}).items()
                    if key in words and one is not None
                }
                for name in names
            }
        )
    filled = [any(table.values()) for table in tables]
    if filled[0] != filled[1]:
        return [f"Only the {'first' if filled[0] else 'second'} of the two has {what} entered."]
    return changed_tables(*tables, "")


def _covers(job: Job) -> dict[str, dict[str, Any]]:
    return {one.id: dict(_plain(job.value(key_of("cover", one.id), {}))) for one in job.covers}


def _plain(value: Mapping[str, Any]) -> Iterable[tuple[str, Any]]:
    for key, one in value.items():
        yield key, json.dumps(one) if isinstance(one, list | dict) else one
