"""What does the database hold at one moment? Plain SQL, read in one transaction."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, create_engine, text

HOLDS = (
    "(promise.state = 'confirmed' OR (promise.state = 'reserved' AND promise.reserved_until >= "
    ":now))"
)
"""A promise keeps its plugs and its day: confirmed, or reserved and not yet run out."""


@dataclass(frozen=True, slots=True)
class Wrong:
    """What is wrong in the books, and what is to be done about it?"""

    rule: str
    thing: str
    found: str
    next: str

    def line(self) -> str:
        """The fault as one line of plain words."""
        return f"{self.thing}: {self.found}. {self.next}."


@dataclass(frozen=True)
class Snapshot:
    """One moment of the database. `now` is its clock in UTC, as text that its SQL can compare."""

    connection: Connection
    today: date
    now: Any

    @property
    def is_sqlite(self) -> bool:
        """Is it a file of SQLite?"""
        return self.connection.dialect.name == "sqlite"

    def rows(self, sql: str, **given: Any) -> list[Any]:
        """What does this SQL find? `:now` and `:today` are filled in where it asks for them."""
        known = {"now": self.now, "today": self.today.isoformat() if self.is_sqlite else self.today}
        asked = {name: known[name] for name in known if f":{name}" in sql}
        return list(self.connection.execute(text(sql), {**asked, **given}))


def day(value: Any) -> date:
    """Which day is this? SQLite gives text, PostgreSQL a date."""
    return value if isinstance(value, date) else date.fromisoformat(str(value))


@contextmanager
def snapshot(address: str) -> Iterator[Snapshot]:
    """The database at this address as it stands now, whoever goes on writing to it."""
    url = address if "://" in address else f"sqlite:///{address}"
    if url.startswith("postgresql://"):
        url = url.replace("postgresql://", "postgresql+psycopg://", 1)
    engine = create_engine(url, isolation_level="AUTOCOMMIT")
    sqlite = engine.dialect.name == "sqlite"
    begin = "BEGIN" if sqlite else "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
    try:
        with engine.connect() as connection:
            connection.exec_driver_sql(begin)
            at, zone = _clock(connection, sqlite)
            today = at.astimezone(ZoneInfo(zone)).date()
            moment = at.strftime("%Y-%m-%d %H:%M:%S.%f") if sqlite else at
            yield Snapshot(connection, today, moment)
            connection.exec_driver_sql("ROLLBACK")
    finally:
        engine.dispose()


def _clock(connection: Connection, sqlite: bool) -> tuple[datetime, str]:
    site = connection.execute(text("SELECT clock_shift_seconds, time_zone FROM site")).first()
    shift, zone = (int(site[0]), str(site[1])) if site else (0, "UTC")
    clock = "strftime('%Y-%m-%d %H:%M:%f', 'now')" if sqlite else "clock_timestamp()"
    raw = connection.execute(text(f"SELECT {clock}")).scalar_one()
    at = datetime.fromisoformat(raw).replace(tzinfo=UTC) if sqlite else raw.astimezone(UTC)
    return at + timedelta(seconds=shift), zone
