"""What pools hold and owe: lots, vetoes, growing batches, commitments, deficits."""

from datetime import date, timedelta

import pytest
from sqlmodel import Session, select

from nursery.batch import Batch, Quarantine
from nursery.crop import Protocol
from nursery.database import Database, now, site, today
from nursery.growing.growth import expected_lots
from nursery.order import Promise, PromiseLine, State
from nursery.planned import PlanKind, PlannedStart, PlanVersion
from nursery.promising.planned_supply import planned_lots
from nursery.promising.supply import available, deficits, promisable, supply
from nursery.stock import Lot, Moved, Movement, Pool, Veto, VetoKind
from tests.builders import crop_named, open_order, product_of, ready_lot
from tests.shop import MONDAY, mild_nursery


def _pool(session: Session) -> int:
    caltha = crop_named(session, "Caltha palustris")
    pool = session.exec(select(Pool).where(Pool.crop_id == caltha.id)).one()
    assert pool.id is not None
    return pool.id


def _left(session: Session, day: date) -> int:
    return int(available(session, [_pool(session)])[_pool(session)][(day - today(session)).days])


def _promised(session: Session, plugs: int, day: date, state: State = State.CONFIRMED) -> Promise:
    """A promise as the books have it, written row by row."""
    product = product_of(session, crop_named(session, "Caltha palustris"))
    made = len(session.exec(select(Promise)).all()) + 1
    order = open_order(session, f"S-{made}", product)
    assert order.id is not None and product.id is not None
    promise = Promise(
        order_id=order.id,
        service_id=1,
        state=state,
        ship_on=day,
        first_ship_on=day,
        pack_on=day,
        arrives_from=day + timedelta(days=1),
        arrives_until=day + timedelta(days=2),
        probability=0.99,
        reserved_until=now(session) + timedelta(minutes=30) if state == State.RESERVED else None,
    )
    session.add(promise)
    session.flush()
    assert promise.id is not None
    session.add(
        PromiseLine(
            promise_id=promise.id,
            product_id=product.id,
            pool_id=_pool(session),
            plugs=plugs,
        )
    )
    session.flush()
    return promise


def _veto(session: Session, batch: int, lot: int | None = None) -> Veto:
    veto = Veto(
        batch_id=batch,
        lot_id=lot,
        kind=VetoKind.RE_ENTRY,
        reason="sprayed",
        set_by="Ada",
        set_at=now(session),
        earliest_end=today(session) - timedelta(days=1),
    )
    session.add(veto)
    session.flush()
    return veto


def test_a_ready_lot_is_promised_less_the_sites_allowance_rounded_against_the_nursery(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session).allowance = 0.05
        caltha = crop_named(session, "Caltha palustris")
        ready_lot(session, caltha, 41, MONDAY, MONDAY + timedelta(days=9))
        # 100 less 5, and 41 less 2.05 rounded up to 3 (computed by hand).
        assert _left(session, MONDAY) == 95 + 38
        assert _left(session, MONDAY + timedelta(days=10)) == 95


@pytest.mark.parametrize(
    ("plugs", "allowance", "left"), [(100, 0.0, 100), (100, 0.07, 93), (1, 0.05, 0), (0, 0.05, 0)]
)
def test_an_allowance_never_leaves_more_than_its_share(
    plugs: int, allowance: float, left: int
) -> None:
    assert promisable(plugs, allowance) == left


def test_the_textbook_row_of_available_to_promise_is_the_difference_of_what_is_available(
    db: Database,
) -> None:
    """Stevenson, Operations Management, the pumps: on hand 64, receipts of 70 in weeks 3, 5, 7 and
    8, orders 33 20 10 4 2; available to promise 11, 56, 68, 70, 70 (numbers from memory)."""
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        caltha = crop_named(session, "Caltha palustris")
        week = [MONDAY + timedelta(weeks=i) for i in range(9)]
        ready_lot(session, caltha, 64, week[1], MONDAY + timedelta(days=400))
        for number in (3, 5, 7, 8):
            ready_lot(session, caltha, 70, week[number], MONDAY + timedelta(days=400))
        for number, plugs in enumerate((33, 20, 10, 4, 2), start=1):
            _promised(session, plugs, week[number])
        found = [_left(session, week[number]) for number in (1, 3, 5, 7, 8)]
    assert [b - a for a, b in zip([0, *found], found, strict=False)] == [11, 56, 68, 70, 70]


