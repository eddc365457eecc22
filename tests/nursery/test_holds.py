"""Heat and frost holds: what a forecast is worth, caution, the way, warm vehicles, a person."""

from datetime import date, timedelta
from math import sqrt
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from sqlmodel import Session, select

from nursery.carrier import CarrierService, Zone
from nursery.climate import Normals
from nursery.database import Database, now
from nursery.dispatching.dispatch import plan_dispatch
from nursery.errors import Fault, Refused
from nursery.growing_area import Site
from nursery.order import EventKind, Promise, PromiseEvent
from nursery.promising.basket import Limits
from nursery.promising.holds import (
    Expected,
    ForecastError,
    Outlook,
    StationOutlook,
    expected,
)
from nursery.promising.promise import confirm, reserve
from nursery.promising.quote import quote
from nursery.promising.ship_days import Ask, Reason, Way, judge, read_rules
from nursery.weather import Forecast, HoldDecision, MonthNormal, Station, WayStation
from nursery.weather_in.decisions import decide_days, withdraw_decision
from solver.run import Limits as Time
from tests.builders import set_clock
from tests.shop import HERE, MONDAY, caltha, mild_nursery

TODAY = date(2027, 6, 1)
MILD = Normals((12.0,) * 12, (20.0,) * 12, (3.0,) * 12, (4.0,) * 12)
SHIP_ON = date(2027, 3, 9)
USUAL = ForecastError(1.2, 0.35)


def _outlook(highs: list[float], error: ForecastError, issued: date = TODAY) -> Outlook:
    """A station where these maxima are forecast from the day of issue on."""
    said = {issued + timedelta(days=i): (12.0, high) for i, high in enumerate(highs)}
    errors = {day: error.at((day - issued).days) for day in said}
    station = StationOutlook("Home", MILD, said, errors, None)
    return Outlook(issued, 60, {1: station})


def _weigh(outlook: Outlook, limits: Limits, ship_on: date, warmer: float = 0.0):  # type: ignore[no-untyped-def]
    return outlook.weigh(frozenset({1}), limits, ship_on, ship_on + timedelta(days=1), warmer)[0]


def test_a_forecast_just_under_the_limit_is_often_over_it() -> None:
    """27.5 °C, one day ahead, standard deviation 1.55, where 20 °C with 4 °C of spread is usual:
    Python's NormalDist as the judge."""
    outlook = _outlook([20.0, 27.5, 15.0, 15.0], USUAL)
    found = _weigh(outlook, Limits(28.0, -3.0, 4), TODAY)
    r = 1 - 1.55**2 / (2 * 4.0**2)
    usual = outlook.stations[1].normals
    assert usual is not None and usual.t_max[5] == 20.0
    over = 1 - NormalDist(20 + r * 7.5, 4 * sqrt(1 - r**2)).cdf(28.0)
    assert found.chance == pytest.approx(over, abs=1e-3)
    assert 0.2 < found.chance < 0.3
    assert found.closes(0.02) and not found.clear


@pytest.mark.parametrize("ahead", [0, 3, 9])
def test_what_is_expected_of_a_forecast_is_what_came_of_many_such_forecasts(ahead: int) -> None:
    """Days and forecasts drawn with one spread and the stated error between them (numpy)."""
    error, usual = USUAL.at(ahead), Expected(20.0, 4.5)
    rng = np.random.default_rng(5)
    r = 1 - error**2 / (2 * 4.5**2)
    days, noise = 20 + 4.5 * rng.standard_normal((2, 400_000)) * [[1.0], [1.0]]
    said = 20 + r * (days - 20) + sqrt(1 - r**2) * (noise - 20)
    assert np.std(said - days) == pytest.approx(error, rel=0.01)
    for forecast in (22.0, 26.0, 29.0):
        came = days[np.abs(said - forecast) < 0.15]
        found = expected(forecast, error, usual).chance(28.0)
        assert found == pytest.approx(np.mean(came >= 28.0), abs=0.03)


