"""Whoever watches the server asks it for its health."""

import subprocess
import sys

import httpx

from api.running import running
from nursery.access import Role
from nursery.database import Database
from tests.api.server import tokens

UNCLOSED = """
import sys
from api.app import create_app
from nursery.database import open_database
from tests.api.asking import answered

app = create_app(open_database(sys.argv[1]))
cancel = 'mutation { cancel(key: "k", id: "UHJvbWlzZTox") { __typename } }'
print(answered(app, cancel, sys.argv[2])["__typename"])
"""


def test_an_empty_database_is_not_healthy_and_a_nursery_is(db: Database) -> None:
    with running(db) as address:
        empty = httpx.get(f"{address}/health", timeout=60)
        tokens(db)
        full = httpx.get(f"{address}/health", timeout=60)
    assert (empty.status_code, empty.json()) == (503, {"status": "no nursery loaded"})
    assert (full.status_code, full.json()) == (200, {"status": "ok"})


def test_a_database_that_broke_is_told_without_its_secrets(db: Database) -> None:
    tokens(db)
    with db.writing() as session:
        session.connection().exec_driver_sql("ALTER TABLE site RENAME TO site_gone")
    with running(db) as address:
        answer = httpx.get(f"{address}/health", timeout=60)
    assert answer.json() == {"status": "the database does not answer"}


def test_a_process_ends_although_nobody_closed_its_application(db: Database) -> None:
    """A script that asks the application something that the writer does, and then is done."""
    secret = tokens(db)[Role.SHOP]
    command = [sys.executable, "-c", UNCLOSED, db.address, secret]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert (done.returncode, done.stdout.strip()) == (0, "Refusal"), done.stderr
