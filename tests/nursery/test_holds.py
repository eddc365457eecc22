"""Heat and frost holds: what a forecast is worth, caution, the way, warm vehicles, a person."""

from datetime import date, timedelta
from statistics import NormalDist

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from sqlmodel import Session, select

from nursery.carrier import CarrierService, Zone
from nursery.climate import Dates, Floats, Normals, chance_hotter
from nursery.database import Database, now
from nursery.dispatching.dispatch import plan_dispatch
from nursery.dispatching.dispatch_why import Verdict, why_order
from nursery.errors import Fault, Refused
from nursery.growing_area import Site
from nursery.order import EventKind, Promise, PromiseEvent
from nursery.promising.basket import Limits
from nursery.promising.holds import AS_GOOD_AS_SURE, ForecastError, Outlook, StationOutlook
from nursery.promising.promise import confirm, reserve
from nursery.promising.quote import quote
from nursery.promising.ship_days import Ask, Reason, Way, judge, read_rules
from nursery.shed.pick_sheet import pick_sheet
from nursery.weather import Forecast, HoldDecision, MonthNormal, Station, WayStation
from nursery.weather_in.decisions import decide_days, withdraw_decision
from nursery.week.warnings import Warning, WarningKind, warnings
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
    """27.5 °C today, standard deviation 1.2, nothing known of the climate: Python's NormalDist."""
    station = StationOutlook("Home", None, {TODAY: (12.0, 27.5)}, {TODAY: 1.2})
    found = _weigh(Outlook(TODAY, 60, {1: station}), Limits(28.0, -3.0, 4), TODAY)
    assert found.chance == pytest.approx(1 - NormalDist(27.5, 1.2).cdf(28.0), abs=1e-6)
    assert found.closes(0.02) and not found.moves(0.02, days_to_packing=2)


def test_a_journey_is_one_chance_that_its_days_share_and_stations_are_two() -> None:
    """Warm days come together, and their forecasts err together."""
    limits = Limits(28.0, -3.0, 4)
    outlook = _outlook([26.0] * 4, USUAL)
    days = [_weigh_days(outlook, limits, i, 1) for i in range(3)]
    journey = _weigh_days(outlook, limits, 0, 3)
    apart = 1 - (1 - days[0]) * (1 - days[1]) * (1 - days[2])
    assert max(days) < journey < apart
    home = outlook.stations[1]
    both = Outlook(TODAY, 60, {1: home, 2: home}).weigh(
        frozenset({1, 2}), limits, TODAY, TODAY + timedelta(days=1)
    )[0]
    assert both.chance == pytest.approx(1 - (1 - journey) ** 2)


def _weigh_days(outlook: Outlook, limits: Limits, first: int, many: int) -> float:
    """The chance of heat on so many days (a journey ends a day after the arrival)."""
    ship_on = TODAY + timedelta(days=first)
    return outlook.holds(frozenset({1}), limits, ship_on, ship_on + timedelta(days=many - 2))[0]


def test_a_forecast_that_stands_out_from_the_days_beside_it_counts_less() -> None:
    limits = Limits(28.0, -3.0, 4)
    alone = _weigh_days(_outlook([18.0, 18.0, 18.0, 27.0, 18.0, 18.0], USUAL), limits, 3, 1)
    among = _weigh_days(_outlook([27.0] * 6, USUAL), limits, 3, 1)
    assert alone < among / 2


def test_a_heat_that_was_never_seen_is_not_explained_away_by_the_climate() -> None:
    """It gets warmer every day, to 33 °C in five days, where 20 °C with 4 °C of spread is
    usual."""
    outlook = _outlook([18.0, 21.0, 24.0, 28.0, 31.0, 33.0], USUAL)
    found = _weigh(outlook, Limits(32.0, -3.0, 4), TODAY + timedelta(days=5))
    assert found.chance > 0.1 and found.closes(0.1)


def test_no_forecast_is_taken_to_be_worse_than_the_climate() -> None:
    """An error of 1,000 °C says nothing; days there spread by 4 °C only."""
    day = TODAY + timedelta(days=30)
    station = StationOutlook("Home", MILD, {day: (12.0, 20.0)}, {day: 1000.0}, None)
    outlook = Outlook(TODAY, 60, {1: station})
    by_climate = Outlook(TODAY, 60, {1: StationOutlook("Home", MILD, {})})
    limits = Limits(28.0, -3.0, 4)
    assert _weigh(outlook, limits, day).chance == pytest.approx(
        _weigh(by_climate, limits, day).chance, abs=1e-4
    )


def test_the_caution_band_neither_closes_a_day_nor_moves_a_promise() -> None:
    careless, careful = Limits(28.0, -3.0, 4), Limits(28.0, -3.0, 4, caution_c=3.0)
    outlook = _outlook([25.5, 15.0, 15.0], ForecastError(0.3, 0.0))
    plain, cautious = (_weigh(outlook, each, TODAY) for each in (careless, careful))
    assert plain == cautious and not cautious.closes(0.02)


