"""Degree-days against published values, definitions, numerical integration and real weather.

Definitions: Baskerville & Emin (1969) Ecology 50:514-517; Zalom et al. (1983), University of
California Leaflet 21373. Values marked "computed" were worked out from these by closed form and
agree with numerical integration within 2e-6.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import vega_datasets
from hypothesis import given, settings
from hypothesis import strategies as st

from nursery.climate import degree_days
from nursery.errors import Fault

# Computed; base 10, upper 30: minimum, maximum, simple, modified, then sine without an upper limit,
# horizontal, vertical, intermediate, then the same for the triangle.
TABLE = [
    (2, 8, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0),
    (4, 10, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0),
    (4, 14, 0, 2, 1.123488, 1.123488, 1.123488, 1.123488, 0.8, 0.8, 0.8, 0.8),
    (6, 20, 3, 5, 3.936117, 3.936117, 3.936117, 3.936117, 3.571429, 3.571429, 3.571429, 3.571429),
    (10, 20, 5, 5, 5, 5, 5, 5, 5, 5, 5, 5),
    (12, 24, 8, 8, 8, 8, 8, 8, 8, 8, 8, 8),
    (16, 36, 16, 13, 16, 14.558682, 7.17848, 13.117364, 16, 15.1, 9.1, 14.2),
    (4, 36, 10, 10, 11.1247, 10, 4.298021, 8.8753, 10.5625, 10, 6.25, 9.4375),
    (30, 38, 24, 20, 24, 20, 0, 16, 24, 20, 0, 16),
    (32, 40, 26, 20, 26, 20, 0, 14, 26, 20, 0, 14),
    (18, 18, 8, 8, 8, 8, 8, 8, 8, 8, 8, 8),
]
WAYS: list[tuple[Any, Any]] = [
    ("simple-average", "horizontal"),
    ("modified-average", "horizontal"),
    ("single-sine", None),
    ("single-sine", "horizontal"),
    ("single-sine", "vertical"),
    ("single-sine", "intermediate"),
    ("single-triangle", None),
    ("single-triangle", "horizontal"),
    ("single-triangle", "vertical"),
    ("single-triangle", "intermediate"),
]


def by_way(low: Any, high: Any, base: float, upper: float, way: tuple[Any, Any]) -> Any:
    method, cutoff = way
    if cutoff is None:
        return degree_days(low, high, base, None, method)
    return degree_days(low, high, base, upper, method, cutoff)


@pytest.mark.parametrize("row", TABLE)
def test_every_method_and_cut_off_gives_the_tables_value(row: tuple[float, ...]) -> None:
    low, high, *expected = row
    found = [float(by_way(low, high, 10, 30, way)) for way in WAYS]
    assert found == pytest.approx(expected, abs=1e-6)


def test_a_frosty_day_counts_its_warm_hours_above_nought() -> None:
    # Computed; minimum -6, maximum 9, base 0, upper 25.
    found = [float(by_way(-6, 9, 0, 25, way)) for way in WAYS]
    assert found == pytest.approx([1.5, 4.5] + [3.185232] * 4 + [2.7] * 4, abs=1e-6)


@pytest.mark.parametrize(
    ("low", "high", "method", "expected", "tolerance"),
    [
        # TrenchR reference page and tests, base 12, upper 33, printed to two digits.
        (7, 14, "single-sine", 0.47, 0.005),
        (7, 14, "single-triangle", 0.29, 0.005),
        (13, 40, "single-sine", 12.94, 0.01),
        (7, 20, "single-sine", 2.87, 0.01),
        (7, 20, "single-triangle", 2.46, 0.01),
    ],
)
def test_published_degree_days_above_twelve(
    low: float, high: float, method: Any, expected: float, tolerance: float
) -> None:
    assert float(degree_days(low, high, 12, 33, method)) == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(
    ("low", "high", "base", "upper", "method", "expected"),
    [
        (46, 67, 50, None, "simple-average", 6.5),  # Cornell University, NEWA
        (51, 95, 60, None, "simple-average", 13),  # Western Regional Climate Center
        (65, 90, 50, 86, "modified-average", 25.5),  # Waushara Argus, 2018-04-25
        (46, 72, 50, 86, "modified-average", 11),  # the same
        (42, 63, 50, 86, "modified-average", 6.5),  # the same
        (63, 87, 50, 86, "modified-average", 24.5),  # Ohio State University Extension, 2023
        (50, 70, 50, 86, "modified-average", 10),  # Iowa State University, Agronomy 541
    ],
)
def test_published_averages_which_hold_in_fahrenheit_as_well(
    low: float, high: float, base: float, upper: float | None, method: Any, expected: float
) -> None:
    assert float(degree_days(low, high, base, upper, method)) == pytest.approx(expected, abs=1e-9)


def test_the_degree_days_of_seattle_2012() -> None:
    # vega_datasets, seattle_weather (NOAA), base 10, upper 30; sums computed from the series.
    days = vega_datasets.data.seattle_weather()
    days = days[days.date.dt.year == 2012]
    assert len(days) == 366
    sums = {
        method: degree_days(days.temp_min, days.temp_max, 10, 30, method).sum()
        for method in ("simple-average", "modified-average", "single-sine", "single-triangle")
    }
    assert sums["simple-average"] == pytest.approx(1133.4, abs=1e-3)
    assert sums["modified-average"] == pytest.approx(1260.65, abs=1e-3)
    assert sums["single-sine"] == pytest.approx(1198.005, abs=1e-3)
    assert sums["single-triangle"] == pytest.approx(1176.9865, abs=1e-3)


def by_integration(low: float, high: float, base: float, upper: float, way: Any) -> float:
    method, cutoff = way
    moments = (np.arange(40_000) + 0.5) / 40_000
    if method == "single-sine":
        air = (low + high) / 2 + (high - low) / 2 * np.sin(2 * np.pi * moments)
    else:
        air = low + (high - low) * np.abs(2 * moments - 1)
    over = np.maximum(air - upper, 0)
    warm = np.maximum(air - base, 0)
    if cutoff == "horizontal":
        warm = warm - over
    elif cutoff == "intermediate":
        warm = warm - 2 * over
    elif cutoff == "vertical":
        warm = np.where(air > upper, 0, warm)
    return float(warm.mean())


@given(st.floats(-15, 40), st.floats(0.1, 25), st.floats(-2, 15), st.floats(1, 25))
@settings(deadline=None, max_examples=60)
def test_the_closed_form_equals_integrating_the_day(
    low: float, swing: float, base: float, band: float
) -> None:
    for way in WAYS[2:]:
        found = float(by_way(low, low + swing, base, base + band, way))
        expected = by_integration(low, low + swing, base, base + band, way)
        tolerance = 5e-3 if way[1] == "vertical" else 1e-5  # the vertical cut-off jumps
        assert found == pytest.approx(expected, abs=tolerance)


@given(st.floats(-20, 45), st.floats(0, 25), st.floats(0, 5))
@settings(deadline=None)
def test_a_warmer_day_never_gives_fewer_degree_days_under_a_horizontal_cut_off(
    low: float, swing: float, more: float
) -> None:
    for method in ("modified-average", "single-sine", "single-triangle"):
        cool = degree_days(low, low + swing, 8, 28, method)
        warm = degree_days(low + more, low + swing + more, 8, 28, method)
        assert warm >= cool - 1e-9
        assert -1e-9 <= cool <= 20 + 1e-9


def test_a_minimum_above_the_maximum_is_refused_and_an_equal_one_is_not() -> None:
    with pytest.raises(Fault, match="minimum must not be above"):
        degree_days([5, 12], [9, 11], 10)
    assert degree_days(12.0, 12.0, 10) == 2


def test_limits_and_methods_that_do_not_exist_are_refused() -> None:
    with pytest.raises(Fault, match="upper limit"):
        degree_days(5, 20, 10, 8)
    with pytest.raises(Fault, match="single-sine"):
        degree_days(5, 20, 10, 30, "double-sine")  # type: ignore[arg-type]


def test_a_missing_day_stays_missing_in_every_method() -> None:
    for method, _ in WAYS:
        found = degree_days([np.nan, 12.0], [15.0, 20.0], 10, 30, method)
        assert np.isnan(found[0])
        assert found[1] == 6
