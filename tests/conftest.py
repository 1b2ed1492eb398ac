"""Fixtures shared by all tests."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from sqlalchemy import create_engine, make_url

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


@pytest.fixture
def new_database() -> Iterator[str]:
    """URL of an empty database on the PostgreSQL server that MAPPER_TEST_DATABASE names."""
    server = os.environ.get("MAPPER_TEST_DATABASE")
    if not server:
        pytest.skip("no PostgreSQL server; set MAPPER_TEST_DATABASE to the URL of one")
    engine = create_engine(
        make_url(server).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT"
    )
    name = f"mapper_{uuid.uuid4().hex}"
    with engine.connect() as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name}")
    yield make_url(server).set(database=name).render_as_string(hide_password=False)
    with engine.connect() as connection:
        connection.exec_driver_sql(f"DROP DATABASE {name} WITH (FORCE)")
    engine.dispose()


@pytest.fixture(scope="session")
def sample_images() -> Path:
    """The demo job that ships with the tool."""
    return REPO / "sample_images"
