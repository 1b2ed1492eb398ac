"""The route-map file on disk: the open exchange form, described in docs/route-map.md.

The reader refuses what is not sound (document.py). The writer can't leave half a file: it
writes beside the target, flushes to disk and then renames.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from mapper.errors import shown
from mapper.routes.document import (
    DUPLICATE,
    RouteMapError,
    checked_mapping,
    route_map_from_mapping,
    too_deep,
)
from mapper.routes.model import RouteMap

__all__ = ["MAX_BYTES", "read_route_map", "write_route_map"]

MAX_BYTES = 64 * 1024 * 1024  # some 1,000 leads of 1,000 points; a bigger file is another thing


def read_route_map(source: str | os.PathLike[str] | bytes) -> RouteMap:
    """Read a route map from a file (its path) or from the bytes of one.

    Raises RouteMapError for a file that can't be read or is over 64 MB, and for everything
    that `route_map_from_mapping` refuses.
    """
    data = source if isinstance(source, bytes) else _bytes_of(source)
    if len(data) > MAX_BYTES:
        raise RouteMapError(_too_big(len(data)))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise RouteMapError(
            f"The file is not UTF-8 text (byte {fault.start}): choose a route-map file."
        ) from None
    try:
        document = json.loads(text, object_pairs_hook=_object)
    except RecursionError:
        raise RouteMapError(too_deep("The file")) from None
    except json.JSONDecodeError as fault:
        raise RouteMapError(
            f"The file is not valid JSON at line {fault.lineno}, column {fault.colno}: "
            "it may be cut off or be another kind of file."
        ) from None
    except ValueError:  # a whole number of thousands of digits
        raise RouteMapError("The file holds a number that is too long to be read.") from None
    return route_map_from_mapping(document)


def write_route_map(route_map: RouteMap, path: str | os.PathLike[str]) -> None:
    """Write the file in one go: after a crash there is the old file or the new one.

    Raises RouteMapError for a map that the reader would refuse, and when the disk refuses.
    """
    data = _text(checked_mapping(route_map)).encode("utf-8")
    if len(data) > MAX_BYTES:
        raise RouteMapError(_too_big(len(data)))
    target = Path(os.path.realpath(path))
    beside = target.with_name(f".{target.name[:100]}.{secrets.token_hex(6)}.part")
    try:
        try:
            with open(beside, "xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.replace(beside, target)
        except BaseException:
            with contextlib.suppress(OSError):
                beside.unlink()
            raise
        _flush_folder(target.parent)
    except OSError as fault:
        raise RouteMapError(
            f"'{shown(target.name)}' can't be written ({shown(fault.strerror)}): "
            "choose another place."
        ) from fault


def _flush_folder(folder: Path) -> None:
    """Make the renaming itself last, where the system can do that."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _text(mapping: Mapping[str, Any]) -> str:
    """JSON with one wire or crossing per line, so that two versions can be compared by eye."""

    def plain(value: Any) -> str:
        return json.dumps(value, ensure_ascii=False, allow_nan=False)

    parts = []
    for key, value in mapping.items():
        if key in ("wires", "crossings") and value:
            rows = ",\n  ".join(plain(row) for row in value)
            parts.append(f"{plain(key)}: [\n  {rows}\n ]")
        else:
            parts.append(f"{plain(key)}: {plain(value)}")
    return "{" + ",\n ".join(parts) + "}\n"


def _bytes_of(path: str | os.PathLike[str]) -> bytes:
    try:
        with open(path, "rb") as file:
            return file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or fault
        raise RouteMapError(
            f"'{shown(os.fspath(path))}' can't be read ({shown(reason)}): choose another file."
        ) from fault


def _too_big(size: int) -> str:
    return (
        f"The route map has more than {MAX_BYTES // 1024 // 1024} MB "
        f"({size:,} bytes or more), which no plate needs: choose a route-map file."
    )


def _object(pairs: list[tuple[str, Any]]) -> dict[Any, Any]:
    made: dict[Any, Any] = dict(pairs)
    if len(made) < len(pairs):
        seen = set()
        for key, _ in pairs:
            if key in seen:
                made[DUPLICATE] = key
            seen.add(key)
    return made