def test_forecast_days_of_one_station_are_one_chance_and_those_of_two_are_two() -> None:
    """Warm days come together, and their forecasts err together: the worst stands for all."""
    warm, limits = [26.0, 26.0, 26.0], Limits(28.0, -3.0, 4)
    one = _weigh(_outlook([15.0, 15.0, 26.0], USUAL), limits, TODAY).chance
    assert _weigh(_outlook([15.0, *warm[:2]], USUAL), limits, TODAY).chance == pytest.approx(one)
    home = _outlook([15.0, 15.0, 26.0], USUAL).stations[1]
    both = Outlook(TODAY, 60, {1: home, 2: home}).weigh(
        frozenset({1, 2}), limits, TODAY, TODAY + timedelta(days=1)
    )[0]
    assert both.chance == pytest.approx(1 - (1 - one) ** 2) and one > 0.05


def test_a_heat_that_was_never_seen_is_not_explained_away_by_the_climate() -> None:
    """33 °C forecast five days ahead where 20 °C with 4 °C of spread is usual."""
    outlook = _outlook([15.0] * 5 + [33.0], USUAL)
    found = _weigh(outlook, Limits(32.0, -3.0, 4), TODAY + timedelta(days=5))
    assert found.chance > 0.2 and found.closes(0.1)


def test_no_forecast_is_taken_to_be_worse_than_the_climate() -> None:
    """Thirty days ahead the error would be 11.7 °C; days there spread by 4 °C only."""
    day = TODAY + timedelta(days=30)
    station = StationOutlook("Home", MILD, {day: (12.0, 20.0)}, {day: USUAL.at(30)}, None)
    outlook = Outlook(TODAY, 60, {1: station})
    by_climate = Outlook(TODAY, 60, {1: StationOutlook("Home", MILD, {})})
    limits = Limits(28.0, -3.0, 4)
    assert _weigh(outlook, limits, day).chance == pytest.approx(
        _weigh(by_climate, limits, day).chance, abs=1e-6
    )


def test_a_day_is_given_anew_only_if_the_caution_band_is_hardly_reached_as_well() -> None:
    careless, careful = Limits(28.0, -3.0, 4), Limits(28.0, -3.0, 4, caution_c=2.0)
    outlook = _outlook([24.4, 15.0, 15.0], USUAL)
    assert not _weigh(outlook, careless, TODAY).closes(0.02)
    assert _weigh(outlook, careful, TODAY).closes(0.02)
    assert not _weigh(outlook, careful, TODAY).moves(0.02, days_to_packing=5)


def test_vehicles_warmer_than_the_air_are_hot_sooner_but_keep_no_frost_off() -> None:
    outlook = _outlook([24.0, 15.0, 15.0], ForecastError())
    limits = Limits(28.0, 12.0, 4)
    assert not _weigh(outlook, limits, TODAY).clear
    assert _weigh(outlook, limits, TODAY, warmer=4.0).clear
    frost = outlook.weigh(frozenset({1}), limits, TODAY, TODAY, 10.0)[1]
    assert frost.clear


@settings(deadline=None, max_examples=150)
@given(
    base=some.floats(15, 40),
    wobbles=some.lists(some.lists(some.floats(-0.5, 0.5), min_size=4, max_size=4), min_size=9,
                       max_size=9),
)  # fmt: skip
def test_forecasts_that_wobble_by_less_than_the_caution_never_turn_a_promise_twice(
    base: float, wobbles: list[list[float]]
) -> None:
    """Every morning from eight days before the ship day to the day itself another forecast comes.

    A promise is moved where the weather moves it, and would go back to its day only where that is
    open to anybody: that never happens while forecasts wobble by 1 °C and 2 °C of caution is kept.
    """
    limits, ship_on = Limits(28.0, -3.0, 4, caution_c=2.0), TODAY + timedelta(days=8)
    held, turns = False, 0
    for ahead, wobble in enumerate(wobbles):
        today = TODAY + timedelta(days=ahead)
        before = [18.0] * (ship_on - today).days
        outlook = _outlook([*before, *(base + each for each in wobble)], USUAL, today)
        found = _weigh(outlook, limits, ship_on)
        turn = not found.closes(0.02) if held else found.moves(0.02, (ship_on - today).days)
        held, turns = held != turn, turns + turn
    assert turns <= 1


