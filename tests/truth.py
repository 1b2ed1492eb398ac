"""Reads the truth of a rendered plate: plate, leads and crossings in plate millimetres."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from mapper.plate import Plate
from mapper.routes import Lead

__all__ = ["lead_id", "true_leads", "true_plate", "truth_of"]


def truth_of(folder: Path) -> dict[str, Any]:
    """The truth file of one plate."""
    return json.loads((folder / "truth.json").read_text(encoding="utf-8"))


def lead_id(truth_id: str) -> str:
    """`D07_H` of the truth file as the lead id `Z07-H`."""
    return "Z" + truth_id[1:].replace("_", "-")


def true_plate(truth: dict[str, Any]) -> Plate:
    """The drawing of the plate; the exit is X1, X2, ... in the truth's order."""
    width, height = truth["plate"]["width"], truth["plate"]["height"]
    return Plate.from_mapping(
        {
            "name": truth["name"],
            "outline": [[0, 0], [width, 0], [width, height], [0, height]],
            "drops": [
                {"id": d["name"], "x": d["x"], "y": d["y"], "bore_diameter": d["bore_diameter"]}
                for d in truth["drops"]
            ],
            "holes": [
                {"id": f"P{n}", "x": h["x"], "y": h["y"], "diameter": h["diameter"]}
                for n, h in enumerate(truth["holes"], 1)
            ],
            "channels": [
                {
                    "id": f"C{n}",
                    "points": c["centerline"],
                    "width": c["width"],
                    "depth": c["depth"],
                }
                for n, c in enumerate(truth["channels"], 1)
            ],
            "exits": [
                {"id": f"X{n}", "x": e["x"], "y": e["y"]} for n, e in enumerate(truth["exits"], 1)
            ],
        }
    )


def true_leads(truth: dict[str, Any], diameters: bool = True) -> tuple[Lead, ...]:
    """All leads as they lie, from the nozzle to the cut end outside the plate."""
    return tuple(
        Lead(
            lead_id(wire["id"]),
            wire["kind"],
            wire["drop"],
            f"X{wire['exit'] + 1}",
            np.array(wire["points"])[:, :2],
            diameter_mm=wire["diameter"] if diameters else None,
        )
        for wire in truth["wires"]
    )