def test_a_forecast_in_the_caution_band_is_told_where_its_parcel_is_asked_about(
    db: Database,
) -> None:
    with db.writing() as session:
        mild_nursery(session)
        best = next(o for o in quote(session, caltha(1), HERE).options if o.ship_on == SHIP_ON)
        made = reserve(session, "O-1", caltha(1), HERE, best.ship_on, best.service, "shop")
        confirm(session, made.id or 0, "shop")
        set_clock(session, SHIP_ON - timedelta(days=3))
        said = "caution, 27.2 °C forecast at Home on 2027-03-09, its plants stand less than 28 °C"
        _said(session, _days(26.9))
        assert not _told(session)
        _said(session, _days(27.2), hours_old=0.05)
        assert [one for one in _told(session) if said in one.text]
        assert f"by {best.service}; {said}" in _its_day(session)
        assert _judged(session).is_open
        (slip,) = pick_sheet(session, SHIP_ON).slips
        (minded,) = slip.minded
        assert minded.startswith(f"{said}: water well the evening before")
        _said(session, {SHIP_ON: 26.9}, hours_old=0.01)
        assert pick_sheet(session, SHIP_ON).slips[0].minded == ()


def test_the_lead_is_told_how_many_promises_stand_on_a_day_that_may_close_and_by_when_to_act(
    db: Database,
) -> None:
    with db.writing() as session:
        _uncertain(session)
        service = quote(session, caltha(1), HERE).options[0].service
        for number, many in enumerate((1, 2)):
            made = reserve(session, f"O-{number}", caltha(many), HERE, SHIP_ON, service, "shop")
            confirm(session, made.id or 0, "shop")
        set_clock(session, SHIP_ON - timedelta(days=4))
        _said(session, _days(28.4))
        (told,) = [one for one in warnings(session) if one.kind is WarningKind.HEAT]
        assert told.thing == "order O-0, O-1"
        assert told.text.startswith("leaves on Tue 09 Mar to Low land: 28.4 °C forecast at Home")
        assert told.text.endswith("2.0% is risked; 2 promises, 18 plugs (CP-6)")
        eve = SHIP_ON - timedelta(days=1)
        assert told.latest_day == eve and told.what_to_do.endswith("look again on Mon 08 Mar")
        _said(session, _days(36.0), hours_old=0.05)
        (told,) = [one for one in warnings(session) if one.kind is WarningKind.HEAT]
        assert told.latest_day == SHIP_ON - timedelta(days=4)
        assert told.what_to_do == "run the dispatch today for a new day, and tell the customer"


def test_a_promise_that_keeps_its_day_though_none_would_get_it_is_told_as_that(
    db: Database,
) -> None:
    with db.writing() as session:
        _uncertain(session)
        best = next(o for o in quote(session, caltha(1), HERE).options if o.ship_on == SHIP_ON)
        made = reserve(session, "O-1", caltha(1), HERE, best.ship_on, best.service, "shop")
        confirm(session, made.id or 0, "shop")
        set_clock(session, SHIP_ON - timedelta(days=3))
        _said(session, _days(28.4))
        reason = _reason(session)
        assert reason.kept and "2.0% is risked" in reason.text
        (told,) = [one for one in _told(session) if reason.text in one.text]
        assert "until the eve of packing" in told.what_to_do
        assert f"{reason.text}: it keeps its day until the eve of packing" in _its_day(session)
        set_clock(session, SHIP_ON - timedelta(days=1))
        _said(session, _days(28.4))
        (told,) = [one for one in _told(session) if _reason(session).text in one.text]
        assert "run the dispatch" in told.what_to_do


def _told(session: Session) -> list[Warning]:
    """Warnings of heat on the way of order O-1."""
    found = warnings(session)
    return [one for one in found if one.kind is WarningKind.HEAT and one.thing == "order O-1"]


def _its_day(session: Session) -> str:
    (order,) = why_order(session, "O-1")
    return next(one.text for one in order.days if one.verdict is Verdict.ITS_DAY)


def test_vehicles_warmer_than_the_air_are_hot_sooner_but_keep_no_frost_off() -> None:
    outlook = _outlook([24.0, 15.0, 15.0], ForecastError())
    limits = Limits(28.0, 12.0, 4)
    assert _weigh(outlook, limits, TODAY).chance < 0.03
    assert _weigh(outlook, limits, TODAY, warmer=4.0).chance == pytest.approx(1.0)
    frost = outlook.weigh(frozenset({1}), limits, TODAY, TODAY, 10.0)[1]
    assert frost.chance == pytest.approx(1.0)


