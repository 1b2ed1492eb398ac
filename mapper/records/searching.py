"""What a job can be found by: its names, people, notes, tags, drops, photos and dates."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from typing import Any

from mapper.records.document import value_of

__all__ = ["SEARCHED", "query_words", "words_of"]

SEARCHED = ("about", "plate", "note/", "photo/")  # beginnings of keys that count
MAX_WORDS = 100_000  # characters kept of one job


def words_of(texts: Mapping[str, str], created_at: str) -> str:
    """The words of a job in small letters without accents, a space around each.

    `texts` maps keys to canonical JSON; keys of other kinds than SEARCHED count for nothing.
    """
    found: list[str] = [created_at[:10]]
    for key, text in sorted(texts.items()):
        kind = key.partition("/")[0]
        value = value_of(text)
        if kind == "about":
            found += _texts_in(value)
        elif kind == "plate":
            found.append(str(value.get("name", "")))
            found += [str(drop.get("id", "")) for drop in value.get("drops", ())]
        elif kind == "note":
            found += [str(value.get(part, "")) for part in ("text", "by", "at")]
        elif kind == "photo":
            found += [str(value.get(part) or "")[:80] for part in ("name", "taken_at")]
    return f" {' '.join(_folded(' '.join(found)).split())} "[:MAX_WORDS]


def query_words(query: str) -> list[str]:
    """The words that a typed question asks for, each of which has to be in a job."""
    return _folded(query).split()[:20]


def _folded(text: str) -> str:
    apart = unicodedata.normalize("NFKD", text.casefold())
    return "".join(ch for ch in apart if not unicodedata.combining(ch) and ch != "\0")


def _texts_in(value: Any) -> Iterable[str]:
    """Every text anywhere in a JSON value."""
    waiting = [value]
    while waiting:
        one = waiting.pop()
        if isinstance(one, str):
            yield one
        elif isinstance(one, Mapping):
            waiting += one.values()
        elif isinstance(one, list | tuple):
            waiting += one
