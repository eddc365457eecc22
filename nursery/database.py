"""The database: its address, its sessions, its clock, its migrations."""

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager, closing
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Engine, create_engine, event, inspect, make_url, text
from sqlalchemy.orm import sessionmaker
from sqlmodel import Session, SQLModel

import nursery.access
import nursery.batch
import nursery.bench_slot
import nursery.carrier
import nursery.crop
import nursery.day_entry
import nursery.demand
import nursery.fact_stamp
import nursery.growing_area
import nursery.kept_rota
import nursery.lengths
import nursery.material
import nursery.mother_plant
import nursery.order
import nursery.plan_job
import nursery.planned
import nursery.receiver
import nursery.records
import nursery.reship
import nursery.seed
import nursery.shading
import nursery.stock
import nursery.travelling
import nursery.weather
import nursery.week.recurring
from nursery.errors import Fault
from nursery.growing_area import Site

METADATA = SQLModel.metadata
MIGRATIONS = Path(__file__).parent / "migrations"
_VERSIONS = "alembic_version"
_OVERTAKEN = frozenset(
    {
        "23503",
        "23505",
        "40001",
        "40P01",
        "SQLITE_CONSTRAINT_FOREIGNKEY",
        "SQLITE_CONSTRAINT_PRIMARYKEY",
        "SQLITE_CONSTRAINT_UNIQUE",
    }
)
"""SQLSTATE of PostgreSQL, extended result codes of SQLite (as their documentation lists them)."""


@dataclass(frozen=True)
class Database:
    """Where is the nursery kept, and how does one read from it and write to it?

    `with db.writing() as session:` is one transaction that commits at the end of the
    block (BEGIN IMMEDIATE on SQLite); `with db.reading() as session:` one that only reads.
    Rows stay usable after the block (`expire_on_commit=False`).
    """

    address: str
    reader: Engine
    writer: Engine
    reading: Callable[[], AbstractContextManager[Session]]
    writing: Callable[[], AbstractContextManager[Session]]

    @property
    def is_sqlite(self) -> bool:
        """Is this the database of one small computer?"""
        return self.writer.dialect.name == "sqlite"

    def close(self) -> None:
        """Let go of every connection."""
        self.reader.dispose()
        self.writer.dispose()


def open_database(address: str) -> Database:
    """Which database lies at this address ("sqlite:///nursery.sqlite", "postgresql+psycopg://...")?

    A bare path means SQLite. Raises `Fault` for an address of another kind.
    """
    url = address if "://" in address else f"sqlite:///{address}"
    if url.startswith("postgresql://"):
        url = url.replace("postgresql://", "postgresql+psycopg://", 1)
    if not url.startswith(("sqlite:", "postgresql+psycopg:")):
        raise Fault("Database address", "must be SQLite or PostgreSQL", address, "mend it")
    writer = _engine(url, begin="BEGIN IMMEDIATE")
    reader = _engine(url, begin="BEGIN")
    kept: dict[str, Any] = {}  # what this process remembers of the database (promising.facts)
    reader.update_execution_options(kept=kept, reads_only=True)
    writer.update_execution_options(kept=kept, reads_only=False)
    return Database(
        address=url,
        reader=reader,
        writer=writer,
        reading=sessionmaker(reader, class_=Session, expire_on_commit=False).begin,
        writing=sessionmaker(writer, class_=Session, expire_on_commit=False).begin,
    )


def _engine(url: str, begin: str) -> Engine:
    if not url.startswith("sqlite:"):
        return create_engine(url, pool_pre_ping=True)
    engine = create_engine(url, connect_args={"timeout": 30, "check_same_thread": False})

    @event.listens_for(engine, "connect")
    def _on_connect(connection: Any, record: Any) -> None:
        # The driver must not open transactions by itself: `_on_begin` decides which kind.
        connection.isolation_level = None
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Any) -> None:
        connection.exec_driver_sql(begin)

    return engine


def migrate(db: Database, revision: str = "head") -> None:
    """Bring the tables to this revision, keeping what is in them ("base" takes all down).

    Raises `Fault` where there are tables of another program, or of a version that is not known
    here; nothing is changed then.
    """
    from alembic import command  # takes a while to import, and hardly anybody migrates
    from alembic.config import Config

    _may_be_migrated(db)
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["engine"] = db.writer
    if revision == "base":
        command.downgrade(config, revision)
    else:
        command.upgrade(config, revision)


