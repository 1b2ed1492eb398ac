"""Open forms of a route map beside its own file: GraphML, DXF, SVG, and tables (CSV, XLSX).

Each writer takes a RouteMap and each reader gives one back; docs/exchange.md describes the forms.
"""

from mapper.exchange.dxf import from_dxf, to_dxf
from mapper.exchange.forms import FORMS, read_form, write_form
from mapper.exchange.graphml import from_graphml, to_graphml
from mapper.exchange.svg import from_svg, to_svg
from mapper.exchange.tables import from_csv_zip, from_xlsx, to_csv_zip, to_xlsx
from mapper.exchange.text import ExchangeError

__all__ = [
    "FORMS",
    "ExchangeError",
    "from_csv_zip",
    "from_dxf",
    "from_graphml",
    "from_svg",
    "from_xlsx",
    "read_form",
    "to_csv_zip",
    "to_dxf",
    "to_graphml",
    "to_svg",
    "to_xlsx",
    "write_form",
]