@settings(deadline=None, max_examples=40)
@given(
    base=some.floats(15, 40),
    wobbles=some.lists(some.lists(some.floats(-0.5, 0.5), min_size=4, max_size=4), min_size=7,
                       max_size=7),
)  # fmt: skip
def test_forecasts_that_wobble_never_turn_a_promise_twice_before_the_eve(
    base: float, wobbles: list[list[float]]
) -> None:
    """Every morning from eight days before the ship day to two another forecast comes.

    A promise is moved where the weather moves it, and would go back to its day only where that is
    open to anybody: that never happens while forecasts wobble by 1 °C. On the eve the risk decides.
    """
    limits, ship_on = Limits(28.0, -3.0, 4), TODAY + timedelta(days=8)
    held, turns = False, 0
    for ahead, wobble in enumerate(wobbles):
        today = TODAY + timedelta(days=ahead)
        before = [18.0] * (ship_on - today).days
        outlook = _outlook([*before, *(base + each for each in wobble)], USUAL, today)
        found = _weigh(outlook, limits, ship_on)
        turn = not found.closes(0.02) if held else found.moves(0.02, (ship_on - today).days)
        held, turns = held != turn, turns + turn
    assert turns <= 1


@settings(deadline=None, max_examples=50)
@given(some.lists(some.floats(10, 40), min_size=4, max_size=4), some.integers(2, 9))
def test_before_the_eve_a_promise_is_moved_only_by_what_is_as_good_as_sure(
    highs: list[float], ahead: int
) -> None:
    ship_on = TODAY + timedelta(days=ahead)
    outlook = _outlook([18.0] * ahead + highs, USUAL)
    found = _weigh(outlook, Limits(28.0, -3.0, 4), ship_on)
    assert found.moves(0.02, ahead) is (found.chance >= AS_GOOD_AS_SURE)
    assert found.moves(0.02, 1) is found.closes(0.02)


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


def test_a_promise_is_moved_once_and_keeps_its_day_while_forecasts_waver(
    either_db: Database,
) -> None:
    """Forecasts of its ship day on seven mornings; the dispatch is planned on each of them."""
    with either_db.writing() as session:
        _uncertain(session)
        best = next(o for o in quote(session, caltha(1), HERE).options if o.ship_on == SHIP_ON)
        made = reserve(session, "O-1", caltha(1), HERE, best.ship_on, best.service, "shop")
        confirm(session, made.id or 0, "shop")
    seen = []
    for ahead, high in enumerate([26.5, 28.2, 27.0, 28.4, 27.4, 33.0, 26.9]):
        with either_db.writing() as session:
            set_clock(session, MONDAY + timedelta(days=ahead))
            _said(session, _days(high))
        plan_dispatch(either_db, Time(2.0, threads=1), "Lea")
        with either_db.reading() as session:
            seen.append(session.exec(select(Promise.ship_on)).one())
    assert seen[:5] == [SHIP_ON] * 5  # over the limit, but never as good as sure
    assert seen[5] > SHIP_ON
    assert seen[6] == seen[5]
    with either_db.reading() as session:
        kinds = session.exec(select(PromiseEvent.kind)).all()
    assert kinds.count(EventKind.RE_DATED) == 1


def test_on_the_eve_of_packing_the_risk_itself_decides_whether_a_promise_keeps_its_day(
    either_db: Database,
) -> None:
    with either_db.writing() as session:
        _uncertain(session)
        set_clock(session, SHIP_ON - timedelta(days=2))
        _said(session, _days(27.2))
        assert _reason(session).kept
        set_clock(session, SHIP_ON - timedelta(days=1))
        _said(session, _days(27.2))
        assert not _reason(session).kept


def test_a_hold_by_a_forecast_says_how_likely_it_is_and_what_is_risked(either_db: Database) -> None:
    with either_db.writing() as session:
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


def test_where_nothing_tells_the_weather_a_person_is_asked_to_judge_it(db: Database) -> None:
    with db.writing() as session:
        mild_nursery(session)
        for month in session.exec(select(MonthNormal)):
            session.delete(month)
        said = "Station Home has no normals and no fresh forecast: a person must judge its weather"
        assert said in quote(session, caltha(1), HERE).cautions
        _said(session, _days(10.0, 10.0))
        (caution,) = quote(session, caltha(1), HERE).cautions
        assert "only its forecast is judged, to 2027-03-10; a person must judge" in caution


def test_a_season_of_held_days_works_the_normals_out_once_for_each_limit(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[float] = []

    def counted(normals: Normals, dates: Dates, limit_c: float) -> Floats:
        asked.append(limit_c)
        return chance_hotter(normals, dates, limit_c)

    monkeypatch.setattr("nursery.promising.holds.chance_hotter", counted)
    with db.writing() as session:
        mild_nursery(session)
        for month in session.exec(select(MonthNormal)):
            month.max_c, month.max_sd_c = 25.0, 3.0
        closed = quote(session, caltha(1), HERE).closed_days
        held = [day for day in closed if any(why.code == "heat" for why in day.reasons)]
        assert len(held) > 50 and asked == [28.0]


def test_the_weather_at_a_depot_on_the_way_counts_as_well(either_db: Database) -> None:
    with either_db.writing() as session:
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
    either_db: Database,
) -> None:
    with either_db.writing() as session:
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
    either_db: Database,
) -> None:
    with either_db.writing() as session:
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
