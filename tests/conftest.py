"""Fixtures that every test may use."""

import os
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from nursery.database import Database, migrate, open_database
from tests.left_running import running_children
from tests.postgres import drop_database, migrated, new_database, server

for _size in ("COLUMNS", "LINES"):
    os.environ.pop(_size, None)  # readline says them to the processes that pytest-xdist starts

settings.register_profile(
    "two at a time", deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("two at a time")
# How fast a machine is says nothing about the nursery.

LONG = ("tests/test_readme.py", "tests/solver/", "tests/faults/", "tests/api/")
"""What takes longest begins, so that neither process waits for the other at the end."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files go to two processes in this order (pytest-xdist), each whole to one."""
    items.sort(key=_turn)


def _turn(item: pytest.Item) -> int:
    return next((at for at, room in enumerate(LONG) if item.nodeid.startswith(room)), len(LONG))


@pytest.fixture(scope="session", autouse=True)
def _nothing_is_left_running() -> Iterator[None]:
    """A thread or process that outlives the last test would keep the whole run from ending."""
    before = running_children()
    yield
    threads = [each for each in threading.enumerate() if not each.daemon]
    assert threads == [threading.main_thread()], "A test left a thread running"
    assert running_children() <= before, "A test left a process running"


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


@pytest.fixture(scope="session")
def postgres_address() -> Iterator[str]:
    """The address of a real PostgreSQL server's first database; make your own with `new_database`.

    It fails, and says what to install, where the server's programs are not at hand.
    """
    with server() as running:
        yield running.address


@pytest.fixture(scope="session")
def _migrated_postgres(postgres_address: str) -> str:
    return migrated(postgres_address)


@pytest.fixture
def postgres_db(postgres_address: str, _migrated_postgres: str) -> Iterator[Database]:
    """An empty, migrated PostgreSQL database of its own."""
    opened = open_database(new_database(postgres_address, like=_migrated_postgres))
    yield opened
    opened.close()
    drop_database(opened.address)


@pytest.fixture(params=["sqlite", "postgres"])
def either_db(request: pytest.FixtureRequest) -> Database:
    """An empty, migrated database of its own: the test runs on SQLite, then on PostgreSQL."""
    found = request.getfixturevalue("db" if request.param == "sqlite" else "postgres_db")
    assert isinstance(found, Database)
    return found
