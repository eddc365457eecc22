"""What a process keeps between quotes never makes an answer another one than a fresh look would."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import text
from sqlmodel import Session, col, select

from nursery.carrier import ClosedAt, Closure
from nursery.database import METADATA, Database, now, open_database, site, today
from nursery.errors import Refused
from nursery.fact_stamp import UNSTAMPED
from nursery.order import Product, Promise, ShipDay, State, Substitute
from nursery.promising.alternatives import surer_day
from nursery.promising.basket import Consent
from nursery.promising.facts import facts_of
from nursery.promising.promise import cancel, confirm, lapse, reserve
from nursery.promising.quote import Quote, quote
from nursery.promising.supply import available, kept_supply
from nursery.shed.ledger import move
from nursery.shed.veto import set_veto, sign_off_veto
from nursery.stock import Lot, Moved, Pool, Veto, VetoKind
from nursery.weather import Forecast
from tests.builders import crop_named, ready_lot
from tests.postgres import drop_database, new_database
from tests.shop import HERE, MONDAY, both, caltha, mild_nursery

Stocked = Callable[[], AbstractContextManager[str]]


@pytest.fixture
def stocked(either_db: Database) -> Stocked:
    """A nursery with both plants, of which each example takes its own copy: where does it lie?"""
    with either_db.writing() as session:
        mild_nursery(session, plugs=60)
        here = site(session)
        here.packing_minutes_a_day, here.horizon_days = 40, 30
        primula = crop_named(session, "Primula rosea")
        ready_lot(session, primula, 40, MONDAY + timedelta(days=3), MONDAY + timedelta(days=20))
    either_db.close()  # what stands in the log goes into the file that is copied
    return partial(_copy, either_db)


@contextmanager
def _copy(of: Database) -> Iterator[str]:
    if of.is_sqlite:
        path = Path(of.address.removeprefix("sqlite:///"))
        with TemporaryDirectory(dir=path.parent) as folder:
            yield shutil.copy(path, folder)
        return
    address = new_database(of.address, like=of.address.rpartition("/")[2])
    yield address
    drop_database(address)


def _take(session: Session, number: int) -> None:
    best = quote(session, both() if number % 2 else caltha(1 + number % 3), HERE).options
    if best:
        chosen = best[number % len(best)]
        basket = both() if number % 2 else caltha(1 + number % 3)
        made = len(session.exec(select(Promise.id)).all())
        reserve(session, f"O-{made}", basket, HERE, chosen.ship_on, chosen.service, "shop")


def _first(session: Session, number: int, state: State) -> int | None:
    found = session.exec(select(Promise.id).where(Promise.state == state)).all()
    return found[number % len(found)] if found else None


def _confirm(session: Session, number: int) -> None:
    promise = _first(session, number, State.RESERVED)
    if promise is not None:
        confirm(session, promise, "shop")


def _cancel(session: Session, number: int) -> None:
    promise = _first(session, number, State.CONFIRMED)
    if promise is not None:
        cancel(session, promise, "shop", "")


def _shift(session: Session, seconds: int) -> None:
    here = site(session)
    here.clock_shift_seconds += seconds
    session.add(here)


def _reject(session: Session, number: int) -> None:
    lots = session.exec(select(Lot).order_by(col(Lot.id))).all()
    lot = lots[number % len(lots)]
    if lot.plugs:
        move(session, lot.batch, Moved.REJECTED, -min(7, lot.plugs), "Ada", "rot", lot=lot)


def _veto(session: Session, number: int) -> None:
    lots = session.exec(select(Lot).order_by(col(Lot.id))).all()
    lot = lots[number % len(lots)]
    open_one = session.exec(
        select(Veto).where(Veto.batch_id == lot.batch_id, col(Veto.signed_off_at).is_(None))
    ).first()
    if open_one is None:
        set_veto(session, lot.batch, VetoKind.INSPECTION, "seen", "Ada", lot=lot)
    else:
        sign_off_veto(session, open_one, "Ada", "seen again")


def _close(session: Session, number: int) -> None:
    day = today(session) + timedelta(days=number)
    known = session.exec(select(Closure).where(Closure.first_day == day)).first()
    if known is None:
        reason = "the van is away"
        session.add(Closure(closed_at=ClosedAt.ORIGIN, first_day=day, last_day=day, reason=reason))
    else:
        session.delete(known)


def _forecast(session: Session, number: int) -> None:
    day, issued = today(session) + timedelta(days=number % 5), now(session)
    session.add(Forecast(station_id=1, day=day, issued_at=issued, min_c=20, max_c=35))


def _settle(session: Session, number: int) -> None:
    here = site(session)
    here.allowance = number / 100
    session.add(here)


def _delicate(session: Session, number: int) -> None:
    for product in session.exec(select(Product)):
        product.max_days_in_box = 2 + number % 3
        session.add(product)


def _room(session: Session, number: int) -> None:
    day = today(session) + timedelta(days=number % 5)
    row = session.get(ShipDay, day) or ShipDay(day=day)
    row.minutes = number
    session.add(row)


HANDS: tuple[Callable[[Session, int], object], ...] = (
    _take,
    _take,
    _confirm,
    _cancel,
    lambda session, _: lapse(session),
    lambda session, number: _shift(session, 61 * number),
    lambda session, _: _shift(session, 31 * 60),
    lambda session, _: _shift(session, 86_400),
    lambda session, number: _shift(session, -61 * number),
    _reject,
    _veto,
    _close,
    _forecast,
    _settle,
    _delicate,
    _room,
)


def _asked(db: Database) -> tuple[Quote | str, list[list[int]]]:
    with db.reading() as session:
        moment, facts = facts_of(session)
        pools = sorted(pool for pool in session.exec(select(Pool.id)) if pool is not None)
        held = kept_supply(session, moment, facts, pools)
        days = facts.site.horizon_days + 1
        vectors = [held[pool].available[:days].tolist() for pool in pools]
        try:
            return quote(session, both(), HERE), vectors
        except Refused as refused:
            return refused.refusal.code, vectors


def _afresh(db: Database) -> tuple[Quote | str, list[list[int]]]:
    """The same of a process that has kept nothing."""
    with _opened(db.address) as other, other.writing() as session:
        pools = sorted(pool for pool in session.exec(select(Pool.id)) if pool is not None)
        days = site(session).horizon_days + 1
        vectors = [available(session, [pool])[pool][:days].tolist() for pool in pools]
        try:
            return quote(session, both(), HERE), vectors
        except Refused as refused:
            return refused.refusal.code, vectors


@contextmanager
def _opened(address: str) -> Iterator[Database]:
    db = open_database(address)
    yield db
    db.close()


WORK = st.lists(
    st.tuples(st.integers(0, len(HANDS) - 1), st.integers(0, 20), st.booleans()),
    min_size=1,
    max_size=8,
)


@pytest.mark.parametrize(
    ("either_db", "examples"), [("sqlite", 20), ("postgres", 3)], indirect=["either_db"]
)
def test_what_is_kept_answers_as_a_fresh_look_after_any_writes_lapses_and_moves_of_the_clock(
    stocked: Stocked, examples: int
) -> None:
    @settings(max_examples=examples)
    @given(WORK)
    def any_work(does: list[tuple[int, int, bool]]) -> None:
        with stocked() as at, _opened(at) as here, _opened(at) as another_worker:
            _asked(here)
            for hand, number, by_another in does:
                try:
                    with (another_worker if by_another else here).writing() as session:
                        HANDS[hand](session, number)
                except Refused:
                    pass
                assert _asked(here) == _afresh(here)

    any_work()


def test_a_reservation_that_lapses_is_free_again_with_nothing_written(either_db: Database) -> None:
    with either_db.writing() as session:
        mild_nursery(session, plugs=6)
    _asked(either_db)
    with either_db.writing() as session:
        best = quote(session, caltha(1), HERE).options[0]
        reserve(session, "O-1", caltha(1), HERE, best.ship_on, best.service, "shop")
    with either_db.reading() as session:
        assert not quote(session, caltha(1), HERE).options
        site_minutes = site(session).reservation_minutes
    with either_db.writing() as session:
        _shift(session, 60 * site_minutes + 5)
    with either_db.reading() as session:
        assert quote(session, caltha(1), HERE).options
    assert _asked(either_db) == _afresh(either_db)


def test_a_version_that_was_rolled_back_leaves_nothing_behind(either_db: Database) -> None:
    with either_db.writing() as session:
        mild_nursery(session, plugs=12)
    with pytest.raises(RuntimeError), either_db.writing() as session:
        best = quote(session, caltha(1), HERE).options[0]
        reserve(session, "O-1", caltha(2), HERE, best.ship_on, best.service, "shop")
        quote(session, caltha(1), HERE)
        raise RuntimeError
    with either_db.writing() as session:
        reserve(session, "O-2", caltha(1), HERE, best.ship_on, best.service, "shop")
    assert _asked(either_db) == _afresh(either_db)


def test_every_table_tells_of_its_changes_or_is_said_not_to(db: Database) -> None:
    with db.reader.connect() as connection:
        names = connection.execute(text("SELECT name FROM sqlite_master WHERE type = 'trigger'"))
        triggers = set(names.scalars())
    for table in set(METADATA.tables) - UNSTAMPED:
        for event in ("insert", "update", "delete"):
            assert f"stamp_{table}_{event}" in triggers, table


def test_asking_for_the_first_option_alone_gives_the_best_of_all(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
    with db.reading() as session:
        whole = quote(session, caltha(2), HERE)
        one = quote(session, caltha(2), HERE, most=1)
        three = quote(session, caltha(2), HERE, most=3)
    assert one.options == whole.options[:1]
    assert three.options == whole.options[:3]
    assert len(one.closed_days) <= len(whole.closed_days)


def _plants(session: Session, caltha_plugs: int, primula_plugs: int) -> date:
    mild_nursery(session, plugs=caltha_plugs)
    if primula_plugs:
        ready_lot(
            session,
            crop_named(session, "Primula rosea"),
            primula_plugs,
            MONDAY,
            MONDAY + timedelta(days=90),
        )
    return MONDAY


def test_what_can_leave_with_fewer_plugs_is_offered_where_the_whole_basket_cannot(
    db: Database,
) -> None:
    with db.writing() as session:
        _plants(session, 12, 60)
    with db.reading() as session:
        found = quote(session, both(3), HERE)
        assert not found.options
        assert found.fewer is not None
        assert {line.code: line.quantity for line in found.fewer.lines} == {"CP-6": 2, "PRG-6": 3}
        assert quote(session, both(2), HERE).fewer is None


def test_other_plants_are_offered_only_to_a_customer_who_agreed(db: Database) -> None:
    with db.writing() as session:
        _plants(session, 0, 60)
        caltha_6, primula_6 = session.exec(select(Product).order_by(col(Product.id))).all()
        session.add(Substitute(product_id=caltha_6.id, other_id=primula_6.id))
    with db.reading() as session:
        assert quote(session, caltha(2), HERE).substituted is None
        found = quote(session, caltha(2), HERE, consent=Consent(may_substitute=True))
        assert found.substituted is not None
        assert [(line.code, line.quantity) for line in found.substituted.lines] == [("PRG-6", 2)]
        both_lack = quote(session, both(), HERE, consent=Consent(may_substitute=True))
        assert both_lack.substituted is None  # the other plant is in the basket already


def test_a_surer_day_fails_at_most_half_as_often_as_the_best(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
    with db.reading() as session:
        one = quote(session, caltha(1), HERE, most=1).options[0]
    shares = (0.98, 0.985, 0.991, 0.999)
    days = [one.ship_on + timedelta(days=i) for i in range(len(shares))]
    found = [replace(one, ship_on=day, probability=p) for day, p in zip(days, shares, strict=True)]
    assert surer_day(found) == found[2]  # 2 % against 0.9 %: the first at half or less
    assert surer_day(found[:2]) is None
    assert surer_day([replace(one, probability=1.0), *found]) is None
    assert surer_day([]) is None
