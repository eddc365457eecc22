"""The chance of a journey: against a textbook, another integration, made and real weather."""

from __future__ import annotations

from datetime import date, timedelta
from math import sqrt
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from numpy.typing import NDArray
from scipy import stats

from nursery.database import Database, now
from nursery.promising.hold_futures import DAY_TO_DAY, futures
from nursery.promising.hold_revisions import TOGETHER, errors_together, revisions, together
from nursery.weather import Forecast
from tests.benchmarks.heat_weather import cities
from tests.benchmarks.hold_calibration import Maker, bins, played
from tests.shop import mild_nursery

ERRORS = 1.2 + 0.35 * np.arange(10)


def test_one_forecast_gives_the_mean_and_spread_of_two_normal_variables() -> None:
    # x | f: mean m + r (f - m), spread s sqrt(1 - r), r = s^2 / (s^2 + e^2): any textbook.
    known = futures([20.0], [4.0], 1, [(0, 26.0, 1.5)], 0.5)
    r = 16 / (16 + 2.25)
    judge = NormalDist(20 + r * 6, 4 * sqrt(1 - r))
    assert known.reached(28.0, hot=True)[0] == pytest.approx(1 - judge.cdf(28.0), abs=1e-9)
    assert known.reached(22.0, hot=False)[0] == pytest.approx(judge.cdf(22.0), abs=1e-9)


@settings(deadline=None, max_examples=25)
@given(some.integers(0, 2**32 - 1), some.floats(0, 0.9), some.floats(-4, 8))
def test_the_chance_of_a_journey_is_that_of_the_multivariate_normal(
    seed: int, together: float, above: float
) -> None:
    """scipy's integration (Genz) of the distribution that is worked out here by matrices."""
    rng = np.random.default_rng(seed)
    said = 24 + 3 * rng.standard_normal(10)
    known = futures([24.0] * 12, [4.5] * 12, 12, _said(said), together)
    limit = 24 + above
    apart = np.abs(np.subtract.outer(np.arange(12), np.arange(12)))
    climate = 4.5**2 * DAY_TO_DAY**apart
    seen = climate[:10, :10] + np.outer(ERRORS, ERRORS) * together ** apart[:10, :10]
    gain = climate[:, :10] @ np.linalg.inv(seen)
    mean, left = 24 + gain @ (said - 24), climate - gain @ climate[:10, :]
    for first, end in ((0, 4), (3, 7), (8, 12)):
        part = slice(first, end)
        judge = stats.multivariate_normal(mean[part], left[part, part], seed=1)
        wanted = float(judge.cdf(np.full(end - first, limit)))
        found = known.calm(limit, hot=True).chance(first, end)
        assert found == pytest.approx(wanted, abs=0.015)


def _said(forecast: NDArray[np.float64]) -> list[tuple[int, float, float]]:
    return [(i, float(each), float(ERRORS[i])) for i, each in enumerate(forecast)]


def _lasting(rng: np.random.Generator, days: int, lasts: float) -> NDArray[np.float64]:
    """Normal variables of which each takes something of the one before it."""
    drawn = rng.standard_normal(days)
    for day in range(1, days):
        drawn[day] = lasts * drawn[day - 1] + sqrt(1 - lasts**2) * drawn[day]
    return drawn


@pytest.mark.parametrize("alike", [0.0, 0.65])
def test_in_made_weather_as_many_journeys_meet_heat_as_was_stated(alike: float) -> None:
    """2,000 spells of days and forecasts drawn with numpy; four days from the third on, 30 °C."""
    rng, stated, came = np.random.default_rng(4), [], []
    for _ in range(2000):
        days = 24 + 4.5 * _lasting(rng, 10, DAY_TO_DAY)
        forecast = days + ERRORS * _lasting(rng, 10, alike)
        known = futures([24.0] * 10, [4.5] * 10, 10, _said(forecast), alike)
        stated.append(1 - known.calm(30.0, hot=True).chance(2, 6))
        came.append(days[2:6].max() >= 30.0)
    told, true = np.array(stated), np.array(came)
    for low, high in ((0.0, 0.02), (0.02, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 1.0)):
        inside = (told >= low) & (told <= high)
        error = sqrt(max(true[inside].mean(), 0.01) / inside.sum())
        assert abs(told[inside].mean() - true[inside].mean()) <= 3 * error


