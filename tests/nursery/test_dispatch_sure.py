"""Nothing is promised anew that is less sure than the floor, by quotes or by the dispatch."""

from datetime import timedelta

import pytest
from sqlmodel import Session, select

from nursery.database import Database, site
from nursery.dispatching.dispatch import plan_dispatch
from nursery.dispatching.dispatch_facts import read_facts
from nursery.dispatching.dispatch_why import Verdict, why_order
from nursery.growing.batch_work import start_batch
from nursery.growing_area import Bench
from nursery.promising.basket import Basket, BasketLine, Destination
from nursery.promising.promise import confirm, reserve
from nursery.promising.quote import quote
from tests.builders import crop_named, open_order, set_clock
from tests.dispatches import MONDAY, QUICK, promises, sturdy_nursery, the_product

HERE = Destination("NL", "1011AB")


@pytest.fixture
def shed(db: Database) -> Database:
    return sturdy_nursery(db)


def _growing(session: Session) -> None:
    """Three trays of marsh marigolds, started today: ready some day in summer."""
    protocol = crop_named(session, "Caltha palustris").protocols[0]
    bench = session.exec(select(Bench).where(Bench.name == "Mist house 1")).one()
    start_batch(session, protocol, 3, "Ada", bench)


def test_the_dispatch_promises_nobody_anew_a_day_that_is_less_sure_than_the_floor(
    shed: Database,
) -> None:
    """Six orders of thirty plugs, all of which the batch gives in the median: one by one most are
    sure enough, and together not all of them on the first days."""
    with shed.writing() as session:
        here = site(session)
        here.safe_quantile, here.confidence_floor = 0.5, 0.95  # bold in what counts as safe
        crop_named(session, "Caltha palustris").service_level = 0.5
        _growing(session)
        for i in range(6):
            open_order(session, f"A-{i}", the_product(session), 5)
    with shed.reading() as session:
        asked = quote(session, Basket((BasketLine("CP-6", 5),)), HERE)
        lots = read_facts(session, 150).problem.pools[0].lots
    first = asked.options[0].ship_on
    report = plan_dispatch(shed, QUICK, "Ada", near_days=150)
    assert asked.first_day + timedelta(days=lots[0].ready) < first  # the plugs alone come sooner
    assert report.ships and min(ship.ship_on for ship in report.ships) >= first
    with shed.reading() as session:
        made = promises(session)
        assert len(made) == len(report.ships) and min(p.probability for p in made) >= 0.95
    assert all("plugs still grow" in one.reason for one in report.unshipped)


def test_a_promise_on_plugs_that_grow_keeps_its_day_though_it_would_not_be_made_any_more(
    shed: Database,
) -> None:
    wanted = Basket((BasketLine("CP-6", 20),))
    with shed.writing() as session:
        _growing(session)
        best = quote(session, wanted, HERE).options[0]
        made = reserve(session, "A-1", wanted, HERE, best.ship_on, "Van", "shop")
        confirm(session, made.id or 0, "shop")
        site(session).confidence_floor = 0.9999
    report = plan_dispatch(shed, QUICK, "Ada", near_days=150)
    assert report.moved == () and [s.ship_on for s in report.ships] == [best.ship_on]


def test_a_day_under_the_floor_is_not_called_possible_when_it_is_asked_why(shed: Database) -> None:
    """Possible are the days that a quote offers: on both sides of the floor alike."""
    with shed.writing() as session:
        here = site(session)
        here.safe_quantile, here.confidence_floor = 0.5, 0.95
        crop_named(session, "Caltha palustris").service_level = 0.5
        _growing(session)
        set_clock(session, MONDAY + timedelta(days=49))
        open_order(session, "A-1", the_product(session), 5)
    with shed.reading() as session:
        first = quote(session, Basket((BasketLine("CP-6", 5),)), HERE).options[0].ship_on
        (found,) = why_order(session, "A-1")
    possible = [run.first for run in found.days if run.verdict is Verdict.POSSIBLE]
    unsure = [run for run in found.days if "plugs still grow" in run.text]
    assert min(possible) == first
    assert unsure and all(run.verdict is Verdict.CLOSED and run.last < first for run in unsure)
