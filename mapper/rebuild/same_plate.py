"""Whether two route maps are of one plate, so that comparing them says anything."""

from __future__ import annotations

import numpy as np
import shapely

from mapper.plate import Plate

__all__ = ["why_not_comparable"]

OUTLINE_MM = 1.0  # outlines further apart than this are those of two plates
DROP_MM = 2.0  # a drop that was drawn anew lies this near to where it was


def why_not_comparable(first: Plate, second: Plate) -> str | None:
    """Return in a sentence why the two plates are not the same one; None where they may be.

    Refused are outlines that lie more than 1 mm apart anywhere (Hausdorff distance of the edges,
    wherever the drawing begins), and plates of which no drop lies within 2 mm of one of the other.
    """
    sizes = [(one.width_mm, one.height_mm) for one in (first, second)]
    if np.abs(np.subtract(*sizes)).max() > OUTLINE_MM:
        was, now = (f"{width:.1f} x {height:.1f} mm" for width, height in sizes)
        return (
            f"These are two different plates: one is {was}, the other {now}. Choose maps of one "
            "plate, or mend the outline on the page Plate."
        )
    edges = [shapely.LinearRing(np.asarray(one.outline_mm, float)) for one in (first, second)]
    apart_mm = shapely.hausdorff_distance(*edges, densify=0.05)
    if apart_mm > OUTLINE_MM:
        return (
            f"These are two different plates: their outlines lie up to {apart_mm:.0f} mm apart. "
            "Choose maps of one plate, or mend the outline or its zero on the page Plate."
        )
    drops = [
        np.array([(drop.x_mm, drop.y_mm) for drop in one.drops], float).reshape(-1, 2)
        for one in (first, second)
    ]
    if all(len(own) for own in drops):
        nearest_mm = np.hypot(*(drops[0][:, None] - drops[1][None]).T).min()
        if nearest_mm > DROP_MM:
            return (
                "These are two different plates: the outline is the same, but no drop of one lies "
                "where the other has one. Choose maps of one plate."
            )
    return None
