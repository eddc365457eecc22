"""How long stages take: against published dwell, day-by-day counting and real weather."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest
import vega_datasets
from hypothesis import given, settings
from hypothesis import strategies as st

from nursery.climate import AreaAir, Weather, degree_days, felt_weather, observed_weather
from nursery.clocks import (
    EXPECTED,
    KINDS,
    NEVER,
    SAFE,
    StageClock,
    dwell_days,
    passage_days,
    quantile_days,
    weeks_of_dwell,
)
from nursery.errors import Fault


def steady(low: float, high: float, days: int = 60, years: int = 1) -> Weather:
    return Weather(
        date(2027, 1, 4), np.full((years, days), low), np.full((years, days), high), "steady"
    )


@pytest.fixture(scope="module")
def seattle() -> Weather:
    """Four observed years from Monday 2027-01-04, 900 days (vega_datasets, NOAA)."""
    days = vega_datasets.data.seattle_weather()
    dates = days.date.to_numpy().astype("datetime64[D]")
    return observed_weather(dates, days.temp_min, days.temp_max, date(2027, 1, 4), 900)


def test_onion_seed_takes_4_days_at_22_5_and_16_days_at_7_5_degrees() -> None:
    # Brewster, Onions and Other Vegetable Alliums, eq. 4.6 (data of Harrington 1962): base 2.5 °C,
    # 80 °C·d.
    onion = StageClock("warmth", 80, base_c=2.5)
    assert dwell_days(onion, steady(22.5, 22.5), 0).tolist() == [[4]]
    assert dwell_days(onion, steady(7.5, 7.5), 0).tolist() == [[16]]


@pytest.mark.parametrize(("t_f", "days"), [(50, 15), (59, 9), (68, 6), (77, 5), (86, 4)])
def test_cabbage_emerges_within_a_day_of_the_handbooks_time(t_f: float, days: int) -> None:
    # Harrington & Minges (1954) in Knott's Handbook for Vegetable Growers; base and sum fitted to
    # the same table by least squares of 1/days on °C.
    cabbage = StageClock("warmth", 109.76, base_c=2.561)
    t_c = (t_f - 32) / 1.8
    assert abs(int(dwell_days(cabbage, steady(t_c, t_c), 0)[0, 0]) - days) <= 1


def counted(clock: StageClock, weather: Weather, year: int, entry: int) -> int:
    """Day by day, with a plain loop."""
    gained, days = 0.0, 0
    while gained < clock.amount - 1e-9:
        if entry + days >= weather.days and clock.kind != "days":
            return NEVER
        if clock.kind == "days":
            gained += 1
        else:
            low, high = weather.t_min[year, entry + days], weather.t_max[year, entry + days]
            base, upper = clock.base_c or 0.0, clock.upper_c
            if clock.kind == "warmth":
                gained += float(degree_days(low, high, base, upper))
            elif clock.kind == "chill":
                gained += (low + high) / 2 <= base
            else:
                fine = low >= max(base, 0.0) and high <= (np.inf if upper is None else upper)
                gained += fine
        days += 1
    return days


CLOCKS = st.builds(
    StageClock,
    st.sampled_from(KINDS),
    st.integers(0, 80),
    st.floats(-1, 8),
    st.one_of(st.none(), st.floats(12, 30)),
)


@given(CLOCKS, st.integers(0, 950), st.integers(0, 3))
@settings(deadline=None, max_examples=120)
def test_dwell_equals_counting_day_by_day(
    seattle: Weather, clock: StageClock, entry: int, year: int
) -> None:
    if entry <= seattle.days:
        found = int(dwell_days(clock, seattle, entry)[year, 0])
        assert found == counted(clock, seattle, year, entry)
    elif clock.kind != "days":
        assert dwell_days(clock, seattle, entry)[year, 0] == NEVER


@given(st.integers(0, 500), st.floats(1, 400))
@settings(deadline=None, max_examples=60)
def test_a_batch_started_later_is_never_ready_earlier(
    seattle: Weather, entry: int, amount: float
) -> None:
    clock = StageClock("warmth", amount, base_c=4)
    ends = np.array([entry, entry + 1]) + dwell_days(clock, seattle, [entry, entry + 1])
    assert (ends[:, 0] <= ends[:, 1]).all()


def test_the_safe_dwell_is_never_shorter_than_the_expected_one(seattle: Weather) -> None:
    mondays = np.arange(0, 364, 7)
    dwell = dwell_days(StageClock("warmth", 400, 5), seattle, mondays)
    assert (quantile_days(dwell, SAFE) >= quantile_days(dwell, EXPECTED)).all()
    assert quantile_days(dwell, 1.0).tolist() == dwell.max(axis=0).tolist()
    assert quantile_days(np.array([[3], [4], [9], [10]]), 0.5).tolist() == [4]


def test_winter_starts_take_longer_than_summer_starts_outdoors_but_not_by_the_calendar(
    seattle: Weather,
) -> None:
    warmth, fixed = StageClock("warmth", 300, 5), StageClock("days", 45)
    weeks = weeks_of_dwell([(warmth, seattle), (fixed, seattle)], [0, 180], EXPECTED)
    assert weeks[0, 0] > 1.5 * weeks[0, 1]
    assert weeks[1].tolist() == [7, 7]  # 45 days, rounded up to whole weeks


def test_a_heated_floor_shortens_the_winter_dwell(seattle: Weather) -> None:
    warmth = StageClock("warmth", 300, 5)
    heated = felt_weather(AreaAir(floor_c=15), seattle)
    outside, inside = weeks_of_dwell([(warmth, seattle), (warmth, heated)], 0, SAFE)
    assert inside[0] < outside[0]


def test_chill_is_had_in_winter_and_not_in_summer(seattle: Weather) -> None:
    chill = StageClock("chill", 30, base_c=7)
    winter, summer = quantile_days(dwell_days(chill, seattle, [300, 170]), EXPECTED)
    assert winter < 70
    assert summer > 120


def test_a_frost_day_does_not_count_towards_hardening() -> None:
    frosty = steady(5, 15, 20)
    frosty.t_min[0, 3:5] = -1
    for lowest in (None, -4.0):
        assert dwell_days(StageClock("hardening", 7, lowest, 22), frosty, 0).tolist() == [[9]]
    frosty.t_max[0, 8] = 23  # too hot a day does not count either
    assert dwell_days(StageClock("hardening", 7, 2, 22), frosty, 0).tolist() == [[10]]


def test_a_stage_that_cannot_end_says_never() -> None:
    cold = steady(-5, 2)
    for kind, amount in (("warmth", 10), ("hardening", 5)):
        assert dwell_days(StageClock(kind, amount, 6), cold, [0, 59, 60, 99]).tolist() == [
            [NEVER] * 4
        ]
    weeks = weeks_of_dwell([(StageClock("warmth", 10, 6), cold)], [0], SAFE)
    assert weeks.tolist() == [[NEVER]]
    passed = passage_days([(StageClock("warmth", 10, 6), cold), (StageClock("days", 3), cold)], 0)
    assert passed.tolist() == [[[NEVER]], [[NEVER]]]


def test_a_batch_goes_through_its_stages_one_after_the_other(seattle: Weather) -> None:
    stages = [
        (StageClock("days", 10), seattle),
        (StageClock("warmth", 200, 5), seattle),
        (StageClock("hardening", 7, 3, 22), seattle),
    ]
    ends = passage_days(stages, [60, 100])
    assert ends.shape == (3, 4, 2)
    for year in range(4):
        at = 100
        for stage, (clock, air) in enumerate(stages):
            at += counted(clock, air, year, at)
            assert ends[stage, year, 1] == at


def test_a_stage_that_waits_for_nothing_takes_no_time(seattle: Weather) -> None:
    for kind in KINDS:
        assert not dwell_days(StageClock(kind, 0, 5), seattle, [0, 400]).any()


@pytest.mark.parametrize(
    ("arguments", "rule"),
    [(("heat", 5), "is one of"), (("days", -1), ">= 0"), (("warmth", 5), "needs a base")],
)
def test_a_clock_that_cannot_be_is_refused(arguments: Any, rule: str) -> None:
    with pytest.raises(Fault, match=rule):
        StageClock(*arguments)


def test_a_quantile_outside_its_range_is_refused() -> None:
    with pytest.raises(Fault, match="Quantile"):
        quantile_days(np.zeros((3, 1), dtype=np.int64), 1.5)
