"""The dispatch weighs what a day takes to pack: packs and other wraps, their cents and minutes."""

from datetime import date, timedelta

import pytest
from sqlmodel import Session, select

from nursery.database import Database, now, site
from nursery.dispatching.dispatch import DispatchReport, plan_dispatch
from nursery.dispatching.dispatch_facts import Costs, read_facts
from nursery.dispatching.dispatch_why import Verdict, why_order
from nursery.order import CustomerOrder, Promise
from nursery.promising.promise import promise_order
from nursery.shed.packing import packings
from nursery.shed.wanted import wanted_on
from nursery.travelling import Against, TravelPack
from nursery.weather import Forecast, Station
from nursery.weather_in.decisions import decide_days
from tests.builders import open_order
from tests.dispatches import (
    DAYS,
    MONDAY,
    QUICK,
    TUESDAY,
    WEDNESDAY,
    stock,
    sturdy_nursery,
    the_product,
)

PACK_CENTS, PACK_MINUTES = 110, 4.0


def _hot_tuesday(db: Database) -> None:
    """A parcel that is under way on Tuesday, 33 °C, needs a cold pack; the days after are mild.

    The plants stand less than 32 °C, with the pack 36. A parcel of Monday or Tuesday is under way
    on Tuesday, one of Wednesday is not. The order may leave on Tuesday or Wednesday alone.
    """
    sturdy_nursery(db)
    with db.writing() as session:
        stock(session, 200)
        session.add(
            TravelPack(
                name="cold pack", against=Against.HEAT, hours=96, covers_c=4, outside_c=36,
                cost_cents=PACK_CENTS, weight_g=300, minutes=PACK_MINUTES,
            )
        )  # fmt: skip
        _forecast(session, 33.0)
        order = open_order(session, "A-1", the_product(session), 1)
        order.not_before, order.not_after = WEDNESDAY, WEDNESDAY + timedelta(days=2)


def _forecast(session: Session, tuesday: float) -> None:
    station = session.exec(select(Station)).one()
    for ahead in range(10):
        day = MONDAY + timedelta(days=ahead)
        session.add(
            Forecast(
                station_id=station.id or 0, day=day, issued_at=now(session) - timedelta(hours=1),
                min_c=10.0, max_c=tuesday if day == TUESDAY else 20.0,
            )
        )  # fmt: skip


def _dispatch(db: Database, late: int, accept: bool = True) -> DispatchReport:
    return plan_dispatch(db, QUICK, "Ada", accept, DAYS, Costs(late=late, age=0))


@pytest.mark.parametrize(
    ("late", "day"),
    [(PACK_CENTS - 10, WEDNESDAY), (PACK_CENTS + 10, TUESDAY)],
    ids=["a day late costs less than the pack", "a day late costs more"],
)
def test_the_hotter_day_is_taken_only_where_a_day_late_costs_more_than_its_pack(
    db: Database, late: int, day: date
) -> None:
    """Worked by hand: Tuesday costs a pack of 1.10, Wednesday one day late."""
    _hot_tuesday(db)
    with db.reading() as session:
        facts = read_facts(session, DAYS, Costs(late=late, age=0))
    (order,) = facts.problem.orders
    assert [facts.day(index) for index in order.open_days] == [TUESDAY, WEDNESDAY]
    hot = facts.index(TUESDAY)
    assert (dict(order.day_cost), dict(order.day_minutes)) == ({hot: PACK_CENTS}, {hot: 4})
    found = _dispatch(db, late)
    assert [ship.ship_on for ship in found.ships] == [day]
    assert found.cost == min(PACK_CENTS, late) == found.bound
    with db.reading() as session:
        promise = session.exec(select(Promise)).one()
        assert promise.minutes == order.minutes + (4 if day == TUESDAY else 0)
        (packing,) = packings(session, wanted_on(session, day, day)).values()
        assert packing.minutes == promise.minutes
        assert [pack.name for pack in packing.packs.packs] == (
            ["cold pack"] if day == TUESDAY else []
        )


def test_the_packs_minutes_of_a_day_that_is_full_are_weighed_too(db: Database) -> None:
    """Tuesday has room for the parcel but not for its pack: of four minutes over one is overtime (a
    quarter of six, whole) for 60, and three are beyond it for 400 each."""
    _hot_tuesday(db)
    with db.writing() as session:
        (order,) = read_facts(session, DAYS).problem.orders
        site(session).packing_minutes_a_day = order.minutes
    late = PACK_CENTS + 60 + 3 * 400
    assert _dispatch(db, late - 1, accept=False).ships[0].ship_on == WEDNESDAY
    assert _dispatch(db, late + 1, accept=False).ships[0].ship_on == TUESDAY


def test_why_says_of_a_day_that_it_was_passed_over_for_its_packs(db: Database) -> None:
    _hot_tuesday(db)
    dear = "to pack it then costs 1.10 more (1 cold pack against heat)"
    with db.reading() as session:
        (waits,) = why_order(session, "A-1")
    of_tuesday = next(run for run in waits.days if run.first <= TUESDAY <= run.last)
    assert of_tuesday.verdict is Verdict.POSSIBLE and of_tuesday.text.endswith(dear)
    _dispatch(db, PACK_CENTS - 10)
    with db.reading() as session:
        (told,) = why_order(session, "A-1")
    assert told.ship_on == WEDNESDAY
    of_tuesday = next(run for run in told.days if run.first <= TUESDAY <= run.last)
    assert of_tuesday.verdict is Verdict.POSSIBLE and of_tuesday.text.endswith(dear)


def test_why_names_what_goes_in_on_the_orders_own_day(db: Database) -> None:
    _hot_tuesday(db)
    _dispatch(db, PACK_CENTS + 10)
    with db.reading() as session:
        (told,) = why_order(session, "A-1")
    its_day = next(run for run in told.days if run.verdict is Verdict.ITS_DAY)
    assert its_day.text == "by Van, with 1 cold pack against heat"


def test_a_promise_that_the_dispatch_moves_takes_the_minutes_of_its_new_day(db: Database) -> None:
    """Promised for the hot Tuesday, which a person closes: on Wednesday no pack goes in."""
    _hot_tuesday(db)
    with db.writing() as session:
        order = session.exec(select(CustomerOrder)).one()
        with_pack = promise_order(session, order.id or 0, TUESDAY, "Van", "shop").minutes
        decide_days(session, False, TUESDAY, TUESDAY, "Ada", "no driver")
    found = _dispatch(db, 80)
    assert [moved.to_day for moved in found.moved] == [WEDNESDAY]
    with db.reading() as session:
        assert session.exec(select(Promise)).one().minutes == with_pack - 4


def test_in_mild_weather_no_day_takes_more_than_another(db: Database) -> None:
    sturdy_nursery(db)
    with db.writing() as session:
        stock(session, 200)
        _forecast(session, 20.0)
        open_order(session, "A-1", the_product(session), 1)
        problem = read_facts(session, DAYS).problem
    assert all(not order.day_cost and not order.day_minutes for order in problem.orders)
    assert "day_cost" not in problem.to_json()
