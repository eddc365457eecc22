"""A parcel with other plants than ordered: what slip, passport, trace and claims say of it.

Common practice, no source: the papers name the plants that are in the box, and say for what they
stand in; a customer who complains names what they ordered as often as what came.
"""

import pytest
from sqlmodel import Session, select

from nursery.database import Database
from nursery.errors import Refused
from nursery.order import CustomerOrder, Promise
from nursery.shed.claims import ClaimKind, claims, record_claim
from nursery.shed.handover import hand_over, pack_parcel
from nursery.shed.parcels import parcels_on
from nursery.shed.passport_label import label_page, passports_of_parcel
from nursery.shed.pick_sheet import pick_sheet
from nursery.shed.picking import record_pick
from nursery.shed.trace import trace
from nursery.stock import Lot
from tests.bought_in import bought_lot, substitutes
from tests.builders import crop_named, open_order, ready_lot
from tests.dispatches import LAST, MONDAY, dispatch, sturdy_nursery, the_product

PRIMULA = "Primula rosea"


def picked(db: Database, lot: Lot) -> Promise:
    """The one order is dispatched, and picked out of this lot."""
    dispatch(db)
    with db.writing() as session:
        promise = session.exec(select(Promise)).one()
        (line,) = promise.lines
        record_pick(session, line, session.get_one(Lot, lot.id), line.plugs, "Bo")
        return promise


def agreed(session: Session) -> None:
    """A-1 orders six marsh marigolds, of which none is there, and agrees to others."""
    open_order(session, "A-1", the_product(session))
    order = session.exec(select(CustomerOrder)).one()
    order.may_be_bought_in = order.may_substitute = True


@pytest.fixture
def other(db: Database) -> Database:
    """Primulas are picked for marsh marigolds."""
    with sturdy_nursery(db).writing() as session:
        lot = ready_lot(session, crop_named(session, PRIMULA), 60, MONDAY, LAST, "PR-1")
        lot.batch.origin_country = "NL"
        substitutes(session, "Caltha palustris", PRIMULA)
        agreed(session)
    picked(db, lot)
    return db


@pytest.fixture
def bought(db: Database) -> Database:
    """Marsh marigolds from a supplier are picked for the nursery's own."""
    with sturdy_nursery(db).writing() as session:
        lot = bought_lot(session, 60)
        lot.batch.code, lot.batch.origin_country = "BOUGHT-1", "DK"
        agreed(session)
    picked(db, lot)
    return db


def test_slip_passport_and_trace_name_the_plants_in_the_box_and_what_they_stand_in_for(
    other: Database,
) -> None:
    with other.writing() as session:
        promise = session.exec(select(Promise)).one()
        ((line,),) = [one.slip.lines for one in parcels_on(session, promise.ship_on)]
        assert PRIMULA in line.product and line.batches == (("PR-1", 6),)
        assert line.notes == ("other plant instead of CP-6",)
        assert not pick_sheet(session, promise.ship_on).picks
        (paper,) = passports_of_parcel(session, promise)
        label = label_page([paper])
        assert PRIMULA in label and "PR-1" in label and "Caltha" not in label
        pack_parcel(session, promise.id or 0, "Bo")
        hand_over(session, promise.id or 0, "T-1", "Bo")
        (order,) = trace(session, "PR-1").orders
        assert (order.reference, order.plugs, order.notes) == ("A-1", 6, line.notes)
        told = trace(session, "PR-1").lines()
    assert any("tracking T-1; other plant instead of CP-6" in text for text in told)


def test_slip_passport_and_trace_say_that_plants_were_bought_in_and_where_they_come_from(
    bought: Database,
) -> None:
    with bought.reading() as session:
        promise = session.exec(select(Promise)).one()
        ((line,),) = [one.slip.lines for one in parcels_on(session, promise.ship_on)]
        assert (line.product_code, line.notes) == ("CP-6", ("bought in",))
        assert line.batches == (("BOUGHT-1", 6),)
        (paper,) = passports_of_parcel(session, promise)
        assert dict(paper.entries())["C"] == "BOUGHT-1" and dict(paper.entries())["D"] == "DK"
        (order,) = trace(session, "BOUGHT-1").orders
        assert order.notes == ("bought in",)


@pytest.mark.parametrize("named", ["ordered", "sent", "all"])
def test_a_customer_claims_by_what_they_ordered_or_by_what_came_and_once(
    other: Database, named: str
) -> None:
    with other.writing() as session:
        promise = session.exec(select(Promise)).one()
        key, (line,) = promise.id or 0, promise.lines
        hand_over(session, key, "T-1", "Bo")
        sent = line.product.code
        product = {"ordered": "CP-6", "sent": sent, "all": ""}[named]
        claim = record_claim(session, key, ClaimKind.DEAD, "brown", "shop", 6, product)
        assert claim.product == ("" if named == "all" else sent)
        assert [(lot.batch_code, lot.plugs) for lot in claim.lots] == [("PR-1", 6)]
        assert [one.event_id for one in trace(session, "PR-1").claims] == [claim.event_id]
        for again in ("CP-6", sent):
            with pytest.raises(Refused) as refused:
                record_claim(session, key, ClaimKind.WRONG, "not mine", "shop", 1, again)
            assert refused.value.refusal.code == "claimed_already"
        with pytest.raises(Refused) as refused:
            record_claim(session, key, ClaimKind.DEAD, "brown", "shop", 1, "XX-6")
        assert refused.value.refusal.next == f"it has: {sent} (instead of CP-6)"
        assert len(claims(session, key)) == 1
