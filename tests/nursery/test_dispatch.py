"""The dispatch: every order a day that can be kept, nobody's plugs given to another."""

from collections import Counter
from contextlib import suppress
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete
from sqlmodel import Session, col, select

from nursery.batch import Batch, Count
from nursery.carrier import CarrierService, ClosedAt, Closure
from nursery.database import Database, now, site
from nursery.dispatching.dispatch import accept
from nursery.dispatching.dispatch_facts import read_facts
from nursery.dispatching.dispatch_guard import promises_first
from nursery.errors import Refused
from nursery.order import (
    CustomerOrder,
    EventKind,
    OrderLine,
    Promise,
    PromiseEvent,
    PromiseLine,
    ShipDay,
    State,
)
from nursery.planned import PlanVersion
from nursery.promising.basket import Basket, BasketLine, Destination
from nursery.promising.promise import reserve
from nursery.promising.supply import deficits
from nursery.shed.ledger import record_count
from nursery.shed.picking import pick_sheet, record_pick
from nursery.shed.veto import set_veto
from nursery.stock import Lot, Movement, VetoKind
from nursery.weather import Forecast
from solver.dispatching.judge import cost, violations
from solver.dispatching.problem import Plan, Problem
from tests.builders import (
    crop_named,
    open_order,
    ready_lot,
    set_clock,
)
from tests.dispatches import (
    DAYS,
    LAST,
    MONDAY,
    THURSDAY,
    TUESDAY,
    WEDNESDAY,
    dispatch,
    promise_on,
    promises,
    stock,
    sturdy_nursery,
    the_product,
)


@pytest.fixture
def shed(db: Database) -> Database:
    return sturdy_nursery(db)


def test_orders_without_a_promise_get_the_first_open_day(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 100)
        for i in range(3):
            open_order(session, f"A-{i}", the_product(session))
    report = dispatch(shed)
    assert (report.orders, report.dispatched, report.late, report.accepted) == (3, 3, 0, True)
    with shed.reading() as session:
        made = promises(session)
        # Orders had to be in by noon of the working day before the pack day, so Tuesday it is.
        assert {p.ship_on for p in made} == {ship.ship_on for ship in report.ships} == {TUESDAY}
        assert all(p.state is State.CONFIRMED and p.minutes > 0 for p in made)
        assert {ship.promise_id for ship in report.ships} == {p.id for p in made}
        assert len(pick_sheet(session, TUESDAY).slips) == 3


def test_the_stored_plan_can_be_judged_again_without_the_solver(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 100)
        for i in range(5):
            open_order(session, f"A-{i}", the_product(session))
    report = dispatch(shed)
    with shed.reading() as session:
        row = session.exec(select(PlanVersion)).one()
    problem, plan = Problem.from_json(row.problem), Plan.from_json(row.plan)
    assert violations(problem, plan) == []
    assert cost(problem, plan) == row.cost == report.cost
    assert row.bound <= row.cost <= row.rule_of_thumb_cost
    assert len(row.fingerprint) == 64 and row.accepted_by == "Ada"


def test_a_plan_that_is_not_accepted_changes_no_promise_and_can_be_accepted_later(
    shed: Database,
) -> None:
    with shed.writing() as session:
        stock(session, 100)
        open_order(session, "A-1", the_product(session))
    report = dispatch(shed, accept_it=False)
    with shed.writing() as session:
        assert promises(session) == []
        done = accept(session, report.version, "Ada")
        assert done.accepted and promises(session)[0].ship_on == TUESDAY
        with pytest.raises(Refused, match="was accepted by Ada"):
            accept(session, report.version, "Ada")


def test_a_promise_that_can_be_kept_keeps_its_day_and_nobody_is_told(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 100)
        kept = promise_on(session, "A-1", WEDNESDAY)
    report = dispatch(shed)
    assert report.moved == ()
    with shed.reading() as session:
        assert promises(session)[0].ship_on == WEDNESDAY
        kinds = [e.kind for e in session.exec(select(PromiseEvent))]
        assert kinds == [EventKind.CONFIRMED] and kept.id is not None


