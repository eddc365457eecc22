"""The rows keep their own rules, and the tables go up and down with data in them."""

import sqlite3
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import inspect, text
from sqlalchemy.exc import IntegrityError
from sqlmodel import Session, col, select
from typer.testing import CliRunner

from nursery.cli import app
from nursery.crop import Crop
from nursery.database import (
    METADATA,
    MIGRATIONS,
    Database,
    clock,
    known_versions,
    migrate,
    open_database,
    today,
)
from nursery.errors import Fault
from nursery.order import Wrap
from nursery.plan_job import JobKind, JobState, PlanJob
from nursery.week import day_book
from nursery.week.day_undo import undo
from tests.builders import crop_named, ready_lot, small_nursery
from tests.postgres import drop_database, new_database


def test_the_migrations_make_exactly_the_tables_of_the_rows(either_db: Database) -> None:
    with either_db.writer.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), METADATA) == []


def test_the_tables_come_down_and_go_up_with_a_nursery_in_them(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
    migrate(db, "base")
    assert inspect(db.writer).get_table_names() == ["alembic_version"]
    migrate(db)
    with db.writing() as session:
        small_nursery(session)
        assert len(session.exec(select(Crop)).all()) == 2


def test_a_crop_that_lives_no_week_is_refused_by_the_database_itself(db: Database) -> None:
    with pytest.raises(IntegrityError, match="ck_crop_life"), db.writing() as session:
        session.add(Crop(botanical_name="Caltha palustris", life_weeks=0))


def test_a_lot_of_a_batch_that_does_not_exist_is_refused(db: Database) -> None:
    with pytest.raises(IntegrityError, match="FOREIGN KEY"), db.writing() as session:
        session.connection().execute(
            text(
                "INSERT INTO lot (batch_id, pool_id, ready_on, last_sale_on, plugs)"
                " VALUES (99, 99, '2027-03-01', '2027-03-10', 1)"
            )
        )


def test_a_ledger_balance_below_nothing_is_refused_by_the_database_itself(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, "Caltha palustris")
        lot = ready_lot(session, crop, 100, *_window(session))
    with pytest.raises(IntegrityError, match="ck_movement_balance"), db.writing() as session:
        session.connection().execute(
            text(
                "INSERT INTO movement (batch_id, lot_id, sequence, kind, plugs, balance, actor,"
                " reason, happened_at, recorded_at) VALUES (:batch, :lot, 2, 'rejected', -101, -1,"
                " 'a', '', '2027-03-01', '2027-03-01')"
            ),
            {"batch": lot.batch_id, "lot": lot.id},
        )


def _window(session: Session) -> tuple[date, date]:
    return today(session), today(session) + timedelta(days=20)


def test_the_day_book_and_the_triggers_outlive_the_migration_of_the_weeks_settings(
    db: Database,
) -> None:
    """Down to the tables before and up again, with an entry in the book that takes one back."""

    def seen() -> tuple[list[tuple[object, ...]], list[object]]:
        with db.writer.connect() as connection:
            book = "SELECT id, action, plugs, undoes_id FROM day_entry ORDER BY id"
            triggers = "SELECT name FROM sqlite_master WHERE type = 'trigger' ORDER BY name"
            return (
                [tuple(row) for row in connection.execute(text(book))],
                list(connection.execute(text(triggers)).scalars()),
            )

    with db.writing() as session:
        small_nursery(session)
        protocol = crop_named(session, "Caltha palustris").protocols[0]
        started = day_book.start(session, protocol, 3, "Ada", code="B1")
        undo(session, started.entry.id or 0, "Ada", "the other mother block")
    before = seen()
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["engine"] = db.writer
    command.downgrade(config, "0002")
    columns = {column["name"] for column in inspect(db.writer).get_columns("site")}
    assert "hot_day_c" not in columns and "gap_up_below" in columns
    below = seen()
    assert below[0] == before[0]
    later = [name for name in before[1] if name not in below[1]]
    assert not any(name.startswith(("stamp_site", "stamp_batch", "stamp_lot")) for name in later)
    assert set(below[1]) <= set(before[1]) and "stamp_site_update" in below[1]
    migrate(db)
    assert seen() == before
    assert [row[1:] for row in before[0]] == [("started", 312, None), ("started", 312, 1)]
    assert any(name == "stamp_site_update" for name in before[1])
    with pytest.raises(IntegrityError, match="ck_site_hot_day_c"), db.writing() as session:
        session.connection().execute(text("UPDATE site SET hot_day_c = -99"))


def test_jobs_outlive_the_migration_that_lets_them_ask_what_would_help(
    either_db: Database,
) -> None:
    """Down and up again; before it there are no jobs that ask, and they have no steps."""
    with either_db.writing() as session:
        at = clock(session)
        for kind, state in (
            (JobKind.PROPAGATION, JobState.DONE),
            (JobKind.DISPATCH, JobState.RUNNING),
            (JobKind.RELIEF, JobState.RUNNING),
        ):
            id = kind.value.ljust(32, "x")
            job = PlanJob(id=id, kind=kind, arguments="{}", started_at=at, told_at=at, state=state)
            job.cost, job.steps_done, job.steps = 7, 1, 2
            session.add(job)
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["engine"] = either_db.writer
    command.downgrade(config, "0016")
    assert "steps" not in {c["name"] for c in inspect(either_db.writer).get_columns("plan_job")}
    migrate(either_db)
    with either_db.writing() as session:
        rows = session.exec(select(PlanJob).order_by(col(PlanJob.kind))).all()
        assert [(row.kind, row.state, row.cost, row.steps) for row in rows] == [
            (JobKind.DISPATCH, JobState.RUNNING, 7, None),
            (JobKind.PROPAGATION, JobState.DONE, 7, None),
        ]
    twin = PlanJob(id="y" * 32, kind=JobKind.DISPATCH, arguments="{}", started_at=at, told_at=at)
    with pytest.raises(IntegrityError, match=r"(?i)unique"), either_db.writing() as session:
        session.add(twin)
    with pytest.raises(IntegrityError, match="ck_plan_job_steps"), either_db.writing() as session:
        session.connection().execute(text("UPDATE plan_job SET steps = 1, steps_done = 2"))


def test_a_text_longer_than_its_column_is_refused_alike_on_both_databases(
    either_db: Database,
) -> None:
    """A new row and a changed one; what is just as long as it may be is taken."""
    with (
        pytest.raises(Fault, match="at most 60 characters, this has 61") as wrong,
        either_db.writing() as session,
    ):
        session.add(Wrap(name="x" * 61))
    assert (wrong.value.thing, wrong.value.next) == ("Wrap: name", "shorten it")
    with either_db.writing() as session:
        session.add(Wrap(name="x" * 60))
    with pytest.raises(Fault, match="Wrap: name"), either_db.writing() as session:
        session.exec(select(Wrap)).one().name = "y" * 61


def test_the_newest_version_is_the_one_that_alembic_goes_up_to() -> None:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    assert ScriptDirectory.from_config(config).get_current_head() == known_versions()[-1]


@pytest.mark.parametrize("version", [None, known_versions()[-1]])
def test_the_file_of_another_program_is_refused_and_stays_as_it_was_to_its_last_byte(
    tmp_path: Path, version: str | None
) -> None:
    path = tmp_path / "bees.sqlite"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE hive (queen TEXT)")
        if version is not None:  # it keeps its tables by Alembic as well
            other.execute("CREATE TABLE alembic_version (version_num TEXT)")
            other.execute("INSERT INTO alembic_version VALUES (?)", (version,))
        other.commit()
    before = path.read_bytes()
    refused = CliRunner().invoke(app, ["init", "--database", str(path)])
    assert isinstance(refused.exception, Fault)
    assert "holds other tables (hive): left as it was" in str(refused.exception)
    assert path.read_bytes() == before
    assert [each.name for each in tmp_path.iterdir()] == ["bees.sqlite"]


def test_a_postgresql_database_of_another_program_is_refused(postgres_address: str) -> None:
    db = open_database(new_database(postgres_address))
    with db.writing() as session:
        session.connection().execute(text("CREATE TABLE hive (queen TEXT)"))
    with pytest.raises(Fault, match="holds other tables \\(hive\\)"):
        migrate(db)
    assert inspect(db.writer).get_table_names() == ["hive"]
    db.close()
    drop_database(db.address)
