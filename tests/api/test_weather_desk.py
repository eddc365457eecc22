"""Shade, frost nights, wraps, packs and care cards over the API, by role, and wrong inputs."""

from datetime import timedelta

import pytest
from sqlmodel import select

from nursery.access import Role
from nursery.database import Database, now
from nursery.growing_area import Site
from nursery.promising.promise import confirm, reserve
from nursery.promising.quote import quote
from nursery.weather import Forecast
from tests.api.shop import MONDAY
from tests.api.test_day_book_api import Nursery
from tests.builders import crop_named, ready_lot
from tests.nursery.test_bench_map import on_bench
from tests.shop import HERE, caltha

SHIP_ON = MONDAY + timedelta(days=1)


@pytest.fixture
def nursery(db: Database) -> Nursery:
    """A confirmed order, trays in the frames, and a night of hard frost on Wednesday."""
    made = Nursery(db)
    with db.writing() as session:
        crop = crop_named(session, "Caltha palustris")
        ready_lot(session, crop, 100, MONDAY - timedelta(days=7), MONDAY + timedelta(days=60))
        on_bench(session, "F1", 4, "Frames 1", MONDAY - timedelta(days=2))
        best = quote(session, caltha(1), HERE).options[0]
        held = reserve(session, "O-1", caltha(1), HERE, best.ship_on, best.service, "shop")
        confirm(session, held.id or 0, "shop")
        session.add(
            Forecast(
                station_id=session.get_one(Site, 1).station_id or 0,
                day=MONDAY + timedelta(days=2),
                issued_at=now(session) - timedelta(hours=1),
                min_c=-14,
                max_c=1,
            )
        )
        assert best.ship_on == SHIP_ON
    return made


def test_the_lead_keeps_a_shade_calendar_and_sees_its_picture(nursery: Nursery) -> None:
    asked = """query ($area: String) { shadeCalendars(area: $area) {
      ... on ShadeCalendars { picture caution calendars { area kept limitC weeks { layers needed }
        changes { what by minutes persons } tooHot { week chance } } }
      ... on Refusal { code message } } }"""
    found = nursery.ask(asked, area="Frames")
    (calendar,) = found["calendars"]
    assert (calendar["area"], calendar["kept"], len(calendar["weeks"])) == ("Frames", False, 52)
    assert found["picture"].startswith("<svg") and "two people" in found["caution"]
    keep = """mutation { keepShadeCalendar(key: "k1", area: "Frames") {
      ... on KeptShade { area changes } ... on Refusal { code } } }"""
    assert nursery.ask(keep) == {"area": "Frames", "changes": len(calendar["changes"])}
    assert nursery.ask(asked, area="Frames")["calendars"][0]["kept"]
    assert "must be one of" in nursery.ask(asked, area="Glass")["message"]
    assert nursery.ask(keep, Role.PACKER)["code"] == "FORBIDDEN"


def test_frost_nights_say_what_comes_in_and_where_to(nursery: Nursery) -> None:
    asked = """{ frostNights { ... on FrostNights { forecastUntil freePlaces
      nights { area day feltC bringIn trays latest whatToDo caution
               moves { batch trays goTo } } } ... on Refusal { code } } }"""
    (night,) = nursery.ask(asked, Role.PACKER)["nights"]
    assert (night["area"], night["bringIn"], night["trays"]) == ("Frames", True, 4)
    assert night["latest"] == (MONDAY + timedelta(days=1)).isoformat()
    assert sum(move["trays"] for move in night["moves"]) == 4
    assert nursery.ask(asked, Role.SHOP)["code"] == "FORBIDDEN"


def test_the_packer_sees_wrap_water_and_packs_and_records_a_trial(nursery: Nursery) -> None:
    asked = """query ($day: Date!) { parcelWraps(shipDay: $day) { ... on ParcelWraps {
      lines { orderReference productCode wrap waterG hours chance says }
      parcels { orderReference packs weightG says } } ... on Refusal { code } } }"""
    found = nursery.ask(asked, Role.PACKER, day=SHIP_ON.isoformat())
    (line,), (parcel,) = found["lines"], found["parcels"]
    assert (line["wrap"], line["waterG"], line["hours"]) == ("moss and paper", 120, 54)
    assert parcel["orderReference"] == "O-1"
    record = """mutation { recordWrapTrial(key: "w1", wrap: "moss and paper", gramsBefore: 400,
      gramsAfter: %d, hours: 24, meanC: 20, humidity: 0.5) {
      ... on KnownWrap { name used trials typed } ... on Refusal { code message } } }"""
    told = nursery.ask(record % 376, Role.PACKER)
    assert told["trials"] == 1 and told["used"] == pytest.approx(0.855, abs=1e-3)
    wrong = nursery.ask(record.replace("w1", "w2") % 420, Role.PACKER)
    assert "gained water" in wrong["message"]


def test_a_shop_may_show_the_care_card_of_a_product(nursery: Nursery) -> None:
    asked = """query ($code: String!) { careCard(product: $code) { ... on CareCard {
      code withinDays text page sentences { heading text usual } }
      ... on Refusal { code message } } }"""
    found = nursery.ask(asked, Role.SHOP, code="CP-6")
    assert found["withinDays"] == 2 and all(each["usual"] for each in found["sentences"])
    assert found["page"].startswith("<!doctype html>")
    assert "No product has the code" in nursery.ask(asked, Role.SHOP, code="nix")["message"]


def test_the_lead_asks_for_the_days_ahead_and_others_may_not(
    nursery: Nursery, db: Database
) -> None:
    asked = """query ($days: Int! = 3) { daysAhead(days: $days) {
      ... on DaysAhead { days { day minutesTaken minutes parcels plugs
        zones { zone openToSome shut { reason text crops plants } }
        mustMove { reference shipOn reason text } } }
      ... on Refusal { code message } } }"""
    days = nursery.ask(asked)["days"]
    assert [day["day"] for day in days] == [f"{MONDAY + timedelta(days=i)}" for i in range(3)]
    assert (days[1]["parcels"], days[1]["plugs"]) == (1, 6) and days[1]["minutesTaken"] > 0
    assert not any(zone["shut"] for day in days[1:] for zone in day["zones"])
    with db.writing() as session:
        session.exec(select(Forecast)).one().min_c = -30
    days = nursery.ask(asked)["days"]
    night = [one for zone in days[2]["zones"] for one in zone["shut"] if one["reason"] == "frost"]
    assert "-30 °C forecast" in night[0]["text"]
    assert [one["reference"] for one in days[1]["mustMove"]] == ["O-1"]  # it is under way then
    assert "1 to 120" in nursery.ask(asked, days=500)["message"]
    assert nursery.ask(asked, Role.PACKER)["code"] == "FORBIDDEN"
    assert nursery.ask(asked, Role.SHOP)["code"] == "FORBIDDEN"
