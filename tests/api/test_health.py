"""Whoever watches the server asks it for its health."""

import httpx

from api.running import running
from nursery.database import Database
from tests.api.server import tokens


def test_an_empty_database_is_not_healthy_and_a_nursery_is(db: Database) -> None:
    with running(db) as address:
        empty = httpx.get(f"{address}/health")
        tokens(db)
        full = httpx.get(f"{address}/health")
    assert (empty.status_code, empty.json()) == (503, {"status": "no nursery loaded"})
    assert (full.status_code, full.json()) == (200, {"status": "ok"})


def test_a_database_that_broke_is_told_without_its_secrets(db: Database) -> None:
    tokens(db)
    with db.writing() as session:
        session.connection().exec_driver_sql("ALTER TABLE site RENAME TO site_gone")
    with running(db) as address:
        answer = httpx.get(f"{address}/health")
    assert answer.json() == {"status": "the database does not answer"}
