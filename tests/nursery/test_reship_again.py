"""What is kept for a reship while others pick, when its day changes; a claim that comes twice."""

from datetime import date, timedelta

import pytest
from sqlmodel import Session, col, select

from nursery.database import Database
from nursery.errors import Refused
from nursery.order import OrderLine, Product, Promise
from nursery.promising.promise import amend, promise_order
from nursery.promising.supply import deficits
from nursery.reship import ReshipLot
from nursery.shed.claims import ClaimKind, record_claim
from nursery.shed.picking import hand_over, pick_sheet, record_pick, report_short
from nursery.shed.reshipping import reship
from nursery.stock import Lot
from tests.builders import crop_named, open_order, product_of, ready_lot, small_nursery

MONDAY = date(2027, 10, 4)
TUESDAY, WEDNESDAY, THURSDAY = (MONDAY + timedelta(days=n) for n in (1, 2, 3))


@pytest.fixture
def shed(db: Database) -> Database:
    """OLD's six plugs of W-1 came dead. FIRST and SECOND are fresh, FIRST for sale less long."""
    with db.writing() as session:
        small_nursery(session, MONDAY).allowance = 0.0
        product = _product(session)
        product.heat_limit_c, product.frost_limit_c = 40.0, -20.0
        for code, plugs, days in (("OLD", 40, 20), ("FIRST", 6, 10), ("SECOND", 18, 12)):
            last = MONDAY + timedelta(days=days)
            ready_lot(session, product.crop, plugs, MONDAY, last, code)
        _sent(session, "W-1", product)
    return db


def _product(session: Session) -> Product:
    return product_of(session, crop_named(session, "Caltha palustris"))


def _lots(session: Session) -> dict[str, Lot]:
    return {lot.batch.code: lot for lot in session.exec(select(Lot).order_by(col(Lot.id)))}


def _sent(session: Session, reference: str, *products: Product) -> Promise:
    """A parcel of six plugs of each of these products, all out of OLD."""
    order = open_order(session, reference, products[0])
    for product in products[1:]:
        order.lines.append(OrderLine(product_id=product.id or 0, quantity=1))
    session.flush()
    promise = promise_order(session, order.id or 0, TUESDAY, "Van", "shop")
    for line in promise.lines:
        record_pick(session, line, _lots(session)["OLD"], 6, "Bo")
    return hand_over(session, promise.id or 0, "TR-1", "Bo")


def _dead(session: Session, promise: Promise, product: str = "", plugs: int | None = None) -> int:
    said = "all brown"
    found = record_claim(session, promise.id or 0, ClaimKind.DEAD, said, "shop", plugs, product)
    return found.event_id


def test_nobody_is_sent_to_pick_before_a_reship_what_is_kept_for_it(shed: Database) -> None:
    """FIRST is kept for Thursday; its last sale date would come first on Tuesday's sheet."""
    with shed.writing() as session:
        claim = _dead(session, session.exec(select(Promise)).one())
        reship(session, claim, "Lea", ship_on=THURSDAY, service="Van")
        kept = session.exec(select(ReshipLot)).one()
        assert kept.lot_id == _lots(session)["FIRST"].id
        order = open_order(session, "W-2", _product(session))
        promise_order(session, order.id or 0, TUESDAY, "Van", "shop")
        tuesday, thursday = pick_sheet(session, TUESDAY), pick_sheet(session, THURSDAY)
    assert [(pick.batch_code, pick.plugs) for pick in tuesday.picks] == [("SECOND", 6)]
    assert [(pick.batch_code, pick.plugs) for pick in thursday.picks] == [("FIRST", 6)]


def test_a_short_names_no_plugs_that_are_kept_for_a_later_reship(shed: Database) -> None:
    with shed.writing() as session:
        claim = _dead(session, session.exec(select(Promise)).one())
        reship(session, claim, "Lea", ship_on=THURSDAY, service="Van")
        order = open_order(session, "W-2", _product(session))
        promise = promise_order(session, order.id or 0, TUESDAY, "Van", "shop")
        found = report_short(session, promise.lines[0], _lots(session)["SECOND"], 0, "Bo", "slugs")
    assert [(take.batch_code, take.plugs) for take in found.takes] == [("OLD", 6)]


def test_two_products_of_one_pool_are_not_kept_the_same_plugs_when_a_reship_gets_a_new_day(
    shed: Database,
) -> None:
    """Twelve plugs are to be sent again, FIRST and SECOND have them; on the new day as before."""
    with shed.writing() as session:
        one = _product(session)
        other = Product(**{**one.model_dump(exclude={"id"}), "code": "CP-6X"})
        session.add(other)
        session.flush()
        promise = reship(
            session, _dead(session, _sent(session, "W-2", one, other)), "Lea", ship_on=TUESDAY
        )
        moved = amend(session, promise.id or 0, "shop", ship_on=WEDNESDAY)
        kept = session.exec(select(ReshipLot)).all()
        lots = {lot.id: lot.plugs for lot in _lots(session).values()}
        assert sum(row.plugs for row in kept) == 12 and deficits(session) == []
        for lot, plugs in lots.items():
            assert sum(row.plugs for row in kept if row.lot_id == lot) <= plugs
        _lots(session)["SECOND"].plugs = 5
        session.flush()
        with pytest.raises(Refused) as refused:
            amend(session, moved.id or 0, "shop", ship_on=THURSDAY)
    assert refused.value.refusal.code == "no_fresh_plugs"


def test_a_claim_that_comes_twice_is_on_the_books_once(shed: Database) -> None:
    """Else its plants would be sent again for each of them."""
    with shed.writing() as session:
        promise = session.exec(select(Promise)).one()
        first = _dead(session, promise, "CP-6", 4)
        with pytest.raises(Refused) as refused:
            _dead(session, promise, "CP-6", 4)
        assert refused.value.refusal.code == "too_many_claimed"
        assert "6 were sent, 4 of them are claimed already" in refused.value.refusal.message
        rest = _dead(session, promise)
        with pytest.raises(Refused) as refused:
            record_claim(session, promise.id or 0, ClaimKind.WRONG, "not mine", "shop")
        late = record_claim(session, promise.id or 0, ClaimKind.LATE, "two days", "shop")
    assert refused.value.refusal.code == "claimed_already"
    assert f"claim {first}, {rest}" in refused.value.refusal.message
    assert late.plugs == 6


def test_a_reship_by_a_service_that_does_not_go_there_is_told_which_do(shed: Database) -> None:
    with shed.writing() as session:
        claim = _dead(session, session.exec(select(Promise)).one())
        with pytest.raises(Refused) as refused:
            reship(session, claim, "Lea", service="Balloon")
    refusal = refused.value.refusal
    assert refusal.code == "unknown_service" and "Van" in (refusal.next or "")
