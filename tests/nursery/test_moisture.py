"""Moist life: against the analytic solution, weighings turned round, and plain stepping."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nursery.errors import Fault
from nursery.moisture import (
    Wrap,
    cheapest_wrap,
    conductance,
    hourly,
    moist_life,
    vapour_pressure_deficit,
    water_left,
)

MOSS = Wrap("moss", conductance=0.8, water_full=60, water_least=20, cost_cents=35)
PAPER = Wrap("paper", conductance=1.6, water_full=40, water_least=15, cost_cents=10)
FOIL = Wrap("paper in foil", conductance=0.1, water_full=40, water_least=15, cost_cents=40)


@given(st.floats(6, 35), st.floats(0.5, 5), st.floats(0, 0.4), st.floats(1, 60))
@settings(deadline=None)
def test_at_constant_temperature_the_life_is_water_over_loss(
    t_c: float, dries: float, drunk: float, spare: float
) -> None:
    deficit = float(vapour_pressure_deficit(t_c, t_min=5.0))
    wrap = Wrap("trial", dries, 10 + spare, 10, 1, drunk)
    exact = spare / (dries * deficit + drunk)
    steps = int(exact) + 2
    assert moist_life(wrap, np.full(steps, deficit)) == pytest.approx(exact)
    assert moist_life(wrap, np.full(2 * steps, deficit), 0.5) == pytest.approx(exact)


def test_a_wrap_that_is_still_moist_at_the_end_of_the_series_has_no_end() -> None:
    assert moist_life(FOIL, np.full(24, 0.5)) == float("inf")
    assert moist_life(Wrap("dry", 1, 10, 10, 1), [0.5]) == 0
    assert moist_life(MOSS, np.zeros(48)) == float("inf")


def test_water_falls_step_by_step_and_never_below_nought() -> None:
    assert water_left(PAPER, [1.0, 2.0, 50.0]).tolist() == pytest.approx([40, 38.4, 35.2, 0])


def test_two_weighings_of_a_trial_parcel_give_back_its_conductance() -> None:
    left = water_left(Wrap("trial", 0.7, 100, 0, 1, plants_take=0.2), np.full(36, 0.9))
    found = conductance(left[0], left[-1], 36, 0.9, plants_take=0.2)
    assert found == pytest.approx(0.7)


def test_a_hot_van_shortens_the_moist_life() -> None:
    mild = vapour_pressure_deficit(hourly([10] * 5, [18] * 5), t_min=10)
    hot = vapour_pressure_deficit(hourly([10] * 5, [30] * 5), t_min=10)
    assert moist_life(MOSS, hot) < 0.6 * moist_life(MOSS, mild)


def test_the_cheapest_wrap_that_lasts_is_taken() -> None:
    deficit = np.full(96, 0.8)
    assert cheapest_wrap([MOSS, PAPER, FOIL], deficit, 18) is PAPER
    assert cheapest_wrap([MOSS, PAPER, FOIL], deficit, 48) is MOSS
    assert cheapest_wrap([MOSS, PAPER, FOIL], deficit, 96) is FOIL
    assert cheapest_wrap([MOSS, PAPER], deficit, 96) is None


def test_hourly_temperatures_stay_between_the_days_extremes_with_their_mean() -> None:
    air = hourly([8, 12], [20, 26])
    assert air.shape == (48,)
    assert air[:24].mean() == pytest.approx(14)
    assert 8 <= air[:24].min() < 8.3
    assert 25.7 < air[24:].max() <= 26


def test_weighings_wraps_and_series_that_cannot_be_are_refused() -> None:
    with pytest.raises(Fault, match="gained water"):
        conductance(90, 95, 24, 0.8)
    with pytest.raises(Fault, match="not saturated"):
        conductance(95, 90, 24, 0.0)
    with pytest.raises(Fault, match="least water"):
        Wrap("moss", 0.8, 20, 60, 35)
    with pytest.raises(Fault, match="lose >= 0"):
        Wrap("moss", -0.8, 60, 20, 35)
    with pytest.raises(Fault, match="all 96 hours"):
        cheapest_wrap([MOSS], np.full(24, 0.8), 96)
    with pytest.raises(Fault, match="minimum not above"):
        hourly([20], [10])
    with pytest.raises(Fault, match="t_min or e_a"):
        vapour_pressure_deficit(20)
