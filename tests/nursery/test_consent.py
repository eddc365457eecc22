"""Plants that were bought in, and other plants, go only to customers who agreed to them.

Facts of the trade (common practice, no source): a customer expects plants that were raised by the
nursery that sells them, and the plant that was ordered; another is sent by recorded consent alone.
"""

import shutil
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from sqlmodel import select

from nursery.access import Role, make_token
from nursery.checking import check_database
from nursery.database import Database, now, open_database
from nursery.errors import Refused
from nursery.growing.leaving import regrade
from nursery.order import CustomerOrder, Product, Promise, PromiseLine, Substitute
from nursery.pools import pool_of
from nursery.promising.basket import Basket, BasketLine, Consent
from nursery.promising.group_batch import reserving
from nursery.promising.group_books import Books, Wish
from nursery.promising.group_commit import answered
from nursery.promising.promise import amend, confirm, reserve
from nursery.promising.quote import quote
from nursery.promising.supply import available
from nursery.shed.pick_sheet import pick_sheet
from nursery.stock import Grade, Pool
from tests.bought_in import bought_lot, substitutes
from tests.builders import crop_named, ready_lot
from tests.flow_judge import oversold
from tests.shop import HERE, MONDAY, caltha, mild_nursery

TUESDAY = MONDAY + timedelta(days=1)
_LONG = timedelta(days=120)
AGREED = Consent(bought_in=True)


def test_plants_that_were_bought_in_fill_no_line_without_consent(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=12)
        bought_lot(session, 60)
    with db.reading() as session:
        alone = quote(session, caltha(3), HERE)
        assert not alone.options and alone.bought_in is None
        assert {why.code for why in alone.closed_days[1].reasons} == {"no_plugs"}
        agreed = quote(session, caltha(3), HERE, consent=AGREED)
        assert not agreed.options and agreed.bought_in is not None
        assert agreed.bought_in.notes == ("CP-6: bought in",)
        assert quote(session, caltha(2), HERE, consent=AGREED).bought_in is None  # raised here
    with pytest.raises(Refused, match="12 plugs left"), db.writing() as session:
        reserve(session, "S-1", caltha(3), HERE, TUESDAY, "Van", "shop")


@pytest.mark.parametrize("said", [None, True, False])
def test_the_nursery_says_whether_what_it_buys_in_is_sold_as_such(
    db: Database, said: bool | None
) -> None:
    """Liners that were grown on for weeks may be sold as the nursery's own: a protocol says so."""
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        lot = bought_lot(session, 60, by_consent=said)
        assert lot.pool.bought_in is (said is not False)
    with db.reading() as session:
        assert bool(quote(session, caltha(3), HERE).options) is (said is False)


def test_a_promise_keeps_what_its_customer_agreed_to(db: Database) -> None:
    """Raised here wherever that can be; else bought in, said on the promise and the pick sheet."""
    with db.writing() as session:
        mild_nursery(session, plugs=12)
        bought_lot(session, 60)
        for name, quantity in (("S-1", 2), ("S-2", 3)):
            reserve(session, name, caltha(quantity), HERE, TUESDAY, "Van", "shop", consent=AGREED)
        made = session.exec(select(PromiseLine).order_by(PromiseLine.id)).all()
        assert [(line.plugs, line.notes) for line in made] == [(12, ()), (18, ("bought in",))]
        confirm(session, 2, "shop")
        # Less of it on the same promise stays bought in; nothing is left of what is raised here.
        amended = amend(session, 2, "shop", caltha(1))
        assert [(line.plugs, line.notes) for line in amended.lines] == [(6, ("bought in",))]
    with db.reading() as session:
        sheet = pick_sheet(session, TUESDAY)
        notes = {slip.order_reference: slip.lines[0].notes for slip in sheet.slips}
        assert notes["S-2"] == ("bought in",)
        assert [pick.notes for pick in sheet.picks if pick.parts[0].plugs == 6] == [("bought in",)]


@pytest.fixture
def two_kinds(db: Database) -> Path:
    """A nursery whose Caltha is raised here and bought in, in a file; no plug in it yet."""
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        make_token(session, "web shop", Role.SHOP, now(session))
    db.close()
    return Path(db.address.removeprefix("sqlite:///"))


