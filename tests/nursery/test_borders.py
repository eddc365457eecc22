"""A blocked zone is opened by an authorised person, for some days, and by nothing else."""

from datetime import date, timedelta

import pytest
from sqlmodel import select

from nursery.carrier import ClosedAt, Closure, Zone
from nursery.database import Database
from nursery.errors import Fault, Refused
from nursery.order import Promise, State
from nursery.promising.basket import Destination
from nursery.promising.closing import close_day, reopen_days, standing_closures
from nursery.promising.opening import open_zone, shut_zone, zones_standing
from nursery.promising.quote import Quote, quote
from nursery.shed.handover import hand_over
from tests.builders import crop_named, open_order, product_of, set_clock
from tests.dispatches import dispatch
from tests.shop import MONDAY, caltha, mild_nursery

THERE = Destination("DE", "80331")
FIRST, LAST = MONDAY + timedelta(days=7), MONDAY + timedelta(days=11)  # a Monday to a Friday


@pytest.fixture
def blocked(db: Database) -> Database:
    with db.writing() as session:
        mild_nursery(session)
        zone = session.exec(select(Zone).where(Zone.country == "DE")).one()
        zone.blocked = "papers are not arranged yet"
    return db


def asked(db: Database) -> Quote:
    with db.reading() as session:
        return quote(session, caltha(1), THERE)


def open_it(db: Database, first: date = FIRST, last: date = LAST) -> None:
    with db.writing() as session:
        open_zone(session, "Hill land", first, last, "Lea Vos", "certificate 17")


def test_parcels_leave_and_arrive_within_the_days_for_which_a_person_opened_the_border(
    blocked: Database,
) -> None:
    with pytest.raises(Refused, match="papers are not arranged yet"):
        asked(blocked)
    open_it(blocked)
    found = asked(blocked)
    assert found.options
    assert all(one.ship_on >= FIRST and one.arrives_until <= LAST for one in found.options)
    # J+2 from the Thursday is the Saturday, a day after the last one.
    closed = {day.day: [why for why in day.reasons if why.code == "zone_blocked"]
              for day in found.closed_days}  # fmt: skip
    (why,) = closed[LAST - timedelta(days=1)]
    assert "opened by hand (2027-03-08 to 2027-03-12) by Lea Vos: certificate 17" in why.text
    (caution,) = [one for one in found.cautions if "certificate 17" in one]
    assert "ask the plant health authority" in caution


def test_after_the_last_day_the_border_is_closed_by_itself(blocked: Database) -> None:
    open_it(blocked)
    assert asked(blocked).options
    with blocked.writing() as session:
        set_clock(session, LAST + timedelta(days=1))
    with pytest.raises(Refused) as told:
        asked(blocked)
    assert told.value.refusal.code == "zone_blocked"
    with blocked.reading() as session:
        assert [one.openings for one in zones_standing(session)] == [(), ()]


def test_a_border_that_is_shut_again_keeps_promised_and_picked_parcels_here(
    blocked: Database,
) -> None:
    open_it(blocked)
    with blocked.writing() as session:
        product = product_of(session, crop_named(session, "Caltha palustris"))
        for reference in ("A-1", "A-2"):
            open_order(session, reference, product, country="DE", postcode="80331")
    assert dispatch(blocked).dispatched == 2
    with blocked.writing() as session:
        picked = session.exec(select(Promise)).all()[0]
        picked.state = State.PICKED
        number = picked.id or 0
    with blocked.writing() as session:
        found = shut_zone(session, "Hill land", "Lea Vos", "the authority withdrew it")
        assert found.orders == ("A-1", "A-2")
    with blocked.writing() as session, pytest.raises(Refused) as told:
        hand_over(session, number, "TR-1", "Bo")
    assert told.value.refusal.code == "zone_blocked"
    (left,) = dispatch(blocked).unshipped
    assert left.reference == "A-2" and "papers are not arranged yet" in left.reason


def test_only_a_named_person_with_a_reason_opens_a_blocked_zone(blocked: Database) -> None:
    def refused(zone: str, by: str = "Lea", why: str = "17", last: date = LAST) -> str:
        with pytest.raises((Refused, Fault)) as told, blocked.writing() as session:
            open_zone(session, zone, FIRST, last, by, why)
        return told.value.refusal.code if isinstance(told.value, Refused) else str(told.value)

    assert refused("Atlantis") == "unknown_zone"
    assert refused("Low land") == "not_blocked"
    assert "needs the authorised person" in refused("Hill land", by=" ")
    assert "needs a reason" in refused("Hill land", why="")
    assert "not be before the first (2027-03-08)" in refused("Hill land", last=MONDAY)
    assert "at most 120 days" in refused("Hill land", last=FIRST + timedelta(days=120))
    with pytest.raises(Refused) as told, blocked.writing() as session:
        shut_zone(session, "Hill land", "Lea", "again")
    assert told.value.refusal.code == "not_open"


def test_a_strike_that_is_called_off_opens_the_days_that_have_not_passed(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        close_day(session, ClosedAt.SERVICE, MONDAY, MONDAY + timedelta(days=4), "strike", "Van")
        set_clock(session, MONDAY + timedelta(days=2))
        told = reopen_days(session, ClosedAt.SERVICE, MONDAY, "Van")
        assert (told.where, told.first_day) == ("service Van", MONDAY + timedelta(days=2))
        (row,) = session.exec(select(Closure)).all()
        assert row.last_day == MONDAY + timedelta(days=1)
        close_day(
            session, ClosedAt.ORIGIN, MONDAY + timedelta(days=9), MONDAY + timedelta(days=9), "fair"
        )
        assert [one.where for one in standing_closures(session)] == ["the nursery"]
        reopen_days(session, ClosedAt.ORIGIN, MONDAY + timedelta(days=9))
        assert standing_closures(session) == []
        with pytest.raises(Refused) as refused:
            reopen_days(session, ClosedAt.ORIGIN, MONDAY + timedelta(days=9))
    assert refused.value.refusal.code == "no_closure"
