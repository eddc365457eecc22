"""Dwell, expected lots and progress against hand computations and weather nobody here made."""

import math
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlmodel import Session, select
from vega_datasets import local_data

from nursery.batch import Batch, Quarantine
from nursery.climate import Weather
from nursery.clocks import NEVER
from nursery.crop import AreaKind, Clock, Crop, Protocol, Stage, StageKind, TrayFormat
from nursery.database import Database, today
from nursery.errors import Fault
from nursery.growing.air import Air, air_of
from nursery.growing.growth import (
    expected_lots,
    flush_left,
    last_sale_day,
    parts,
    stage_progress,
    stage_weeks,
)
from nursery.growing_area import Bench, GrowingArea
from nursery.shed.ledger import make_lot, move, record_count
from nursery.stock import Moved, Pool, Veto, VetoKind
from nursery.weather import Forecast, MonthNormal, Station, WeatherDay
from nursery.weeks import Horizon, Week
from nursery.yields import Survival, chain, chance_of_enough
from tests.builders import crop_named, set_clock, small_nursery

MONDAY = date(2027, 3, 1)
HORIZON = Horizon(Week.of(MONDAY), 26)


def growing_batch(
    session: Session, crop: Crop, plugs: int, position: int, entered: date, code: str = "G1"
) -> Batch:
    """A batch whose growing plugs are in the ledger, in the stage at this position."""
    tray = session.exec(select(TrayFormat)).one()
    protocol = crop.protocols[0]
    batch = Batch(
        code=code,
        crop_id=crop.id or 0,
        protocol_id=protocol.id or 0,
        stage_id=protocol.stages[position - 1].id or 0,
        tray_format_id=tray.id or 0,
        trays=-(-plugs // tray.cells),
        started_on=entered - timedelta(weeks=3 * (position - 1)),
        stage_entered_on=entered,
        origin_country="NL",
        quarantine=Quarantine.CLEAR,
    )
    session.add(batch)
    session.flush()
    move(session, batch, Moved.COUNTED, plugs, "builder", "started")
    return batch


def steady_air(low: float, high: float, frosts: tuple[int, ...] = ()) -> Air:
    """Air of one weather year that is the same every day, but for frost nights on some days."""
    lows = np.full((1, 900), low)
    lows[0, list(frosts)] = -2.0
    weather = Weather(MONDAY, lows, np.full((1, 900), high), "by hand")
    kinds = {kind: (1,) for kind in AreaKind if kind is not AreaKind.NONE}
    return Air(MONDAY, 900, weather, {1: weather}, kinds, "by hand")


def one_stage(
    clock: Clock, amount: float, base: float | None = None, upper: float | None = None
) -> Protocol:
    """A protocol of one stage, not stored."""
    stage = Stage(
        position=1,
        kind=StageKind.GROW_ON,
        area_kind=AreaKind.GROWING,
        clock=clock,
        clock_amount=amount,
        base_c=base,
        upper_c=upper,
    )
    return Protocol(name="by hand", stages=[stage])


@pytest.mark.parametrize(("days", "weeks"), [(0, 0), (1, 1), (7, 1), (10, 2), (21, 3), (22, 4)])
def test_a_stage_of_so_many_days_takes_its_whole_weeks_rounded_up(days: int, weeks: int) -> None:
    assert stage_weeks(steady_air(5, 15), one_stage(Clock.DAYS, days), HORIZON) == ((weeks,) * 26,)


@pytest.mark.parametrize(("celsius", "days"), [(22.5, 4), (7.5, 16)])
def test_onion_comes_up_after_80_degree_days_above_2_5(celsius: float, days: int) -> None:
    """Base 2.5 °C and 80 °C·d: 4 days at 22.5 °C, 16 at 7.5 °C (germination table of checks)."""
    protocol = one_stage(Clock.WARMTH, 80, base=2.5)
    assert stage_weeks(steady_air(celsius, celsius), protocol, HORIZON) == (
        (math.ceil(days / 7),) * 26,
    )


def test_eight_weeks_of_chill_at_5_degrees_are_eight_weeks_and_never_end_in_the_warm() -> None:
    """About 8 weeks at 5 °C for seed that needs chill: common practice, no source."""
    protocol = one_stage(Clock.CHILL, 56, base=5.0)
    assert stage_weeks(steady_air(3, 7), protocol, HORIZON) == ((8,) * 26,)
    assert stage_weeks(steady_air(6, 9), protocol, HORIZON) == ((NEVER,) * 26,)


def test_a_frost_night_does_not_count_towards_hardening_off() -> None:
    protocol = one_stage(Clock.HARDENING, 7, base=2.0, upper=25.0)
    assert stage_weeks(steady_air(4, 15), protocol, HORIZON)[0][0] == 1
    assert stage_weeks(steady_air(4, 15, frosts=(3,)), protocol, HORIZON)[0][:2] == (2, 1)


@settings(deadline=None, max_examples=40)
@given(
    low=st.floats(-5, 20),
    swing=st.floats(0, 15),
    warmer=st.floats(0, 10),
    amount=st.floats(1, 600),
)
def test_what_stands_warmer_is_never_slower(
    low: float, swing: float, warmer: float, amount: float
) -> None:
    protocol = one_stage(Clock.WARMTH, amount, base=4.0)
    cool = stage_weeks(steady_air(low, low + swing), protocol, HORIZON)[0]
    warm = stage_weeks(steady_air(low + warmer, low + swing + warmer), protocol, HORIZON)[0]
    assert all(w <= c for w, c in zip(warm, cool, strict=True))


def test_growing_on_takes_longer_from_early_march_than_in_high_summer(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        air = air_of(session, today(session))
        weeks = stage_weeks(air, crop_named(session, "Caltha palustris").protocols[0], HORIZON)
    assert [len(row) for row in weeks] == [26, 26, 26]
    assert weeks[0] == (3,) * 26
    assert weeks[1][0] > weeks[1][9] > weeks[1][17]
    leaves = [week + stay for week, stay in enumerate(weeks[1])]
    assert all(later >= sooner - 1 for sooner, later in pairwise(leaves))


def test_of_two_houses_of_one_kind_the_slower_one_is_planned_with(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        protocol = crop_named(session, "Caltha palustris").protocols[0]
        before = stage_weeks(air_of(session, MONDAY), protocol, HORIZON)[1]
        cold = GrowingArea(name="Cold house", kind=AreaKind.GROWING, sink_c=4.0, coupling=0.3)
        session.add(cold)
        session.flush()
        with_cold = stage_weeks(air_of(session, MONDAY), protocol, HORIZON)[1]
        cold.sink_c, cold.coupling = 22.0, 0.2
        session.flush()
        with_warm = stage_weeks(air_of(session, MONDAY), protocol, HORIZON)[1]
    assert all(a > b for a, b in zip(with_cold, before, strict=True))
    assert with_warm == before


def test_a_safe_dwell_is_never_shorter_than_the_expected_one(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        protocol = crop_named(session, "Caltha palustris").protocols[0]
        air = air_of(session, MONDAY)
        expected, safe = (stage_weeks(air, protocol, HORIZON, q) for q in (0.5, 0.9))
    pairs = [p for a, b in zip(expected, safe, strict=True) for p in zip(a, b, strict=True)]
    assert all(a <= b for a, b in pairs)
    assert any(a < b for a, b in pairs)


def test_a_site_without_weather_can_plan_stages_that_count_days_and_says_so_of_others(
    db: Database,
) -> None:
    with db.writing() as session:
        site = small_nursery(session)
        site.station_id = None
        session.flush()
        air = air_of(session, MONDAY)
        protocol = crop_named(session, "Caltha palustris").protocols[0]
        assert stage_weeks(air, one_stage(Clock.DAYS, 14), HORIZON) == ((2,) * 26,)
        with pytest.raises(Fault, match="temperatures of the site's station"):
            stage_weeks(air, protocol, HORIZON)


def test_the_weather_of_seattle_ripens_a_stage_as_an_integrated_sine_says(db: Database) -> None:
    """Seattle 2012 to 2015 (vega_datasets); degree-days here by integrating the sine by minutes."""
    seattle = local_data.seattle_weather()
    seattle["day"] = pd.to_datetime(seattle["date"]).dt.date
    with db.writing() as session:
        site = small_nursery(session, at=date(2016, 4, 4))
        site.station_id = load_days(session, "Seattle", seattle)
        session.flush()
        air = air_of(session, date(2016, 4, 4))
        horizon = Horizon(Week.of(date(2016, 4, 4)), 4)
        found = stage_weeks(air, one_stage(Clock.WARMTH, 300, base=10.0), horizon, 0.5)
        session.rollback()
    assert air.source == "observed years"
    assert air.outside is not None and air.outside.years == 4
    lows = {row.day: row.temp_min for row in seattle.itertuples()}
    highs = {row.day: row.temp_max for row in seattle.itertuples()}
    for index, monday in enumerate(horizon.all_weeks()):
        took = []
        for year in (2012, 2013, 2014, 2015):
            day = monday.monday().replace(year=year)
            total, days = 0.0, 0
            while total < 300:
                low, high = felt_in_long_house(lows[day]), felt_in_long_house(highs[day])
                total += sine_warmth(low, high, 10.0)
                days, day = days + 1, day + timedelta(days=1)
            took.append(days)
        assert found[0][index] == math.ceil(sorted(took)[1] / 7)


def felt_in_long_house(celsius: float) -> float:
    """The small nursery's Long house: 12 °C sink, coupling 0.6, from its definition."""
    return 12.0 + 0.6 * (celsius - 12.0)


def sine_warmth(low: float, high: float, base: float) -> float:
    minutes = (np.arange(1440) + 0.5) / 1440
    curve = (low + high) / 2 + (high - low) / 2 * np.sin(2 * np.pi * minutes)
    return float(np.maximum(curve - base, 0).mean())


def load_days(session: Session, name: str, frame: pd.DataFrame) -> int:
    station = Station(name=name)
    session.add(station)
    session.flush()
    assert station.id is not None
    session.add_all(
        WeatherDay(station_id=station.id, day=row.day, min_c=row.temp_min, max_c=row.temp_max)
        for row in frame.itertuples()
    )
    session.flush()
    return station.id


def test_fewer_than_three_whole_years_are_not_taken_for_all_the_weather_there_is(
    db: Database,
) -> None:
    seattle = local_data.seattle_weather()
    seattle["day"] = pd.to_datetime(seattle["date"]).dt.date
    two_years = seattle[seattle["day"] < date(2014, 1, 1)]
    with db.writing() as session:
        site = small_nursery(session, at=date(2016, 4, 4))
        site.station_id = load_days(session, "Seattle", two_years)
        session.flush()
        assert air_of(session, date(2016, 4, 4)).source == "draws from normals"


def test_weather_years_stay_the_same_from_day_to_day(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        one, two = (air_of(session, date(2027, 3, d)) for d in (1, 20))
    assert one.outside is not None and two.outside is not None
    assert np.array_equal(one.outside.t_min, two.outside.t_min)


def test_a_fresh_forecast_is_believed_in_every_weather_year_and_a_stale_one_in_none(
    db: Database,
) -> None:
    with db.writing() as session:
        site = small_nursery(session)
        noon = datetime(2027, 3, 1, 6, tzinfo=UTC)
        for issued, day, low in ((noon, 2, -9.5), (noon - timedelta(days=3), 3, -9.5)):
            session.add(
                Forecast(
                    station_id=site.station_id or 0,
                    day=date(2027, 3, day),
                    issued_at=issued,
                    min_c=low,
                    max_c=1.0,
                )
            )
        session.flush()
        air = air_of(session, MONDAY)
    assert air.outside is not None
    assert set(air.outside.t_min[:, air.day(date(2027, 3, 2))]) == {-9.5}
    assert len(set(air.outside.t_min[:, air.day(date(2027, 3, 3))])) > 1


def test_a_growing_batch_is_expected_by_flush_with_safe_dates_and_safe_quantities(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, "Caltha palustris")
        growing_batch(session, crop, 900, 2, date(2027, 2, 22))
        first, second = expected_lots(session, MONDAY)
        pool = session.exec(select(Pool).where(Pool.crop_id == crop.id)).one()
    together = chain([Survival(0.92, 0.02), Survival(0.97, 0.02)])
    total = first.plugs + second.plugs
    assert chance_of_enough(total, 900, together) >= crop.service_level
    assert chance_of_enough(total + 1, 900, together) < crop.service_level
    assert first.plugs == int(total * 0.7 + 1e-9)
    assert first.expected_plugs + second.expected_plugs == int(900 * 0.92 * 0.97)
    assert first.ready_on > first.expected_ready_on > MONDAY
    assert second.ready_on == first.ready_on + timedelta(days=7)
    assert first.last_sale_on <= last_sale_day(crop, first.ready_on)
    assert (first.pool_id, first.clear, first.vetoed) == (pool.id, True, False)


def test_plugs_already_set_aside_as_ready_are_not_expected_again(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, "Caltha palustris")
        batch = growing_batch(session, crop, 1000, 3, date(2027, 2, 15))
        pool = session.exec(select(Pool).where(Pool.crop_id == crop.id)).one()
        make_lot(session, batch, pool, 700, MONDAY, last_sale_day(crop, MONDAY), "Ada")
        batch.ready_on = MONDAY
        session.flush()
        (lot,) = expected_lots(session, MONDAY)
    assert lot.flush == 1
    assert lot.plugs == lot.expected_plugs == 300
    assert lot.ready_on == MONDAY + timedelta(days=7)


def test_a_batch_that_is_overdue_is_looked_for_a_week_from_now(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        growing_batch(session, crop_named(session, "Caltha palustris"), 208, 3, date(2026, 6, 1))
        first = expected_lots(session, MONDAY)[0]
        (progress,) = stage_progress(session, MONDAY)
    assert first.ready_on == MONDAY + timedelta(days=7)
    assert first.expected_ready_on == MONDAY
    assert progress.days_behind > 200
    assert progress.done == 1.0


def test_a_batch_under_a_veto_or_of_unknown_health_is_listed_and_may_not_be_promised(
    db: Database,
) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, "Caltha palustris")
        good = growing_batch(session, crop, 104, 2, MONDAY, "GOOD")
        held = growing_batch(session, crop, 104, 2, MONDAY, "HELD")
        unknown = growing_batch(session, crop, 104, 2, MONDAY, "UNKNOWN")
        unknown.quarantine = Quarantine.UNKNOWN
        session.add(
            Veto(
                batch_id=held.id or 0,
                kind=VetoKind.RE_ENTRY,
                reason="treated",
                set_by="Lea",
                set_at=datetime(2027, 3, 1, tzinfo=UTC),
            )
        )
        session.flush()
        lots = expected_lots(session, MONDAY)
    assert {lot.batch_code: lot.may_be_promised for lot in lots} == {
        good.code: True,
        held.code: False,
        unknown.code: False,
    }


def test_a_count_settles_what_was_lost_before_it(db: Database) -> None:
    """Of a stage that was counted near its end, only the losses still to come are expected."""
    with db.writing() as session:
        small_nursery(session, at=MONDAY)
        crop = crop_named(session, "Caltha palustris")
        growing_batch(session, crop, 500, 1, MONDAY, "UNCOUNTED")
        counted = growing_batch(session, crop, 500, 1, MONDAY, "COUNTED")
        set_clock(session, date(2027, 3, 19))
        record_count(session, counted, 500, "Ada", datetime(2027, 3, 18, 9, tzinfo=UTC))
        plugs = {"UNCOUNTED": 0, "COUNTED": 0}
        for lot in expected_lots(session, date(2027, 3, 19)):
            plugs[lot.batch_code] += lot.expected_plugs
    assert plugs["UNCOUNTED"] == int(500 * 0.9 * 0.92 * 0.97)
    assert plugs["UNCOUNTED"] < plugs["COUNTED"] <= int(500 * 0.92 * 0.97)


def test_progress_says_which_stage_a_batch_should_be_in_by_now(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session, at=date(2027, 5, 31))
        crop = crop_named(session, "Caltha palustris")
        growing_batch(session, crop, 104, 1, date(2027, 5, 24), "ON TIME")
        growing_batch(session, crop, 104, 1, date(2027, 3, 1), "FORGOTTEN")
        forgotten, on_time = stage_progress(session, date(2027, 5, 31))
    assert (on_time.stage, on_time.expected_stage) == (StageKind.STRIKE, StageKind.STRIKE)
    assert on_time.ends_on == date(2027, 5, 24) + timedelta(days=21)
    assert on_time.done == pytest.approx(7 / 21)
    assert forgotten.expected_position > forgotten.position
    assert forgotten.days_behind == (date(2027, 5, 31) - date(2027, 3, 22)).days


def test_a_batch_on_a_bench_feels_the_air_of_that_bench(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        crop = crop_named(session, "Caltha palustris")
        warm = GrowingArea(name="Warm house", kind=AreaKind.GROWING, sink_c=22.0, coupling=0.1)
        warm.benches = [Bench(name="Warm 1", places=10)]
        session.add(warm)
        session.flush()
        growing_batch(session, crop, 104, 2, MONDAY, "SOMEWHERE")
        growing_batch(session, crop, 104, 2, MONDAY, "WARM").bench_id = warm.benches[0].id
        session.flush()
        lots = {lot.batch_code: lot for lot in expected_lots(session, MONDAY) if lot.flush == 0}
    assert lots["WARM"].ready_on < lots["SOMEWHERE"].ready_on


def test_only_the_crops_asked_for_are_looked_at(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        first, second = session.exec(select(Crop).order_by(Crop.id)).all()  # type: ignore[arg-type]
        growing_batch(session, first, 104, 2, MONDAY, "A")
        growing_batch(session, second, 104, 2, MONDAY, "B")
        assert {lot.batch_code for lot in expected_lots(session, MONDAY, [second.id or 0])} == {"B"}


@given(
    plugs=st.integers(0, 5000),
    shares=st.lists(st.integers(1, 50), min_size=1, max_size=6),
)
def test_parts_by_flush_sum_to_the_whole(plugs: int, shares: list[int]) -> None:
    whole = parts(plugs, [share / sum(shares) for share in shares])
    assert sum(whole) == plugs
    assert min(whole) >= 0


@pytest.mark.parametrize(
    ("growing", "made", "left"),
    [
        (1000, 0, (0.7, 0.2, 0.1)),
        (300, 700, (2 / 3, 1 / 3)),
        (100, 900, (1.0,)),
        (650, 350, (0.35 / 0.65, 0.2 / 0.65, 0.1 / 0.65)),
        (1, 999, (1.0,)),
    ],
)
def test_the_flush_is_used_up_from_its_first_week(
    growing: int, made: int, left: tuple[float, ...]
) -> None:
    assert flush_left((0.7, 0.2, 0.1), growing, made) == pytest.approx(left, abs=1e-6)


def test_a_life_of_four_weeks_from_a_monday_ends_on_a_sunday(db: Database) -> None:
    assert last_sale_day(Crop(botanical_name="Caltha palustris"), MONDAY) == date(2027, 3, 28)


def test_normals_of_the_station_are_twelve_or_a_fault_names_them(db: Database) -> None:
    with db.writing() as session:
        small_nursery(session)
        july = session.exec(select(MonthNormal).where(MonthNormal.month == 7)).one()
        session.delete(july)
        session.flush()
        with pytest.raises(Fault, match="twelve months"):
            air_of(session, MONDAY)
        session.rollback()
