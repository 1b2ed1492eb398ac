"""All forms of a route map by the ending of the file name."""

from __future__ import annotations

from pathlib import PurePath

from mapper.errors import shown
from mapper.exchange.dxf import from_dxf, to_dxf
from mapper.exchange.graphml import from_graphml, to_graphml
from mapper.exchange.svg import from_svg, to_svg
from mapper.exchange.tables import from_csv_zip, from_xlsx, to_csv_zip, to_xlsx
from mapper.exchange.text import ExchangeError
from mapper.routes import RouteMap, read_route_map

__all__ = ["FORMS", "read_form", "write_form"]

# ending: what it is called, media type, writer, reader
FORMS = {
    ".graphml": ("GraphML graph", "application/graphml+xml", to_graphml, from_graphml),
    ".dxf": ("DXF drawing", "image/vnd.dxf", to_dxf, from_dxf),
    ".svg": ("SVG drawing", "image/svg+xml", to_svg, from_svg),
    ".xlsx": (
        "XLSX workbook",
        "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        to_xlsx,
        from_xlsx,
    ),
    ".zip": ("CSV tables (ZIP)", "application/zip", to_csv_zip, from_csv_zip),
}


def read_form(name: str, data: bytes) -> RouteMap:
    """The route map in a file of that name.

    Raises ExchangeError for an unknown ending or a file that does not hold what it says, and
    RouteMapError for an unsound map.
    """
    ending = PurePath(name).suffix.lower()
    if ending == ".json":
        return read_route_map(data)
    return _form(name)[3](data)


def write_form(route_map: RouteMap, name: str) -> bytes:
    """The route map in the form of that file name's ending; ExchangeError for an unknown one."""
    return _form(name)[2](route_map)


def _form(name: str) -> tuple:
    ending = PurePath(name).suffix.lower()
    if ending not in FORMS:
        raise ExchangeError(
            f"'{shown(ending or name)}' is no form of a route map: use .json, {', '.join(FORMS)}."
        )
    return FORMS[ending]
