"""The propagation plan counts on plants bought in only for those who agreed to them.

Common practice, no source: expected sales are sales of plants that the nursery raises; a crop that
it only buys in is known as such, and serves everybody.
"""

from datetime import timedelta

import pytest
from sqlmodel import Session

from nursery.crop import Method
from nursery.database import Database
from nursery.demand import Demand, DemandKind
from nursery.planning.propagation_problem import build_problem
from nursery.week.glut import glut_advice
from nursery.weeks import Week
from solver.propagation import Crop as PlannedCrop
from solver.propagation import Problem, solve
from solver.run import Limits
from tests.bought_in import bought_lot
from tests.builders import crop_named, open_order, product_of
from tests.shop import MONDAY, mild_nursery

WEEKS = 12
OWN, BOUGHT_IN = "Caltha palustris", "Caltha palustris, bought in for who agreed"


def crops_of(problem: Problem) -> dict[str, PlannedCrop]:
    """The crops of the problem, by what it calls them."""
    return {crop.key: crop for crop in problem.crops}


def wanted(session: Session, reference: str, quantity: int, agreed: bool) -> None:
    """An open order for so many times six marsh marigolds."""
    product = product_of(session, crop_named(session, "Caltha palustris"))
    open_order(session, reference, product, quantity).may_be_bought_in = agreed


def expected(session: Session, week: int, plugs: int) -> None:
    crop = crop_named(session, "Caltha palustris")
    at = str(Week.of(MONDAY + timedelta(weeks=week)))
    kind = DemandKind.EXPECTED_SALES
    session.add(Demand(crop_id=crop.id or 0, week=at, kind=kind, plugs=plugs))
    session.flush()


def test_plugs_bought_in_serve_who_agreed_and_neither_other_orders_nor_expected_sales(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        bought_lot(session, 100)
        expected(session, 1, 70)
        wanted(session, "ALONE", 4, agreed=False)
        wanted(session, "AGREED", 5, agreed=True)
    with db.reading() as session:
        problem, notes = build_problem(session, WEEKS)
    found = crops_of(problem)
    assert sum(found[OWN].demand) == 70 + 24  # all of it has to be raised
    assert sum(notes.from_stock[OWN]) == 0
    assert sum(found[BOUGHT_IN].demand) == 0 and sum(notes.from_stock[BOUGHT_IN]) == 30


def test_who_agreed_gets_own_plugs_where_they_can_be_had_as_soon(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=20)
        bought_lot(session, 100)
        wanted(session, "FIRST", 2, agreed=True)
        wanted(session, "SECOND", 2, agreed=True)
    with db.reading() as session:
        _, notes = build_problem(session, WEEKS)
    assert (sum(notes.from_stock[OWN]), sum(notes.from_stock[BOUGHT_IN])) == (12, 12)


@pytest.mark.parametrize("way", ["sold as raised here", "only bought in"])
def test_plugs_bought_in_serve_everybody_where_the_nursery_says_so_or_raises_none(
    db: Database, way: str
) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        bought_lot(session, 100, by_consent=False if way == "sold as raised here" else None)
        if way == "only bought in":
            for protocol in crop_named(session, "Caltha palustris").protocols:
                protocol.method, protocol.by_consent = Method.BOUGHT_IN, None
        expected(session, 1, 70)
    with db.reading() as session:
        problem, notes = build_problem(session, WEEKS)
    found = crops_of(problem)
    assert BOUGHT_IN not in found and len(found[OWN].protocols) == 2
    assert sum(notes.from_stock[OWN]) == 70


def test_what_is_started_to_be_bought_in_is_planned_for_who_agreed_alone(db: Database) -> None:
    """Sales want a lot before anything own is ready; only what was agreed to is bought in."""
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        bought_lot(session, 104)
        expected(session, 4, 500)
        wanted(session, "AGREED", 48, agreed=True)
    with db.reading() as session:
        problem, _ = build_problem(session, WEEKS)
    found = crops_of(problem)
    (from_a_supplier,) = found[BOUGHT_IN].protocols
    assert from_a_supplier.key.endswith("from a supplier")
    assert all(one.key != from_a_supplier.key for one in found[OWN].protocols)
    assert sum(found[BOUGHT_IN].demand) == 288 - 104 and sum(found[OWN].demand) == 500
    plan = solve(problem, Limits(seconds=2, threads=1)).found()
    bought = [start.trays for start in plan.starts if start.protocol == from_a_supplier.key]
    assert sum(bought) == 2  # 184 plugs, 104 a tray


def test_plugs_bought_in_that_nobody_agreed_to_are_left_over(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        code = bought_lot(session, 104).batch.code
        wanted(session, "AGREED", 2, agreed=True)
        wanted(session, "ALONE", 2, agreed=False)
    with db.reading() as session:
        advice = glut_advice(session, MONDAY)
    assert [(one.batch_code, one.plugs) for one in advice] == [(code, 104 - 12)]
