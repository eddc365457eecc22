"""How Alembic runs here: on the engine it is handed, batch mode for SQLite."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Literal

from alembic import context
from sqlalchemy import Connection, text
from sqlmodel.sql.sqltypes import AutoString

from nursery.columns import Kind, UtcDateTime
from nursery.database import METADATA


def _plain(kind: str, item: Any, _: Any) -> str | Literal[False]:
    """Migrations speak plain SQLAlchemy, so that they outlive the project's own types."""
    if kind != "type":
        return False
    if isinstance(item, Kind):
        return "sa.String(length=32)"
    if isinstance(item, UtcDateTime):
        return "sa.DateTime(timezone=True)"
    if isinstance(item, AutoString):
        return f"sa.String(length={item.length})" if item.length else "sa.String()"
    return False


MIGRATING = 5_302_742
"""The advisory lock of PostgreSQL under which tables are made: two who do so wait for each other.

On SQLite each step's BEGIN IMMEDIATE makes the other wait.
"""


@contextmanager
def _alone(connection: Connection) -> Iterator[None]:
    if connection.dialect.name == "sqlite":
        yield
        return
    connection.execute(text("SELECT pg_advisory_lock(:key)"), {"key": MIGRATING})
    connection.commit()  # the lock is the connection's and stays; each step has its transaction
    try:
        yield
    finally:
        connection.rollback()
        connection.execute(text("SELECT pg_advisory_unlock(:key)"), {"key": MIGRATING})
        connection.commit()


engine = context.config.attributes["engine"]
with engine.connect() as connection, _alone(connection):
    context.configure(
        connection=connection,
        target_metadata=METADATA,
        render_as_batch=connection.dialect.name == "sqlite",
        transaction_per_migration=True,
        render_item=_plain,
    )
    with context.begin_transaction():
        context.run_migrations()
    connection.commit()
