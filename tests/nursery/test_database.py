"""The rows keep their own rules, and the tables go up and down with data in them."""

from datetime import date, timedelta

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import inspect, text
from sqlalchemy.exc import IntegrityError
from sqlmodel import Session, select

from nursery.crop import Crop
from nursery.database import METADATA, Database, migrate, today
from tests.builders import crop_named, ready_lot, small_nursery


def test_the_migrations_make_exactly_the_tables_of_the_rows(db: Database) -> None:
    with db.writer.connect() as connection:
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
