"""The plate as drawn."""

from mapper.plate.model import Channel, Drop, Exit, Hole, Plate

__all__ = ["Channel", "Drop", "Exit", "Hole", "Plate"]