def test_a_heat_hold_moves_the_promise_and_tells_the_customer_why(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 100)
        promise_on(session, "A-1", TUESDAY)
        station = site(session).station_id or 0
        for day in (TUESDAY, WEDNESDAY, THURSDAY):
            session.add(
                Forecast(station_id=station, day=day, issued_at=now(session), min_c=14, max_c=34)
            )
    report = dispatch(shed)
    assert [(m.from_day, m.reason) for m in report.moved] == [
        (TUESDAY, "It would be too hot for the plants on the way.")
    ]
    with shed.reading() as session:
        promise = promises(session)[0]
        event = session.exec(select(PromiseEvent).order_by(col(PromiseEvent.id).desc())).first()
        assert promise.ship_on > THURSDAY and promise.first_ship_on == TUESDAY
        assert event is not None and event.kind is EventKind.RE_DATED
        assert event.detail["reason"] == report.moved[0].reason
        assert report.late == 1


def test_a_closed_day_moves_the_parcels_of_that_day(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 100)
        promise_on(session, "A-1", WEDNESDAY)
        session.add(
            Closure(
                closed_at=ClosedAt.ORIGIN,
                first_day=WEDNESDAY,
                last_day=WEDNESDAY,
                reason="stocktaking",
            )
        )
    (moved,) = dispatch(shed).moved
    assert moved.to_day != WEDNESDAY
    assert moved.reason == "The carrier does not collect parcels on that day."


def test_a_day_that_passed_unpicked_gets_a_new_one(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 100)
        promise_on(session, "A-1", TUESDAY)
        set_clock(session, WEDNESDAY)
    (moved,) = dispatch(shed).moved
    assert (moved.from_day, moved.to_day > WEDNESDAY) == (TUESDAY, True)
    with shed.reading() as session:
        assert pick_sheet(session, WEDNESDAY).overdue == ()


def test_parcels_that_are_picked_or_being_picked_never_move(shed: Database) -> None:
    with shed.writing() as session:
        lot = stock(session, 100)
        whole, part = promise_on(session, "A-1", TUESDAY), promise_on(session, "A-2", TUESDAY)
        record_pick(session, whole.lines[0], lot, 6, "Bo")
        record_pick(session, part.lines[0], lot, 2, "Bo")
        session.add(
            Closure(closed_at=ClosedAt.ORIGIN, first_day=TUESDAY, last_day=TUESDAY, reason="storm")
        )
    report = dispatch(shed)
    assert (report.moved, report.orders) == ((), 0)
    with shed.reading() as session:
        assert [p.ship_on for p in promises(session)] == [TUESDAY, TUESDAY]


def test_a_full_day_is_levelled_over_the_next_ones(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 600)
        session.add(ShipDay(day=TUESDAY, minutes=30))
        for i in range(12):
            open_order(session, f"A-{i:02d}", the_product(session))
    report = dispatch(shed)
    days = [ship.ship_on for ship in report.ships]
    assert report.dispatched == 12 and days.count(TUESDAY) < 8 and len(set(days)) > 1


def test_what_is_promised_is_not_given_to_an_order_that_weighs_more(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 7)
        promise_on(session, "A-1", WEDNESDAY)
        open_order(session, "B-1", the_product(session)).weight = 5
    report = dispatch(shed)
    assert [ship.reference for ship in report.ships] == ["A-1"]
    assert report.unshipped[0].reference == "B-1"
    assert report.unshipped[0].reason.startswith("too few plugs of CP-6")


def test_a_reservation_keeps_its_plugs_while_the_customer_pays(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 7)
        reserve(
            session,
            "R-1",
            Basket((BasketLine("CP-6", 1),)),
            Destination("NL", "1011AB"),
            THURSDAY,
            "Van",
            "shop",
        )
        open_order(session, "B-1", the_product(session)).weight = 5
    report = dispatch(shed)
    assert (report.dispatched, [u.reference for u in report.unshipped]) == (0, ["B-1"])
    with shed.reading() as session:
        assert [p.state for p in promises(session)] == [State.RESERVED]


def test_a_wrong_count_leaves_the_promises_it_touches_named_and_no_plug_promised_twice(
    shed: Database,
) -> None:
    with shed.writing() as session:
        lot = stock(session, 100)
        for i in range(4):
            promise_on(session, f"A-{i}", WEDNESDAY)
        record_count(session, lot.batch, 14, "Ada", now(session), lot)
        ready_lot(session, crop_named(session, "Caltha palustris"), 50, MONDAY + timedelta(9), LAST)
    report = dispatch(shed)
    assert report.dispatched == 4 and {m.reason for m in report.moved} == {
        "There are not enough of your plants on the day that we promised."
    }
    with shed.reading() as session:
        assert deficits(session) == []


