"""The plate as drawn."""

from mapper.plate.channels import channel_graph, channel_path_mm
from mapper.plate.checks import PlateError, check_id, check_plate
from mapper.plate.drawing import CircleGroup, DrawingProposal, read_drawing
from mapper.plate.features import Feature, plate_features
from mapper.plate.model import Channel, Drop, Exit, Hole, Marker, Plate
from mapper.plate.numbering import Numbering

__all__ = [
    "Channel",
    "CircleGroup",
    "DrawingProposal",
    "Drop",
    "Exit",
    "Feature",
    "Hole",
    "Marker",
    "Numbering",
    "Plate",
    "PlateError",
    "channel_path_mm",
    "channel_graph",
    "check_id",
    "check_plate",
    "plate_features",
    "read_drawing",
]
