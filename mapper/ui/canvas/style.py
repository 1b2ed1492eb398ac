"""How leads look on the canvas: colours that colour-blind people tell apart, and dashes.

Colour is never the only cue: the dash says the kind of lead, the tag says which lead it is,
and a stretch nobody has seen is dotted.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["OKABE_ITO", "UNSEEN_DASH", "LeadStyle", "lead_style"]

# M. Okabe and K. Ito, "Color Universal Design" (2008), without black; yellow last, as it is
# the weakest on bright steel.
OKABE_ITO = ("#0072B2", "#E69F00", "#009E73", "#D55E00", "#56B4E9", "#CC79A7", "#F0E442")

UNSEEN_DASH = (1.0, 7.0)  # dots
_DASH_OF_KIND = {"heater": (), "thermocouple": (12.0, 5.0), "other": (14.0, 4.0, 3.0, 4.0)}


@dataclass(frozen=True)
class LeadStyle:
    """Colour (css) and dash pattern (css pixels; empty for a full line)."""

    color: str
    dash: tuple[float, ...]


def lead_style(index: int, kind: str = "other") -> LeadStyle:
    """Style of the leads of the `index`-th drop; both leads of a drop share its colour."""
    return LeadStyle(OKABE_ITO[index % len(OKABE_ITO)], _DASH_OF_KIND.get(kind, ()))
