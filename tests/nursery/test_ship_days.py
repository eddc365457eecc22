"""On which days a parcel may leave: calendars, cut-off, transit, holds, packing, the window."""

from datetime import date, time, timedelta
from statistics import NormalDist

import pytest
from scipy import stats
from sqlmodel import Session, select

from nursery.carrier import CarrierService, ClosedAt, Closure, Transit, Zone
from nursery.database import Database, now
from nursery.growing_area import Site
from nursery.order import ShipDay
from nursery.promising.basket import Limits, Window
from nursery.promising.ship_days import Ask, Reason, Way, judge, read_rules
from nursery.weather import Forecast, MonthNormal, Station
from tests.builders import set_clock
from tests.shop import MONDAY, mild_nursery

HARDY = Limits(heat_c=28.0, frost_c=-3.0, days_in_box=4)
PARCEL = Ask(HARDY, minutes=6)


def _zone(session: Session, country: str) -> int:
    zone = session.exec(select(Zone).where(Zone.country == country)).one()
    assert zone.id is not None
    return zone.id


def _judged(
    session: Session, day: date, country: str = "NL", ask: Ask = PARCEL
) -> Way | tuple[Reason, ...]:
    rules = read_rules(session, [_zone(session, country)])
    (lane,) = rules.lanes[_zone(session, country)]
    return judge(rules, lane, day, ask)


def _reasons(session: Session, day: date, country: str = "NL", ask: Ask = PARCEL) -> dict:  # type: ignore[type-arg]
    found = _judged(session, day, country, ask)
    said = found.reasons if isinstance(found, Way) else found
    return {reason.code: reason.text for reason in said}


def _way(session: Session, day: date, country: str = "NL", ask: Ask = PARCEL) -> Way:
    found = _judged(session, day, country, ask)
    assert isinstance(found, Way)
    return found


def _service(session: Session) -> CarrierService:
    return session.exec(select(CarrierService)).one()


def _transit(session: Session, country: str, *shares: tuple[int, float]) -> None:
    for row in session.exec(select(Transit).where(Transit.zone_id == _zone(session, country))):
        session.delete(row)
    session.flush()
    for days, percent in shares:
        zone = _zone(session, country)
        session.add(Transit(service_id=1, zone_id=zone, delivery_days=days, percent=percent))
    session.flush()


def test_a_parcel_arrives_on_the_delivery_day_that_enough_parcels_keep(db: Database) -> None:
    """97 % on J+1, 2.5 % on J+2: at 98 % it may be promised for J+2 only, at 95 % for J+1."""
    with db.writing() as session:
        here = mild_nursery(session)
        tuesday = date(2027, 3, 2)
        careful = _way(session, tuesday)
        assert (careful.arrives_from, careful.arrives_until) == (date(2027, 3, 3), date(2027, 3, 4))
        assert careful.probability == pytest.approx(0.995, abs=1e-6)
        here.confidence_floor = 0.95
        bold = _way(session, tuesday)
        assert (bold.arrives_until, bold.days_in_box) == (date(2027, 3, 3), 1)
        assert bold.probability == pytest.approx(0.97, abs=1e-6)
        assert careful.is_open and bold.is_open


@pytest.mark.parametrize(
    ("delivers", "days_in_box", "open_days"),
    [
        ("1111110", 1, ""),
        ("1111110", 2, "Mon Tue Wed Thu"),
        ("1111110", 3, "Mon Tue Wed Thu Fri"),
        ("1111100", 2, "Mon Tue Wed"),
        ("1111100", 3, "Mon Tue Wed"),
        ("1111100", 4, "Mon Tue Wed Thu Fri"),
    ],
)
def test_which_weekdays_are_open_follows_from_how_long_the_plants_stand_the_box(
    db: Database, delivers: str, days_in_box: int, open_days: str
) -> None:
    """Two delivery days. Counted by hand: with Saturday delivery Thursday's parcel is there on
    Saturday and Friday's on Monday; without, Thursday's on Monday and Friday's on Tuesday."""
    with db.writing() as session:
        mild_nursery(session)
        _service(session).delivers = delivers
        week = [MONDAY + timedelta(days=7 + i) for i in range(7)]
        ask = Ask(Limits(28.0, -3.0, days_in_box), 6)
        found = [f"{day:%a}" for day in week if _way(session, day, ask=ask).is_open]
        assert " ".join(found) == open_days


