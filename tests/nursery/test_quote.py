"""Quotes: what a basket can have, when, how sure, and why not on the other days."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from sqlalchemy import text
from sqlmodel import Session, select

from nursery.carrier import CarrierService, Transit, Zone, ZonePrefix
from nursery.database import Database
from nursery.errors import Refusal, Refused
from nursery.order import Product
from nursery.promising.basket import Basket, BasketLine, Consent, Destination, Window
from nursery.promising.promise import reserve
from nursery.promising.quote import quote
from nursery.stock import Pool
from tests.builders import crop_named, product_of, ready_lot
from tests.shop import HERE, MONDAY, THERE, both, caltha, mild_nursery


def _refused(session: Session, basket: Basket, destination: Destination = HERE) -> Refusal:
    with pytest.raises(Refused) as refused:
        quote(session, basket, destination)
    return refused.value.refusal


def test_every_day_asked_for_is_either_offered_or_closed_with_a_reason(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        found = quote(session, caltha(2), HERE)
    offered = {option.ship_on for option in found.options}
    closed = {each.day: each.reasons for each in found.closed_days}
    days = {found.first_day + timedelta(days=i) for i in range(181)}
    assert offered | closed.keys() == days
    assert not offered & closed.keys()
    assert all(closed.values())
    assert found.last_day == MONDAY + timedelta(days=180)
    assert found.zone == "Low land"


def test_the_best_option_is_the_one_that_is_with_the_customer_first(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        found = quote(session, caltha(2), HERE)
    best = found.options[0]
    assert (best.ship_on, best.arrives_from, best.arrives_until) == (
        date(2027, 3, 2),
        date(2027, 3, 3),
        date(2027, 3, 4),
    )
    assert best.lines == (BasketLine("CP-6", 2),)
    assert best.days_in_box == 2
    assert best.probability >= 0.98
    assert [share for _, share in best.chances] == pytest.approx([0.97, 0.025, 0.005])
    assert list(found.options) == sorted(found.options, key=lambda option: option.arrives_until)


def test_a_quote_keeps_nothing_and_writes_nothing(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        before = session.connection().execute(text("SELECT total_changes()")).scalar()
        first, second = quote(session, caltha(2), HERE), quote(session, caltha(2), HERE)
        assert session.connection().execute(text("SELECT total_changes()")).scalar() == before
    assert first == second


def test_a_basket_of_several_products_is_offered_whole_or_not_at_all(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        late = MONDAY + timedelta(days=14)
        ready_lot(session, crop_named(session, "Primula rosea"), 12, late, late + timedelta(days=3))
        found = quote(session, both(), HERE)
        assert {option.ship_on for option in found.options} == {
            late + timedelta(days=i) for i in range(4)
        }
        first = next(each for each in found.closed_days if each.day == date(2027, 3, 2))
        assert [why.code for why in first.reasons] == ["no_plugs"]
        assert first.reasons[0].text == "PRG-6: 0 plugs left for that day, 6 wanted"
        assert quote(session, both(3), HERE).options == ()


def test_two_products_of_one_pool_are_counted_together(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=17)
        first = product_of(session, crop_named(session, "Caltha palustris"))
        session.add(Product(code="CP-1", name="one Caltha", crop_id=first.crop_id, plugs=1))
        session.flush()
        lines = (BasketLine("CP-6", 2), BasketLine("CP-1", 5))
        assert quote(session, Basket(lines), HERE).options
        assert not quote(session, Basket((*lines, BasketLine("CP-1", 1))), HERE).options


def test_parts_are_offered_only_with_consent_and_only_where_something_comes_sooner(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        late = MONDAY + timedelta(days=14)
        primula = crop_named(session, "Primula rosea")
        ready_lot(session, primula, 12, late, late + timedelta(days=3))
        assert quote(session, both(), HERE).parts == ()
        found = quote(session, both(), HERE, consent=Consent(may_split=True))
        assert [part.lines[0].code for part in found.parts] == ["CP-6", "PRG-6"]
        assert [part.ship_on for part in found.parts] == [date(2027, 3, 2), late]
        ready_lot(session, primula, 12, MONDAY, late)
        assert quote(session, both(), HERE, consent=Consent(may_split=True)).parts == ()


def test_the_most_delicate_plants_settle_the_days_in_the_box(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        primula = crop_named(session, "Primula rosea")
        ready_lot(session, primula, 12, MONDAY, MONDAY + timedelta(days=60))
        friday = date(2027, 3, 5)
        assert friday in {option.ship_on for option in quote(session, caltha(1), HERE).options}
        product_of(session, primula).max_days_in_box = 2
        session.flush()
        closed = {each.day: each.reasons for each in quote(session, both(), HERE).closed_days}
        assert [why.code for why in closed[friday]] == ["days_in_box"]


def test_lines_that_are_no_plants_are_passed_over(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        pot = BasketLine("POT-9", 3, is_plant=False)
        found = quote(session, Basket((*caltha(2).lines, pot)), HERE)
        assert found.options[0].lines == caltha(2).lines
        assert _refused(session, Basket((pot,))).code == "no_plants"


def test_a_misspelt_product_is_refused_with_the_nearest_codes_and_never_guessed(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        refusal = _refused(session, Basket((BasketLine("cp6", 1),)))
        assert (refusal.code, refusal.field) == ("unknown_product", "basket.lines")
        assert refusal.next == "did you mean CP-6, PRG-6?"
        assert _refused(session, Basket((BasketLine("CP-6", 0),))).code == "bad_quantity"


def test_a_missing_postcode_or_an_address_in_no_zone_gets_no_quote_and_is_told_why(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        assert _refused(session, caltha(1), Destination("NL", "  ")).code == "no_postcode"
        nowhere = _refused(session, caltha(1), Destination("FR", "75001"))
        assert (nowhere.code, nowhere.next) == ("no_zone", "parcels go to DE, NL")
        assert "Plant health law" in nowhere.message
        for row in session.exec(select(ZonePrefix).where(ZonePrefix.country == "DE")):
            row.prefix = "5"
        session.flush()
        assert _refused(session, caltha(1), Destination("DE", "80331")).code == "no_zone"


def test_a_blocked_zone_is_refused_with_its_reason_and_the_caution_on_plant_health(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        zone = session.exec(select(Zone).where(Zone.country == "DE")).one()
        zone.blocked = "papers are not arranged yet"
        session.flush()
        refusal = _refused(session, caltha(1), THERE)
        assert refusal.code == "zone_blocked"
        assert "papers are not arranged yet" in refusal.message
        assert "ask the licensed person" in refusal.message


@pytest.mark.parametrize(
    ("postcode", "zone"),
    [("1011AB", "Low land"), ("88 01 CD", "Islands"), ("8801cd", "Islands"), ("8811", "Low land")],
)
def test_the_longest_postcode_prefix_names_the_zone(db: Database, postcode: str, zone: str) -> None:
    with db.writing() as session:
        mild_nursery(session)
        islands = Zone(name="Islands", country="NL", holiday_region="NL", station_id=1)
        session.add(islands)
        session.flush()
        assert islands.id is not None
        session.add(ZonePrefix(zone_id=islands.id, country="NL", prefix="880"))
        session.add(Transit(service_id=1, zone_id=islands.id, delivery_days=2, percent=100.0))
        session.flush()
        assert quote(session, caltha(1), Destination("nl", postcode)).zone == zone


def test_a_zone_that_no_service_reaches_and_a_region_without_a_calendar_are_refused(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        zone = session.exec(select(Zone).where(Zone.country == "DE")).one()
        zone.holiday_region = "DE-XX"
        session.flush()
        refusal = _refused(session, caltha(1), THERE)
        assert refusal.code == "no_calendar"
        assert "DE-XX" in refusal.message
        for row in session.exec(select(Transit).where(Transit.zone_id == zone.id)):
            session.delete(row)
        session.flush()
        assert _refused(session, caltha(1), THERE).code == "no_service"


def test_a_year_without_a_calendar_gets_no_quote(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, at=date(2150, 3, 2))
        refusal = _refused(session, caltha(1))
        assert refusal.code == "no_calendar"
        assert "no holiday calendar" in refusal.message


def test_of_two_services_the_sooner_comes_first_and_then_the_cheaper(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        for name, days, cents in (("Rail", 2, 500), ("Express", 1, 1900)):
            service = CarrierService(name=name, price_cents=cents)
            session.add(service)
            session.flush()
            zone = session.exec(select(Zone).where(Zone.country == "NL")).one()
            assert service.id is not None and zone.id is not None
            session.add(
                Transit(service_id=service.id, zone_id=zone.id, delivery_days=days, percent=100.0)
            )
        session.flush()
        found = quote(session, caltha(1), HERE)
        assert [option.service for option in found.options[:3]] == ["Express", "Rail", "Van"]
        assert [option.arrives_until.day for option in found.options[:3]] == [3, 4, 4]
        sunday = next(each for each in found.closed_days if each.day == date(2027, 3, 7))
        assert {why.service for why in sunday.reasons} == {"Rail", "Express", "Van"}


def test_a_gift_arrives_on_its_day_or_there_is_no_offer(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        day = date(2027, 3, 20)
        found = quote(session, caltha(1), HERE, window=Window(day - timedelta(days=1), day))
        assert [option.ship_on for option in found.options] == [date(2027, 3, 18)]
        on_the_day = quote(session, caltha(1), HERE, window=Window(day, day))
        assert on_the_day.options == ()


def test_days_are_quoted_within_the_horizon_only(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session).horizon_days = 30
        session.flush()
        found = quote(session, caltha(1), HERE, date(2027, 2, 1), date(2027, 12, 1))
        assert (found.first_day, found.last_day) == (MONDAY, MONDAY + timedelta(days=30))
        with pytest.raises(Refused) as refused:
            quote(session, caltha(1), HERE, first_day=date(2027, 12, 1))
        assert (refused.value.refusal.code, refused.value.refusal.field) == ("bad_days", "from")
        with pytest.raises(Refused) as refused:
            quote(session, caltha(1), HERE, last_day=date(2027, 2, 1))
        assert (refused.value.refusal.code, refused.value.refusal.field) == ("bad_days", "until")


def test_a_first_ship_day_after_the_last_is_said_to_be_so(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        with pytest.raises(Refused) as refused:
            quote(session, caltha(1), HERE, MONDAY + timedelta(days=9), MONDAY + timedelta(days=2))
    told = refused.value.refusal
    assert told.field == "from"
    assert (
        told.message == "The first ship day asked for (2027-03-10) is after the last (2027-03-03)"
    )


def test_what_is_reserved_is_gone_from_the_next_quote(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=15)
        best = quote(session, caltha(2), HERE).options[0]
        reserve(session, "S-1", caltha(2), HERE, best.ship_on, best.service, "shop")
        assert quote(session, caltha(1), HERE).options == ()


def test_an_option_can_be_reserved_as_it_was_quoted(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        for option in quote(session, caltha(1), THERE).options[:12:3]:
            promise = reserve(
                session,
                f"S-{option.ship_on}",
                Basket(option.lines),
                THERE,
                option.ship_on,
                option.service,
                "shop",
            )
            again = replace(
                option,
                ship_on=promise.ship_on,
                pack_on=promise.pack_on,
                arrives_from=promise.arrives_from,
                arrives_until=promise.arrives_until,
                probability=promise.probability,
            )
            assert again == option


def test_a_quote_for_a_product_whose_grade_was_never_raised_is_refused(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session, plugs=0)
        primula = crop_named(session, "Primula rosea")
        for pool in session.exec(select(Pool).where(Pool.crop_id == primula.id)):
            session.delete(pool)
        session.flush()
        assert _refused(session, Basket((BasketLine("PRG-6", 1),))).code == "no_plugs"
