"""Vapour pressure against FAO-56 (Allen, Pereira, Raes & Smith 1998) and the ASHRAE fit."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest

from nursery.moisture import (
    actual_vapour_pressure,
    saturation_vapour_pressure,
    vapour_pressure_deficit,
)

# FAO-56, annex 2, table 2.3: °C and kPa.
TABLE = {
    1: 0.657,
    5: 0.872,
    10: 1.228,
    15: 1.705,
    20: 2.338,
    24.5: 3.075,
    25: 3.168,
    30: 4.243,
    35: 5.623,
    40: 7.376,
}


def test_saturation_vapour_pressure_is_that_of_the_table() -> None:
    found = saturation_vapour_pressure(list(TABLE))
    assert found.tolist() == pytest.approx(list(TABLE.values()), abs=6e-4)


def test_the_mean_of_a_day_is_that_of_its_extremes_and_not_of_its_mean_temperature() -> None:
    # FAO-56 example 3: 15 and 24.5 °C give 2.39 kPa; the mean temperature would give 2.30.
    assert saturation_vapour_pressure([15, 24.5]).mean() == pytest.approx(2.39, abs=5e-3)
    assert float(saturation_vapour_pressure(19.75)) == pytest.approx(2.30, abs=5e-3)


def test_the_deficit_of_a_day_with_known_humidity() -> None:
    # FAO-56 example 5: 18 to 25 °C, humidity 82 % at the coldest, 54 % at the warmest hour.
    low, high = saturation_vapour_pressure([18, 25])
    assert [low, high] == pytest.approx([2.064, 3.168], abs=5e-4)
    actual = (low * 0.82 + high * 0.54) / 2
    assert actual == pytest.approx(1.70, abs=5e-3)
    deficit = vapour_pressure_deficit([18, 25], e_a=actual).mean()
    assert deficit == pytest.approx(0.914, abs=5e-3)


def test_without_humidity_the_air_is_saturated_at_the_nights_minimum() -> None:
    # FAO-56 equation 48.
    assert float(actual_vapour_pressure(15)) == pytest.approx(1.705, abs=6e-4)
    assert float(vapour_pressure_deficit(25, t_min=15)) == pytest.approx(3.168 - 1.705, abs=1e-3)


def test_an_independent_formula_agrees_within_a_fifth_of_a_per_cent() -> None:
    # psychrolib, ASHRAE Handbook of Fundamentals.
    psychrolib.SetUnitSystem(psychrolib.SI)
    temperatures = np.arange(0.5, 45, 0.5)
    expected = [psychrolib.GetSatVapPres(float(t)) / 1000 for t in temperatures]
    assert saturation_vapour_pressure(temperatures).tolist() == pytest.approx(expected, rel=2e-3)