@settings(
    max_examples=12,
    deadline=None,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    own=st.integers(0, 60),
    bought=st.integers(0, 60),
    wishes=st.lists(st.tuples(st.integers(1, 4), st.booleans()), min_size=1, max_size=8),
    together=st.booleans(),
)
def test_what_is_granted_is_exactly_what_is_there_for_this_customer(
    two_kinds: Path, own: int, bought: int, wishes: list[tuple[int, bool]], together: bool
) -> None:
    """Against two heaps of plugs counted by hand: one by one, and many in one commit."""
    copy = two_kinds.with_name("copy.sqlite")
    shutil.copy(two_kinds, copy)
    db = open_database(str(copy))
    try:
        with db.writing() as session:
            if own:
                crop = crop_named(session, "Caltha palustris")
                ready_lot(session, crop, own, MONDAY, MONDAY + _LONG)
            if bought:
                bought_lot(session, bought)
        granted = [_granted(db, number, *wish, together) for number, wish in enumerate(wishes)]
        heaps = {False: own, True: bought}
        for (quantity, agreed), got in zip(wishes, granted, strict=True):
            kinds = [kind for kind in (False, *[True] * agreed) if heaps[kind] >= 6 * quantity]
            assert got == (kinds[0] if kinds else None)
            if kinds:
                heaps[kinds[0]] -= 6 * quantity
        with db.reading() as session:
            assert oversold(session) == 0
            kept = available(session, [pool for pool in session.exec(select(Pool.id)) if pool])
        left = sum(int(each[1]) for each in kept.values())
        assert left == sum(heaps.values())
        assert not check_database(db.address).faults
    finally:
        db.close()


def _granted(db: Database, number: int, quantity: int, agreed: bool, together: bool) -> bool | None:
    """Out of which plugs is it granted: bought in (True), raised here (False), or none?"""
    consent = AGREED if agreed else Consent()
    wish = Wish(f"S-{number}", caltha(quantity), HERE, TUESDAY, "Van", "shop", consent=consent)
    request = reserving(1, f"key-{number}", {"number": number}, wish)
    try:
        if together:
            answered(db, Books(), [request])
        else:
            with db.writing() as session:
                request.act(session)
    except Refused:
        pass
    with db.reading() as session:
        line = session.exec(
            select(PromiseLine)
            .join(Promise)
            .join(CustomerOrder)
            .where(CustomerOrder.reference == wish.reference)
        ).first()
        return None if line is None else line.bought_in


def test_only_what_the_nursery_names_stands_in_one_way_and_the_first_first(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        ready_lot(session, crop_named(session, "Primula rosea"), 60, MONDAY, MONDAY + _LONG)
    agreed = Consent(may_substitute=True)
    with db.reading() as session:
        assert quote(session, caltha(2), HERE, consent=agreed).substituted is None
    with db.writing() as session:
        substitutes(session, "Caltha palustris", "Primula rosea")
    with db.reading() as session:
        assert quote(session, caltha(2), HERE).substituted is None
        found = quote(session, caltha(2), HERE, consent=agreed).substituted
        assert found is not None and found.notes == ("PRG-6: other plant instead of CP-6",)
        other_way = Basket((BasketLine("PRG-6", 11),))
        assert quote(session, other_way, HERE, consent=agreed).substituted is None


def test_a_cultivar_of_the_same_plant_is_called_another_cultivar(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        rosea = crop_named(session, "Primula rosea")
        ready_lot(session, rosea, 60, MONDAY, MONDAY + _LONG)
        crop_named(session, "Caltha palustris").botanical_name = "Primula rosea"
        session.flush()
        products = session.exec(select(Product).order_by(Product.id)).all()
        session.add(Substitute(product_id=products[0].id, other_id=products[1].id))
    with db.reading() as session:
        found = quote(session, caltha(2), HERE, consent=Consent(may_substitute=True)).substituted
        assert found is not None and found.notes == ("PRG-6: other cultivar instead of CP-6",)


def test_the_check_of_the_books_finds_a_line_without_its_customers_consent(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        bought_lot(session, 60)
        reserve(session, "S-1", caltha(1), HERE, TUESDAY, "Van", "shop", consent=AGREED)
    assert not check_database(db.address).faults
    with db.writing() as session:
        session.exec(select(CustomerOrder)).one().may_be_bought_in = False
    (wrong,) = check_database(db.address).faults
    assert "Order 'S-1'" in str(wrong) and "bought in" in str(wrong)


def test_what_is_sold_as_bought_in_stays_so_when_it_is_regraded(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        lot = bought_lot(session, 60)
        pool_of(session, lot.pool.crop_id, Grade.B)
        other = regrade(session, lot, 10, Grade.B, "Ada", "bent")
        assert (other.pool.grade, other.pool.bought_in) == (Grade.B, True)
