"""What a fit says when it gives up."""

from mapper.errors import MapperError

__all__ = ["FitFailed"]


class FitFailed(MapperError):
    """The photo could not be put on the plate; the message says the shortest way to help."""
