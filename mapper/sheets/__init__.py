"""Printed sheets: a neutral drawing in millimetres, written as PDF or SVG."""

from mapper.sheets.marker_sheet import (
    MARKER_CAUTION,
    marker_sheet_pdf,
    marker_sheets,
    read_marker_ids,
)
from mapper.sheets.order_list import order_list_csv, order_list_xlsx
from mapper.sheets.paper import PAPERS_MM, paper_size
from mapper.sheets.pdf import scenes_to_pdf
from mapper.sheets.place_photo import PlacePhoto, place_photo
from mapper.sheets.pull_cards import (
    QuestionCard,
    StepCard,
    picture_shape,
    pull_cards,
    pull_cards_pdf,
)
from mapper.sheets.pull_sheet import (
    CAUTION,
    pull_sheet,
    pull_sheet_pdf,
    pull_sheet_svg,
    pull_sheets,
)
from mapper.sheets.rebuild_sheet import REBUILD_CAUTION, rebuild_sheet, rebuild_sheet_pdf
from mapper.sheets.response_sheet import (
    RESPONSE_CAUTION,
    RecordedLog,
    ResponseRecord,
    response_sheet,
    response_sheet_pdf,
)
from mapper.sheets.route_sheet import ROUTE_CAUTION, ROUTE_SCALES, route_sheet, route_sheet_pdf
from mapper.sheets.salvage_sheet import salvage_sheet, salvage_sheet_pdf
from mapper.sheets.scene import Circle, Line, Scene, Text
from mapper.sheets.step_places import StepPlace, pull_way, stage_rank, step_place, waits_of
from mapper.sheets.svg import scene_to_svg
from mapper.sheets.wire_tags import TagStock, wire_tag_sheets, wire_tags_pdf

__all__ = [
    "CAUTION",
    "Circle",
    "Line",
    "MARKER_CAUTION",
    "PAPERS_MM",
    "PlacePhoto",
    "QuestionCard",
    "REBUILD_CAUTION",
    "RESPONSE_CAUTION",
    "ROUTE_CAUTION",
    "ROUTE_SCALES",
    "Scene",
    "StepCard",
    "StepPlace",
    "TagStock",
    "ResponseRecord",
    "RecordedLog",
    "Text",
    "marker_sheet_pdf",
    "marker_sheets",
    "order_list_csv",
    "order_list_xlsx",
    "paper_size",
    "picture_shape",
    "place_photo",
    "pull_cards",
    "pull_cards_pdf",
    "pull_sheet",
    "pull_sheet_pdf",
    "pull_sheet_svg",
    "pull_sheets",
    "pull_way",
    "read_marker_ids",
    "rebuild_sheet",
    "rebuild_sheet_pdf",
    "response_sheet",
    "response_sheet_pdf",
    "route_sheet",
    "route_sheet_pdf",
    "salvage_sheet",
    "salvage_sheet_pdf",
    "scene_to_svg",
    "scenes_to_pdf",
    "stage_rank",
    "step_place",
    "waits_of",
    "wire_tag_sheets",
    "wire_tags_pdf",
]
