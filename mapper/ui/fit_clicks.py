"""The points a person sets on a photo: how far each is off, the worst one, also while dragged."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import streamlit as st

from mapper.errors import shown
from mapper.fit import Click, PhotoFit, QuickFit, quick_fit
from mapper.plate import Feature, Plate
from mapper.ui.canvas import Handle, Line, Operation, line_message
from mapper.ui.overlay import drawing_lines
from mapper.ui.tiles import SHELF

__all__ = [
    "ClickError",
    "click_errors",
    "click_handles",
    "click_table",
    "clicks_after",
    "drag_answer",
    "miss_lines",
    "watch_drags",
]

BAD_CLICK_MM = 2.0  # a click that misses by more is pointed out; rough clicks err by 1 to 2 mm
MISS, WORST, POINT = "#D55E00", "#D55E00", "#F0E442"


class ClickError:
    """How far a click is from the feature it stands for, in mm on the face."""

    def __init__(self, number: int, feature: Feature, labelled: bool, error_mm: float) -> None:
        self.number = number
        self.feature = feature
        self.labelled = labelled
        self.error_mm = error_mm


def clicks_after(
    clicks: Sequence[dict[str, Any]], operation: Operation, feature_id: str | None
) -> list[dict[str, Any]] | None:
    """The clicks after an operation on the canvas; None when it changes nothing."""
    kept = [dict(click) for click in clicks]
    if operation.type == "point" and operation.x_px is not None:
        new = {
            "id": operation.uid,
            "x": operation.x_px,
            "y": operation.y_px,
            "feature": feature_id,
        }
        return [*kept, new]
    if operation.type == "move" and any(click["id"] == operation.id for click in kept):
        for click in kept:
            if click["id"] == operation.id:
                click |= {"x": operation.x_px, "y": operation.y_px}
        return kept
    if operation.type == "remove" and any(click["id"] == operation.id for click in kept):
        return [click for click in kept if click["id"] != operation.id]
    return None


def click_errors(
    fit: PhotoFit, features: Sequence[Feature], clicks: Sequence[dict[str, Any]]
) -> list[ClickError]:
    """Error of every click; a click without a name is taken for the nearest feature."""
    if not clicks or not features:
        return []
    at_mm = np.asarray(fit.plate_from_photo([[c["x"], c["y"]] for c in clicks]), float)
    places = np.array([[f.x_mm, f.y_mm] for f in features])
    index = {feature.id: number for number, feature in enumerate(features)}
    errors = []
    for number, (click, place) in enumerate(zip(clicks, at_mm, strict=True), start=1):
        away = np.hypot(*(places - place).T)
        named = index.get(click.get("feature"))
        which = int(np.nanargmin(away)) if named is None and np.isfinite(away).any() else named
        if which is not None:
            errors.append(
                ClickError(number, features[which], named is not None, float(away[which]))
            )
    return errors


def worst_of(errors: Sequence[ClickError]) -> ClickError | None:
    """The click that is farthest off, of two or more."""
    return max(errors, key=lambda e: e.error_mm) if len(errors) > 1 else None


def click_table(errors: Sequence[ClickError]) -> None:
    """Every click with its error in mm, the worst one named above."""
    all_mm = np.array([error.error_mm for error in errors])
    words = f"**Your points:** {np.sqrt(np.mean(all_mm**2)):.2f} mm in all (root mean square)"
    worst = worst_of(errors)
    if worst is not None:
        words += f", worst is point {worst.number}: {worst.error_mm:.2f} mm"
    st.markdown(words)
    st.dataframe(
        [
            {
                "point": error.number,
                "on": error.feature.id + ("" if error.labelled else " (found)"),
                "error mm": round(error.error_mm, 2),
                "": "look again" if error.error_mm > BAD_CLICK_MM else "",
            }
            for error in sorted(errors, key=lambda e: -e.error_mm)
        ],
        hide_index=True,
        width="stretch",
    )


def click_handles(clicks: Sequence[dict[str, Any]], errors: Sequence[ClickError]) -> list[Handle]:
    """The points on the canvas, each with its error, the worst one in another colour."""
    by_number = {error.number: error for error in errors}
    worst = worst_of(errors)
    handles = []
    for number, click in enumerate(clicks, start=1):
        error = by_number.get(number)
        tag = f"{number}" if error is None else f"{number}: {error.error_mm:.1f} mm"
        if error is not None and error is worst:
            tag += " worst"
        colour = WORST if error is not None and error is worst else POINT
        handles.append(Handle(click["id"], click["x"], click["y"], tag=tag, color=colour))
    return handles


def miss_lines(
    fit: PhotoFit, clicks: Sequence[dict[str, Any]], errors: Sequence[ClickError]
) -> list[Line]:
    """From each click to where the fit puts its feature."""
    lines = []
    for error in errors:
        click = clicks[error.number - 1]
        target = fit.photo_from_plate([[error.feature.x_mm, error.feature.y_mm]])[0]
        lines.append(
            Line(f"miss {error.number}", [[click["x"], click["y"]], target], color=MISS, width=3)
        )
    return lines


def watch_drags(
    token: str, plate: Plate, fit: PhotoFit | None, clicks: Sequence[dict[str, Any]]
) -> bool:
    """Let the canvas ask what a dragged point would do; False when there is no fit to start at."""
    if fit is None or not clicks:
        SHELF.set_drag(token, None)
        return False
    kept = [dict(click) for click in clicks]
    SHELF.set_drag(token, lambda name, x, y: drag_answer(plate, fit, kept, name, x, y))
    return True


def drag_answer(
    plate: Plate, fit: PhotoFit, clicks: Sequence[dict[str, Any]], name: str, x: float, y: float
) -> dict[str, Any]:
    """The drawing and the errors with one click moved: {"lines", "tags", "text"}, or {}."""
    moved = [{**c, "x": x, "y": y} if c["id"] == name else c for c in clicks]
    here = next((n for n, c in enumerate(moved) if c["id"] == name), None)
    if here is None:
        return {}
    quick = quick_fit(plate, fit, [Click(c["x"], c["y"], c.get("feature")) for c in moved])
    if quick is None:
        return {}
    lines = drawing_lines(plate, quick.fit, doubtful=fit.verdict != "good")
    for n, (click, target) in enumerate(zip(moved, quick.targets_px, strict=True)):
        lines.append(Line(f"miss {n + 1}", [[click["x"], click["y"]], target], color=MISS, width=3))
    return {
        "lines": [line_message(line) for line in lines],
        "tags": {c["id"]: _tag(quick, n) for n, c in enumerate(moved)},
        "text": _drag_words(quick, here),
    }


def _tag(quick: QuickFit, n: int) -> str:
    worst = " worst" if n == quick.worst and len(quick.misses_mm) > 1 else ""
    return f"{n + 1}: {quick.misses_mm[n]:.1f} mm{worst}"


def _drag_words(quick: QuickFit, here: int) -> str:
    words = (
        f"Point {here + 1} on {shown(quick.features[here], 24)}: {quick.misses_mm[here]:.1f} mm off"
    )
    worst = quick.worst
    if worst is not None and worst != here:
        words += f"; worst is point {worst + 1}: {quick.misses_mm[worst]:.1f} mm"
    return words + ". Let go to fit the whole photo anew."