def test_in_real_weather_no_more_journeys_meet_heat_or_frost_than_was_stated() -> None:
    """Seattle, whose planner knows three other years: a small `hold_calibration`."""
    city = cities()["Seattle"]
    said = [
        one
        for year in (2015,)
        for one in played(city, year, {2012, 2013, 2014, 2015} - {year}, True, 3, 12, False)
    ]
    lines = bins(said, "Seattle")
    assert len(lines) >= 7
    # one year's weather is one draw: a tenth either way
    assert all(abs(line["came"] - line["stated"]) <= 0.1 + 2 * line["error"] for line in lines)
    sure = [one for one in said if one.stated <= 0.05]
    assert len(sure) > 100 and sum(one.came for one in sure) <= 0.05 * len(sure)


def _revised(alike: float, seed: int) -> list[list[float]]:
    """How forecasts of ten days are revised on thirty mornings, day by day 1 °C."""
    rng = np.random.default_rng(seed)
    first, issues = date(2027, 5, 1), {}
    errors = {first + timedelta(days=i): np.zeros(2) for i in range(45)}
    for morning in range(30):
        today = first + timedelta(days=morning)
        steps = [_lasting(rng, 10, alike) for _ in range(2)]
        for ahead in range(10):
            day = today + timedelta(days=ahead)
            errors[day] = errors[day] + np.array([steps[0][ahead], steps[1][ahead]])
        issues[today] = {
            today + timedelta(days=i): tuple(20 + errors[today + timedelta(days=i)])
            for i in range(10)
        }
    return revisions(issues)  # type: ignore[arg-type]


def test_how_alike_neighbouring_days_err_is_seen_in_how_they_were_revised() -> None:
    for alike in (0.0, 0.65):
        seen = np.mean([together(_revised(alike, seed)) for seed in range(4)])
        assert seen == pytest.approx(alike, abs=0.15)
    assert together([]) == together([[1.0]]) == TOGETHER
    assert 0.3 < together(_revised(0.0, 8)[:4]) < TOGETHER  # two mornings prove little


@pytest.mark.parametrize(("alike", "least", "most"), [(False, 0.0, 0.2), (True, 0.35, 0.7)])
def test_errors_that_last_are_seen_though_each_comes_out_on_another_morning(
    alike: bool, least: float, most: float
) -> None:
    """Clemson's days of 1990; the error of a day is 0.65 like that of the day before it, or not."""
    days = {day: pair for day, pair in cities()["Clemson"].days.items() if day.year == 1990}
    maker = Maker(days, alike, 3)
    mornings = [date(1990, 2, 1) + timedelta(days=i) for i in range(30)]
    seen = together(revisions({morning: maker.issued(morning) for morning in mornings}))
    assert least <= seen <= most


def test_the_forecasts_of_a_station_say_how_alike_their_days_err(db: Database) -> None:
    with db.writing() as session:
        here = mild_nursery(session)
        station, at = here.station_id or 0, now(session)
        assert errors_together(session, station, at, None, 0) == TOGETHER
        for morning in range(12):
            issued = at - timedelta(days=11 - morning)
            for ahead in range(10):
                warm = (
                    12.0 + (-1) ** ahead
                )  # a warm day, a cool day; the next morning the other way round
                day = issued.date() + timedelta(days=ahead)
                session.add(
                    Forecast(station_id=station, day=day, issued_at=issued, min_c=5.0, max_c=warm)
                )
        session.flush()
        assert errors_together(session, station, at, at, 120) < 0.2