def is_migrated(db: Database) -> bool:
    """Are this database's tables of the version that this program expects?"""
    return _tables_and_version(db)[1] == known_versions()[-1]


def known_versions() -> list[str]:
    """Which versions of the tables are there, oldest first? The names of the migrations begin so.

    Read without Alembic, since every command asks.
    """
    return sorted(path.name[:4] for path in (MIGRATIONS / "versions").glob("[0-9]*_*.py"))


def _may_be_migrated(db: Database) -> None:
    tables, version = _tables_and_version(db)
    others = sorted(tables - {_VERSIONS})
    if others and (version is None or Site.__tablename__ not in tables):
        held = ", ".join(others[:3]) + (", ..." if len(others) > 3 else "")
        raise Fault(
            "Database",
            f"it must be empty or a nursery's, and holds other tables ({held}): left as it was",
            db.address,
            "name another",
        )
    if version is not None and version not in known_versions():
        raise Fault(
            "Database",
            "its tables must be of a version that this program knows",
            version,
            "use the newer program with it",
        )


def _tables_and_version(db: Database) -> tuple[set[str], str | None]:
    """Which tables are there, and of which version of the nursery's? Changes not one byte.

    A connection of `db` would: it sets how a SQLite file is written.
    """
    asked = f"SELECT version_num FROM {_VERSIONS}"
    url = make_url(db.address)
    if db.is_sqlite and not url.query:
        path = url.database
        if not path or not Path(path).exists():
            return set(), None
        with closing(sqlite3.connect(path, timeout=30)) as file:
            named = "SELECT name FROM sqlite_master WHERE type = 'table'"
            tables = {name for (name,) in file.execute(named) if not name.startswith("sqlite_")}
            row = file.execute(asked).fetchone() if _VERSIONS in tables else None
            return tables, row[0] if row else None
    with db.reader.connect() as connection:
        tables = set(inspect(connection).get_table_names())
        version = connection.execute(text(asked)).scalar() if _VERSIONS in tables else None
        return tables, version


def was_overtaken(wrong: BaseException) -> bool:
    """Was somebody else first, so that doing it once more may be answered otherwise?

    The same unique row was written by another (whom a second look finds), or a row that is named
    was taken out, or two transactions stood in each other's way and PostgreSQL gave this one up.
    Nothing of it was written.
    """
    orig = getattr(wrong, "orig", None)
    said = getattr(orig, "sqlstate", None) or getattr(orig, "sqlite_errorname", None)
    return said in _OVERTAKEN


def now(session: Session) -> datetime:
    """What time is it, by the database's clock (with the site's shift), in UTC?

    Expiry of reservations is judged by this one clock, never by a worker's own.
    """
    at = clock(session)
    shift = session.connection().execute(text("SELECT clock_shift_seconds FROM site")).scalar()
    return at + timedelta(seconds=int(shift or 0))


def clock(session: Session) -> datetime:
    """What time is it by the database's own clock, in UTC, whatever the site's shift is?"""
    sqlite = session.get_bind().dialect.name == "sqlite"
    asked = "strftime('%Y-%m-%d %H:%M:%f', 'now')" if sqlite else "clock_timestamp()"
    raw: Any = session.connection().execute(text(f"SELECT {asked}")).scalar_one()
    return datetime.fromisoformat(raw).replace(tzinfo=UTC) if sqlite else raw.astimezone(UTC)


def today(session: Session) -> date:
    """Which day is it at the nursery, by the database's clock and the site's time zone?"""
    return now(session).astimezone(ZoneInfo(site(session).time_zone)).date()


def site(session: Session) -> Site:
    """Which nursery is this? Raises `Fault` where none has been loaded yet."""
    row = session.get(Site, 1)
    if row is None:
        raise Fault(
            "Site",
            "the database holds no nursery yet",
            None,
            "fill in a workbook (`nursery template`) and load it (`nursery load`)",
        )
    return row


_ROW_MODULES = (
    nursery.access,
    nursery.batch,
    nursery.bench_slot,
    nursery.carrier,
    nursery.crop,
    nursery.day_entry,
    nursery.demand,
    nursery.fact_stamp,
    nursery.growing_area,
    nursery.material,
    nursery.mother_plant,
    nursery.order,
    nursery.plan_job,
    nursery.planned,
    nursery.receiver,
    nursery.records,
    nursery.reship,
    nursery.week.recurring,
    nursery.seed,
    nursery.shading,
    nursery.stock,
    nursery.travelling,
    nursery.weather,
)
"""Imported so that every table is known to METADATA before anything is made or migrated."""
