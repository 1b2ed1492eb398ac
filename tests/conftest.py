"""Fixtures shared by all tests."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import settings

REPO = Path(__file__).resolve().parents[1]

# No example is timed: a busy machine is no fault of the code.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


@pytest.fixture(scope="session")
def shared_plates() -> Path:
    """Folder of computer-rendered plates with exact truth; not part of the repository."""
    folder = Path(os.environ.get("MAPPER_PLATES", REPO.parent / "shared" / "plates"))
    if not (folder / "plate1" / "truth.json").is_file():
        pytest.skip(f"no truth plates in {folder.name}; set MAPPER_PLATES to measure on them")
    return folder


@pytest.fixture(scope="session")
def sample_images() -> Path:
    """The demo job that ships with the tool."""
    return REPO / "sample_images"
