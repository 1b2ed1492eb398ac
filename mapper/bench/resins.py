"""Resins: where they soften, where they fall apart, and what to be warned of.

The values are bands from textbooks, put in for a first look; the resin's own data sheet goes
before them, and a job may set its own. Sources, as printed with each value:

* softening and melting: Callister, Fundamentals of Materials Science, appendix E, where it is
  marked "book"; else general knowledge that was not looked up ("not looked up").
* decomposition: Hilado, Flammability Handbook for Plastics, 5th edition; Stevens; Kroschwitz, as
  tabulated by a teaching site ("book"); else "not looked up".

A textbook's melting point lies 5 to 15 K above the peak that is measured (ISO 11357-3).
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "INSULATION",
    "RESINS",
    "Insulation",
    "Resin",
    "UNKNOWN_INSULATION",
    "UNKNOWN_RESIN",
    "air_advice",
]

BOOK = "Callister, app. E"
FIRE = "Hilado / Stevens / Kroschwitz, as tabulated by a teaching site"
UNREAD = "not looked up; read the resin's data sheet"
MARGIN_K = 20.0  # warn when a rating is nearer than this to what is needed; our own choice


@dataclass(frozen=True)
class Resin:
    """One resin. `flows_c`: melting point, or softening of an amorphous one, upper end.
    `stop_c`: do not heat to here, since it begins to fall apart."""

    name: str
    flows_c: float
    flows_source: str
    stop_c: float
    stop_source: str
    fume: str
    caution: str = ""


@dataclass(frozen=True)
class Insulation:
    """Insulation of a lead and what it bears for long, °C (the lower end of what is stated)."""

    name: str
    rating_c: float
    source: str


MEET = (
    "Acetal and PVC must never meet hot: formaldehyde and hydrogen chloride together are reported "
    "by moulding trainers to drive a violent release of gas."
)
ACETAL = (
    f"Acetal falls apart at 45 to 65 K above its melting point and gives off formaldehyde. {MEET} "
    "Heat it slowly, under extraction, never in a closed hollow."
)
PVC = (
    "PVC falls apart near the temperature at which it flows, and with time below it: hydrogen "
    f"chloride, which burns lungs and eats the steel. {MEET} Rather soften and pick than melt."
)

RESINS = {
    one.name: one
    for one in (
        Resin("PP", 175, BOOK, 328, FIRE, "aliphatic fume, aldehydes"),
        Resin("HDPE", 137, BOOK, 335, FIRE, "aldehydes, wax mist"),
        Resin("LDPE", 115, BOOK, 335, FIRE, "aldehydes, wax mist"),
        Resin("PS", 100, BOOK, 300, FIRE, "styrene"),
        Resin("ABS", 105, UNREAD, 280, UNREAD, "styrene, acrylonitrile; cyanide when burnt"),
        Resin("PA6", 220, UNREAD, 300, UNREAD, "caprolactam"),
        Resin("PA66", 265, BOOK, 310, FIRE, "ammonia, cyclopentanone"),
        Resin("POM (acetal)", 175, UNREAD, 220, UNREAD, "formaldehyde", ACETAL),
        Resin("PC", 150, BOOK, 420, FIRE, "phenols"),
        Resin("PET", 265, BOOK, 283, FIRE, "acetaldehyde"),
        Resin("PBT", 230, UNREAD, 280, UNREAD, "tetrahydrofuran, butadiene"),
        Resin("PVC", 87, BOOK, 180, UNREAD, "hydrogen chloride", PVC),
        Resin("PMMA", 105, UNREAD, 250, UNREAD, "methyl methacrylate"),
        Resin("TPE (styrenic)", 100, UNREAD, 250, UNREAD, "styrene, oil mist"),
    )
}
UNKNOWN_RESIN = Resin(
    "unknown", 175, UNREAD, 180, UNREAD, "unknown: take it for the worst",
    f"Nobody knows what this is: treat it as acetal and as PVC at once. {MEET}",
)  # fmt: skip

TABLES = "trade tables, standard not read"
INSULATION = {
    one.name: one
    for one in (
        Insulation("PVC", 70, TABLES),
        Insulation("ETFE", 150, "NFPA 70 types Z, ZW; standard not read"),
        Insulation("Silicone rubber", 150, UNREAD),
        Insulation("FEP", 200, "UL 758 styles, secondary copy"),
        Insulation("PFA", 200, UNREAD),
        Insulation("PTFE", 250, "NFPA 70 table 310.4, type TFE; standard not read"),
        Insulation("Polyimide tape", 200, f"{TABLES}; 200 to 260 by its adhesive"),
        Insulation("Mica-glass", 450, "UL 758 high-temperature styles; standard not read"),
        Insulation("Glass-fibre braid", 480, f"{TABLES}; its binder burns off at 200 to 250"),
        Insulation("Silica fibre", 760, TABLES),
    )
}


# What is taken while nobody knows the insulation: the weakest of the table.
UNKNOWN_INSULATION = Insulation(
    "not known", min(one.rating_c for one in INSULATION.values()), "taken as the weakest: look"
)


def air_advice(air_c: float, resin: Resin, rating_c: float) -> tuple[str, ...]:
    """Plain sentences on hot air of that temperature at the nozzle of the blower, against the
    lead's insulation and the resin. Empty when nothing speaks against it here."""
    out = []
    if air_c > rating_c:
        out.append(
            f"Air of {air_c:.0f} °C is over the {rating_c:.0f} °C that the insulation bears: "
            "set it lower, or keep the stream off the leads."
        )
    elif air_c > rating_c - MARGIN_K:
        out.append(
            f"Air of {air_c:.0f} °C is less than {MARGIN_K:.0f} K below what the insulation bears "
            f"({rating_c:.0f} °C): blowers run hotter near the nozzle."
        )
    if air_c >= resin.stop_c:
        out.append(
            f"Air of {air_c:.0f} °C is at or over {resin.stop_c:.0f} °C, where {resin.name} falls "
            f"apart ({resin.fume})."
        )
    if rating_c - resin.flows_c < MARGIN_K:
        out.append(
            f"{resin.name} flows at up to {resin.flows_c:.0f} °C and the insulation bears "
            f"{rating_c:.0f} °C: no safe room between them. Soften and pick; do not melt."
        )
    return tuple(out)
