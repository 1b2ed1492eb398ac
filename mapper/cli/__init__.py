"""The `mapper` command."""

from mapper.cli.main import main

__all__ = ["main"]
