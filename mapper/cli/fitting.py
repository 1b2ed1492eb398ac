"""Many photos fitted on all cores, with a few photos in memory per core."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import numpy as np

from mapper.errors import MapperError, shown
from mapper.fit import FitFailed, FitHints, PhotoFit, fit_photo
from mapper.photos import load_photo
from mapper.plate import Plate
from mapper.routes import read_route_map

__all__ = ["fit_files", "read_plate"]

THROUGH = 3  # good photos that a doubtful one is tried through; bounds the memory per core


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
    """Fit each photo alone; what fails or is doubtful is tried again through a good photo.

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
        good = [n for n, record in enumerate(records) if record.get("verdict") == "good"]
        if good:

            def nearest(n: int) -> list[tuple[Path, dict[str, Any]]]:
                chosen = sorted(good, key=lambda other: abs(other - n))[:THROUGH]
                return [(paths[other], records[other]["fit"]) for other in chosen]

            again = {
                pool.submit(_fit_one, plate, paths[n], nearest(n)): n
                for n, record in enumerate(records)
                if record.get("may_try_again") or record.get("verdict") == "doubtful"
            }
            for future in as_completed(again):
                number, record = again[future], future.result()
                if record.get("verdict") == "good" or "error" in records[number]:
                    records[number] = record
    for record in records:
        record.pop("may_try_again", None)
    return records


def _fit_one(
    plate: Plate, path: Path, through: Sequence[tuple[Path, dict[str, Any]]]
) -> dict[str, Any]:
    """One photo, alone or through others, each given with the plain form of its fit."""
    record: dict[str, Any] = {"photo": str(path)}
    try:
        photo = load_photo(path)
        fitted = tuple((load_photo(other), PhotoFit.from_dict(fit)) for other, fit in through)
        fit = fit_photo(photo, plate, FitHints(fitted=fitted) if fitted else None)
    except MapperError as error:
        return record | {"error": str(error), "may_try_again": isinstance(error, FitFailed)}
    drops_mm = np.array([(drop.x_mm, drop.y_mm) for drop in plate.drops])
    return record | {
        "verdict": fit.verdict,
        "method": fit.method,
        "reasons": list(fit.reasons),
        "sigma_mm": round(float(np.max(fit.sigma_mm(drops_mm))), 4),
        "fit": fit.to_dict(),
    }
