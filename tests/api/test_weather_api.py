"""Forecasts with a unit, days decided by hand, and the server that fetches in the background."""

import json
import threading
import time
from datetime import timedelta
from typing import Any

from sqlmodel import select

from api.app import create_app
from nursery.access import Role
from nursery.database import Database, now
from nursery.settings import Settings
from nursery.weather import Forecast, ForecastPull, ForecastSource, HoldDecision, Station
from tests.api.asking import answered
from tests.api.server import serving, tokens
from tests.api.shop import MONDAY, Shop
from tests.builders import crop_named, ready_lot
from tests.weather_service import Service

RECORD = """mutation($key: String!, $at: DateTime!, $days: [ForecastDayInput!]!, $unit: Degrees!) {
  recordForecast(key: $key, station: "Home", issuedAt: $at, days: $days, unit: $unit) {
    __typename ... on RecordedForecast { days } ... on Refusal { code message next } } }"""
DECIDE = """mutation($key: String!, $opens: Boolean!, $day: Date!, $by: String!, $place: String!) {
  decideShipDays(key: $key, opens: $opens, firstDay: $day, decidedBy: $by, reason: "cooled van",
                 place: $place) {
    __typename ... on HoldDecided { id opens decidedBy withdrawn }
    ... on Refusal { code message } } }"""
WITHDRAW = """mutation($key: String!, $id: ID!) { withdrawDecision(key: $key, id: $id) {
  __typename ... on HoldDecided { withdrawn }
    ... on Refusal { code message } } }"""
OPTIONS = """{ shipOptions(basket: [{code: "CP-6", quantity: 1}],
                 destination: {country: "NL", postcode: "1011AB"}) {
  __typename
  ... on ShipOptions { options { shipOn } closedDays { day reasons { code text } } } } }"""


def _recorded(db: Database, unit: str, low: float, high: float) -> Any:
    secrets = tokens(db)
    with db.reading() as session:
        at = now(session).isoformat()
    days = [{"day": str(MONDAY + timedelta(days=i)), "minC": low, "maxC": high} for i in range(3)]
    app = create_app(db)
    return answered(app, RECORD, secrets[Role.LEAD], key="f1", at=at, days=days, unit=unit)


def test_a_forecast_in_degrees_fahrenheit_is_kept_in_celsius(db: Database) -> None:
    assert _recorded(db, "FAHRENHEIT", 41.0, 50.0)["days"] == 3
    with db.reading() as session:
        assert {(row.min_c, row.max_c) for row in session.exec(select(Forecast))} == {(5.0, 10.0)}


def test_a_march_of_50_degrees_celsius_is_asked_about(db: Database) -> None:
    answer = _recorded(db, "CELSIUS", 41.0, 50.0)
    assert answer["code"] == "INVALID" and "degrees Fahrenheit?" in answer["message"]


def test_a_lead_closes_a_ship_day_by_hand_and_the_shop_reads_who_and_why(db: Database) -> None:
    secrets = tokens(db)
    with db.writing() as session:
        ready_lot(session, crop_named(session, "Caltha palustris"), 60, MONDAY,
                  MONDAY + timedelta(days=90))  # fmt: skip
    app, day = create_app(db), str(MONDAY + timedelta(days=8))
    asked = {"key": "d1", "opens": False, "day": day, "by": "Lea", "place": "Low land"}
    assert answered(app, DECIDE, secrets[Role.SHOP], **asked)["code"] == "FORBIDDEN"
    made = answered(app, DECIDE, secrets[Role.LEAD], **asked)
    assert answered(app, DECIDE, secrets[Role.LEAD], **asked) == made
    options = answered(app, OPTIONS, secrets[Role.SHOP])
    (closed,) = [each for each in options["closedDays"] if each["day"] == day]
    assert {
        "code": "by_hand",
        "text": f"closed by hand ({day}, Low land) by Lea: cooled van",
    } in closed["reasons"]
    gone = answered(app, WITHDRAW, secrets[Role.LEAD], key="w1", id=made["id"])
    assert gone == {"__typename": "HoldDecided", "withdrawn": True}
    again = answered(app, WITHDRAW, secrets[Role.LEAD], key="w2", id=made["id"])
    assert again["code"] == "NO_DECISION"
    assert day in [each["shipOn"] for each in answered(app, OPTIONS, secrets[Role.SHOP])["options"]]
    unknown = {**asked, "key": "d2", "place": "Atlantis"}
    assert answered(app, DECIDE, secrets[Role.LEAD], **unknown)["code"] == "UNKNOWN_PLACE"
    with db.reading() as session:
        assert len(session.exec(select(HoldDecision)).all()) == 1


def test_the_server_fetches_forecasts_by_itself_and_quotes_do_not_wait_for_them(
    db: Database,
) -> None:
    """The service does not answer before a shop has its quote."""
    secrets = tokens(db)
    days = [{"date": str(MONDAY + timedelta(days=i)), "low": 2, "high": 9} for i in range(5)]
    with Service().open() as service:
        service.answers = [(200, json.dumps(days).encode())]
        service.waits = threading.Event()
        with db.writing() as session:
            home = session.exec(select(Station)).one()
            session.add(
                ForecastSource(
                    station_id=home.id or 0,
                    address=service.address,
                    day_field="date",
                    min_field="low",
                    max_field="high",
                )
            )
        with serving(db, Settings(forecast_minutes=60)) as address:
            _until(lambda: bool(service.asked))
            shop = Shop(address, secrets[Role.SHOP])
            try:
                assert shop.ask(OPTIONS)["__typename"] == "ShipOptions"
            finally:
                shop.close()
                service.waits.set()
            _until(lambda: _good(db))
    with db.reading() as session:
        assert len(session.exec(select(Forecast)).all()) == 5


def _good(db: Database) -> bool:
    with db.reading() as session:
        pull = session.exec(select(ForecastPull)).first()
        return pull is not None and pull.good_at is not None


def _until(holds: Any) -> None:
    """Wait until it holds; a fault is not waited for for ever."""
    for _ in range(3000):
        if holds():
            return
        time.sleep(0.01)
    raise AssertionError("it never came")
