"""Fixtures that every test may use."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from nursery.database import Database, migrate, open_database


@pytest.fixture(scope="session")
def _migrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("database") / "empty.sqlite"
    db = open_database(str(path))
    migrate(db)
    db.close()
    return path


@pytest.fixture
def db(_migrated: Path, tmp_path: Path) -> Iterator[Database]:
    """An empty, migrated SQLite database of its own."""
    path = tmp_path / "nursery.sqlite"
    shutil.copy(_migrated, path)
    opened = open_database(str(path))
    yield opened
    opened.close()