def test_a_promise_for_which_there_are_no_plugs_at_all_is_reported_and_stays(
    shed: Database,
) -> None:
    with shed.writing() as session:
        lot = stock(session, 100)
        promise_on(session, "A-1", WEDNESDAY)
        set_veto(session, lot.batch, VetoKind.QUARANTINE, "thrips", "Ada")
    report = dispatch(shed)
    assert [(u.reference, report.dispatched) for u in report.unshipped] == [("A-1", 0)]
    with shed.reading() as session:
        assert promises(session)[0].ship_on == WEDNESDAY


def test_an_order_for_a_blocked_zone_says_so(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 100)
        open_order(session, "A-1", the_product(session)).zone.blocked = "papers missing"
    (left,) = dispatch(shed).unshipped
    assert "papers missing" in left.reason


def test_a_plan_made_before_the_shop_sold_the_plugs_gives_way_to_the_promise(
    shed: Database,
) -> None:
    with shed.writing() as session:
        stock(session, 7)
        open_order(session, "B-1", the_product(session))
    report = dispatch(shed, accept_it=False)
    assert report.dispatched == 1
    with shed.writing() as session:
        promise_on(session, "A-1", THURSDAY)
    with shed.writing() as session:
        done = accept(session, report.version, "Ada")
    assert [u.reference for u in done.unshipped] == ["B-1"]
    with shed.reading() as session:
        assert [p.order.reference for p in promises(session)] == ["A-1"]
        assert deficits(session) == []


def test_a_plan_whose_plugs_died_meanwhile_is_refused_with_what_changed(shed: Database) -> None:
    with shed.writing() as session:
        lot = stock(session, 100)
        promise_on(session, "A-1", TUESDAY)
    report = dispatch(shed, accept_it=False)
    with shed.writing() as session:
        record_count(session, session.get_one(Lot, lot.id).batch, 3, "Ada", now(session), lot=lot)
    with pytest.raises(Refused, match="plugs too few"), shed.writing() as session:
        accept(session, report.version, "Ada")


def test_a_plan_made_yesterday_is_refused(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 100)
        open_order(session, "A-1", the_product(session))
    report = dispatch(shed, accept_it=False)
    with shed.writing() as session:
        set_clock(session, TUESDAY)
        with pytest.raises(Refused, match="it was made for 2027-05-24, today is 2027-05-25"):
            accept(session, report.version, "Ada")


def test_a_plan_made_before_another_was_accepted_is_refused(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 100)
        open_order(session, "A-1", the_product(session))
    old = dispatch(shed, accept_it=False)
    dispatch(shed)
    with shed.writing() as session, pytest.raises(Refused, match="accepted meanwhile"):
        accept(session, old.version, "Ada")


def test_plugs_that_are_packed_the_day_before_must_be_ready_by_then(shed: Database) -> None:
    with shed.writing() as session:
        session.exec(select(CarrierService)).one().pack_same_day = False
        crop = crop_named(session, "Caltha palustris")
        ready_lot(session, crop, 50, MONDAY + timedelta(days=8), LAST)
        open_order(session, "A-1", the_product(session))
        (pool,) = read_facts(session, DAYS).problem.pools
    assert [lot.ready for lot in pool.lots] == [9]


def test_the_allowance_for_wrong_counts_is_not_given_away(shed: Database) -> None:
    with shed.writing() as session:
        stock(session, 100)
        open_order(session, "A-1", the_product(session))
        facts = read_facts(session, DAYS)
    assert [lot.plugs for pool in facts.problem.pools for lot in pool.lots] == [95]
    assert promises_first(facts, Plan({"gone#9": 3})).ships == {}


def test_the_plan_is_no_dearer_than_first_come_first_served(shed: Database) -> None:
    with shed.writing() as session:
        for i in range(3):
            ready_lot(
                session,
                crop_named(session, "Caltha palustris"),
                40,
                MONDAY + timedelta(days=4 * i),
                MONDAY + timedelta(days=4 * i + 9),
            )
        for i in range(16):
            order = open_order(session, f"A-{i:02d}", the_product(session), 1 + i % 2)
            order.weight = 1 + (i % 3) * 2
    report = dispatch(shed)
    assert report.bound <= report.cost < report.first_come_cost


