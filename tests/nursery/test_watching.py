"""Whoever watches products is told on which days another quantity can be had, and nothing else."""

from datetime import date, timedelta

import pytest
from sqlmodel import select

from nursery.database import Database, open_database
from nursery.errors import Refused
from nursery.order import Product
from nursery.promising.promise import cancel, reserve
from nursery.promising.watching import Availability, Watch
from nursery.stock import Grade, Lot, Pool
from tests.builders import crop_named, ready_lot, set_clock
from tests.shop import HERE, MONDAY, caltha, mild_nursery

TUESDAY = MONDAY + timedelta(days=1)


def _look(db: Database, watch: Watch) -> list[Availability]:
    with db.reading() as session:
        return watch.look(session)


def _days(changes: list[Availability]) -> dict[tuple[str, date], int]:
    """The quantity of each product and day that is told."""
    return {
        (change.code, span.from_day + timedelta(days=n)): span.quantity
        for change in changes
        for span in change.spans
        for n in range((span.until_day - span.from_day).days + 1)
    }


def test_nothing_is_told_where_nothing_has_changed(either_db: Database) -> None:
    with either_db.writing() as session:
        mild_nursery(session)
    watch = Watch(None)
    assert _look(either_db, watch) == [] == _look(either_db, watch)
    with either_db.writing() as session:
        set_clock(session, MONDAY, 9)  # a fact was written, and no quantity is another by it
    assert _look(either_db, watch) == []


def test_what_another_process_promised_is_told_with_its_days(either_db: Database) -> None:
    """100 plugs make 16 times six; one more sold for Tuesday leaves 15 for all days of the lot."""
    with either_db.writing() as session:
        mild_nursery(session)
    watch = Watch(["CP-6"])
    assert _look(either_db, watch) == []
    other = open_database(either_db.address)
    try:
        with other.writing() as session:
            reserve(session, "S-1", caltha(1), HERE, TUESDAY, "Van", "shop")
    finally:
        other.close()
    (told,) = _look(either_db, watch)
    assert (told.code, told.from_day) == ("CP-6", MONDAY)
    (span,) = told.spans
    assert (span.until_day, span.quantity) == (MONDAY + timedelta(days=120), 15)
    with either_db.reading() as session:
        assert told.version == session.exec(select(Pool).order_by(Pool.id)).first().version  # type: ignore[arg-type, union-attr]


def test_what_comes_and_goes_between_two_looks_is_not_told(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
    watch = Watch(None)
    _look(db, watch)
    with db.writing() as session:
        promise = reserve(session, "S-1", caltha(2), HERE, TUESDAY, "Van", "shop")
        cancel(session, promise.id or 0, "shop")
    assert _look(db, watch) == []


def test_a_shop_that_notes_down_what_it_is_told_knows_what_can_be_had(db: Database) -> None:
    """As a new listener sees it who asks how it stands: after sales, a lapse, a lot, a product."""
    with db.writing() as session:
        mild_nursery(session)
        caltha_crop = crop_named(session, "Caltha palustris")
        session.add(
            Product(
                code="CP-1", name="one plug", crop_id=caltha_crop.id or 0, grade=Grade.A, plugs=1
            )
        )
    watch = Watch(None, as_it_stands=True)
    noted = _days(_look(db, watch))
    assert noted["CP-6", TUESDAY] == 16 and noted["CP-1", TUESDAY] == 100

    def agrees() -> None:
        noted.update(_days(_look(db, watch)))
        assert {key: n for key, n in noted.items() if n} == _days(
            _look(db, Watch(None, as_it_stands=True))
        )

    with db.writing() as session:
        reserve(session, "S-1", caltha(3), HERE, TUESDAY, "Van", "shop")
    agrees()
    assert noted["CP-6", TUESDAY] == 13 and noted["CP-1", TUESDAY] == 82
    with db.writing() as session:
        set_clock(session, MONDAY, 11)  # the reservation ran out, and nobody wrote it down
    agrees()
    assert noted["CP-6", TUESDAY] == 16
    with db.writing() as session:
        ready, last = MONDAY + timedelta(days=30), MONDAY + timedelta(days=50)
        ready_lot(session, crop_named(session, "Caltha palustris"), 50, ready, last, "NEW")
        session.exec(select(Pool)).first().version += 1  # type: ignore[union-attr]
    agrees()
    assert noted["CP-1", ready - timedelta(days=1)] == 100 and noted["CP-1", ready] == 150
    with db.writing() as session:
        lot = session.exec(select(Lot).where(Lot.plugs == 100)).one()
        lot.last_sale_on = ready
        session.exec(select(Pool)).first().version += 1  # type: ignore[union-attr]
    agrees()
    assert noted["CP-1", ready] == 150 and noted["CP-1", ready + timedelta(days=1)] == 50


def test_days_that_pass_are_not_told_as_a_change(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
    watch = Watch(None)
    _look(db, watch)
    with db.writing() as session:
        set_clock(session, MONDAY + timedelta(days=3))
    assert _look(db, watch) == []


def test_a_product_that_is_not_sold_cannot_be_watched(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
    with pytest.raises(Refused) as refused:
        _look(db, Watch(["CP-6", "nothing"]))
    assert refused.value.refusal.code == "unknown_product"
    with pytest.raises(Refused) as refused:
        Watch([str(n) for n in range(201)])
    assert refused.value.refusal.code == "too_many_codes"
