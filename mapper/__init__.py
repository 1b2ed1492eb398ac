"""Plate wire mapper: from photos of a flooded hot-runner plate to a checked pull order."""

__version__ = "0.1.0"