@given(
    st.lists(st.tuples(st.integers(0, 8), st.integers(0, 12), st.integers(1, 40)), max_size=3),
    st.lists(st.tuples(st.integers(1, 10), st.integers(1, 2)), max_size=4),
    st.lists(st.tuples(st.integers(1, 3), st.sampled_from([1, 5])), max_size=4),
    st.integers(0, 40),
)
@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_a_dispatch_never_makes_it_harder_to_keep_what_is_promised(
    shed: Database,
    lots: list[tuple[int, int, int]],
    promised: list[tuple[int, int]],
    new: list[tuple[int, int]],
    left: int,
) -> None:
    with shed.writing() as session:
        _clear(session)
        made = []
        for ready, life, plugs in lots:
            first = MONDAY + timedelta(days=ready)
            crop = crop_named(session, "Caltha palustris")
            made.append(ready_lot(session, crop, plugs, first, first + timedelta(days=life)))
        for day, quantity in promised:
            with suppress(Refused), session.begin_nested():
                reference = f"A-{len(session.exec(select(Promise)).all())}"
                promise_on(session, reference, MONDAY + timedelta(days=day), quantity)
        for i, (quantity, weight) in enumerate(new):
            open_order(session, f"B-{i}", the_product(session), quantity).weight = weight
        for lot in made[:1]:
            record_count(session, lot.batch, min(left, lot.plugs), "Ada", now(session), lot)
        before = sum(each.plugs for each in deficits(session))
    dispatch(shed)
    with shed.reading() as session:
        assert sum(each.plugs for each in deficits(session)) <= before


def test_a_promise_that_was_moved_is_not_brought_forward_again(shed: Database) -> None:
    """Its day opens again, and the one that was told of last is kept: nobody is told twice."""
    with shed.writing() as session:
        stock(session, 40)
        promise_on(session, "A-1", WEDNESDAY)
        closed = Closure(
            closed_at=ClosedAt.ORIGIN, first_day=TUESDAY, last_day=THURSDAY, reason="storm"
        )
        session.add(closed)
    (moved,) = dispatch(shed).moved
    with shed.writing() as session:
        session.delete(session.exec(select(Closure)).one())
    report = dispatch(shed)
    assert report.moved == () and moved.to_day > THURSDAY
    assert [ship.ship_on for ship in report.ships] == [moved.to_day]


def test_a_customer_is_told_once_per_change_and_not_per_replan(shed: Database) -> None:
    """Five mornings on which nothing changes; then a second closure moves the parcel again."""
    with shed.writing() as session:
        stock(session, 40)
        promise_on(session, "A-1", WEDNESDAY)
        closed = {"closed_at": ClosedAt.ORIGIN, "reason": "storm"}
        session.add(Closure(first_day=TUESDAY, last_day=WEDNESDAY, **closed))
    told = []
    for morning in range(6):
        if morning == 3:
            with shed.writing() as session:
                session.add(Closure(first_day=THURSDAY, last_day=THURSDAY, **closed))
        dispatch(shed)
        with shed.reading() as session:
            query = select(PromiseEvent).where(PromiseEvent.kind == EventKind.RE_DATED)
            told.append(len(session.exec(query).all()))
    assert told == [1, 1, 1, 2, 2, 2]


def _clear(session: Session) -> None:
    """Take away what an earlier example left."""
    for table in (PromiseEvent, Movement, Count, PromiseLine, Promise, OrderLine, CustomerOrder):
        if table is Movement:  # plant health records: else the database refuses
            session.connection().exec_driver_sql("DROP TRIGGER IF EXISTS keep_movement")
        session.execute(delete(table))
    for other in (Lot, Batch, PlanVersion):
        session.execute(delete(other))


def test_what_a_closed_day_held_is_released_over_several_days_and_no_day_is_packed_twice_over(
    shed: Database,
) -> None:
    """Forty parcels of Tuesday are given other days: none of them takes much more than a day has
    and the overtime that is agreed, a quarter of it."""
    with shed.writing() as session:
        stock(session, 400)
        for i in range(40):
            promise_on(session, f"H-{i}", TUESDAY)
        minutes = promises(session)[0].minutes
        site(session).packing_minutes_a_day = 12 * minutes
        session.add(Closure(closed_at=ClosedAt.ORIGIN, first_day=TUESDAY, last_day=TUESDAY,
                            reason="the yard is paved"))  # fmt: skip
    report = dispatch(shed)
    assert len(report.moved) == 40
    taken = Counter(ship.ship_on for ship in report.ships)
    assert max(taken.values()) <= 12 + 12 // 4 and len(taken) <= 5
