"""The arrows of the code run one way: a package imports only from packages below it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

MAPPER = Path(__file__).resolve().parents[1] / "mapper"

# What each package may import; everything may import mapper.errors.
BELOW = {
    "errors": set(),
    "plate": set(),
    "photos": set(),
    "routes": {"plate"},
    "fit": {"plate", "photos"},
    "trace": {"plate", "photos"},
    "pulling": {"routes", "plate"},
    "bench": {"routes", "plate"},
    "rebuild": {"pulling", "routes", "plate"},
    "exchange": {"routes", "plate"},
    "records": {
        "exchange",
        "rebuild",
        "pulling",
        "bench",
        "routes",
        "fit",
        "trace",
        "plate",
        "photos",
    },
    "sheets": {
        "exchange",
        "rebuild",
        "pulling",
        "bench",
        "routes",
        "fit",
        "trace",
        "plate",
        "photos",
    },
}
BELOW["ui"] = set(BELOW) - {"errors"}
BELOW["cli"] = set(BELOW) - {"errors"}
ONLY_IN = {
    "streamlit": {"ui"},
    "starlette": {"ui"},
    "uvicorn": {"ui"},
    "sqlalchemy": {"records"},
    "sqlite3": {"records"},
    "reportlab": {"sheets"},
}


def package_of(path: Path) -> str:
    """Name of the package right below `mapper` that a file belongs to."""
    return path.relative_to(MAPPER).parts[0].removesuffix(".py")


def imported_modules(path: Path) -> set[str]:
    """All modules a file imports anywhere, also inside functions."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                pytest.fail(f"{path.name} uses a relative import; write the full name")
            found.add(node.module or "")
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


SOURCES = sorted(p for p in MAPPER.rglob("*.py") if "sample_images" not in p.parts)


def test_the_folder_holds_only_packages_of_the_design():
    names = {package_of(path) for path in SOURCES} - {"__init__", "__main__"}
    assert names <= set(BELOW)


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(MAPPER)))
def test_arrows_run_one_way(path: Path):
    package = package_of(path)
    if package in {"__init__", "__main__"}:
        return
    for module in imported_modules(path):
        parts = module.split(".")
        if parts[0] == "mapper" and len(parts) > 1 and parts[1] in BELOW:
            allowed = BELOW[package] | {package, "errors"}
            assert parts[1] in allowed, f"{package} must not import mapper.{parts[1]}"
        if parts[0] in ONLY_IN:
            assert package in ONLY_IN[parts[0]], f"{parts[0]} must stay out of mapper.{package}"


def test_the_arrow_check_sees_a_wrong_arrow(tmp_path: Path):
    wrong = tmp_path / "wrong.py"
    wrong.write_text("def f():\n    from mapper.ui import main\n", encoding="utf-8")
    assert "mapper.ui.main" in imported_modules(wrong)
