"""Sheets as a printer would show them, in greys, and their comparison with kept pictures.

`python -m tests.rendered` writes the kept pictures anew; look at them before they are committed.
"""

from __future__ import annotations

import io
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from mapper.sheets.lettering import text_width_mm
from mapper.sheets.scene import Circle, Scene, Text

KEPT = Path(__file__).with_name("golden") / "sheets"
KEPT_DPI = 25
# Poppler's versions smooth edges in other ways: a page differs when some patch of it does.
PATCH_PX, MOST_PATCH, MOST_MEAN = 8, 60.0, 3.0


def rendered(pdf: bytes, dpi: int, tmp_path: Path) -> list[np.ndarray]:
    """The pages in greys (H, W), by poppler's pdftoppm; skips where it is not installed."""
    tool = shutil.which("pdftoppm")
    if tool is None:
        pytest.skip("pdftoppm (poppler-utils) is not installed, so the PDF can't be rendered")
    (tmp_path / "sheet.pdf").write_bytes(pdf)
    for old in tmp_path.glob("page*.pgm"):
        old.unlink()
    command = [tool, "-gray", "-r", str(dpi), str(tmp_path / "sheet.pdf"), str(tmp_path / "page")]
    subprocess.run(command, check=True, timeout=120)
    return [np.array(Image.open(path)) for path in sorted(tmp_path.glob("page*.pgm"))]


def same_as_kept(page: np.ndarray, name: str) -> str:
    """ "" when a page (at KEPT_DPI) looks as the kept picture of that name, else what differs."""
    kept = np.array(Image.open(KEPT / f"{name}.png").convert("L"))
    if page.shape != kept.shape:
        return f"size {page.shape}, kept {kept.shape}"
    high, wide = (n // PATCH_PX * PATCH_PX for n in page.shape)
    off = page[:high, :wide].astype(float) - kept[:high, :wide]
    patches = off.reshape(high // PATCH_PX, PATCH_PX, wide // PATCH_PX, PATCH_PX).mean(axis=(1, 3))
    worst = float(np.abs(patches).max())
    mean = float(np.abs(off).mean())
    if worst <= MOST_PATCH and mean <= MOST_MEAN:
        return ""
    return f"a patch differs by {worst:.0f} grey levels, the page by {mean:.1f} on average"


def png(page: np.ndarray) -> bytes:
    """A page as PNG."""
    out = io.BytesIO()
    Image.fromarray(page).quantize(16).save(out, "PNG", optimize=True)
    return out.getvalue()


def text_box(item: Text) -> tuple[float, float, float, float]:
    """Left, low, right, top of a line of text on paper, in mm: from base line to capital."""
    wide = text_width_mm(item.text, item.size_mm, item.bold)
    left = item.x_mm - {"start": 0.0, "middle": wide / 2, "end": wide}[item.anchor]
    return left, item.y_mm, left + wide, item.y_mm + 0.7 * item.size_mm


def faults_of(scenes: Sequence[Scene], least_mm: float = 2.82, margin_mm: float = 5.0) -> list[str]:
    """What a printer's eye finds: text too small (8 point is 2.82 mm), off the paper, on text."""
    found = []
    for number, scene in enumerate(scenes, start=1):
        texts = [item for item in scene.items if isinstance(item, Text) and item.text.strip()]
        boxes = np.array([text_box(item) for item in texts]).reshape(-1, 4)
        size = np.array([scene.width_mm, scene.height_mm])
        for item, box in zip(texts, boxes, strict=True):
            if item.size_mm < least_mm - 1e-9:
                found.append(f"page {number}: {item.text!r} is {item.size_mm:.2f} mm")
            if (box[:2] < margin_mm).any() or (box[2:] > size - margin_mm).any():
                found.append(f"page {number}: {item.text!r} leaves the paper")
        inner = boxes + [0.15, 0.15, -0.15, -0.15]
        meet = (inner[:, None, :2] < inner[None, :, 2:]).all(axis=2)
        meet &= meet.T
        for i, j in zip(*np.nonzero(np.triu(meet, 1)), strict=True):
            found.append(f"page {number}: {texts[i].text!r} lies on {texts[j].text!r}")
        for item in scene.items:
            if isinstance(item, Circle) and not 0 <= item.x_mm <= size[0]:
                found.append(f"page {number}: a circle leaves the paper")
    return found


def main() -> None:
    import tempfile

    from tests import test_sheets_looked_at

    KEPT.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        for name, make in test_sheets_looked_at.KEPT_SHEETS.items():
            for number, page in enumerate(rendered(make(), KEPT_DPI, Path(folder)), start=1):
                (KEPT / f"{name}-{number}.png").write_bytes(png(page))


if __name__ == "__main__":
    main()