def test_a_public_holiday_at_the_destination_lengthens_the_way(db: Database) -> None:
    """Easter 2027 is on 28 March; Good Friday and Easter Monday are public holidays in North
    Rhine-Westphalia (its Sonn- und Feiertagsgesetz), Good Friday is none in the Netherlands."""
    with db.writing() as session:
        mild_nursery(session)
        thursday = date(2027, 3, 25)
        abroad = _way(session, thursday, "DE")
        assert abroad.arrives_until == date(2027, 3, 30)  # Sat 27, then Tue 30
        assert abroad.days_in_box == 5
        assert "5 days in the box" in _reasons(session, thursday, "DE")["days_in_box"]
        assert _way(session, thursday, "NL").arrives_until == date(2027, 3, 27)


def test_nothing_is_collected_on_a_holiday_at_the_nursery_and_its_name_is_said(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        assert "King's Day" in _reasons(session, date(2027, 4, 27), "DE")["origin_closed"]
        assert _reasons(session, date(2027, 3, 6))["origin_closed"] == "closed on Saturdays"


@pytest.mark.parametrize(
    ("closed_at", "key", "code"),
    [
        (ClosedAt.ORIGIN, "", "origin_closed"),
        (ClosedAt.SERVICE, "Van", "origin_closed"),
        (ClosedAt.REGION, "NL", "origin_closed"),
        (ClosedAt.SERVICE, "Rail", None),
        (ClosedAt.REGION, "DE", None),
        (ClosedAt.ZONE, "Hill land", None),
    ],
)
def test_a_closure_closes_the_place_that_it_names_and_no_other(
    db: Database, closed_at: ClosedAt, key: str, code: str | None
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        day = date(2027, 3, 9)
        session.add(
            Closure(closed_at=closed_at, key=key, first_day=day, last_day=day, reason="flood")
        )
        session.flush()
        expected = {code: "flood"} if code else {}
        assert _reasons(session, day) == expected


@pytest.mark.parametrize(
    ("closed_at", "key"), [(ClosedAt.ZONE, "Hill land"), (ClosedAt.REGION, "DE-NW")]
)
def test_nothing_is_delivered_in_a_zone_that_is_closed(
    db: Database, closed_at: ClosedAt, key: str
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        day = date(2027, 3, 8)
        before = _way(session, day, "DE").arrives_until
        session.add(
            Closure(
                closed_at=closed_at, key=key, first_day=before, last_day=before, reason="strike"
            )
        )
        session.flush()
        assert before == date(2027, 3, 10)
        assert _way(session, day, "DE").arrives_until == date(2027, 3, 11)


@pytest.mark.parametrize(("hour", "closed"), [(11, False), (13, True), (23, True)])
def test_an_order_after_noon_of_the_open_day_before_is_too_late_for_the_ship_day(
    db: Database, hour: int, closed: bool
) -> None:
    """Friday is the last open day before Monday."""
    with db.writing() as session:
        mild_nursery(session, at=date(2027, 3, 5), hour=hour)
        session.flush()
        assert ("cut_off" in _reasons(session, date(2027, 3, 8))) is closed
        assert "cut_off" not in _reasons(session, date(2027, 3, 9))


def test_the_cut_off_is_judged_by_the_clock_of_the_nursery_wherever_it_is(db: Database) -> None:
    """Noon in Christchurch, New Zealand, on a Wednesday is Tuesday night in Europe."""
    with db.writing() as session:
        here = mild_nursery(session)
        here.country, here.holiday_region, here.time_zone = "NZ", "NZ-CAN", "Pacific/Auckland"
        set_clock(session, date(2027, 3, 3), 11)
        assert now(session).date() == date(2027, 3, 2)
        assert _reasons(session, date(2027, 3, 4)) == {}
        set_clock(session, date(2027, 3, 3), 13)
        assert "cut_off" in _reasons(session, date(2027, 3, 4))


def test_a_parcel_packed_the_open_day_before_has_that_day_in_the_box(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        _service(session).pack_same_day = False
        monday = _way(session, date(2027, 3, 8))
        assert monday.leg.pack_on == date(2027, 3, 5)
        assert monday.days_in_box == 5
        assert not monday.is_open
        assert _way(session, date(2027, 3, 9)).leg.pack_on == date(2027, 3, 8)


def test_a_day_that_is_over_and_a_day_beyond_the_horizon_are_closed(db: Database) -> None:
    with db.writing() as session:
        here = mild_nursery(session)
        here.horizon_days = 30
        assert "past" in _reasons(session, date(2027, 2, 26))
        assert "horizon" in _reasons(session, date(2027, 4, 1))


@pytest.mark.parametrize("days_ago", [1, 5, 30])
def test_a_day_that_is_over_is_closed_for_that_alone_whatever_the_weather_was(
    db: Database, days_ago: int
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        tender = Ask(Limits(heat_c=12.0, frost_c=10.0, days_in_box=4), minutes=6)
        day = MONDAY - timedelta(days=days_ago)
        assert _reasons(session, day, ask=tender) == {"past": "the day is over"}


def test_a_way_whose_transit_is_not_known_well_enough_is_closed(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        _transit(session, "NL", (1, 60.0), (2, 30.0))
        assert "90.0% of parcels only" in _reasons(session, date(2027, 3, 9))["no_transit"]


def test_without_a_holiday_calendar_for_the_year_a_day_is_never_taken_as_open(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        (reason,) = _reasons(session, date(2150, 3, 2)).items()
        assert reason[0] == "no_calendar"
        assert "no holiday calendar" in reason[1]


def test_packing_minutes_of_a_ship_day_can_be_used_up(db: Database) -> None:
    with db.writing() as session:
        here = mild_nursery(session)
        day = date(2027, 3, 9)
        here.packing_minutes_a_day = 5
        assert "5 packing minutes left, 6 needed" in _reasons(session, day)["packing_full"]
        session.add(ShipDay(day=day, minutes=6))
        session.flush()
        assert _reasons(session, day) == {}
        session.add(ShipDay(day=day + timedelta(days=1), minutes=None))
        session.flush()
        assert "packing_full" in _reasons(session, day + timedelta(days=1))


@pytest.mark.parametrize(
    ("window", "is_open"),
    [
        (Window(), True),
        (Window(not_before=date(2027, 3, 10)), True),
        (Window(not_before=date(2027, 3, 11)), False),
        (Window(not_after=date(2027, 3, 11)), True),
        (Window(not_after=date(2027, 3, 10)), False),
    ],
)
def test_the_whole_range_of_arrival_must_lie_in_the_customers_window(
    db: Database, window: Window, is_open: bool
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        way = _way(session, date(2027, 3, 9), ask=Ask(HARDY, 6, window))
        assert (way.arrives_from, way.arrives_until) == (date(2027, 3, 10), date(2027, 3, 11))
        assert way.is_open is is_open


def _forecast(
    session: Session, station: int, day: date, low: float, high: float, hours_old: float = 1
) -> None:
    issued = now(session) - timedelta(hours=hours_old)
    session.add(Forecast(station_id=station, day=day, issued_at=issued, min_c=low, max_c=high))
    session.flush()


@pytest.mark.parametrize(
    ("low", "high", "codes"),
    [
        (5.0, 27.9, set()),
        (5.0, 28.0, {"heat"}),
        (-2.9, 9.0, set()),
        (-3.0, 9.0, {"frost"}),
        (-5.0, 31.0, {"heat", "frost"}),
    ],
)
@pytest.mark.parametrize("days_on", [0, 2, 3])
def test_a_forecast_at_the_limit_on_any_day_to_the_day_after_arrival_is_a_hold(
    db: Database, low: float, high: float, codes: set[str], days_on: int
) -> None:
    with db.writing() as session:
        here = mild_nursery(session)
        assert here.station_id is not None
        ship_on = date(2027, 3, 9)  # arrives on the 10th or 11th: judged up to the 12th
        _forecast(session, here.station_id, ship_on + timedelta(days=days_on), low, high)
        found = _reasons(session, ship_on)
        assert set(found) == codes
        assert all("forecast at Home" in text for text in found.values())


def test_a_forecast_for_two_days_after_arrival_holds_nothing(db: Database) -> None:
    with db.writing() as session:
        here = mild_nursery(session)
        _forecast(session, here.station_id or 0, date(2027, 3, 13), -20.0, 40.0)
        assert _reasons(session, date(2027, 3, 9)) == {}


def test_a_stale_forecast_is_no_forecast_and_of_fresh_ones_the_latest_counts(
    db: Database,
) -> None:
    with db.writing() as session:
        here = mild_nursery(session)
        station, day = here.station_id or 0, date(2027, 3, 9)
        _forecast(session, station, day, 5.0, 35.0, hours_old=37)
        assert _reasons(session, day) == {}
        _forecast(session, station, day, 5.0, 35.0, hours_old=20)
        assert set(_reasons(session, day)) == {"heat"}
        _forecast(session, station, day, 5.0, 25.0, hours_old=2)
        assert _reasons(session, day) == {}
        _forecast(session, station, day, 5.0, 35.0, hours_old=-3)  # issued in the future
        assert _reasons(session, day) == {}


def test_frost_at_the_destination_is_a_hold_as_much_as_frost_at_the_nursery(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        hills = Station(name="Hills")
        session.add(hills)
        session.flush()
        zone = session.get(Zone, _zone(session, "DE"))
        assert zone is not None and hills.id is not None
        zone.station_id = hills.id
        _forecast(session, hills.id, date(2027, 3, 10), -8.0, 2.0)
        assert "-8 °C forecast at Hills" in _reasons(session, date(2027, 3, 9), "DE")["frost"]
        assert _reasons(session, date(2027, 3, 9), "NL") == {}


def _level(session: Session, low: float, high: float, spread: float) -> None:
    """A climate that is the same all the year, so that a day's chance is known."""
    for month in session.exec(select(MonthNormal)):
        month.min_c, month.max_c, month.min_sd_c, month.max_sd_c = low, high, spread, spread
    session.flush()


def _calm(spreads: float) -> float:
    """The chance that three days in a row, correlated 0.65 from day to day, stay under so many."""
    together = [[0.65 ** abs(a - b) for b in range(3)] for a in range(3)]
    return float(stats.multivariate_normal(cov=together, seed=1).cdf([spreads] * 3))


def test_without_a_forecast_the_chance_of_a_hold_comes_from_the_normal_distribution_of_days(
    db: Database,
) -> None:
    """scipy's multivariate normal as the judge: three days, each warm or cold as the one before."""
    with db.writing() as session:
        here = mild_nursery(session)
        here.confidence_floor = 0.9
        _level(session, low=3.0, high=21.0, spread=2.4)
        way = _way(session, date(2027, 3, 9))
        calm = _calm(7.0 / 2.4) * _calm(6.0 / 2.4)
        assert way.arrives_until == date(2027, 3, 10)  # the day after it counts as well
        assert way.probability == pytest.approx(0.97 * calm, abs=2e-3)
        assert way.is_open


def test_a_hold_that_is_more_likely_than_the_nursery_risks_closes_the_day(db: Database) -> None:
    with db.writing() as session:
        here = mild_nursery(session)
        here.confidence_floor = 0.9
        _level(session, low=6.0, high=23.0, spread=2.4)
        day = date(2027, 3, 9)
        chance = 1 - _calm(5.0 / 2.4)
        assert chance < 1 - NormalDist().cdf(5.0 / 2.4) ** 3  # warm days come together
        stated = _way(session, day).heat_chance
        assert stated == pytest.approx(chance, abs=4e-3)
        assert f"{stated:.1%} chance of 28 °C or more" in _reasons(session, day)["heat"]
        here.hold_risk = 0.06
        assert _reasons(session, day) == {}


def test_a_later_last_day_of_arrival_is_promised_where_it_makes_a_sure_enough_way(
    db: Database,
) -> None:
    """98.5 % by J+2 misses the floor once the weather takes 1 %; J+3 keeps it, if the box does."""
    with db.writing() as session:
        here = mild_nursery(session)
        _level(session, low=12.0, high=20.0, spread=2.9)  # 0.29 % a day
        ask = Ask(Limits(28.0, -3.0, 2), 6)
        day = date(2027, 3, 8)
        assert set(_reasons(session, day, "DE", ask)) == {"uncertain"}
        way = _way(session, day, "DE", Ask(Limits(28.0, -3.0, 3), 6))
        assert way.is_open
        assert (way.arrives_from, way.arrives_until) == (date(2027, 3, 10), date(2027, 3, 11))
        assert way.probability >= here.confidence_floor


def test_a_place_without_a_climate_station_is_said_to_be_unjudged(db: Database) -> None:
    with db.writing() as session:
        here = mild_nursery(session)
        here.station_id = None
        zone = session.get(Zone, _zone(session, "DE"))
        assert zone is not None
        zone.station_id = None
        session.flush()
        rules = read_rules(session, [_zone(session, "DE")])
        assert len(rules.cautions) == 2
        assert all("a person must judge its weather" in said for said in rules.cautions)


def test_every_rule_that_says_no_gives_its_own_reason(db: Database) -> None:
    with db.writing() as session:
        here = mild_nursery(session, at=date(2027, 3, 5), hour=18)
        here.packing_minutes_a_day = 1
        _forecast(session, here.station_id or 0, date(2027, 3, 7), -9.0, 33.0)
        ask = Ask(Limits(28.0, -3.0, 1), 6, Window(not_after=date(2027, 3, 7)))
        assert set(_reasons(session, date(2027, 3, 6), ask=ask)) == {
            "origin_closed",
            "cut_off",
            "days_in_box",
            "heat",
            "frost",
            "packing_full",
            "window",
        }


def test_a_ship_day_closes_at_the_same_moment_on_both_sides_of_a_clock_change(
    db: Database,
) -> None:
    """Summer time begins on 28 March 2027: noon is 11:00 UTC on Friday, 10:00 UTC on Tuesday."""
    with db.writing() as session:
        mild_nursery(session)
        before = _way(session, date(2027, 3, 26)).leg.order_by
        after = _way(session, date(2027, 3, 31)).leg.order_by
    assert (before.time(), after.time()) == (time(12), time(12))
    assert before.utcoffset() == timedelta(hours=1)
    assert after.utcoffset() == timedelta(hours=2)


def test_the_site_settles_the_region_whose_holidays_close_the_origin(db: Database) -> None:
    """31 October is a holiday in Lower Saxony (DE-NI), not in North Rhine-Westphalia."""
    with db.writing() as session:
        here: Site = mild_nursery(session, at=date(2028, 10, 2))
        here.country, here.holiday_region, here.time_zone = "DE", "DE-NI", "Europe/Berlin"
        day = date(2028, 10, 31)
        assert "origin_closed" in _reasons(session, day, "DE")
        here.holiday_region = "DE-NW"
        session.flush()
        assert "origin_closed" not in _reasons(session, day, "DE")