@settings(deadline=None, max_examples=100)
@given(some.lists(some.floats(0, 0.999), min_size=4, max_size=4), some.integers(2, 9))
def test_before_the_eve_no_forecast_within_the_band_moves_a_promise(
    places: list[float], ahead: int
) -> None:
    """From far under the limit to its own usual error over it: the promise keeps its day."""
    ship_on = TODAY + timedelta(days=ahead)
    highs = [18.0] * ahead + [
        10 + place * (28 + USUAL.at(ahead + i) - 10) for i, place in enumerate(places)
    ]
    found = _weigh(_outlook(highs, USUAL), Limits(28.0, -3.0, 4, caution_c=2.0), ship_on)
    assert not found.moves(0.02, ahead)


def _uncertain(session: Session) -> Site:
    """The mild nursery, with forecasts that are as good as forecasts are."""
    here = mild_nursery(session)
    here.forecast_error_c, here.forecast_drift_c = 1.2, 0.35
    for month in session.exec(select(MonthNormal)):
        month.min_sd_c = month.max_sd_c = 2.8
    return here


def _said(
    session: Session, highs: dict[date, float], station: int | None = None, hours_old: float = 0.1
) -> None:
    here = session.get_one(Site, 1)
    issued = now(session) - timedelta(hours=hours_old)
    for day, high in highs.items():
        session.add(
            Forecast(
                station_id=station or here.station_id or 0,
                day=day,
                issued_at=issued,
                min_c=min(8.0, high),
                max_c=high,
            )
        )
    session.flush()


def _judged(session: Session, day: date = SHIP_ON) -> Way:
    zone = session.exec(select(Zone).where(Zone.country == "NL")).one()
    rules = read_rules(session, [zone.id or 0])
    (lane,) = rules.lanes[zone.id or 0]
    found = judge(rules, lane, day, Ask(Limits(28.0, -3.0, 4), 6))
    assert isinstance(found, Way)
    return found


def _reason(session: Session) -> Reason:
    (reason,) = _judged(session).reasons
    return reason


def _days(*highs: float) -> dict[date, float]:
    return {SHIP_ON + timedelta(days=i): high for i, high in enumerate(highs)}


def test_a_promise_is_moved_once_and_keeps_its_day_while_forecasts_waver(db: Database) -> None:
    """Forecasts of its ship day on seven mornings; the dispatch is planned on each of them."""
    with db.writing() as session:
        _uncertain(session)
        best = next(o for o in quote(session, caltha(1), HERE).options if o.ship_on == SHIP_ON)
        made = reserve(session, "O-1", caltha(1), HERE, best.ship_on, best.service, "shop")
        confirm(session, made.id or 0, "shop")
    seen = []
    for ahead, high in enumerate([26.5, 28.2, 27.0, 28.4, 27.4, 31.0, 26.9]):
        with db.writing() as session:
            set_clock(session, MONDAY + timedelta(days=ahead))
            _said(session, _days(high))
        plan_dispatch(db, Time(2.0, threads=1), "Lea")
        with db.reading() as session:
            seen.append(session.exec(select(Promise.ship_on)).one())
    assert seen[:5] == [SHIP_ON] * 5  # over the limit, but never by more than the usual error
    assert seen[5] > SHIP_ON
    assert seen[6] == seen[5]
    with db.reading() as session:
        kinds = session.exec(select(PromiseEvent.kind)).all()
    assert kinds.count(EventKind.RE_DATED) == 1


def test_on_the_eve_of_packing_the_risk_itself_decides_whether_a_promise_keeps_its_day(
    db: Database,
) -> None:
    with db.writing() as session:
        _uncertain(session)
        set_clock(session, SHIP_ON - timedelta(days=2))
        _said(session, _days(27.2))
        assert _reason(session).kept
        set_clock(session, SHIP_ON - timedelta(days=1))
        _said(session, _days(27.2))
        assert not _reason(session).kept


def test_a_hold_by_a_forecast_says_how_likely_it_is_and_what_is_risked(db: Database) -> None:
    with db.writing() as session:
        _uncertain(session)
        _said(session, _days(28.4))
        text = _reason(session).text
        assert "28.4 °C forecast at Home on 2027-03-09" in text
        assert "chance of that on the way, 2.0% is risked" in text


