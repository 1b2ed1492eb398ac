"""The one root of the errors that a user can mend."""

__all__ = ["MapperError", "shown"]


class MapperError(Exception):
    """Something the user can put right; the message is one plain sentence that says how."""


def shown(text: object, limit: int = 60) -> str:
    """Return foreign text fit for an error message: control characters replaced, cut to `limit`."""
    clean = "".join(ch if ch.isprintable() else "\N{REPLACEMENT CHARACTER}" for ch in str(text))
    return clean if len(clean) <= limit else clean[: limit - 1] + "…"
