"""The photo canvas: a Streamlit component with pan, zoom, tracing clicks and draggable points."""

from mapper.ui.canvas.component import Operation, photo_canvas, take_operations
from mapper.ui.canvas.shapes import Depth, Frames, Handle, Line, Marker, Pane, line_message
from mapper.ui.canvas.style import OKABE_ITO, UNSEEN_DASH, LeadStyle, lead_style

__all__ = [
    "OKABE_ITO",
    "UNSEEN_DASH",
    "Depth",
    "Frames",
    "Handle",
    "LeadStyle",
    "Line",
    "Marker",
    "Operation",
    "Pane",
    "lead_style",
    "line_message",
    "photo_canvas",
    "take_operations",
]