@pytest.mark.parametrize(
    ("hours_old", "said"),
    [(None, "by the climate of Home (no forecast)"), (40, "is stale)")],
)
def test_without_a_fresh_forecast_the_climate_decides_and_the_quote_says_why(
    db: Database, hours_old: float | None, said: str
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        for month in session.exec(select(MonthNormal)):
            month.max_c, month.max_sd_c = 25.0, 3.0
        if hours_old is not None:
            _said(session, _days(10.0), hours_old=hours_old)
        reason = _reason(session)
        assert reason.code == "heat" and said in reason.text
        cautions = quote(session, caltha(1), HERE).cautions
        assert any(said in caution for caution in cautions)
        _said(session, _days(10.0, 10.0, 10.0, 10.0))
        assert _judged(session).is_open
        assert not quote(session, caltha(1), HERE).cautions


def test_the_weather_at_a_depot_on_the_way_counts_as_well(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        depot = Station(name="Depot")
        session.add(depot)
        session.flush()
        _said(session, _days(33.0), station=depot.id)
        assert _judged(session).is_open
        zone = session.exec(select(Zone).where(Zone.country == "NL")).one()
        session.add(WayStation(zone_id=zone.id or 0, station_id=depot.id or 0))
        session.flush()
        assert "33 °C forecast at Depot" in _reason(session).text


def test_a_service_whose_vehicles_run_warm_is_held_sooner_and_says_so(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        _said(session, _days(25.0))
        assert _judged(session).is_open
        session.exec(select(CarrierService)).one().warmer_c = 4.0
        session.flush()
        assert "(vehicles 4 °C warmer)" in _reason(session).text


def test_a_person_may_open_a_day_that_the_forecast_closes_and_close_one_that_it_leaves_open(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        _said(session, _days(35.0))
        opened = decide_days(session, True, SHIP_ON, SHIP_ON, "Lea", "cooled van", "Low land")
        way = _judged(session)
        assert way.is_open and way.heat_chance == 0.0
        said = "opened by hand (2027-03-09, Low land) by Lea: cooled van"
        assert said in quote(session, caltha(1), HERE).cautions
        withdraw_decision(session, opened.id or 0)
        assert _reason(session).code == "heat"
        day = SHIP_ON + timedelta(days=7)
        decide_days(session, False, day, day, "Lea", "vans stand in the sun", "NL")
        (reason,) = _judged(session, day).reasons
        assert (reason.code, reason.kept) == ("by_hand", False)
        assert "by Lea: vans stand in the sun" in reason.text


def test_a_decision_is_the_business_of_the_place_that_it_names_and_the_latest_counts(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        decide_days(session, False, SHIP_ON, SHIP_ON, "Lea", "storm", "Hill land")
        assert _judged(session).is_open
        decide_days(session, False, SHIP_ON, SHIP_ON, "Lea", "storm")
        assert _reason(session).code == "by_hand"
        decide_days(session, True, SHIP_ON, SHIP_ON, "Ada", "storm is over", "DE")
        assert not _judged(session).is_open
        decide_days(session, True, SHIP_ON, SHIP_ON, "Ada", "storm is over")
        again = decide_days(session, True, SHIP_ON, SHIP_ON, "Ada", "storm is over")
        assert _judged(session).is_open
        assert len(session.exec(select(HoldDecision)).all()) == 4 and again.decided_by == "Ada"


@pytest.mark.parametrize(
    ("name", "reason", "place", "days", "said"),
    [
        (" ", "storm", "", 1, "needs a name"),
        ("Lea", "", "", 1, "needs a reason"),
        ("Lea", "storm", "Atlantis", 1, "no zone or holiday region 'Atlantis'"),
        ("Lea", "storm", "", 0, "must not be before the first"),
        ("Lea", "storm", "", 40, "at most 31 days"),
        ("Lea", "storm", "", -30, "must not be before the first"),
    ],
)
def test_a_decision_has_a_name_a_reason_a_known_place_and_a_few_days_to_come(
    db: Database, name: str, reason: str, place: str, days: int, said: str
) -> None:
    last = SHIP_ON + timedelta(days=days - 1)
    with pytest.raises((Fault, Refused), match=said), db.writing() as session:
        mild_nursery(session)
        decide_days(session, True, SHIP_ON, last, name, reason, place)
