"""What can go wrong with values typed in at the test bench."""

from __future__ import annotations

from mapper.errors import MapperError

__all__ = ["BenchError"]


class BenchError(MapperError):
    """A value of a heater or thermocouple can't be right; the sentence says which and why."""