def test_a_lot_past_its_last_sale_date_is_never_promised(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        caltha = crop_named(session, "Caltha palustris")
        ready_lot(session, caltha, 50, MONDAY - timedelta(days=20), MONDAY - timedelta(days=1))
        ready_lot(session, caltha, 7, MONDAY - timedelta(days=20), MONDAY)
        assert _left(session, MONDAY) == 7
        assert _left(session, MONDAY + timedelta(days=1)) == 0


@pytest.mark.parametrize("whole_batch", [True, False])
def test_a_veto_counts_until_somebody_signs_it_off_even_past_its_earliest_end(
    db: Database, whole_batch: bool
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        lot = session.exec(select(Lot)).one()
        veto = _veto(session, lot.batch_id, None if whole_batch else lot.id)
        assert _left(session, MONDAY) == 0
        veto.signed_off_at, veto.signed_off_by = now(session), "inspector"
        session.flush()
        assert _left(session, MONDAY) == 100


def test_a_veto_on_one_lot_leaves_the_other_lots_of_its_batch_alone(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        first = session.exec(select(Lot)).one()
        second = Lot(
            batch_id=first.batch_id,
            pool_id=first.pool_id,
            ready_on=first.ready_on + timedelta(days=7),
            last_sale_on=first.last_sale_on,
            plugs=30,
        )
        session.add(second)
        session.flush()
        _veto(session, first.batch_id, first.id)
        assert _left(session, MONDAY + timedelta(days=7)) == 30


@pytest.mark.parametrize("quarantine", [Quarantine.HELD, Quarantine.UNKNOWN])
def test_a_batch_whose_quarantine_is_not_clear_sells_nothing(
    db: Database, quarantine: Quarantine
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        session.exec(select(Batch)).one().quarantine = quarantine
        session.flush()
        assert _left(session, MONDAY) == 0


def test_a_closed_batch_sells_nothing(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        session.exec(select(Batch)).one().closed_on = MONDAY
        session.flush()
        assert _left(session, MONDAY) == 0


def test_only_promises_that_hold_and_plugs_not_yet_picked_are_commitments(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        _promised(session, 10, MONDAY)
        half = _promised(session, 20, MONDAY)
        half.lines[0].picked = 15
        for state in (State.CANCELLED, State.LAPSED, State.PICKED, State.HANDED_OVER):
            _promised(session, 30, MONDAY, state)
        _promised(session, 1, MONDAY, State.RESERVED)
        session.flush()
        assert _left(session, MONDAY) == 100 - 10 - 5 - 1


def test_a_reservation_that_ran_out_counts_nothing_though_nobody_wrote_it_down(
    db: Database,
) -> None:
    with db.writing() as session:
        here = mild_nursery(session)
        _promised(session, 60, MONDAY, State.RESERVED)
        assert _left(session, MONDAY) == 40
        lapses_at = supply(session, [_pool(session)])[_pool(session)].next_lapse
        assert lapses_at is not None
        here.clock_shift_seconds += 31 * 60
        session.flush()
        assert _left(session, MONDAY) == 100
        assert lapses_at < now(session)


def test_a_promise_that_should_have_left_already_still_claims_its_plugs(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        _promised(session, 60, MONDAY - timedelta(days=3))
        assert _left(session, MONDAY) == 40


def test_promises_beyond_the_horizon_keep_their_plugs(db: Database) -> None:
    with db.writing() as session:
        here = mild_nursery(session)
        here.horizon_days = 30
        _promised(session, 60, MONDAY + timedelta(days=90))
        assert _left(session, MONDAY) == 40


def _growing(session: Session, plugs: int = 200) -> Batch:
    """A batch of Caltha that hardens off since a week ago."""
    caltha = crop_named(session, "Caltha palustris")
    protocol = session.exec(select(Protocol).where(Protocol.crop_id == caltha.id)).one()
    last = protocol.stages[-1]
    assert caltha.id and protocol.id and last.id and last.tray_format_id
    batch = Batch(
        code="G1",
        crop_id=caltha.id,
        protocol_id=protocol.id,
        stage_id=last.id,
        tray_format_id=last.tray_format_id,
        trays=3,
        started_on=MONDAY - timedelta(weeks=10),
        stage_entered_on=MONDAY - timedelta(days=7),
        quarantine=Quarantine.CLEAR,
    )
    session.add(batch)
    session.flush()
    assert batch.id is not None
    session.add(
        Movement(
            batch_id=batch.id,
            sequence=1,
            kind=Moved.COUNTED,
            plugs=plugs,
            balance=plugs,
            actor="Ada",
            happened_at=now(session),
            recorded_at=now(session),
        )
    )
    session.flush()
    return batch


def test_a_growing_batch_is_promised_by_flush_from_its_safe_dates_in_its_safe_quantities(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        batch = _growing(session)
        lots = expected_lots(session, MONDAY)
        assert len(lots) == 2 and sum(lot.plugs for lot in lots) <= 200
        assert _left(session, lots[0].ready_on - timedelta(days=1)) == 0
        assert _left(session, lots[0].ready_on) == lots[0].plugs
        pool = supply(session, [_pool(session)])[_pool(session)]
        assert not pool.counted.any()
        assert not pool.counted_available.any()
        _veto(session, batch.id or 0)
        assert _left(session, lots[0].ready_on) == 0


def _planned(session: Session, week: str, accepted: bool = True, trays: int = 3) -> PlannedStart:
    """Trays of Caltha that a plan starts in this week."""
    caltha = crop_named(session, "Caltha palustris")
    made = len(session.exec(select(PlanVersion)).all())
    plan = PlanVersion(
        kind=PlanKind.PROPAGATION,
        version=made + 1,
        made_at=now(session),
        first_day=MONDAY,
        periods=26,
        fingerprint="",
        problem="",
        plan="",
        cost=0,
        bound=0,
        rule_of_thumb_cost=0,
        accepted_at=now(session) + timedelta(seconds=made) if accepted else None,
        accepted_by="Ada" if accepted else None,
    )
    session.add(plan)
    session.flush()
    assert plan.id is not None and caltha.protocols[0].id is not None
    start = PlannedStart(
        plan_id=plan.id, protocol_id=caltha.protocols[0].id, week=week, trays=trays
    )
    session.add(start)
    session.flush()
    return start


def _most(session: Session) -> int:
    return int(available(session, [_pool(session)])[_pool(session)].max())


def test_starts_that_are_only_planned_are_promised_only_if_the_lead_switches_that_on(
    db: Database,
) -> None:
    with db.writing() as session:
        here = mild_nursery(session, plugs=0)
        start = _planned(session, "2027-W10")
        assert _most(session) == 0
        here.promise_planned_starts = True
        lots = planned_lots(session, MONDAY, [start.protocol.crop_id])
        # 3 trays of 104, of which 0.9 x 0.92 x 0.97 live on average: the safe number is less.
        assert 0 < sum(lot.plugs for lot in lots) < 3 * 104 * 0.9 * 0.92 * 0.97
        assert [round(lot.plugs / sum(one.plugs for one in lots), 1) for lot in lots] == [0.7, 0.3]
        # 21 days of rooting and 8 of hardening at least, after the Sunday of the week.
        assert lots[0].ready_on >= date(2027, 3, 14) + timedelta(days=29)
        assert lots[1].ready_on == lots[0].ready_on + timedelta(days=7)
        assert _left(session, lots[0].ready_on - timedelta(days=1)) == 0
        assert _left(session, lots[0].ready_on) == lots[0].plugs
        pool = supply(session, [_pool(session)])[_pool(session)]
        assert not pool.counted_available.any()


def test_a_planned_start_that_waits_is_ready_so_many_weeks_later(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        start = _planned(session, "2027-W10")
        crops = [start.protocol.crop_id]
        first = planned_lots(session, MONDAY, crops)[0].ready_on
        start.extra_weeks = 2
        session.flush()
        assert planned_lots(session, MONDAY, crops)[0].ready_on == first + timedelta(weeks=2)


def test_a_start_missed_made_already_or_of_a_plan_not_followed_gives_nothing(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=10).promise_planned_starts = True
        start = _planned(session, "2027-W10")
        assert _most(session) > 10
        start.batch_id = session.exec(select(Batch.id)).one()
        session.flush()
        assert _most(session) == 10
        _planned(session, "2027-W10", accepted=False)
        assert _most(session) == 10
        _planned(session, "2027-W08")
        assert _most(session) == 10


def test_plugs_that_stand_counted_are_told_from_those_that_still_grow(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=10)
        _growing(session)
        ready = expected_lots(session, MONDAY)[0].ready_on
        _promised(session, 4, MONDAY)
        pool = supply(session, [_pool(session)])[_pool(session)]
        day = pool.index(ready)
        assert pool.counted_available[day] == 6
        assert pool.available[day] > 6


def test_a_veto_names_the_pool_the_days_and_the_promises_that_cannot_be_kept(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        first = session.exec(select(Lot)).one()
        caltha = crop_named(session, "Caltha palustris")
        ready_lot(session, caltha, 20, MONDAY, MONDAY + timedelta(days=60))
        early = _promised(session, 15, MONDAY)
        late = _promised(session, 12, MONDAY + timedelta(days=7))
        assert deficits(session) == []
        _veto(session, first.batch_id)
        (found,) = deficits(session)
        assert found.pool_id == _pool(session)
        assert found.plugs == 15 + 12 - 20
        assert found.days == ((MONDAY + timedelta(days=7), 7),)
        assert found.promises == ((late.id, 7),)
        assert _left(session, MONDAY) == 0
        assert early.id != late.id


def test_a_reservation_gives_way_to_a_confirmed_promise_when_plugs_are_short(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=10)
        reserved = _promised(session, 6, MONDAY, State.RESERVED)
        _promised(session, 6, MONDAY)
        (found,) = deficits(session)
        assert found.promises == ((reserved.id, 2),)


def test_a_pools_version_and_day_come_with_its_supply(db: Database) -> None:
    with db.reading() as session, pytest.raises(Exception, match="holds no nursery yet"):
        supply(session, [1])
    with db.writing() as session:
        mild_nursery(session)
        pool = session.get(Pool, _pool(session))
        assert pool is not None
        pool.version = 7
        session.flush()
        held = supply(session, [_pool(session), 999])
        assert list(held) == [_pool(session)]
        assert (held[_pool(session)].version, held[_pool(session)].first_day) == (7, MONDAY)
        assert held[_pool(session)].available.size == site(session).horizon_days + 1
