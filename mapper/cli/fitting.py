"""Many photos fitted on all cores, with a few photos in memory per core."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from mapper.errors import MapperError, shown
from mapper.fit import FitFailed, PhotoFit, fit_photo, fit_through, fit_together
from mapper.photos import load_photo
from mapper.plate import Plate
from mapper.routes import read_route_map

__all__ = ["fit_files", "read_plate"]

THROUGH = 3  # photos that another one is tried through; bounds the memory per core


def read_plate(path: Path) -> Plate:
    """The plate of a route-map file (JSON) or of a drawing (DXF, circles taken by size)."""
    suffix = path.suffix.lower()
    if suffix == ".dxf":
        return Plate.from_dxf(path)
    if suffix == ".json":
        return read_route_map(path).plate
    raise MapperError(
        f"{shown(path.name)} is neither a route-map file (.json) nor a drawing (.dxf): "
        "give the plate as one of these."
    )


def fit_files(
    plate: Plate, paths: Sequence[Path], progress: Callable[[int, int], None]
) -> list[dict[str, Any]]:
    """Fit each photo alone; what fails or is doubtful is tried again through fitted photos.

    A photo that was refused may be reached only over others that had been refused: that goes on
    until nothing more is fitted. In the end all photos that overlap are adjusted together.

    Returns one plain record per photo in the order given: either the fit with `verdict`,
    `method`, `reasons` and `sigma_mm` (1 sigma at the worst drop), or `error`, a sentence.
    """
    workers = min(os.cpu_count() or 1, len(paths))
    records: list[dict[str, Any]] = [{} for _ in paths]
    done = 0
    progress(0, len(paths))
    with ProcessPoolExecutor(workers) as pool:
        alone = {pool.submit(_fit_one, plate, path, []): n for n, path in enumerate(paths)}
        for future in as_completed(alone):
            records[alone[future]] = future.result()
            done += 1
            progress(done, len(paths))
        fitted_before = 0
        while (fitted := sum("fit" in record for record in records)) > fitted_before:
            first, fitted_before = not fitted_before, fitted
            again = {}
            for n, record in enumerate(records):
                if record.get("may_try_again") or (first and record.get("verdict") == "doubtful"):
                    through = _nearest(records, paths, n, good_only="fit" in record)
                    if through:
                        again[pool.submit(_fit_one, plate, paths[n], through)] = n
            for future in as_completed(again):
                number, record = again[future], future.result()
                if record.get("verdict") == "good" or "error" in records[number]:
                    records[number] = record
    _adjust_together(plate, paths, records)
    for record in records:
        record.pop("may_try_again", None)
    return records


def _nearest(
    records: Sequence[dict[str, Any]], paths: Sequence[Path], here: int, good_only: bool
) -> list[tuple[Path, dict[str, Any]]]:
    """Fitted photos to try another one through: good ones first, then the nearest in order."""
    there = [
        (record["verdict"] != "good", abs(n - here), n)
        for n, record in enumerate(records)
        if "fit" in record and n != here and (record["verdict"] == "good" or not good_only)
    ]
    return [(paths[n], records[n]["fit"]) for _, _, n in sorted(there)[:THROUGH]]


def _fit_one(
    plate: Plate, path: Path, through: Sequence[tuple[Path, dict[str, Any]]]
) -> dict[str, Any]:
    """One photo, alone or through others, each given with the plain form of its fit."""
    record: dict[str, Any] = {"photo": str(path)}
    try:
        photo = load_photo(path)
        if through:
            fitted = [(load_photo(other), PhotoFit.from_dict(fit)) for other, fit in through]
            fit = fit_through(photo, plate, fitted)
        else:
            fit = fit_photo(photo, plate)
    except MapperError as error:
        return record | {"error": str(error), "may_try_again": isinstance(error, FitFailed)}
    return record | _plain(fit, plate)


def _plain(fit: PhotoFit, plate: Plate) -> dict[str, Any]:
    drops_mm = np.array([(drop.x_mm, drop.y_mm) for drop in plate.drops])
    return {
        "verdict": fit.verdict,
        "method": fit.method,
        "reasons": list(fit.reasons),
        "sigma_mm": round(float(np.max(fit.sigma_mm(drops_mm))), 4),
        "fit": fit.to_dict(),
    }


def _adjust_together(
    plate: Plate, paths: Sequence[Path], records: Sequence[dict[str, Any]]
) -> None:
    """Put the jointly adjusted fits into the records; one grey picture per photo in memory."""
    fitted = [n for n, record in enumerate(records) if "fit" in record]
    if len(fitted) < 2:
        return
    photos = []
    for n in fitted:
        photo = load_photo(paths[n])
        grey = cv2.cvtColor(photo.pixels_bgr, cv2.COLOR_BGR2GRAY)
        photos.append(replace(photo, pixels_bgr=grey))
    before = [PhotoFit.from_dict(records[n]["fit"]) for n in fitted]
    for n, fit in zip(fitted, fit_together(photos, before, plate), strict=True):
        records[n].update(_plain(fit, plate))
